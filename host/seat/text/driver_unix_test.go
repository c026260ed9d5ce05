//go:build linux || darwin

package text

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"perch/host/seat"
	"perch/proto/seatlink"
)

// until waits for what happens in another goroutine. The bound is generous: nothing here is about speed.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("%s: has not happened in 10 s", what)
}

// peer is a controller of another kind: it takes lines.
type peer struct {
	near, far *os.File
	mu        sync.Mutex
	lines     []string
}

func newPeer(t *testing.T) *peer {
	t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		t.Skip(err)
	}
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		t.Fatal(err)
	}
	p := &peer{near: near, far: far}
	go func() {
		for lines := bufio.NewScanner(near); lines.Scan(); {
			p.mu.Lock()
			p.lines = append(p.lines, lines.Text())
			p.mu.Unlock()
		}
	}()
	t.Cleanup(p.unplug)
	return p
}

func (p *peer) unplug() { _ = p.near.Close(); _ = p.far.Close() }

func (p *peer) heard() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.lines...)
}

func (p *peer) last() string {
	if h := p.heard(); len(h) > 0 {
		return h[len(h)-1]
	}
	return ""
}

func settings(port string) Settings {
	return Settings{Port: port, Baud: 115200, Loop: 500, Axes: cranks(), OnStart: "ON\n", OnStop: "OFF\n",
		Template: "{{printf \"%.1f\" .Actuator1.Deg}} {{printf \"%04d\" (int .Actuator2.Fraction 0 1000)}}\n"}
}

func status(d *Driver) seat.Status {
	var s seat.Status
	d.Status(&s)
	return s
}

func state(d *Driver) string {
	s := status(d)
	return fmt.Sprintf("connected %v homed %v armed %v %v", s.Connected, s.Homed, s.Armed, s.State)
}

// From levelling to the end: nothing is written but while armed, and every arming and stop has its words.
func TestARideInText(t *testing.T) {
	t.Parallel()
	p := newPeer(t)
	d, err := Open(context.Background(), settings(p.far.Name()))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	until(t, "connected", func() bool { return state(d) == "connected true homed false armed false disarmed" })
	if s := status(d); !s.OneWay || s.Simulated || s.N != 2 || s.Port != p.far.Name() || s.BootID == 0 {
		t.Errorf("%+v", s)
	}
	at := 0.
	send := func() {
		d.Send(&seat.Setpoint{N: 2, Position: [6]float64{at * degree, -at * degree}})
		time.Sleep(2 * time.Millisecond)
	}
	answered := func(c seat.Command, r seatlink.Result) {
		t.Helper()
		n := status(d).Answers
		d.Do(c)
		until(t, c.String(), func() bool { send(); return status(d).Answers > n })
		if got := status(d).LastResult; got != r {
			t.Errorf("%v: %v, want %v", c, got, r)
		}
	}
	answered(seat.Arm, seatlink.ResultNotHomed)
	answered(seat.Home, seatlink.ResultOK)
	if got, want := state(d), "connected true homed true armed false ready"; got != want {
		t.Errorf("levelled: %s, want %s", got, want)
	}
	at = 3 // setpoints far from where it stands arm nothing
	answered(seat.Arm, seatlink.ResultFar)
	at = 0
	for range 20 {
		send()
	}
	if h := p.heard(); len(h) != 0 {
		t.Fatalf("written while disarmed: %q", h)
	}
	answered(seat.ArmReduced, seatlink.ResultOK)
	if s := status(d); !s.Armed || !s.Reduced {
		t.Errorf("%+v", s)
	}
	at = 12
	until(t, "follows", func() bool { send(); return p.last() == "12.0 0400" }) // (-12 + 60)/120 = 0.4
	if h := p.heard(); h[0] != "ON" || h[1] != "0.0 0500" {
		t.Errorf("began with %q", h[:2])
	}
	answered(seat.Stop, seatlink.ResultOK)
	until(t, "told to stop", func() bool { return p.last() == "OFF" })
	n := len(p.heard())
	for range 20 {
		send()
	}
	if h := p.heard(); len(h) != n {
		t.Errorf("after the stop: %q", h[n:])
	}
	if s := status(d); s.Armed || s.State != seatlink.StateReady || s.Positions[0] != 12*degree {
		t.Errorf("after the stop: %+v", s)
	}
	// Armed again from where it stopped; then the loop dies.
	answered(seat.Arm, seatlink.ResultOK)
	until(t, "disarmed without setpoints", func() bool { return !status(d).Armed && p.last() == "OFF" })
}

func TestCloseWhileArmedSaysStop(t *testing.T) {
	t.Parallel()
	p := newPeer(t)
	d, err := Open(context.Background(), settings(p.far.Name()))
	if err != nil {
		t.Fatal(err)
	}
	d.Do(seat.Home)
	until(t, "armed", func() bool {
		if status(d).Homed {
			d.Do(seat.Arm)
		}
		d.Send(&seat.Setpoint{N: 2})
		return status(d).Armed
	})
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	until(t, "told to stop", func() bool { return p.last() == "OFF" })
	if s := status(d); s.Connected || s.Armed || s.Homed {
		t.Errorf("closed: %+v", s)
	}
}

