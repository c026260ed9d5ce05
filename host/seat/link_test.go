package seat

import (
	"context"
	"io"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"perch/host/seat/simulated"
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

// loop sends what position says at 500 Hz until stopped.
func loop(l *Link, n int, position func() float64) (stop func()) {
	end, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		t := time.NewTicker(2 * time.Millisecond)
		defer t.Stop()
		sp := Setpoint{N: n}
		for {
			select {
			case <-end:
				return
			case <-t.C:
				for i := range n {
					sp.Position[i] = position()
				}
				l.Send(&sp)
			}
		}
	}()
	return func() { close(end); <-ended }
}

func status(l *Link) Status {
	var s Status
	l.Status(&s)
	return s
}

func armed(t *testing.T, l *Link) {
	t.Helper()
	until(t, "status", func() bool {
		return status(l).Connected && status(l).State == seatlink.StateDisarmed || status(l).Homed
	})
	l.Do(Home)
	until(t, "homed", func() bool { return status(l).State == seatlink.StateReady && status(l).Homed })
	arm(t, l)
}

func arm(t *testing.T, l *Link) {
	t.Helper()
	until(t, "armed", func() bool {
		if status(l).Armed {
			return true
		}
		l.Do(Arm)
		if status(l).State == seatlink.StateHeld { // a machine so busy that the loop was 100 ms late
			l.Do(Park)
		}
		time.Sleep(50 * time.Millisecond)
		return status(l).Armed
	})
}

func quick() simulated.Settings { return simulated.Settings{HomingTime: 20 * time.Millisecond} }

