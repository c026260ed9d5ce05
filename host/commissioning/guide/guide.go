// Package guide leads an operator through the steps of commissioning on the seat.
//
// Each step asks, moves the seat only while a key is held, measures what the controller can tell, asks for what only a
// person can see, and ends with numbers for the record or with what is wrong and the remedy. Nothing is skipped. The
// package knows no terminal and no port: it speaks with an Operator and with a Host.
package guide

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/guard"
	"perch/host/jog"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/seat"
	"perch/proto/seatlink"
)

// Operator is who does the step. An error of a method ends the step, and nothing is recorded.
type Operator interface {
	// Tell shows lines.
	Tell(lines ...string)
	// Confirm asks what is answered with yes or no, typed out.
	Confirm(question string) (bool, error)
	// Number asks for a number with its unit.
	Number(question string, d config.Dimension) (float64, error)
	// Hold says what to do while a key is held. Each press and repeat of the key calls Press, the stop key calls
	// Stop; it ends when Done says so or fails.
	Hold(instruction string, h Hold) error
	// Wait says what to do, and ends when done says so, or with an error when the operator gives up.
	Wait(instruction string, done func() bool) error
}

// Hold is what a held key does. Its functions are for the operator's goroutine.
type Hold struct {
	Press func()
	Stop  func()
	Done  func() (bool, error)
}

// Line is an open way to the controller.
type Line interface {
	seat.Driver
	Limits(ctx context.Context) ([]seatlink.AxisLimits, error)
}

// Host gives the way to the controller, and does to it what the stop tests need.
type Host interface {
	// Open opens the port. The line before it has been closed.
	Open(ctx context.Context) (Line, error)
	// Intrude opens the port as another program would, and closes it. The error is the system's refusal.
	Intrude(ctx context.Context) error
	// Child starts another program that moves the seat while Press is called. The line has been closed.
	Child(ctx context.Context) (Child, error)
	// Pretend does to a simulated controller what an operator would do to a real one; false: that is up to the operator.
	Pretend(what Act, actuator int) bool
}

// Child is another program that moves the seat.
type Child interface {
	// Press moves for as long as one press does.
	Press() error
	// Moving says whether the seat is in motion, and where it is told to be.
	Moving() (bool, mechanism.Positions)
	// Kill ends it at once, without a last word to the controller.
	Kill() error
}

// Act is something that only an operator can do.
type Act uint8

// The acts.
const (
	SupplyOff Act = iota + 1 // the motor supply's switch
	SupplyOn
	SwitchClosed // the home switch of an actuator pressed by hand
	SwitchOpen
	AlarmOn // the alarm of a driver
	AlarmOff
	CablePulled // the data cable
	CableBack
)

// Fault is what a step has found wrong: it ends the step, and the record says that the step failed.
type Fault struct {
	What   string
	Remedy string
}

// Error is both, as one line.
func (f *Fault) Error() string { return f.What + "; " + f.Remedy }

func wrong(remedy, what string, args ...any) error {
	return &Fault{fmt.Sprintf(what, args...), remedy}
}

// Sitting is one of an operator at a seat, in which steps are done.
type Sitting struct {
	Operator Operator
	Host     Host
	Seat     config.Seat // with the record so far
	Rate     float64     // of the loop, Hz; 0: 500
	RealTime bool        // ask for a real-time priority of the loop's thread
	Homings  int         // how often the homing step homes; 0: 5
	Look     time.Duration
	Now      func() time.Time
}

// Result is what a step came to.
type Result struct {
	Who       commissioning.Controller
	Simulated bool // the controller says that nothing moves: practice, for no record
	Begun     bool // it was not refused before anything was done
	Step      config.Step
}

