package seat

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// Settings says which controller, and how to reach it.
type Settings struct {
	Port      string             // "simulated", a path, or usb:VID:PID[:SERIAL]
	Baud      int                // bit/s; 0: chosen for N and Period
	N         int                // actuators, 1 to 6
	Metres    bool               // else radians
	Period    time.Duration      // between setpoints, 0.5 to 20 ms; 0: 2 ms
	Board     string             // refuse a controller whose board id is another; empty: any, but the same one after a loss
	Hash      uint32             // refuse to arm with other limits; 0: those that the controller reports
	Wait      time.Duration      // for the first HELLO; 0: 5 s
	Window    int                // frames under way at most; 0: 32
	Stall     time.Duration      // a write that takes longer has stalled; 0: 250 ms
	Log       *slog.Logger       // nil: none
	Simulated simulated.Settings // of Port "simulated"; its axes come from N and Metres
}

const (
	backoffFirst  = 250 * time.Millisecond
	backoffMost   = 4 * time.Second
	superviseTick = 10 * time.Millisecond
	housekeeping  = 20 * time.Millisecond
	helloEvery    = 200 * time.Millisecond
	requestEvery  = 250 * time.Millisecond
	silence       = time.Second            // without a STATUS, the controller is lost
	connectedFor  = 500 * time.Millisecond // a STATUS older than this means not connected
	repeatStop    = time.Second            // an unanswered stop is repeated for so long
)

