//go:build linux || darwin

package seat

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// line is a pseudo-terminal between a Link and a controller, with ways to break it.
type line struct {
	near, far *os.File
	deaf      atomic.Bool // bytes to the controller stay where they are
	lost      atomic.Bool // bytes to the controller are taken and thrown away
	mute      atomic.Bool // bytes from the controller are thrown away
	noisy     atomic.Bool // bytes from the controller are broken
}

func newLine(t *testing.T) *line {
	t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		t.Skip(err)
	}
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = near.Close(); _ = far.Close() })
	return &line{near: near, far: far}
}

func (l *line) Read(p []byte) (int, error) {
	for {
		for l.deaf.Load() {
			time.Sleep(time.Millisecond)
		}
		n, err := l.near.Read(p)
		if err != nil || !l.lost.Load() {
			return n, err
		}
	}
}

func (l *line) Write(p []byte) (int, error) {
	if l.mute.Load() {
		return len(p), nil
	}
	if l.noisy.Load() {
		broken := append([]byte(nil), p...)
		for i := range broken {
			broken[i] ^= byte(rand.IntN(256))
		}
		return l.near.Write(broken)
	}
	return l.near.Write(p)
}

func (l *line) Close() error { return nil }

// ride is a Link that is armed over a line, with a loop that sends.
func ride(t *testing.T, s Settings) (*Link, *line, *simulated.Server) {
	t.Helper()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	on := newLine(t)
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	go func() { _ = server.Serve(ctx, on) }()
	s.Port, s.N = on.far.Name(), 2
	l, err := Open(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	stop := loop(l, 2, func() float64 { return 0 })
	t.Cleanup(func() { stop(); _ = l.Close() })
	armed(t, l)
	return l, on, server
}

// Whatever breaks in a ride: the operator has a line that names port and remedy, the loop's calls return at once, and when it is
// whole again nothing is armed.
func TestBrokenInARide(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		cut, mend func(l *line)
		want      []string
		settings  Settings
	}{
		"the peer stops reading": {
			func(l *line) { l.deaf.Store(true) }, func(l *line) { l.deaf.Store(false) },
			[]string{"took no bytes for 50ms", "check the cable"}, Settings{Window: 1 << 14, Stall: 50 * time.Millisecond},
		},
		"half open, bytes swallowed and none come": {
			func(l *line) { l.lost.Store(true); l.mute.Store(true) }, func(l *line) { l.lost.Store(false); l.mute.Store(false) },
			[]string{"no status for 1s", "check the cable and the controller's own supply"}, Settings{},
		},
		"broken bytes": {
			func(l *line) { l.noisy.Store(true) }, func(l *line) { l.noisy.Store(false) },
			[]string{"no whole status for 1s", "broken frames", "shield and ground"}, Settings{},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l, on, server := ride(t, c.settings)
			c.cut(on)
			until(t, "lost", func() bool { s := status(l); return !s.Connected && s.Problem != "" })
			var problem string
			until(t, "named", func() bool {
				problem = status(l).Problem
				return strings.Contains(problem, c.want[0])
			})
			for _, part := range append(c.want, on.far.Name()) {
				if !strings.Contains(problem, part) {
					t.Errorf("%q lacks %q", problem, part)
				}
			}
			// The calls of the loop return, whatever the port does.
			began := time.Now()
			for range 1000 {
				l.Send(&Setpoint{N: 2})
				l.Do(Arm)
				status(l)
			}
			if took := time.Since(began); took > 2*time.Second {
				t.Errorf("a thousand ticks took %v", took)
			}
			until(t, "stopped by itself", func() bool {
				var st seatlink.State
				server.With(func(c *simulated.Controller) { st = c.State() })
				return st != seatlink.StateArmed && st != seatlink.StateStopping
			})
			c.mend(on)
			until(t, "found again", func() bool { return status(l).Connected && status(l).Reconnects > 0 })
			time.Sleep(300 * time.Millisecond)
			if s := status(l); s.Armed {
				t.Errorf("armed by itself: %+v", s)
			}
		})
	}
}

// What a port says before the controller does is no obstacle; a port that says nothing else is named.
func TestGarbageAtConnect(t *testing.T) {
	t.Parallel()
	garbage := make([]byte, 3000)
	for i := range garbage {
		garbage[i] = byte(rand.IntN(256))
	}
	t.Run("then the controller", func(t *testing.T) {
		t.Parallel()
		on := newLine(t)
		server, err := simulated.NewServer(quick())
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go func() {
			time.Sleep(50 * time.Millisecond)
			_, _ = on.near.Write(garbage)
			_ = server.Serve(ctx, on)
		}()
		l, err := Open(ctx, Settings{Port: on.far.Name(), N: 2})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		until(t, "connected", func() bool { return status(l).Connected })
	})
	t.Run("for ever", func(t *testing.T) {
		t.Parallel()
		on := newLine(t)
		end := make(chan struct{})
		defer close(end)
		go func() {
			for {
				select {
				case <-end:
					return
				case <-time.After(20 * time.Millisecond):
					_, _ = on.near.Write(garbage[:100])
				}
			}
		}()
		_, err := Open(context.Background(), Settings{Port: on.far.Name(), N: 2, Wait: 300 * time.Millisecond})
		if err == nil || !strings.Contains(err.Error(), "no answer to HELLO in 300ms at 500000 baud, but ") || !strings.Contains(err.Error(), "set the baud that the controller has") {
			t.Errorf("%v", err)
		}
	})
	t.Run("nothing", func(t *testing.T) {
		t.Parallel()
		on := newLine(t)
		_, err := Open(context.Background(), Settings{Port: on.far.Name(), N: 2, Wait: 100 * time.Millisecond})
		if err == nil || !strings.Contains(err.Error(), "not one byte; check the cable") {
			t.Errorf("%v", err)
		}
	})
}