// Do does a step. Where the controller is simulated the order is not held. The error is a Fault where the step found
// something wrong: Step's outcome is then failed. With any other error nothing is to be recorded.
func (s Sitting) Do(ctx context.Context, name string) (Result, error) {
	if s.Homings == 0 {
		s.Homings = 5
	}
	if s.Look == 0 {
		s.Look = 3 * time.Second
	}
	steps := map[string]func(context.Context, *bench) error{
		commissioning.Identity: identity, commissioning.Directions: directions, commissioning.Homing: homing,
		commissioning.Angles: angles, commissioning.Stops: stops, commissioning.Power: power, commissioning.Raise: raise,
	}
	do, ok := steps[name]
	if !ok {
		return Result{}, commissioning.May(s.Seat, commissioning.Controller{}, name)
	}
	m, err := s.Seat.Mechanism.New()
	if err != nil {
		return Result{}, err
	}
	b := &bench{Sitting: s, m: m, numbers: map[string]string{}}
	defer b.close()
	if err := b.open(ctx); err != nil {
		return Result{}, err
	}
	status := b.status()
	r := Result{Who: identityOf(&status), Simulated: status.Simulated}
	if look, ok := seen[name]; ok && (status.OneWay || status.HandHomed && name == commissioning.Homing) {
		do = look
	}
	b.Seat.Limits = commissioning.RideLimits(s.Seat, m.Axes())
	if !r.Simulated {
		if err := commissioning.May(s.Seat, r.Who, name); err != nil {
			return r, err
		}
	}
	r.Begun = true
	err = do(ctx, b)
	var fault *Fault
	step := config.Step{Date: s.Now().UTC().Truncate(time.Second), Outcome: config.Passed, Numbers: b.numbers}
	switch {
	case errors.As(err, &fault):
		step.Outcome, step.Numbers["found"] = config.Failed, fault.What
	case err != nil:
		return r, err
	}
	r.Step = step
	return r, err
}

func identityOf(s *seat.Status) commissioning.Controller {
	return commissioning.Controller{Board: s.Board, Firmware: s.Firmware, Limits: s.Hash}
}

// bench is a step under way.
type bench struct {
	Sitting
	m       mechanism.Mechanism
	line    Line
	numbers map[string]string
	jog     *jog.Jog
	limits  guard.Limits // of the jog
	own     []seatlink.AxisLimits
	fastest mechanism.Positions // that each actuator was seen in the stop tests, rad/s or m/s
	coarse  []float64           // where the switches' edges are, about
	endJog  func()
}

// open opens the line.
func (b *bench) open(ctx context.Context) (err error) {
	if b.line, err = b.Host.Open(ctx); err != nil {
		return err
	}
	// HELLO says who it is, the first STATUS how it is.
	for range 200 {
		if s := b.status(); s.Connected && (s.OneWay || s.Nonce != 0) { // the nonce comes with STATUS
			return nil
		}
		if err := pause(ctx, 10*time.Millisecond); err != nil {
			return err
		}
	}
	return errors.New("the controller says HELLO and no STATUS; check its firmware with perch conform controller")
}

// close ends the jog and the line.
func (b *bench) close() {
	b.end()
	if b.line != nil {
		_ = b.line.Close()
		b.line = nil
	}
}

// end ends the jog.
func (b *bench) end() {
	if b.endJog != nil {
		b.endJog()
		b.jog, b.endJog = nil, nil
	}
}