func TestRideOverSimulatedSeat(t *testing.T) {
	t.Parallel()
	l, err := Open(context.Background(), Settings{Port: "simulated", N: 2, Simulated: quick()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var x atomic.Uint64
	stop := loop(l, 2, func() float64 { return math.Float64frombits(x.Load()) })
	defer stop()
	armed(t, l)
	x.Store(math.Float64bits(0.1))
	until(t, "follows", func() bool { return status(l).Positions == [6]float64{0.1, 0.1} })
	s := status(l)
	if !s.Simulated || s.Board != "simulated" || s.Port != "simulated" || s.N != 2 || !s.Supply || s.BootID == 0 || s.Sent == 0 || s.Problem != "" {
		t.Errorf("status %+v", s)
	}
	l.Do(Arm)
	l.Do(Stop)
	until(t, "held", func() bool { return status(l).State == seatlink.StateHeld })
	l.Do(Park)
	x.Store(0)
	until(t, "parked", func() bool { return status(l).State == seatlink.StateReady })
	until(t, "round trip", func() bool { return status(l).RoundTripP50 > 0 })
}

func TestHostDeadThenControllerStops(t *testing.T) {
	t.Parallel()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	l, err := NewLink(ctx, Settings{Port: "memory", N: 2}, func(context.Context) (io.ReadWriteCloser, string, error) {
		return server.Dial(context.Background()), "memory", nil
	})
	if err != nil {
		t.Fatal(err)
	}
	stop := loop(l, 2, func() float64 { return 0 })
	armed(t, l)
	stop()
	until(t, "latched", func() bool { return status(l).State == seatlink.StateHeld })
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if s := status(l); s.Connected || s.Armed {
		t.Errorf("connected after Close: %+v", s)
	}
}

func TestRestartedControllerIsSeen(t *testing.T) {
	t.Parallel()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	l, err := NewLink(context.Background(), Settings{Port: "memory", N: 2}, func(context.Context) (io.ReadWriteCloser, string, error) {
		return server.Dial(context.Background()), "memory", nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	stop := loop(l, 2, func() float64 { return 0 })
	defer stop()
	armed(t, l)
	was := status(l).BootID
	server.With(func(c *simulated.Controller) { c.Reboot(seatlink.ResetWatchdog) })
	until(t, "new boot id", func() bool {
		s := status(l)
		return s.BootID != was && s.Boots == 1 && !s.Armed && !s.Homed && s.State == seatlink.StateDisarmed
	})
	l.Do(Arm)
	until(t, "refusal", func() bool { return status(l).LastResult == seatlink.ResultNotHomed })
}

func TestReconnectsAndKeepsNoCommand(t *testing.T) {
	t.Parallel()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	var port atomic.Pointer[io.ReadWriteCloser]
	l, err := NewLink(context.Background(), Settings{Port: "memory", N: 2}, func(context.Context) (io.ReadWriteCloser, string, error) {
		p := server.Dial(context.Background())
		port.Store(&p)
		return p, "memory", nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	stop := loop(l, 2, func() float64 { return 0 })
	defer stop()
	armed(t, l)
	_ = (*port.Load()).Close()
	until(t, "lost", func() bool { return !status(l).Connected })
	l.Do(Arm) // asked for while nobody listens: must not arm later
	if p := status(l).Problem; !strings.Contains(p, `seat "memory"`) {
		until(t, "problem", func() bool { return strings.Contains(status(l).Problem, `seat "memory"`) })
	}
	until(t, "found again", func() bool {
		return status(l).Reconnects == 1 && status(l).Connected && status(l).State == seatlink.StateHeld
	})
	time.Sleep(50 * time.Millisecond)
	if status(l).Armed {
		t.Error("armed by itself after the connection came back")
	}
}

// wall takes a greeting and then no byte more.
type wall struct {
	io.ReadWriteCloser
	shut   atomic.Bool
	closed chan struct{}
}

func (w *wall) Write(p []byte) (int, error) {
	if w.shut.Load() {
		<-w.closed // like a pseudo-terminal whose peer stopped reading, Close does not end it
	}
	return w.ReadWriteCloser.Write(p)
}

func TestStallDoesNotBlockTheLoop(t *testing.T) {
	t.Parallel()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	release := make(chan struct{})
	defer close(release)
	var newest atomic.Pointer[wall]
	l, err := NewLink(context.Background(), Settings{Port: "memory", N: 2, Stall: 50 * time.Millisecond}, func(context.Context) (io.ReadWriteCloser, string, error) {
		w := &wall{ReadWriteCloser: server.Dial(context.Background()), closed: release}
		newest.Store(w)
		return w, "memory", nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	until(t, "connected", func() bool { return status(l).Connected })
	newest.Load().shut.Store(true)
	sp := Setpoint{N: 2}
	until(t, "stall counted", func() bool {
		for range 100 {
			l.Send(&sp)
			l.Do(Stop)
		}
		return status(l).Stalls >= 1
	})
	until(t, "opened again", func() bool { return status(l).Reconnects == 1 && status(l).Connected })
}

func TestNoController(t *testing.T) {
	t.Parallel()
	_, err := NewLink(context.Background(), Settings{Port: "memory", N: 2, Wait: 50 * time.Millisecond}, func(context.Context) (io.ReadWriteCloser, string, error) {
		a, _ := simulated.Pipe()
		return a, "memory", nil
	})
	if err == nil || !strings.Contains(err.Error(), `seat "memory": no answer to HELLO`) {
		t.Errorf("error %v", err)
	}
}

func TestWrongController(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		s    Settings
		want string
	}{
		"axes":  {Settings{Port: "x", N: 3}, `the controller "simulated" has 2 axes in radians, the seat file 3 axes in radians`},
		"unit":  {Settings{Port: "x", N: 2, Metres: true}, "2 axes in metres"},
		"board": {Settings{Port: "x", N: 2, Board: "other"}, `the controller is "simulated", not "other"`},
		"none":  {Settings{Port: "x", N: 7}, "7 actuators; give 1 to 6"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := NewLink(context.Background(), c.s, func(ctx context.Context) (io.ReadWriteCloser, string, error) {
				p, err := simulated.Dial(context.Background(), quick())
				return p, "x", err
			})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want %q in it", err, c.want)
			}
		})
	}
}

func TestLimitsAndTighten(t *testing.T) {
	t.Parallel()
	l, err := Open(context.Background(), Settings{Port: "simulated", N: 2, Simulated: quick()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	ctx := context.Background()
	axes := seatlink.Axes{N: 2}
	wide := simulated.DefaultLimits(axes)
	got, err := l.Limits(ctx)
	if diff := cmp.Diff(wide[:2], got); err != nil || diff != "" {
		t.Fatal(err, diff)
	}
	narrow := wide
	for i := range 2 {
		narrow[i].High, narrow[i].Speed = 500_000_000, 5_000_000
	}
	if err := l.Tighten(ctx, narrow[:2]); err != nil {
		t.Fatal(err)
	}
	want := seatlink.Hash(axes, &narrow)
	until(t, "hash", func() bool { return status(l).Hash == want })
	if err := l.Tighten(ctx, wide[:2]); err == nil || !strings.Contains(err.Error(), "value out of range") {
		t.Errorf("widening: error %v", err)
	}
}

func TestArmNeedsTheSettingsHash(t *testing.T) {
	t.Parallel()
	l, err := Open(context.Background(), Settings{Port: "simulated", N: 2, Hash: 1, Simulated: quick()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	l.Do(Arm)
	until(t, "refusal", func() bool {
		return status(l).LastCommand == seatlink.TypeArm && status(l).LastResult == seatlink.ResultHash
	})
}

func TestQuantise(t *testing.T) {
	for name, c := range map[string]struct {
		in   Setpoint
		want seatlink.Setpoint
		ok   bool
	}{
		"plain": {Setpoint{N: 1, Position: [6]float64{0.1234567894}, Speed: [6]float64{-1.5}, Acceleration: [6]float64{2}},
			seatlink.Setpoint{Axes: seatlink.Axes{N: 1}, Position: [6]int32{123456789}, Speed: [6]int32{-1500000}, Acceleration: [6]int16{500}}, true},
		"cut":      {Setpoint{N: 1, Acceleration: [6]float64{1e9}}, seatlink.Setpoint{Axes: seatlink.Axes{N: 1}, Acceleration: [6]int16{32767}}, true},
		"nan":      {in: Setpoint{N: 1, Position: [6]float64{math.NaN()}}},
		"infinite": {in: Setpoint{N: 1, Position: [6]float64{math.Inf(1)}}},
		"far":      {in: Setpoint{N: 1, Position: [6]float64{3}}},
		"nan v":    {in: Setpoint{N: 1, Speed: [6]float64{math.NaN()}}},
		"none":     {in: Setpoint{N: 0}},
		"many":     {in: Setpoint{N: 7}},
	} {
		t.Run(name, func(t *testing.T) {
			var got seatlink.Setpoint
			ok := quantise(&c.in, &got)
			if ok != c.ok {
				t.Fatal("taken:", ok)
			}
			if diff := cmp.Diff(c.want, got); ok && diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestMailboxKeepsTheNewest(t *testing.T) {
	m := NewMailbox()
	if m.Take() != nil {
		t.Error("something in an empty mailbox")
	}
	for i := 1; i <= 3; i++ {
		if lost := m.Put(&Setpoint{N: i}); lost != (i > 1) {
			t.Errorf("send %d: lost %v", i, lost)
		}
	}
	if sp := m.Take(); sp == nil || sp.N != 3 {
		t.Errorf("took %v", sp)
	}
	if m.Take() != nil {
		t.Error("taken twice")
	}
	// Concurrently: never torn, never going back.
	const last = 20000
	go func() {
		for i := 1; i <= last; i++ {
			x := float64(i)
			m.Put(&Setpoint{N: 2, Position: [6]float64{x, x, x, x, x, x}, Acceleration: [6]float64{x, x, x, x, x, x}})
		}
	}()
	for was := 0.0; was < last; {
		sp := m.Take()
		if sp == nil {
			continue
		}
		x := sp.Position[0]
		if sp.Position[5] != x || sp.Acceleration[5] != x || x <= was {
			t.Fatalf("torn or old: %v after %v", sp, was)
		}
		was = x
	}
}

func TestUSBIdentity(t *testing.T) {
	ports := []Port{{Name: "/dev/ttyS0"}, {Name: "/dev/ttyACM0", USB: true, VID: "1209", PID: "0001", Serial: "A"},
		{Name: "/dev/ttyACM1", USB: true, VID: "1209", PID: "0001", Serial: "B"}, {Name: "/dev/ttyUSB0", USB: true, VID: "1209", PID: "000a"}}
	for in, want := range map[string]string{
		"usb:1209:0001:B": "/dev/ttyACM1",
		"USB:1209:000A":   "/dev/ttyUSB0",
		"usb:1209:0001":   "2 ports have this identity (/dev/ttyACM0, /dev/ttyACM1); add the serial number",
		"usb:1209:0002":   `port not found; present: /dev/ttyS0, /dev/ttyACM0 (usb:1209:0001:A), /dev/ttyACM1 (usb:1209:0001:B), /dev/ttyUSB0 (usb:1209:000a); check the cable or run "perch ports"`,
		"usb:12:2":        "not a USB identity",
		"usb:":            "not a USB identity",
	} {
		u, err := parseUSB(in)
		got := ""
		if err == nil {
			got, err = u.find(ports)
		}
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, want) {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

func TestOpenErrors(t *testing.T) {
	for port, want := range map[string]string{
		"":                       "seat: no port",
		"/dev/ttyNotThere0":      `seat "/dev/ttyNotThere0": port not found; present: `,
		"usb:zzzz:0000":          "not a USB identity",
		"/dev/ttyNotThere0/deep": `seat "/dev/ttyNotThere0/deep": port not found`,
	} {
		_, err := Open(context.Background(), Settings{Port: port, N: 2})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %q in it", port, err, want)
		}
	}
}

func BenchmarkSend(b *testing.B) {
	l, err := Open(context.Background(), Settings{Port: "simulated", N: 2})
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	sp := Setpoint{N: 2}
	b.ReportAllocs()
	for b.Loop() {
		l.Send(&sp)
	}
}

func BenchmarkStatus(b *testing.B) {
	l, err := Open(context.Background(), Settings{Port: "simulated", N: 2})
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	var s Status
	b.ReportAllocs()
	for b.Loop() {
		l.Status(&s)
	}
}

func BenchmarkQuantiseAndEncode(b *testing.B) {
	sp := Setpoint{N: 2, Position: [6]float64{0.1, -0.2}, Speed: [6]float64{0.5, 0.6}, Acceleration: [6]float64{1, 2}}
	var out seatlink.Setpoint
	var e seatlink.Encoder
	buf := make([]byte, 0, seatlink.MaxEncoded)
	b.ReportAllocs()
	for b.Loop() {
		quantise(&sp, &out)
		buf = e.Append(buf[:0], &out)
	}
}

// stamped notes when each write begins, ns after start.
type stamped struct {
	io.ReadWriteCloser
	start time.Time
	at    chan time.Duration
}

func (s *stamped) Write(p []byte) (int, error) {
	select {
	case s.at <- time.Since(s.start):
	default:
	}
	return s.ReadWriteCloser.Write(p)
}

// How long a setpoint waits for the writer: a figure to look at, not to assert.
func BenchmarkSendToWrite(b *testing.B) {
	port := &stamped{start: time.Now(), at: make(chan time.Duration, 1)}
	l, err := NewLink(context.Background(), Settings{Port: "memory", N: 2}, func(ctx context.Context) (io.ReadWriteCloser, string, error) {
		p, err := simulated.Dial(context.Background(), quick())
		port.ReadWriteCloser = p
		return port, "memory", err
	})
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	time.Sleep(100 * time.Millisecond)
	sp := Setpoint{N: 2}
	var waits []float64
	for b.Loop() {
		time.Sleep(2 * time.Millisecond)
		select {
		case <-port.at:
		default:
		}
		at := time.Since(port.start)
		l.Send(&sp)
		waits = append(waits, float64((<-port.at - at).Microseconds()))
	}
	slices.Sort(waits)
	b.ReportMetric(waits[len(waits)/2], "p50-µs")
	b.ReportMetric(waits[len(waits)*99/100], "p99-µs")
	b.ReportMetric(waits[len(waits)-1], "max-µs")
}
