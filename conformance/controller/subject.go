package controller

import (
	"errors"
	"fmt"
	"math"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

// The suite's own times.
const (
	ms       = time.Millisecond
	patience = 600 * ms          // for an answer
	silence  = 3 * time.Second   // without a byte: it does not talk any more
	homeMost = 120 * time.Second // for homing or parking
	usual    = 10 * ms           // period of setpoints where nothing asks for another
	steady   = 650 * ms          // of setpoints before ARM
	clump    = 16 * ms           // what a USB bridge may hold bytes back for, by default
)

// seen is a STATUS and when it came.
type seen struct {
	at time.Duration
	seatlink.Status
}

// reply is a RESULT, and how many STATUS had come before it.
type reply struct {
	seatlink.Answer
	statuses int
}

// Subject is a controller under test: what is known of it, and the conversation with it. It is not for several
// goroutines at once.
type Subject struct {
	line    Line
	encoder seatlink.Encoder
	decoder seatlink.Decoder
	frame   seatlink.Frame

	hello    seatlink.Hello
	hellos   int
	status   seen
	statuses int
	trail    []seen  // since mark
	replies  []reply // since mark
	heard    time.Duration
	got      [seatlink.MaxAxes]seatlink.AxisLimits
	gotAxis  [seatlink.MaxAxes]int
	odd      int // frames of known types that do not hold what the type asks for
	garbled  *report.Diagnosis
	wire     []byte // the first bytes, for finding out what is wrong with them
	version  uint8  // of the last HELLO, right or not

	player player
	watch  watch
	late   time.Duration // the worst that this machine, or the line, was late since it was set to 0

	// What checks have found out and others build on.
	limits    []limits
	axes      [seatlink.MaxAxes]seatlink.AxisLimits
	every     time.Duration // between two STATUS
	trip      time.Duration // worst round trip
	followed  *bool
	lossTimes []time.Duration
	resetAt   time.Duration // the last RESET that was sent
	loss      *stopped
}

// stopped is one stop in motion, by a lost link or by a command.
type stopped struct {
	from, speed, acceleration []float64 // of the last setpoint, rad or m, and s
	period                    float64   // s
	sequence                  uint16    // of the last setpoint
	at                        time.Duration
	trail                     []seen
	disturbed                 bool // the host was late shortly before
	rest                      seen
	rested                    bool
}

var errSilent = errors.New("it does not talk any more")

// n is how many axes there are.
func (s *Subject) n() int { return s.hello.Axes.N }

// unit is the positions' unit.
func (s *Subject) unit() string {
	if s.hello.Axes.Metres {
		return "m"
	}
	return "rad"
}

// Hello is what the controller said of itself; its zero value where it could not be understood.
func (s *Subject) Hello() seatlink.Hello { return s.hello }

// Understood says whether the controller has given a HELLO of this protocol.
func (s *Subject) Understood() bool { return s.hellos > 0 }

// Name is how a report calls the controller.
func (s *Subject) Name() string {
	if !s.Understood() {
		return "the controller"
	}
	h := &s.hello
	name := h.BoardName()
	if name == "" {
		name = "without a board id"
	}
	return fmt.Sprintf("controller %s, firmware %d.%d.%d, %d axes in %s", name, h.Firmware[0], h.Firmware[1], h.Firmware[2], h.Axes.N, s.unit())
}

// Connect gets a controller's HELLO. One that talks, but cannot be understood, is no error: the checks say what is
// wrong with it. Nothing that Connect sends moves a controller.
func Connect(line Line) (*Subject, error) {
	s := &Subject{line: line, every: 20 * ms, heard: line.Now()}
	const (
		most  = 6 * time.Second // many boards start anew when their port is opened, and stay in a bootloader for seconds
		again = 250 * ms
	)
	for end := line.Now() + most; s.hellos == 0 && line.Now() < end; {
		// The zero ends whatever half frame the controller holds.
		if err := s.write(s.encoder.Append([]byte{seatlink.Delimiter}, &seatlink.HelloRequest{Highest: seatlink.Version, Lowest: seatlink.Version})); err != nil {
			return nil, err
		}
		if _, err := s.wait(again, func() bool { return s.hellos > 0 }); err != nil && !errors.Is(err, errSilent) {
			return nil, err
		}
	}
	switch {
	case s.hellos > 0:
	case len(s.wire) == 0:
		return nil, errors.New("nothing comes from the controller; look at the port, its baud rate and the controller's supply")
	case s.version != 0 && s.version != seatlink.Version:
		return nil, fmt.Errorf("the controller speaks version %d of the seat link and this program version %d; use firmware or program of the same version", s.version, seatlink.Version)
	default:
		s.garbled = readGarbled(s.wire)
	}
	return s, nil
}

// Settle stops whatever the suite has moved, and gives it the time to come to rest. It is for the end, whatever the end was.
func (s *Subject) Settle() {
	s.player.on = false
	if !s.Understood() {
		return
	}
	for range 3 {
		_ = s.write(s.encoder.Append(nil, &seatlink.Plain{Kind: seatlink.TypeDisarm}))
		_ = s.write(s.encoder.Append(nil, &seatlink.Plain{Kind: seatlink.TypeStop}))
	}
}

func (s *Subject) write(p []byte) error { return s.line.Write(p) }

// send sends a message, and gives its number.
func (s *Subject) send(m seatlink.Message) (uint16, error) {
	err := s.write(s.put(nil, m))
	return s.encoder.Sequence(), err
}

// put appends a message, to be written together with others.
func (s *Subject) put(dst []byte, m seatlink.Message) []byte {
	s.watch.sent[m.Type()] = s.line.Now() + 1
	return s.encoder.Append(dst, m)
}

func plain(t seatlink.Type) *seatlink.Plain { return &seatlink.Plain{Kind: t} }

// mark forgets what has come.
func (s *Subject) mark() { s.trail, s.replies = nil, nil }

// pump lets time pass until the time, or until done says so, reading and sending setpoints meanwhile.
func (s *Subject) pump(until time.Duration, done func() bool) error {
	for {
		if done != nil && done() {
			return nil
		}
		now := s.line.Now()
		if s.player.on && now >= s.player.next {
			if err := s.tick(now); err != nil {
				return err
			}
		}
		next := until
		if s.player.on {
			next = min(next, s.player.next)
		}
		last := s.line.Now() >= until
		p, at, err := s.line.Read(max(next, now))
		if err != nil {
			return err
		}
		if len(p) > 0 {
			s.take(p, at)
			continue
		}
		if s.line.Now()-s.heard > silence {
			return errSilent
		}
		s.late = max(s.late, s.line.Now()-max(next, now))
		if last {
			return nil
		}
	}
}

// pass lets d pass.
func (s *Subject) pass(d time.Duration) error { return s.pump(s.line.Now()+d, nil) }

// wait waits until done, d at most, and says whether it came.
func (s *Subject) wait(d time.Duration, done func() bool) (bool, error) {
	err := s.pump(s.line.Now()+d, done)
	return err == nil && done(), err
}

// take reads what has come.
func (s *Subject) take(p []byte, at time.Duration) {
	s.heard = at
	if len(s.wire) < 4096 {
		s.wire = append(s.wire, p...)
	}
	_, _ = s.decoder.Write(p)
	for s.decoder.Next(&s.frame) {
		switch f := &s.frame; f.Type {
		case seatlink.TypeHello:
			var h seatlink.Hello
			err := h.Unmarshal(f.Payload)
			s.version = h.Protocol
			if err != nil {
				s.odd++
				continue
			}
			s.hello = h
			s.hellos++
		case seatlink.TypeStatus:
			now := seen{at: at}
			if now.Unmarshal(f.Payload) != nil {
				s.odd++
				continue
			}
			if pause := at - s.status.at; s.statuses > 0 && pause > 60*ms {
				s.late = max(s.late, pause)
			}
			s.watch.see(&s.status, &now, s.statuses > 0)
			if was := &s.status; was.State == seatlink.StateArmed && was.Flags&seatlink.FlagLate != 0 && now.State != seatlink.StateArmed &&
				!s.watch.lately(seatlink.TypeStop, at) && !s.watch.lately(seatlink.TypeDisarm, at) {
				s.noteLoss(at - 50*ms)
			}
			s.status = now
			s.statuses++
			s.trail = append(s.trail, now)
		case seatlink.TypeResult:
			var a seatlink.Answer
			if a.Unmarshal(f.Payload) != nil {
				s.odd++
				continue
			}
			s.replies = append(s.replies, reply{a, s.statuses})
		case seatlink.TypeLimits:
			var l seatlink.Limits
			if l.Unmarshal(f.Payload) != nil {
				s.odd++
				continue
			}
			s.got[l.Axis] = l.Limits
			s.gotAxis[l.Axis]++
		}
	}
}

// reply finds the RESULT of the frame with the number.
func (s *Subject) reply(sequence uint16) (reply, bool) {
	for _, r := range s.replies {
		if r.Sequence == sequence {
			return r, true
		}
	}
	return reply{}, false
}

// ask sends a command and waits for its RESULT. heard is false where none came.
func (s *Subject) ask(m seatlink.Message) (r seatlink.Result, heard bool, err error) {
	sequence, err := s.send(m)
	if err != nil {
		return 0, false, err
	}
	heard, err = s.wait(patience, func() bool { _, ok := s.reply(sequence); return ok })
	got, _ := s.reply(sequence)
	return got.Result, heard, err
}

// fresh asks for a STATUS and waits for the one that answers.
func (s *Subject) fresh() (seen, error) {
	before := s.statuses
	sequence, err := s.send(plain(seatlink.TypeStatusRequest))
	if err != nil {
		return seen{}, err
	}
	if _, err := s.wait(patience, func() bool { r, ok := s.reply(sequence); return ok && s.statuses > r.statuses }); err != nil {
		return seen{}, err
	}
	if s.statuses == before {
		return seen{}, report.Missing("STATUS, in answer to STATUS_REQUEST or by itself")
	}
	return s.status, nil
}

// position is that of an axis in rad or m.
func (s *seen) position(axis int) float64 {
	return float64(s.Position[axis]) * seatlink.PositionQuantum
}

// near is how close a first setpoint must be, rad or m.
func (s *Subject) near() float64 {
	if s.hello.Axes.Metres {
		return 0.002
	}
	return 0.5 * math.Pi / 180
}

// close is what two positions may differ by and still be the same, allowing for the motors' steps: a fifth of near.
func (s *Subject) close() float64 { return s.near() / 5 }

// leave waits until the state is another than the one given.
func (s *Subject) leave(state seatlink.State, most time.Duration) (bool, error) {
	return s.wait(most, func() bool { return s.status.State != state })
}

// ready brings the controller to READY from wherever it is.
func (s *Subject) ready() error {
	s.player.on = false
	var was seatlink.State
	for range 12 {
		now, err := s.fresh()
		if err != nil {
			return err
		}
		was = now.State
		switch now.State {
		case seatlink.StateReady:
			return nil
		case seatlink.StateDisarmed:
			var r seatlink.Result
			r, _, err = s.ask(plain(seatlink.TypeHome))
			if r == seatlink.ResultState && s.hello.ByHand {
				return report.Missing("%s", levelled)
			}
			if err == nil {
				_, err = s.wait(patience, func() bool { return s.status.State != seatlink.StateDisarmed })
			}
		case seatlink.StateHoming, seatlink.StateParking:
			_, err = s.leave(now.State, homeMost)
		case seatlink.StateStopping:
			_, err = s.leave(now.State, 10*time.Second)
		case seatlink.StateArmed:
			err = s.halt()
		case seatlink.StateHeld:
			_, _, err = s.ask(plain(seatlink.TypePark))
			if err == nil {
				_, err = s.leave(seatlink.StateHeld, patience)
			}
		case seatlink.StateFault, seatlink.StateSupplyOff:
			if _, err = s.wait(2*time.Second, func() bool { return false }); err == nil {
				var r seatlink.Result
				s.resetAt = s.line.Now()
				if r, _, err = s.ask(plain(seatlink.TypeReset)); err == nil && r == seatlink.ResultCause {
					return report.Missing("a controller without a fault; now: %v", s.status.Faults)
				}
				if err == nil {
					_, err = s.leave(now.State, patience)
				}
			}
		case seatlink.StateBoot:
			err = s.pass(patience)
		}
		if err != nil {
			return err
		}
	}
	return report.Missing("a controller that comes to READY when it is homed, parked or reset; it is in %v, faults: %v", was, s.status.Faults)
}

// halt ends motion with DISARM, and with STOP where that does nothing.
func (s *Subject) halt() error {
	for _, t := range []seatlink.Type{seatlink.TypeDisarm, seatlink.TypeStop} {
		if _, _, err := s.ask(plain(t)); err != nil {
			return err
		}
		state := s.status.State
		if state != seatlink.StateArmed && state != seatlink.StateHoming && state != seatlink.StateParking {
			break
		}
		if gone, err := s.leave(state, 300*ms); gone || err != nil {
			break
		}
	}
	s.player.on = false
	_, err := s.wait(10*time.Second, func() bool {
		return s.status.State != seatlink.StateStopping && s.status.State != seatlink.StateArmed
	})
	return err
}

// needLimits reads the limits in force, unless they are known.
func (s *Subject) needLimits() error {
	if s.limits != nil {
		return nil
	}
	for i := range s.n() {
		before := s.gotAxis[i]
		if _, err := s.send(&seatlink.LimitsRead{Axis: uint8(i)}); err != nil {
			return err
		}
		ok, err := s.wait(patience, func() bool { return s.gotAxis[i] > before })
		if err != nil {
			return err
		}
		if !ok {
			return report.Missing("LIMITS of axis %d in answer to LIMITS_READ", i)
		}
		if !s.got[i].Valid() {
			return report.Missing("limits of axis %d that do not contradict each other", i)
		}
	}
	s.axes = s.got
	s.limits = make([]limits, s.n())
	for i := range s.limits {
		s.limits[i] = limitsOf(&s.axes[i])
	}
	return nil
}

// hash is that of the limits as read.
func (s *Subject) hash() uint32 { return seatlink.Hash(s.hello.Axes, &s.axes) }

// stand brings the controller to READY, knows its limits, and streams setpoints at its position for so long.
func (s *Subject) stand(period, length time.Duration) error {
	if err := s.ready(); err != nil {
		return err
	}
	if err := s.needLimits(); err != nil {
		return err
	}
	s.hold(period)
	return s.pass(length)
}

// armWith sends ARM with what the controller asks for, changed by change.
func (s *Subject) armWith(change func(a *seatlink.Arm)) (seatlink.Result, bool, error) {
	a := &seatlink.Arm{Nonce: s.status.Nonce, Hash: s.status.Hash, Period: uint16(s.player.period / time.Microsecond)}
	if change != nil {
		change(a)
	}
	before := s.statuses
	r, heard, err := s.ask(a)
	if err == nil && heard {
		_, err = s.wait(50*ms, func() bool { return s.statuses > before && s.status.Nonce != a.Nonce })
	}
	return r, heard, err
}

// arm brings the controller to ARMED at the park position, with setpoints coming.
func (s *Subject) arm(period time.Duration, reduced bool) error {
	for try := range 3 {
		if err := s.stand(period, steady); err != nil {
			return err
		}
		r, heard, err := s.armWith(func(a *seatlink.Arm) { a.Reduced = reduced })
		if err != nil {
			return err
		}
		if heard && r == seatlink.ResultOK {
			if armed, err := s.wait(patience, func() bool { return s.status.State == seatlink.StateArmed }); armed || err != nil {
				return err
			}
		}
		if try == 2 {
			s.player.on = false
			if !heard {
				return report.Missing("a controller that answers ARM")
			}
			return report.Missing("a controller that arms when all that the page asks for is there; RESULT: %v", r)
		}
	}
	return nil
}

// needDirections makes sure that axes go where they are told.
func (s *Subject) needDirections() error {
	if s.followed == nil {
		if _, err := follows(s); err != nil {
			return err
		}
	}
	if s.followed == nil || !*s.followed {
		return report.Missing("axes that go where setpoints go (see follows)")
	}
	return nil
}