// A port that is lost in a ride and comes back under another name: the seat has to be levelled again, and nothing is written meanwhile.
func TestLostAndFoundHasToBeLevelledAgain(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "controller")
	p := newPeer(t)
	if err := os.Symlink(p.far.Name(), link); err != nil {
		t.Fatal(err)
	}
	d, err := Open(context.Background(), settings(link))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	end := make(chan struct{})
	defer close(end)
	go func() {
		for {
			select {
			case <-end:
				return
			case <-time.After(2 * time.Millisecond):
				d.Send(&seat.Setpoint{N: 2})
			}
		}
	}()
	arm := func() {
		until(t, "armed", func() bool {
			if !status(d).Homed {
				d.Do(seat.Home)
			} else if !status(d).Armed {
				d.Do(seat.Arm)
			}
			time.Sleep(10 * time.Millisecond)
			return status(d).Armed
		})
	}
	arm()
	boot := status(d).BootID
	p.unplug()
	until(t, "lost", func() bool { return !status(d).Connected })
	if s := status(d); s.Armed || s.Homed || !strings.Contains(s.Problem, link) {
		t.Errorf("lost: %+v", s)
	}
	d.Do(seat.Home) // said while nobody listens: must not count later
	d.Do(seat.Arm)
	q := newPeer(t)
	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(q.far.Name(), link); err != nil {
		t.Fatal(err)
	}
	until(t, "found", func() bool { return status(d).Connected })
	time.Sleep(50 * time.Millisecond)
	if s := status(d); s.Armed || s.Homed || s.BootID == boot || s.Reconnects != 1 {
		t.Errorf("found: %+v", s)
	}
	if h := q.heard(); len(h) != 0 {
		t.Errorf("written before it was armed: %q", h)
	}
	arm()
}

// A controller that takes no bytes holds nobody up, and the ride is told.
func TestStalledPort(t *testing.T) {
	t.Parallel()
	near, far, err := pty.Open()
	if err != nil {
		t.Skip(err)
	}
	defer near.Close()
	defer far.Close()
	s := settings(far.Name())
	s.Template = "{{.Actuator1.Deg}}" + strings.Repeat("x", 900) + "\n"
	s.Baud = 10_000_000
	d, err := New(context.Background(), s, func(context.Context) (io.ReadWriteCloser, string, error) {
		f, err := os.OpenFile(far.Name(), os.O_RDWR, 0)
		if err == nil {
			_, err = term.MakeRaw(int(far.Fd()))
		}
		return f, far.Name(), err
	})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	until(t, "stall", func() bool {
		switch s := status(d); {
		case !s.Homed:
			d.Do(seat.Home)
		case !s.Armed:
			d.Do(seat.Arm)
		}
		d.Send(&seat.Setpoint{N: 2})
		return status(d).Stalls > 0
	})
	until(t, "disarmed", func() bool { return !status(d).Armed })
}

func TestEverySecondSetpoint(t *testing.T) {
	t.Parallel()
	s := settings("memory")
	s.Rate, s.OnStart = 250, ""
	var written bytes.Buffer
	port := &memory{closed: make(chan struct{}), out: &written}
	d, err := New(context.Background(), s, func(context.Context) (io.ReadWriteCloser, string, error) {
		return port, "memory", nil
	})
	if err != nil {
		t.Fatal(err)
	}
	d.Do(seat.Home)
	until(t, "homed", func() bool { return status(d).Homed })
	d.Do(seat.Arm)
	for i := range 10 {
		sent := status(d).Sent
		d.Send(&seat.Setpoint{N: 2, Position: [6]float64{float64(i) * 0.1 * degree}})
		if i%2 == 1 {
			until(t, "written", func() bool { return status(d).Sent == sent+1 })
		}
	}
	_ = d.Close()
	if got, want := written.String(), "0.1 0500\n0.3 0500\n0.5 0500\n0.7 0500\n0.9 0500\nOFF\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

type memory struct {
	once   sync.Once
	closed chan struct{}
	out    *bytes.Buffer
}

func (m *memory) Read([]byte) (int, error)    { <-m.closed; return 0, os.ErrClosed }
func (m *memory) Write(p []byte) (int, error) { return m.out.Write(p) }
func (m *memory) Close() error                { m.once.Do(func() { close(m.closed) }); return nil }

func BenchmarkSend(b *testing.B) {
	port := &memory{closed: make(chan struct{}), out: new(bytes.Buffer)}
	d, err := New(context.Background(), settings("memory"), func(context.Context) (io.ReadWriteCloser, string, error) {
		return port, "memory", nil
	})
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	sp := &seat.Setpoint{N: 2}
	var s seat.Status
	b.ReportAllocs()
	for b.Loop() {
		d.Send(sp)
		d.Status(&s)
	}
}