func (s Settings) complete() (Settings, error) {
	if s.N < 1 || s.N > seatlink.MaxAxes {
		return s, fmt.Errorf("seat %q: %d actuators; give 1 to %d", s.Port, s.N, seatlink.MaxAxes)
	}
	if s.Period == 0 {
		s.Period = 2 * time.Millisecond
	}
	if s.Period < 500*time.Microsecond || s.Period > 20*time.Millisecond {
		return s, fmt.Errorf("seat %q: setpoint period %v; give 0.5 ms to 20 ms", s.Port, s.Period)
	}
	if s.Baud == 0 {
		var err error
		if s.Baud, err = ChooseBaud(s.N, 1/s.Period.Seconds()); err != nil {
			return s, fmt.Errorf("seat %q: %w", s.Port, err)
		}
	}
	if s.Wait == 0 {
		s.Wait = 5 * time.Second
	}
	if s.Window == 0 {
		s.Window = 32
	}
	if s.Stall == 0 {
		s.Stall = 250 * time.Millisecond
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	return s, nil
}

// Dial opens the way to the controller. name is what to call it on a screen.
type Dial func(ctx context.Context) (port io.ReadWriteCloser, name string, err error)

// Link is the Driver over a serial port, or over anything that carries bytes.
// Send is for one goroutine; the other methods are for any.
type Link struct {
	settings Settings
	axes     seatlink.Axes
	dial     Dial
	start    time.Time
	cancel   context.CancelFunc
	done     chan struct{}

	session atomic.Pointer[session] // nil while not connected
	newest  atomic.Pointer[snapshot]
	problem atomic.Pointer[string]

	sent, dropped, crc, framing, stalls, reconnects, boots atomic.Uint64

	// These belong to whoever runs the session; the mutex is for an abandoned one that is late to notice.
	mu       sync.Mutex
	base     Status
	heardAt  time.Time
	trips    [64]float64
	tripN    int
	sequence uint16

	asking  sync.Mutex // one Limits or Tighten at a time
	asks    chan seatlink.Message
	replies chan reply
}

// snapshot is immutable once stored.
type snapshot struct {
	status Status
	at     time.Duration // since Link.start
}

type reply struct {
	limits seatlink.Limits
	answer seatlink.Answer
}

var _ Driver = (*Link)(nil)

// Open opens the port of the settings and waits for the controller's HELLO. From then on the link looks after
// itself: a port or controller that is lost is looked for again, by its USB identity where the settings give one. ctx ends it.
func Open(ctx context.Context, s Settings) (*Link, error) {
	s, err := s.complete()
	if err != nil {
		return nil, err
	}
	var dial Dial
	if s.Port == "simulated" {
		dial, err = simulatedDial(s)
	} else {
		dial, err = NewDial(s.Port, s.Baud)
	}
	if err != nil {
		return nil, err
	}
	return NewLink(ctx, s, dial)
}

// NewLink is Open over whatever dial returns.
func NewLink(ctx context.Context, s Settings, dial Dial) (*Link, error) {
	s, err := s.complete()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	l := &Link{settings: s, axes: seatlink.Axes{N: s.N, Metres: s.Metres}, dial: dial, start: time.Now(), cancel: cancel,
		done: make(chan struct{}), asks: make(chan seatlink.Message), replies: make(chan reply, 8)}
	l.base = Status{Port: s.Port, N: s.N, Age: math.Inf(1)}
	l.publish(false)
	first := make(chan error, 1)
	go l.run(ctx, first)
	if err := <-first; err != nil {
		cancel()
		<-l.done
		return nil, err
	}
	return l, nil
}

// Send implements Driver.
func (l *Link) Send(sp *Setpoint) {
	s := l.session.Load()
	if s == nil {
		l.dropped.Add(1)
		return
	}
	if s.box.Put(sp) {
		l.dropped.Add(1)
	}
	s.nudge()
}

// Do implements Driver. It does nothing while the controller is not connected: nothing is kept for later.
func (l *Link) Do(c Command) {
	if s := l.session.Load(); s != nil {
		s.commands.Or(1 << c)
		s.nudge()
	}
}

// Status implements Driver.
func (l *Link) Status(out *Status) {
	n := l.newest.Load()
	*out = n.status
	if n.at >= 0 {
		out.Age = (time.Since(l.start) - n.at).Seconds()
	}
	out.Connected = l.session.Load() != nil && out.Age <= connectedFor.Seconds()
	if !out.Connected {
		out.Armed, out.Late, out.Own, out.Reduced = false, false, false, false
		if p := l.problem.Load(); p != nil {
			out.Problem = *p
		}
	}
	out.Sent, out.Dropped, out.CRCErrors, out.Framing = l.sent.Load(), l.dropped.Load(), l.crc.Load(), l.framing.Load()
	out.Stalls, out.Reconnects, out.Boots = l.stalls.Load(), l.reconnects.Load(), l.boots.Load()
}

// Close implements Driver.
func (l *Link) Close() error {
	l.cancel()
	<-l.done
	return nil
}

// publish stores base as the newest status; under mu, or before the goroutines start.
func (l *Link) publish(heard bool) {
	n := &snapshot{status: l.base, at: -1}
	if !l.heardAt.IsZero() || heard {
		n.at = l.heardAt.Sub(l.start)
	}
	l.newest.Store(n)
}

func (l *Link) trouble(err error) {
	text := err.Error()
	l.problem.Store(&text)
}

// run keeps a session going until ctx ends.
func (l *Link) run(ctx context.Context, first chan<- error) {
	defer close(l.done)
	wait := backoffFirst
	told := ""
	connected := func() {
		select {
		case first <- nil:
		default:
		}
	}
	ever := false
	for {
		was := false
		port, name, err := l.dial(ctx)
		if err == nil {
			err = l.serve(ctx, port, name, func() {
				was = true
				if ever {
					l.reconnects.Add(1)
					l.settings.Log.Info("seat controller found again", "port", name)
				}
				ever = true
				connected()
			})
		}
		if ctx.Err() != nil {
			select {
			case first <- ctx.Err():
			default:
			}
			return
		}
		l.trouble(err)
		if !ever {
			first <- err
			return
		}
		if was {
			wait, told = backoffFirst, ""
		}
		if err.Error() != told {
			told = err.Error()
			l.settings.Log.Warn("seat controller lost", "cause", told)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		wait = min(2*wait, backoffMost)
	}
}

// session is one opened port.
type session struct {
	link     *Link
	port     io.ReadWriteCloser
	name     string
	box      *Mailbox
	wake     chan struct{}
	commands atomic.Uint32 // a bit for each Command that is to be sent
	unheard  atomic.Uint32 // stop and disarm that were sent and not answered
	writing  atomic.Int64  // since when a Write has been under way, ns after link.start; 0: none
	heard    atomic.Uint32 // Heard of the last STATUS
	nonce    atomic.Uint32
	hash     atomic.Uint32
	bytes    atomic.Uint64 // read so far
	status   atomic.Bool   // a STATUS has come
	request  atomic.Int64  // when STATUS_REQUEST was sent, ns after link.start; 0: answered
	asked    atomic.Uint32
	greeted  chan struct{} // closed when HELLO was right
	leaving  atomic.Bool   // the last STOP has been asked for: no setpoint follows it
	end      chan struct{}
	once     sync.Once
	cause    error
	gone     sync.WaitGroup
}

func (s *session) nudge() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *session) fail(err error) {
	s.once.Do(func() {
		s.cause = err
		close(s.end)
	})
}

func (s *session) ended() bool {
	select {
	case <-s.end:
		return true
	default:
		return false
	}
}

var errDone = errors.New("seat: closed")

// serve runs one port until it fails or ctx ends, and gives the cause.
func (l *Link) serve(ctx context.Context, port io.ReadWriteCloser, name string, connected func()) error {
	s := &session{link: l, port: port, name: name, box: NewMailbox(), wake: make(chan struct{}, 1), greeted: make(chan struct{}), end: make(chan struct{})}
	began := time.Now()
	s.gone.Add(1)
	go s.read()
	go s.write()
	greeted, stalled := s.greeted, false
	var broken uint64 // frames that were broken until the last good one
	t := time.NewTicker(superviseTick)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			s.farewell()
			s.fail(errDone)
		case <-s.end:
		case <-greeted:
			greeted = nil
			l.session.Store(s)
			connected()
		case <-t.C:
			now := time.Now()
			if w := s.writing.Load(); w != 0 && now.Sub(l.start)-time.Duration(w) > l.settings.Stall {
				l.stalls.Add(1)
				stalled = true
				s.fail(fmt.Errorf("seat %q: the port took no bytes for %v; it is opened again, check the cable and the controller", name, l.settings.Stall))
			}
			if greeted != nil && now.Sub(began) > l.settings.Wait {
				s.fail(s.unanswered())
			}
			if greeted == nil {
				l.mu.Lock()
				quiet := now.Sub(l.heardAt)
				l.mu.Unlock()
				if quiet > silence {
					s.fail(s.silent(l.crc.Load() + l.framing.Load() - broken))
				} else if quiet < superviseTick {
					broken = l.crc.Load() + l.framing.Load()
				}
			}
		}
		if s.ended() {
			break
		}
	}
	l.session.CompareAndSwap(s, nil)
	// A write that is under way may end by itself; one that has stalled is left behind with its goroutine.
	for i := 0; i < 100 && s.writing.Load() != 0 && !stalled; i++ {
		time.Sleep(time.Millisecond)
	}
	closed := make(chan struct{})
	go func() {
		_ = port.Close()
		s.gone.Wait()
		close(closed)
	}()
	select {
	case <-closed:
	case <-time.After(time.Second):
	}
	l.mu.Lock()
	l.base.Armed = false
	l.mu.Unlock()
	return s.cause
}

