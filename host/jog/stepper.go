// Package jog moves a seat by hand: slowly, and only while somebody holds a key.
//
// A Stepper is one tick of it, a plain value. A Jog wakes a Stepper 500 times a second and joins it to the controller.
// Every movement is asked for by a press that lasts 150 ms: a held key repeats, and when it is let go the seat brakes.
// What comes out has gone through the guard, and the controller is armed at its own reduced speed.
package jog

import (
	"math"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/seat"
	"perch/proto/seatlink"
)

// Times, s.
const (
	PressTime = 0.150 // that one press moves for
	ownPress  = 1.0   // longest between presses while the controller homes or parks by its own law: a keyboard's first repeat may take 0.66
	steady    = 0.6   // of setpoints before the controller arms: it wants half a second
	again     = 0.75  // between commands that were not carried out
	tries     = 4
	endLong   = 3.0 // that the end of it may take
)

// State is what the seat does.
type State uint8

// The states.
const (
	Away     State = iota // no controller, or one that says nothing
	Unhomed               // its position is not known: only home
	Ready                 // in its park position, disarmed
	Arming                // a key is held and the controller is told to arm
	Still                 // armed, at rest
	Moving                // armed, in motion
	Stopping              // brakes by the controller's own law
	Held                  // at rest where it stopped: only park or home
	Homing                // the controller homes, while a key is held
	Parking               // the controller goes to its park position, while a key is held
	Fault                 // latched
)

// String is the state's name.
func (s State) String() string {
	names := [...]string{"away", "not homed", "ready", "arming", "still", "moving", "stopping", "held", "homing", "parking", "fault"}
	if int(s) < len(names) {
		return names[s]
	}
	return "unknown"
}

// Kind is what a press asks for.
type Kind uint8

// The kinds.
const (
	Toward Kind = iota + 1 // to the pose To
	Along                  // along Axis, to the end of its travel on the side of Direction
	Home                   // the controller homes
	Park                   // the controller goes to its park position
)

// Press is one press of a key, or one of its repeats.
type Press struct {
	Kind      Kind
	To        pose.Pose
	Axis      pose.Axis
	Direction float64 // -1 or 1
	Fresh     bool    // the first of a new hold, where that is known; a pause of a second or another kind says so too
}

// Output is what one tick leads to.
type Output struct {
	State     State
	Pose      pose.Pose
	Setpoint  bool // send the actuators' positions, speeds and accelerations
	Actuators mechanism.Positions
	Speeds    mechanism.Positions
	Rates     mechanism.Positions // accelerations
	Command   seat.Command        // 0: none
	Held      guard.Held
	Refused   bool // a controller that did not arm when told to
}

// Stepper is one tick of it, with a guard inside.
type Stepper struct {
	l     *guard.Limiter
	m     mechanism.Mechanism
	dt    float64
	arm   seat.Command
	state State

	press   Press
	age     float64 // s since the last press
	target  pose.Pose
	setting float64 // s of setpoints sent in a row while ready
	sent    float64 // s since the last command
	told    int     // times that arm was told
	refused bool
	spent   bool // this hold has had its homing or parking: it begins no other
	halting bool // brakes by its own law, since the controller has none; then it is told to stop
}

// NewStepper makes one for a mechanism and limits that are slowed already. arm is seat.ArmReduced, or seat.Arm where the
// limits are to be tried.
func NewStepper(m mechanism.Mechanism, l guard.Limits, arm seat.Command, dt float64) (*Stepper, error) {
	g, err := guard.NewLimiter(m, l, dt)
	if err != nil {
		return nil, err
	}
	return &Stepper{l: g, m: m, dt: dt, arm: arm, age: math.Inf(1)}, nil
}