// The second of two hosts is told which program has the port.
func TestTwoHostsOnOnePort(t *testing.T) {
	t.Parallel()
	l, on, _ := ride(t, Settings{})
	_, err := Open(context.Background(), Settings{Port: on.far.Name(), N: 2})
	want := "another program uses this port"
	if runtime.GOOS == "linux" {
		want += fmt.Sprintf(": seat.test (process %d); end it first", os.Getpid())
	}
	if err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v, want %s", err, want)
	}
	if s := status(l); !s.Armed || s.CRCErrors != 0 {
		t.Errorf("the first ride was disturbed: %+v", s)
	}
}

// A controller that restarts in a ride moves nothing: it is not homed, and ARM is refused.
func TestResetInARide(t *testing.T) {
	t.Parallel()
	l, _, server := ride(t, Settings{})
	server.With(func(c *simulated.Controller) { c.Reboot(seatlink.ResetWatchdog) })
	until(t, "seen", func() bool {
		s := status(l)
		return s.Boots == 1 && s.State == seatlink.StateDisarmed && !s.Homed && !s.Armed
	})
	l.Do(Arm)
	until(t, "refused", func() bool { return status(l).LastResult == seatlink.ResultNotHomed })
	if status(l).Armed {
		t.Error("armed")
	}
}

// A port that was named by its path comes back under another: it is found by its serial number, and only by that.
func TestComesBackUnderAnotherName(t *testing.T) {
	var open []string
	var present []Port
	opener := func(name string, _ int) (io.ReadWriteCloser, error) {
		for _, p := range present {
			if p.Name == name {
				open = append(open, name)
				return nil, nil
			}
		}
		return nil, explain(name, os.ErrNotExist)
	}
	list := func() ([]Port, error) { return present, nil }
	ctx := context.Background()
	first := []Port{{Name: "/dev/ttyUSB0", USB: true, VID: "1209", PID: "0001", Serial: "A"}}
	for name, c := range map[string]struct {
		port  string
		first []Port
		then  []Port
		want  string
		err   string
	}{
		"by path":                    {"/dev/ttyUSB0", first, []Port{{Name: "/dev/ttyUSB1", USB: true, VID: "1209", PID: "0001", Serial: "A"}}, "/dev/ttyUSB1", ""},
		"by identity":                {"usb:1209:0001", first, []Port{{Name: "/dev/ttyUSB1", USB: true, VID: "1209", PID: "0001", Serial: "A"}}, "/dev/ttyUSB1", ""},
		"another of its kind":        {"/dev/ttyUSB0", first, []Port{{Name: "/dev/ttyUSB1", USB: true, VID: "1209", PID: "0001", Serial: "B"}}, "", "port not found"},
		"two with one serial number": {"/dev/ttyUSB0", first, []Port{{Name: "/dev/ttyUSB1", USB: true, VID: "1209", PID: "0001", Serial: "A"}, {Name: "/dev/ttyUSB2", USB: true, VID: "1209", PID: "0001", Serial: "A"}}, "", "port not found"},
		"without a serial number":    {"/dev/ttyUSB0", []Port{{Name: "/dev/ttyUSB0", USB: true, VID: "1209", PID: "0001"}}, []Port{{Name: "/dev/ttyUSB1", USB: true, VID: "1209", PID: "0001"}}, "", "port not found"},
		"identity gone":              {"usb:1209:0001", first, []Port{{Name: "/dev/ttyS0"}}, "", "port not found; present: /dev/ttyS0"},
	} {
		t.Run(name, func(t *testing.T) {
			dial, err := newDial(c.port, 500000, list, opener)
			if err != nil {
				t.Fatal(err)
			}
			present = c.first
			if _, got, err := dial(ctx); err != nil || got != "/dev/ttyUSB0" {
				t.Fatalf("%s, %v", got, err)
			}
			present, open = c.then, nil
			_, got, err := dial(ctx)
			switch {
			case c.err == "" && (err != nil || got != c.want || len(open) != 1):
				t.Errorf("opened %v as %s, %v; want %s", open, got, err, c.want)
			case c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err) || len(open) != 0):
				t.Errorf("opened %v, %v; want %s", open, err, c.err)
			}
		})
	}
}

// A controller of another board id behind the same port is refused, with both names.
func TestAnotherBoardComesBack(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "seat")
	serve := func(board string) (end func()) {
		s := quick()
		s.Board = board
		ctx, cancel := context.WithCancel(context.Background())
		_, done, err := simulated.ServePTY(ctx, link, s)
		if err != nil {
			t.Skip(err)
		}
		return func() { cancel(); <-done }
	}
	end := serve("left seat")
	l, err := Open(context.Background(), Settings{Port: link, N: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	end()
	until(t, "lost", func() bool { return !status(l).Connected })
	defer serve("right seat")()
	until(t, "refused", func() bool {
		return strings.Contains(status(l).Problem, `the controller is "right seat", not "left seat"; check which controller this port leads to`)
	})
	if status(l).Connected {
		t.Error("connected to another board")
	}
	if _, err := os.Lstat(link); errors.Is(err, os.ErrNotExist) {
		t.Error("the link is gone")
	}
}