// unanswered says why there is no HELLO.
func (s *session) unanswered() error {
	set := s.link.settings
	switch n := s.bytes.Load(); n {
	case 0:
		return fmt.Errorf("seat %q: no answer to HELLO in %v at %d baud, not one byte; check the cable, the controller's own supply, and that this port is the seat's controller", s.name, set.Wait, set.Baud)
	default:
		return fmt.Errorf("seat %q: no answer to HELLO in %v at %d baud, but %d bytes of something else; set the baud that the controller has, or choose another port", s.name, set.Wait, set.Baud, n)
	}
}

// silent says why there is no STATUS any more. broken frames have come instead.
func (s *session) silent(broken uint64) error {
	if broken > 0 {
		return fmt.Errorf("seat %q: no whole status for %v, but %d broken frames; check the cable's shield and ground, and that no other program reads this port", s.name, silence, broken)
	}
	return fmt.Errorf("seat %q: no status for %v; check the cable and the controller's own supply", s.name, silence)
}

// farewell asks for a stop and gives the writer a moment to say it. The controller stops without it, too.
func (s *session) farewell() {
	s.leaving.Store(true)
	s.commands.Or(1 << Stop)
	s.nudge()
	for i := 0; i < 60 && (s.commands.Load() != 0 || s.writing.Load() != 0); i++ {
		if s.ended() {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

// write is the writer: commands first, then what Limits and Tighten ask, then the newest setpoint.
func (s *session) write() {
	l := s.link
	var (
		encoder    seatlink.Encoder
		plain      seatlink.Plain
		arm        seatlink.Arm
		setpoint   seatlink.Setpoint
		ask        seatlink.Message
		buffer     = make([]byte, 0, 16*seatlink.MaxEncoded)
		hello      = seatlink.HelloRequest{Highest: seatlink.Version, Lowest: seatlink.Version}
		nextHello  time.Time
		nextAsk    time.Time
		stopsUntil time.Time
		greeted    bool
	)
	l.mu.Lock()
	encoder.SetSequence(l.sequence)
	l.mu.Unlock()
	defer func() {
		l.mu.Lock()
		l.sequence = encoder.Sequence()
		l.mu.Unlock()
	}()
	t := time.NewTicker(housekeeping)
	defer t.Stop()
	buffer = append(buffer, seatlink.Delimiter) // ends whatever the controller has heard half of
	var order = [...]struct {
		c Command
		t seatlink.Type
	}{{Stop, seatlink.TypeStop}, {Disarm, seatlink.TypeDisarm}, {Reset, seatlink.TypeReset}, {Home, seatlink.TypeHome},
		{Park, seatlink.TypePark}, {ArmReduced, seatlink.TypeArm}, {Arm, seatlink.TypeArm}}
	for {
		tick := len(buffer) > 0
		ask = nil
		if !tick {
			select {
			case <-s.end:
				return
			case <-s.wake:
			case ask = <-l.asks:
			case <-t.C:
				tick = true
			}
		}
		if !greeted {
			select {
			case <-s.greeted:
				greeted = true
			default:
			}
		}
		if tick {
			now := time.Now()
			if !greeted && !now.Before(nextHello) {
				buffer = encoder.Append(buffer, &hello)
				nextHello = now.Add(helloEvery)
			}
			if greeted && !now.Before(nextAsk) {
				plain.Kind = seatlink.TypeStatusRequest
				buffer = encoder.Append(buffer, &plain)
				s.asked.Store(uint32(encoder.Sequence()))
				s.request.Store(int64(now.Sub(l.start)))
				nextAsk = now.Add(requestEvery)
			}
			if again := s.unheard.Load(); again != 0 {
				if now.Before(stopsUntil) {
					s.commands.Or(again)
				} else {
					s.unheard.Store(0)
				}
			}
		}
		if greeted {
			if mask := s.commands.Swap(0); mask != 0 {
				if stops := mask & (1<<Stop | 1<<Disarm); stops != 0 {
					if s.unheard.Load()&stops != stops {
						stopsUntil = time.Now().Add(repeatStop)
					}
					s.unheard.Or(stops)
					mask = stops
				}
				for _, o := range order {
					if mask&(1<<o.c) == 0 {
						continue
					}
					if o.t == seatlink.TypeArm {
						arm = seatlink.Arm{Nonce: s.nonce.Load(), Hash: s.hash.Load(), Period: uint16(l.settings.Period / time.Microsecond), Reduced: o.c == ArmReduced}
						if l.settings.Hash != 0 && arm.Hash != l.settings.Hash {
							s.answer(&seatlink.Answer{Command: o.t, Result: seatlink.ResultHash})
							continue
						}
						buffer = encoder.Append(buffer, &arm)
						break // of both, the reduced one
					}
					plain.Kind = o.t
					buffer = encoder.Append(buffer, &plain)
				}
			}
			if ask != nil {
				buffer = encoder.Append(buffer, ask)
			}
			if sp := s.box.Take(); sp != nil {
				ahead := int(int16(encoder.Sequence() - uint16(s.heard.Load())))
				if s.leaving.Load() || !s.status.Load() || ahead >= l.settings.Window || !quantise(sp, &setpoint) || setpoint.Axes != l.axes {
					l.dropped.Add(1)
				} else {
					buffer = encoder.Append(buffer, &setpoint)
					l.sent.Add(1)
				}
			}
		}
		if len(buffer) == 0 {
			continue
		}
		s.writing.Store(max(1, int64(time.Since(l.start))))
		if s.ended() {
			s.writing.Store(0)
			return
		}
		n, err := s.port.Write(buffer)
		s.writing.Store(0)
		if err == nil && n < len(buffer) {
			err = io.ErrShortWrite
		}
		if err != nil {
			s.fail(fmt.Errorf("seat %q: write: %w; check the cable", s.name, err))
			return
		}
		buffer = buffer[:0]
	}
}

// quantise turns a setpoint into the wire's units. It refuses what is not finite or does not fit; speed and
// acceleration, which only serve the brake, are cut to what fits.
func quantise(sp *Setpoint, out *seatlink.Setpoint) bool {
	*out = seatlink.Setpoint{Axes: seatlink.Axes{N: sp.N, Metres: sp.Metres}}
	if sp.N < 1 || sp.N > seatlink.MaxAxes {
		return false
	}
	for i := range sp.N {
		x := math.Round(sp.Position[i] / seatlink.PositionQuantum)
		v := math.Round(sp.Speed[i] / seatlink.SpeedQuantum)
		a := math.Round(sp.Acceleration[i] / seatlink.AccelerationQuantum)
		if !(math.Abs(x) <= math.MaxInt32) || math.IsNaN(v) || math.IsNaN(a) {
			return false
		}
		out.Position[i] = int32(x)
		out.Speed[i] = int32(min(max(v, -math.MaxInt32), math.MaxInt32))
		out.Acceleration[i] = int16(min(max(a, -math.MaxInt16), math.MaxInt16))
	}
	return true
}

// read is the reader.
func (s *session) read() {
	defer s.gone.Done()
	var (
		decoder seatlink.Decoder
		frame   seatlink.Frame
		hello   seatlink.Hello
		status  seatlink.Status
		answer  seatlink.Answer
		limits  seatlink.Limits
		before  seatlink.Counts
		b       = make([]byte, 4096)
	)
	for !s.ended() {
		n, err := s.port.Read(b)
		if n > 0 {
			s.bytes.Add(uint64(n))
			_, _ = decoder.Write(b[:n])
			for decoder.Next(&frame) {
				switch frame.Type {
				case seatlink.TypeHello:
					bad := hello.Unmarshal(frame.Payload)
					if err := s.hello(&hello, bad); err != nil {
						s.fail(err)
						return
					}
				case seatlink.TypeStatus:
					if status.Unmarshal(frame.Payload) == nil {
						s.take(&status)
					}
				case seatlink.TypeResult:
					if answer.Unmarshal(frame.Payload) == nil {
						s.answer(&answer)
					}
				case seatlink.TypeLimits:
					if limits.Unmarshal(frame.Payload) == nil {
						s.reply(reply{limits: limits, answer: seatlink.Answer{Command: seatlink.TypeLimitsRead}})
					}
				}
			}
			now := decoder.Counts()
			s.link.crc.Add(now.CRC - before.CRC)
			s.link.framing.Add(now.Framing - before.Framing)
			before = now
		}
		if err != nil {
			s.fail(fmt.Errorf("seat %q: the port is gone: %w; plug it in again, and it is found", s.name, err))
			return
		}
		if n == 0 {
			time.Sleep(time.Millisecond) // a read that timed out; never spin on a port that says so at once
		}
	}
}

func (s *session) reply(r reply) {
	select {
	case s.link.replies <- r:
	default:
	}
}

// hello checks who has answered.
func (s *session) hello(h *seatlink.Hello, bad error) error {
	l := s.link
	if bad != nil {
		if h.Protocol != 0 && h.Protocol != seatlink.Version {
			return fmt.Errorf("seat %q: the controller speaks protocol %d, this program %d; bring the older one up to date", s.name, h.Protocol, seatlink.Version)
		}
		return nil
	}
	if h.Axes != l.axes {
		return fmt.Errorf("seat %q: the controller %q has %s, the seat file %s; check which controller this port leads to", s.name, h.BoardName(), describe(h.Axes), describe(l.axes))
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	want := l.settings.Board
	if want == "" {
		want = l.base.Board
	}
	if want != "" && want != h.BoardName() {
		return fmt.Errorf("seat %q: the controller is %q, not %q; check which controller this port leads to", s.name, h.BoardName(), want)
	}
	b := &l.base
	b.Port, b.Board, b.Simulated, b.HandHomed = s.name, h.BoardName(), h.Simulated, h.ByHand
	b.Firmware = fmt.Sprintf("%d.%d.%d", h.Firmware[0], h.Firmware[1], h.Firmware[2])
	s.boot(h.BootID)
	b.State, b.Hash = h.State, h.Hash
	s.hash.Store(h.Hash)
	select {
	case <-s.greeted:
	default:
		l.heardAt = time.Now()
		b.Armed = false
		if h.State == seatlink.StateArmed {
			s.commands.Or(1 << Stop) // whoever armed it was not this session: nothing resumes by itself
		}
		l.publish(true)
		close(s.greeted)
		l.settings.Log.Info("seat controller", "port", s.name, "board", b.Board, "firmware", b.Firmware, "simulated", b.Simulated, "boot_id", b.BootID, "reset_cause", h.ResetCause.String())
	}
	return nil
}

func describe(a seatlink.Axes) string {
	unit := "radians"
	if a.Metres {
		unit = "metres"
	}
	return fmt.Sprintf("%d axes in %s", a.N, unit)
}

// boot notes the boot id; under mu.
func (s *session) boot(id uint32) {
	l := s.link
	if old := l.base.BootID; old != 0 && old != id {
		l.boots.Add(1)
		l.settings.Log.Warn("seat controller has restarted; its position is lost, home it again", "port", s.name, "boot_id", id, "before", old)
	}
	l.base.BootID = id
}

// take is a STATUS.
func (s *session) take(st *seatlink.Status) {
	l := s.link
	select {
	case <-s.greeted:
	default:
		return // not before we know whose it is
	}
	if st.Axes != l.axes {
		return
	}
	s.nonce.Store(st.Nonce)
	s.hash.Store(st.Hash)
	s.heard.Store(uint32(st.Heard))
	l.mu.Lock()
	defer l.mu.Unlock()
	if s.ended() {
		return
	}
	l.heardAt = time.Now()
	s.boot(st.BootID)
	b := &l.base
	if b.State != st.State || b.Faults != st.Faults {
		l.settings.Log.Debug("seat controller", "state", st.State.String(), "faults", st.Faults.String())
	}
	b.State, b.Faults, b.LastSequence, b.Nonce, b.Hash = st.State, st.Faults, st.LastSequence, st.Nonce, st.Hash
	b.Homed, b.Supply = st.Flags&seatlink.FlagHomed != 0, st.Flags&seatlink.FlagSupply != 0
	b.Late, b.Own, b.Reduced = st.Flags&seatlink.FlagLate != 0, st.Flags&seatlink.FlagOwn != 0, st.Flags&seatlink.FlagReduced != 0
	b.Armed = st.State == seatlink.StateArmed
	b.Alarms, b.HomeSwitches = st.Alarms, st.Home
	b.ControllerLate, b.ControllerRefused, b.ControllerCRC, b.ControllerFraming = st.Late, st.Refused, st.CRCErrors, st.Framing
	quantum := seatlink.PositionQuantum
	for i := range st.Axes.N {
		b.Positions[i] = float64(st.Position[i]) * quantum
	}
	s.status.Store(true)
	l.publish(true)
}

// answer is a RESULT.
func (s *session) answer(a *seatlink.Answer) {
	l := s.link
	switch a.Command {
	case seatlink.TypeStatusRequest:
		if at := s.request.Load(); at != 0 && uint16(s.asked.Load()) == a.Sequence {
			s.request.Store(0)
			l.mu.Lock()
			l.trip((time.Since(l.start) - time.Duration(at)).Seconds())
			l.mu.Unlock()
		}
		return
	case seatlink.TypeStop:
		s.unheard.And(^uint32(1 << Stop))
	case seatlink.TypeDisarm:
		s.unheard.And(^uint32(1 << Disarm))
	case seatlink.TypeLimitsRead, seatlink.TypeLimitsTighten:
		s.reply(reply{answer: *a})
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.base.LastCommand, l.base.LastResult = a.Command, a.Result
	l.base.Answers++
	if a.Result != seatlink.ResultOK {
		l.settings.Log.Info("the seat's controller refused " + a.Command.String() + ": " + a.Result.String())
	}
	l.publish(false)
}

// trip notes one round trip, s; under mu.
func (l *Link) trip(t float64) {
	l.trips[l.tripN%len(l.trips)] = t
	l.tripN++
	n := min(l.tripN, len(l.trips))
	sorted := l.trips
	// Insertion sort: 64 numbers, four times a second.
	for i := 1; i < n; i++ {
		for j := i; j > 0 && sorted[j] < sorted[j-1]; j-- {
			sorted[j], sorted[j-1] = sorted[j-1], sorted[j]
		}
	}
	l.base.RoundTripP50, l.base.RoundTripWorst = sorted[(n-1)/2], sorted[n-1]
}

// ask sends m and waits for the reply that fits, three times at most.
func (l *Link) ask(ctx context.Context, m seatlink.Message, fits func(r *reply) bool) error {
	for range 3 {
		if l.session.Load() == nil {
			break
		}
		select {
		case l.asks <- m:
		case <-ctx.Done():
			return ctx.Err()
		case <-l.done:
			return errDone
		case <-time.After(300 * time.Millisecond):
			continue
		}
		timeout := time.After(300 * time.Millisecond)
	wait:
		for {
			select {
			case r := <-l.replies:
				if fits(&r) {
					return nil
				}
			case <-ctx.Done():
				return ctx.Err()
			case <-l.done:
				return errDone
			case <-timeout:
				break wait
			}
		}
	}
	return fmt.Errorf("seat %q: no answer to %s; check the cable and the controller", l.settings.Port, m.Type())
}

// Limits reads the limits in force from the controller, one for each axis.
func (l *Link) Limits(ctx context.Context) ([]seatlink.AxisLimits, error) {
	l.asking.Lock()
	defer l.asking.Unlock()
	out := make([]seatlink.AxisLimits, l.axes.N)
	for i := range out {
		err := l.ask(ctx, &seatlink.LimitsRead{Axis: uint8(i)}, func(r *reply) bool {
			if r.answer.Command == seatlink.TypeLimitsRead && r.answer.Result == seatlink.ResultOK && int(r.limits.Axis) == i {
				out[i] = r.limits.Limits
				return true
			}
			return false
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Tighten makes the controller's limits narrower until its next reset. The hash in Status changes with them.
func (l *Link) Tighten(ctx context.Context, limits []seatlink.AxisLimits) error {
	if len(limits) != l.axes.N {
		return fmt.Errorf("seat %q: limits of %d axes for %d", l.settings.Port, len(limits), l.axes.N)
	}
	l.asking.Lock()
	defer l.asking.Unlock()
	for i := range limits {
		var result seatlink.Result
		err := l.ask(ctx, &seatlink.Limits{Axis: uint8(i), Limits: limits[i], Tighten: true}, func(r *reply) bool {
			result = r.answer.Result
			return r.answer.Command == seatlink.TypeLimitsTighten
		})
		if err != nil {
			return err
		}
		if result != seatlink.ResultOK {
			return fmt.Errorf("seat %q: the controller refuses the limits of axis %d: %s; they may only be narrower, with the same park position, and not while it moves", l.settings.Port, i, result)
		}
	}
	return nil
}