func (b *bench) status() (s seat.Status) {
	b.line.Status(&s)
	return s
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

func (b *bench) actuators() []mechanism.Actuator { return b.m.Actuators() }

// reducedSpeeds are those that the controller takes when armed at reduced speed.
func (b *bench) reducedSpeeds(ctx context.Context) (_ []float64, err error) {
	b.own, err = b.line.Limits(ctx)
	return jog.Reduced(b.own), err
}

// Ways to move.
type way uint8

const (
	byActuator way = iota // rods off
	byPose                // rods on, reduced speed
)

// begin starts a jog.
func (b *bench) begin(ctx context.Context, w way) error {
	most, err := b.reducedSpeeds(ctx)
	if err != nil {
		return err
	}
	var m mechanism.Mechanism
	var l guard.Limits
	if w == byActuator {
		m, l = jog.Own(b.m, most)
	} else {
		m, l = jog.Slowed(b.m, b.Seat.Limits, commissioning.ReducedOf(b.Seat), most)
	}
	return b.start(ctx, jog.Settings{Mechanism: m, Limits: l})
}

// start starts a jog with its settings.
func (b *bench) start(ctx context.Context, s jog.Settings) error {
	b.end()
	s.Rate, s.RealTime = b.Rate, b.RealTime
	j, err := jog.New(s, b.line)
	if err != nil {
		return err
	}
	b.limits = s.Limits
	b.jog, b.endJog = j, j.Start(ctx)
	for range 200 { // until it has seen the controller
		if j.Snapshot().State != jog.Away {
			break
		}
		if err := pause(ctx, 10*time.Millisecond); err != nil {
			return err
		}
	}
	return nil
}

// hold is a hold of the jog that ends when done says so; a fault of the controller ends it too, but where it may.
func (b *bench) hold(instruction string, press func() jog.Press, done func(s *jog.Snapshot) bool) error {
	stopped, first := false, true
	var last jog.Kind
	var lost absence
	return b.Operator.Hold(instruction, Hold{
		Press: func() {
			if !stopped {
				p := press()
				p.Fresh, first, last = first, false, p.Kind
				b.jog.Press(p)
			}
		},
		Stop: func() {
			stopped = true
			b.jog.Stop()
		},
		Done: func() (bool, error) {
			s := b.jog.Snapshot()
			switch {
			case stopped && s.State != jog.Moving && s.State != jog.Stopping:
				return false, errStopped
			case done(&s):
				return true, nil
			case s.State == jog.Held && last == jog.Toward:
				return false, errLate
			case lost.lasts(&s):
				return false, errAway
			case s.State == jog.Fault && s.Status.Faults == seatlink.FaultLink && last == jog.Toward:
				return false, errLate
			case s.State == jog.Fault:
				return false, wrong("find the cause, mend it, and do this step again", "the controller reports %s (%s)", s.Status.State, s.Status.Faults)
			case s.Refused && s.Status.LastResult == seatlink.ResultStale:
				return false, errLate
			case s.Refused:
				return false, wrong("see that the seat file's travel and speeds are inside the limits in the controller's firmware", "the controller does not arm: %s", s.Status.LastResult)
			}
			return false, nil
		},
	})
}

// home brings the seat to its park position, whatever it stands in.
func (b *bench) home() error {
	for {
		s := b.status()
		var err error
		switch s.State {
		case seatlink.StateReady:
			// the jog has to have seen it, too
			return b.settled(jog.Ready)
		case seatlink.StateFault, seatlink.StateSupplyOff:
			err = b.reset()
		case seatlink.StateHeld, seatlink.StateParking:
			err = b.hold("Hold the key: the seat goes back to its park position.", func() jog.Press { return jog.Press{Kind: jog.Park} },
				func(s *jog.Snapshot) bool { return s.State == jog.Ready })
		case seatlink.StateArmed:
			b.line.Do(seat.Disarm)
			err = b.settle("comes to rest", func(s *seat.Status) bool { return s.State != seatlink.StateArmed && s.State != seatlink.StateStopping })
		case seatlink.StateStopping:
			err = b.settle("comes to rest", func(s *seat.Status) bool { return s.State != seatlink.StateStopping })
		default:
			err = b.homeOnce()
		}
		if err != nil {
			return err
		}
	}
}

// homeOnce lets the controller home.
func (b *bench) homeOnce() error {
	if b.status().OneWay {
		return b.level()
	}
	if s := b.status(); s.HandHomed && !s.Homed {
		return b.homeByHand()
	}
	return b.homeHeld("Hold the key until it is homed: it looks for its home switches, slowly. Watch which way it goes.")
}

// reset clears a latched fault.
func (b *bench) reset() error {
	b.line.Do(seat.Reset)
	err := b.settle("resets", func(s *seat.Status) bool {
		return s.State != seatlink.StateFault && s.State != seatlink.StateSupplyOff
	})
	if err != nil {
		s := b.status()
		return wrong("mend the cause, then do this step again", "the controller stays in %s (%s)", s.State, s.Faults)
	}
	for range 500 { // until the jog has seen it too, lest it tell of the fault that was
		if b.jog == nil || b.jog.Snapshot().State != jog.Fault {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	return nil
}

// absence is how long a controller has not answered: a computer that was busy for a moment is no broken cable.
type absence struct{ since time.Time }

func (a *absence) lasts(s *jog.Snapshot) bool {
	switch {
	case s.State != jog.Away:
		a.since = time.Time{}
	case a.since.IsZero():
		a.since = time.Now()
	}
	return !a.since.IsZero() && time.Since(a.since) > time.Second
}

var errAway = errors.New("the controller does not answer any more; check the cable and do this step again")

var errLate = errors.New("setpoints came too late for the controller; end other programs on this computer and do this step again")

var errStopped = errors.New("stopped by the stop key; nothing was recorded, do this step again")

var errSlow = errors.New("too slow")

// settle waits a little for what the controller does by itself.
func (b *bench) settle(what string, done func(s *seat.Status) bool) error {
	for range 500 {
		if s := b.status(); done(&s) {
			return nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return fmt.Errorf("the controller never %s: %w", what, errSlow)
}

// settled waits until the jog is in a state.
func (b *bench) settled(state jog.State) error {
	for range 500 {
		if b.jog.Snapshot().State == state {
			return nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return fmt.Errorf("the seat is %s, not %s; do this step again", b.jog.Snapshot().State, state)
}

// goTo moves to a pose and rests there.
func (b *bench) goTo(instruction string, to pose.Pose) error {
	return b.patiently(func() error {
		return b.hold(instruction, func() jog.Press { return jog.Press{Kind: jog.Toward, To: to} }, func(s *jog.Snapshot) bool { return at(s, to) })
	})
}

// patiently does again what a late computer has spoilt.
func (b *bench) patiently(do func() error) error {
	for try := 1; ; try++ {
		err := do()
		if !errors.Is(err, errLate) || try == 3 {
			return err
		}
		b.Operator.Tell("This computer was late with a setpoint, and the controller did not go on, as it should. Once more.")
		if err := b.home(); err != nil {
			return err
		}
	}
}

// at says whether the seat rests at a pose.
func at(s *jog.Snapshot, to pose.Pose) bool {
	if s.State != jog.Still {
		return false
	}
	for a := range to {
		if math.Abs(s.Pose[a]-to[a]) > 1e-6 {
			return false
		}
	}
	return true
}

// must asks what has to be answered with yes.
func (b *bench) must(question, remedy, what string) error {
	yes, err := b.Operator.Confirm(question)
	if err != nil {
		return err
	}
	if !yes {
		return &Fault{what, remedy}
	}
	return nil
}

// wait waits for what the operator does, or does it to a simulated controller.
func (b *bench) wait(instruction string, what Act, actuator int, done func(s *seat.Status) bool) error {
	if b.Host.Pretend(what, actuator) {
		instruction += " (Practice: it is done for you.)"
	}
	if b.status().OneWay {
		return b.must(instruction+" Is that done?", "do it, and do this step again", "it was not done")
	}
	return b.Operator.Wait(instruction, func() bool {
		s := b.status()
		return done(&s)
	})
}

// still looks whether the seat keeps its place for a while: how far it went, rad or m.
func (b *bench) still(ctx context.Context) (float64, error) {
	first := b.status()
	most := 0.0
	for end := time.Now().Add(b.Look); time.Now().Before(end); {
		if err := pause(ctx, 20*time.Millisecond); err != nil {
			return 0, err
		}
		now := b.status()
		most = max(most, farthest(first.Positions, now.Positions))
	}
	return most, nil
}

func farthest(a, b [6]float64) (most float64) {
	for i := range a {
		most = max(most, math.Abs(a[i]-b[i]))
	}
	return most
}

// shown writes an actuator's distance for people: degrees or millimetres.
func (b *bench) shown(v float64) string {
	if b.actuators()[0].Unit == "m" {
		return fmt.Sprintf("%.2f mm", v*1e3)
	}
	return fmt.Sprintf("%.2f deg", v*180/math.Pi)
}

// note puts a number into the record.
func (b *bench) note(key, format string, args ...any) { b.numbers[key] = fmt.Sprintf(format, args...) }
