package seat

import (
	"context"
	"io"
	"sync"
	"testing"
	"time"

	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// sieve looks at every frame to the controller and passes on those that keep wants.
type sieve struct {
	io.ReadWriteCloser
	mu      sync.Mutex
	decoder seatlink.Decoder
	encoder seatlink.Encoder
	keep    func(f *seatlink.Frame) bool
	seen    []seatlink.Type
	hold    chan struct{} // if set, the next write waits for it
}

func (s *sieve) Write(p []byte) (int, error) {
	s.mu.Lock()
	hold := s.hold
	s.hold = nil
	s.mu.Unlock()
	if hold != nil {
		<-hold
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	_, _ = s.decoder.Write(p)
	var f seatlink.Frame
	out := []byte{}
	for s.decoder.Next(&f) {
		s.seen = append(s.seen, f.Type)
		if s.keep == nil || s.keep(&f) {
			s.encoder.SetSequence(f.Sequence - 1)
			out = s.encoder.Append(out, raw{f})
		}
	}
	if _, err := s.ReadWriteCloser.Write(out); err != nil {
		return 0, err
	}
	return len(p), nil
}

// raw is a frame's payload as a message.
type raw struct{ frame seatlink.Frame }

func (r raw) Type() seatlink.Type             { return r.frame.Type }
func (r raw) MarshalAppend(dst []byte) []byte { return append(dst, r.frame.Payload...) }
func (r raw) Unmarshal([]byte) error          { return seatlink.ErrPayload }

func (s *sieve) with(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
}

func sieved(t *testing.T) (*Link, *sieve) {
	t.Helper()
	s := &sieve{}
	l, err := NewLink(context.Background(), Settings{Port: "memory", N: 2}, func(context.Context) (io.ReadWriteCloser, string, error) {
		p, err := simulated.Dial(context.Background(), quick())
		s.with(func() { s.ReadWriteCloser = p })
		return s, "memory", err
	})
	if err != nil {
		t.Fatal(err)
	}
	return l, s
}

func TestStopOvertakesSetpoints(t *testing.T) {
	t.Parallel()
	l, s := sieved(t)
	defer l.Close()
	until(t, "status", func() bool { return status(l).Nonce != 0 })
	hold := make(chan struct{})
	sp := Setpoint{N: 2}
	s.with(func() { s.hold, s.seen = hold, nil })
	l.Send(&sp) // held up in the port
	time.Sleep(30 * time.Millisecond)
	for range 10 {
		l.Send(&sp)
		l.Do(Arm)
		l.Do(Park)
		l.Do(Stop)
		l.Send(&sp)
	}
	close(hold)
	until(t, "stop", func() bool {
		stop := -1
		s.with(func() {
			for i, f := range s.seen {
				if f == seatlink.TypeStop && stop < 0 {
					stop = i
				}
				if f == seatlink.TypeArm || f == seatlink.TypePark {
					t.Errorf("%v was sent though a stop was asked for after it", f)
				}
			}
			setpoints := 0
			for _, f := range s.seen[:max(stop, 0)] {
				if f == seatlink.TypeSetpoint {
					setpoints++
				}
			}
			if stop >= 0 && setpoints > 1 {
				t.Errorf("before the stop: %v", s.seen)
			}
		})
		return stop >= 0
	})
	if status(l).Dropped == 0 {
		t.Error("no setpoint counted as dropped")
	}
}

func TestLostStopIsRepeated(t *testing.T) {
	t.Parallel()
	l, s := sieved(t)
	defer l.Close()
	stop := loop(l, 2, func() float64 { return 0 })
	defer stop()
	armed(t, l)
	lost := 0
	s.with(func() {
		s.keep = func(f *seatlink.Frame) bool {
			if f.Type == seatlink.TypeStop && lost < 5 {
				lost++
				return false
			}
			return true
		}
	})
	l.Do(Stop)
	until(t, "held", func() bool { return status(l).State == seatlink.StateHeld })
	s.with(func() {
		if lost != 5 {
			t.Errorf("%d stops lost", lost)
		}
	})
	until(t, "answered", func() bool { return status(l).LastCommand == seatlink.TypeStop })
	time.Sleep(3 * housekeeping)
	var n int
	count := func() (n int) {
		s.with(func() {
			for _, f := range s.seen {
				if f == seatlink.TypeStop {
					n++
				}
			}
		})
		return n
	}
	n = count()
	time.Sleep(5 * housekeeping)
	if again := count(); again != n {
		t.Errorf("stop repeated %d times after its answer", again-n)
	}
}

func TestHoldsBackFromADeafController(t *testing.T) {
	t.Parallel()
	l, s := sieved(t)
	defer l.Close()
	until(t, "status", func() bool { return status(l).Nonce != 0 })
	s.with(func() { s.keep = func(*seatlink.Frame) bool { return false } })
	before := status(l)
	sp := Setpoint{N: 2}
	for range 300 {
		l.Send(&sp)
		time.Sleep(time.Millisecond)
	}
	after := status(l)
	if n := after.Sent - before.Sent; n > 40 {
		t.Errorf("%d setpoints sent to a controller that hears nothing; the window is 32", n)
	}
	if after.Dropped == before.Dropped || !after.Connected {
		t.Errorf("%+v", after)
	}
}

func TestCloseSaysStop(t *testing.T) {
	t.Parallel()
	l, s := sieved(t)
	stop := loop(l, 2, func() float64 { return 0 })
	armed(t, l)
	stop()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	s.with(func() {
		if n := len(s.seen); n == 0 || s.seen[n-1] != seatlink.TypeStop {
			t.Errorf("the last frame was %v", s.seen[max(0, n-3):])
		}
	})
	var st Status
	l.Status(&st)
	l.Send(&Setpoint{N: 2})
	l.Do(Stop)
	if st.Connected || st.Armed {
		t.Errorf("%+v", st)
	}
}

func TestPorts(t *testing.T) {
	if _, err := Ports(); err != nil {
		t.Error(err)
	}
}