// Step is one tick: the controller's status, the press that came since the last tick, if any, and whether a stop was asked for.
func (s *Stepper) Step(c *seat.Status, press *Press, stop bool, out *Output) {
	*out = Output{}
	s.age += s.dt
	s.sent += s.dt
	s.halting = s.halting && c.Connected && c.State == seatlink.StateArmed
	if press != nil && !stop && !s.halting {
		s.take(c, press)
	}
	if stop {
		s.age = math.Inf(1)
		if s.halting = c.OneWay && s.state == Moving && c.State == seatlink.StateArmed; !s.halting {
			out.Command = seat.Stop
		}
	}
	switch {
	case !c.Connected:
		s.become(Away)
	case c.State == seatlink.StateFault || c.State == seatlink.StateSupplyOff:
		s.become(Fault)
	case c.State == seatlink.StateHoming:
		s.become(Homing)
		s.lone(out)
	case c.State == seatlink.StateParking:
		s.become(Parking)
		s.lone(out)
	case c.State == seatlink.StateStopping:
		s.become(Stopping)
	case c.State == seatlink.StateHeld:
		s.become(Held)
		s.tell(out, Park, seat.Park)
		s.tell(out, Home, seat.Home)
	case c.State == seatlink.StateArmed:
		s.armed(out)
	case c.State == seatlink.StateReady:
		s.ready(c, out)
	default:
		s.become(Unhomed)
		s.tell(out, Home, seat.Home)
	}
	out.State, out.Pose, out.Refused = s.state, s.l.Pose(), s.refused
	out.Actuators, out.Speeds, out.Rates = s.l.Actuators()
}

func (s *Stepper) become(state State) {
	if s.state != state {
		s.spent = s.spent || s.state == Homing || s.state == Parking
		s.state, s.setting, s.told, s.sent = state, 0, 0, again
	}
}

// take notes a press.
func (s *Stepper) take(c *seat.Status, p *Press) {
	if s.age > ownPress || p.Fresh || p.Kind != s.press.Kind {
		s.told, s.refused, s.spent = 0, false, false // a new hold begins, and with it new tries
	}
	s.press, s.age = *p, 0
	if s.state != Still && s.state != Moving {
		s.meet(c)
	}
	switch p.Kind {
	case Toward:
		s.target = p.To
	case Along:
		s.target = s.l.Pose()
		l := s.l.Limits()
		if p.Direction < 0 {
			s.target[p.Axis] = l.Low[p.Axis]
		} else {
			s.target[p.Axis] = l.High[p.Axis]
		}
	}
}

// meet puts the guard where the controller says the seat is.
func (s *Stepper) meet(c *seat.Status) bool {
	p, err := s.m.Forward(mechanism.Positions(c.Positions), s.l.Pose())
	return err == nil && s.l.Reset(p) == nil
}

func (s *Stepper) wants(k Kind) bool { return s.press.Kind == k && s.age < ownPress }

func (s *Stepper) moves() bool { return s.press.Kind == Toward || s.press.Kind == Along }

// tell gives a command for as long as its key is held and the controller has not begun.
func (s *Stepper) tell(out *Output, k Kind, c seat.Command) {
	if out.Command == 0 && !s.spent && s.wants(k) && s.sent >= again && s.told < tries {
		out.Command, s.sent = c, 0
		s.told++
	}
}

// lone watches a move that the controller makes by its own law: it goes on only while a key is held.
func (s *Stepper) lone(out *Output) {
	if s.age >= ownPress && s.sent >= again {
		out.Command, s.sent = seat.Stop, 0
	}
}

func (s *Stepper) ready(c *seat.Status, out *Output) {
	if s.wants(Home) {
		s.become(Ready)
		s.tell(out, Home, seat.Home)
		return
	}
	if s.told >= tries && s.sent >= again {
		s.refused = true
	}
	if !s.moves() || s.age >= ownPress || s.refused {
		s.become(Ready)
		return
	}
	if s.state != Arming {
		s.become(Arming)
		if !s.meet(c) {
			s.refused = true
			return
		}
	}
	out.Setpoint = true
	if s.setting += s.dt; s.setting < steady || s.sent < again || out.Command != 0 {
		return
	}
	out.Command, s.sent = s.arm, 0
	s.told++
}

func (s *Stepper) armed(out *Output) {
	if s.state != Still && s.state != Moving && s.state != Arming {
		out.Command = seat.Stop // whoever armed it was not here
		return
	}
	if s.moves() && s.age < PressTime {
		_, out.Held = s.l.Step(s.target)
	} else {
		s.l.Brake()
	}
	out.Setpoint = true
	if s.l.Rest() {
		s.become(Still)
		if s.halting {
			out.Command, s.halting = seat.Stop, false
		}
	} else {
		s.become(Moving)
	}
}
