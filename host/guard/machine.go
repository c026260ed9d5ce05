package guard

import (
	"math"

	"perch/host/mechanism"
	"perch/host/pose"
)

// State is what the seat is doing.
type State uint8

// The seat's states.
const (
	Off      State = iota // no controller, or one that is not ready
	Homing                // the controller finds its positions, because someone asked
	Parked                // level, holding, disarmed
	Riding                // follows the demand
	Settling              // the demand fades to level
	Stopping              // brakes under power
	Holding               // at rest where it stopped, powered, disarmed
	Fault                 // as holding where it can be, cause latched
)

var stateNames = [...]string{"off", "homing", "parked", "riding", "settling", "stopping", "held", "fault"}

// String is the state's name on screens and in traces.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "unknown"
}

// Ask is what somebody asked for since the last tick: edges, never levels.
type Ask uint8

// The asks.
const (
	AskHome  Ask = 1 << iota // find the positions
	AskArm                   // ride
	AskPark                  // to level, at reduced speed
	AskStop                  // brake and hold
	AskReset                 // forget a fault whose cause is gone
	AskEnd                   // settle, park, disarm, end
)

// Command is what to tell the controller this tick.
type Command uint8

// The commands.
const (
	CommandNone Command = iota
	CommandHome
	CommandArm
	CommandDisarm
	CommandStop
	CommandReset
	CommandPark // from where it latched a stop to level, by its own law at reduced speed
)

var commandNames = [...]string{"none", "home", "arm", "disarm", "stop", "reset", "park"}

// String is the command's name.
func (c Command) String() string {
	if int(c) < len(commandNames) {
		return commandNames[c]
	}
	return "unknown"
}

// Controller is what the seat's controller last reported.
type Controller struct {
	Present   bool // status arrives
	Simulated bool // it said that nothing moves
	Homed     bool // it knows its positions
	Homing    bool // it is finding them
	Armed     bool // it follows setpoints
	Ready     bool // it would accept home or arm
	Fault     bool // it latched a fault
	Supply    bool // the motors have their supply
	Stopped   bool // it latched a stop of its own
	// Commissioned says that a valid record stands for this controller and this seat: without it nothing here homes,
	// arms or parks one that is not simulated.
	Commissioned bool
	BootID       uint32 // changes when it restarts
	Position     mechanism.Positions
}

// mayMove says whether a source may move what the controller moves.
func (c *Controller) mayMove() bool { return c.Simulated || c.Commissioned }

// Input is what the machine sees in one tick.
type Input struct {
	Wanted      pose.Pose // out of cueing and blending
	Live        bool      // the live source is fresh
	Controller  Controller
	Ask         Ask
	OperatorAge float64 // s since whoever armed last gave a sign of life
}

// Cause says why the seat left its ride, or cannot begin one.
type Cause uint8

// The causes. One that led to Fault stays until the fault is reset.
const (
	CauseNone        Cause = iota
	CauseAsked             // somebody asked for it
	CauseSource            // no fresh source
	CauseOperator          // whoever armed gave no sign of life for 2 s
	CauseController        // the controller stopped by itself
	CauseLost              // the controller does not answer
	CauseRestarted         // the controller restarted: its position is lost
	CauseAlarm             // the controller reports a fault
	CauseSupply            // the motors have no supply
	CauseArm               // the controller did not arm when told to
	CauseHome              // the controller did not home when told to
	CauseUnreachable       // the controller reports a position that the mechanism cannot have
	CauseParking           // the controller goes to level by its own law
	CausePark              // the controller did not park when told to
	CauseRecord            // no valid commissioning record stands for this seat and controller
)

var causeNames = [...]string{
	"", "asked for", "no fresh source", "operator gone", "controller stopped by itself", "controller lost",
	"controller restarted", "controller fault", "motor supply off", "controller did not arm", "controller did not home",
	"controller's position is impossible", "controller parks at reduced speed", "controller did not park",
	"not commissioned",
}

// String is the cause in words; empty for none.
func (c Cause) String() string {
	if int(c) < len(causeNames) {
		return causeNames[c]
	}
	return "unknown"
}

// Output is what one tick leads to.
type Output struct {
	State         State
	Pose          pose.Pose
	Actuators     mechanism.Positions
	Speeds        mechanism.Positions // by backward differences, per s
	Accelerations mechanism.Positions // per s²
	Held          Held
	Command       Command
	Cause         Cause
	Setpoint      bool    // send the actuators' positions, speeds and accelerations
	Ended         bool    // AskEnd has been carried out
	Refused       Ask     // what was asked for in this tick and cannot be done now
	Fade          float64 // 0..1, how much of the demand is in the pose
}

// Times of the machine, s.
const (
	fadeIn        = 2.0  // of the demand after arming or when a source comes back
	settleLeast   = 2.0  // of a fade to level
	parkAfter     = 10.0 // of settling without a source
	operatorLate  = 0.5  // from here the demand may not grow
	operatorGone  = 2.0
	retry         = 0.75 // between commands that the controller has not carried out
	tries         = 4
	homingLongest = 180.0
	resetLongest  = 2.0
	parkLongest   = 60.0
)

// Reduced speed, for parking: 18 deg/s and 60 deg/s², which is 0.25 m/s (ISO 10218-1's manual reduced speed) at a head
// 0.8 m above the joint; for straight axes 0.1 m/s and 0.3 m/s².
const (
	reducedTurn      = 18 * math.Pi / 180
	reducedTurnRate  = 60 * math.Pi / 180
	reducedShift     = 0.1
	reducedShiftRate = 0.3
)

// goal is what happens when a settling seat is level.
type goal uint8

const (
	goalWait goal = iota // the source may come back
	goalPark             // parked, whatever comes
	goalHold             // held: the operator is gone
)

// Machine is the seat's state, with the guard inside. It reads no clock and does no I/O: one Step is one tick of dt.
type Machine struct {
	l     *Limiter
	dt    float64
	state State
	cause Cause

	boot     uint32
	booted   bool
	clock    float64 // s in this state, or since the last restart of what it waits for
	sent     float64 // s since the last command
	commands int
	arming   bool // from Parked: to ride
	rising   bool // from Holding: armed in order to park
	parking  bool // from Holding: the controller was told to park
	reset    bool // a reset was asked for and is tried
	homing   bool // the controller was seen homing
	ending   bool
	ended    bool
	goal     goal

	from  pose.Pose // where the fade began
	took  float64   // s into the fade
	takes float64   // s the fade takes
	swing *Swing
	late  bool      // the operator is late
	cap   pose.Pose // the most of each axis while he is
}

// NewMachine makes a machine in Off, with a guard at level.
func NewMachine(m mechanism.Mechanism, limits Limits, dt float64) (*Machine, error) {
	l, err := NewLimiter(m, limits, dt)
	if err != nil {
		return nil, err
	}
	return &Machine{l: l, dt: dt, swing: NewSwing(dt)}, nil
}

// SetLimits is the guard's: see Limiter.SetLimits.
func (m *Machine) SetLimits(limits Limits) error { return m.l.SetLimits(limits) }

// State is the present state.
func (m *Machine) State() State { return m.state }

func (m *Machine) enter(s State, c Cause) {
	m.state, m.cause = s, c
	m.clock, m.sent, m.commands = 0, 0, 0
	m.arming, m.rising, m.parking, m.reset, m.homing, m.late = false, false, false, false, false, false
}

// Step is one tick.
func (m *Machine) Step(in Input) Output {
	c := &in.Controller
	out := Output{}
	if math.IsNaN(in.OperatorAge) {
		in.OperatorAge = math.Inf(1)
	}
	m.clock += m.dt
	m.sent += m.dt
	ask := in.Ask
	if ask&AskEnd != 0 {
		m.ending = true
	}
	m.watch(c, &out)
	barred := Ask(0)
	if !c.mayMove() && ask&AskStop == 0 {
		barred = ask & (AskHome | AskArm | AskPark)
		ask &^= barred
	}

	if ask&AskStop != 0 {
		m.stop(c, &out)
		ask &= AskEnd // whatever else was asked for in the same tick is not meant any more
	}
	switch m.state {
	case Off:
		m.off(c, ask, &out)
	case Homing:
		m.home(c, &out)
		out.Refused = ask &^ (AskEnd | AskStop)
	case Parked:
		m.parked(&in, ask, &out)
	case Riding:
		m.riding(&in, ask, &out)
	case Settling:
		m.settling(&in, ask, &out)
	case Stopping:
		m.l.Brake()
		out.Held = HeldBrake
		out.Setpoint = true
		out.Refused = ask &^ (AskEnd | AskStop)
		if m.l.Rest() {
			m.enter(Holding, m.cause)
		}
	case Holding:
		m.holding(&in, ask, &out)
	case Fault:
		m.fault(c, ask, &out)
	}
	if out.Refused |= barred; barred != 0 && (m.state == Off || m.state == Parked || m.state == Holding) {
		m.cause = CauseRecord
	}
	if m.state == Fault && !c.Armed || m.state == Off {
		out.Setpoint = false
	}
	m.disarm(c, &out)
	if m.ending && !m.ended {
		m.end(c, &out)
	}
	m.watchSwing(out.Held&^HeldSwing != 0)
	out.State, out.Cause, out.Ended = m.state, m.cause, m.ended
	out.Pose = m.l.Pose()
	out.Actuators, out.Speeds, out.Accelerations = m.l.Actuators()
	return out
}

// watchSwing lets the swing see how near the limits each axis moves: those of the pose, or where the guard holds the
// demand back what it uses of them itself.
func (m *Machine) watchSwing(held bool) {
	l := m.l
	for i, ax := range l.axes {
		most := [3]float64{l.limits.Speed[ax], l.limits.Acceleration[ax], l.limits.Jerk[ax]}
		if held { // its jerk is then all or nothing, and says little
			most[1], most[2] = l.law[i].a, math.Inf(1)
		}
		m.swing.see(ax, l.v[i], l.a[i], most)
	}
	m.swing.tick()
}

// watch takes the seat to Fault, or to Holding, for what the controller says.
func (m *Machine) watch(c *Controller, out *Output) {
	if m.state == Off {
		if c.Present {
			m.boot, m.booted = c.BootID, true
		}
		return
	}
	if m.state == Fault {
		return
	}
	cause := CauseNone
	switch {
	case !c.Present:
		cause = CauseLost
	case m.booted && c.BootID != m.boot:
		cause = CauseRestarted
	case c.Fault:
		cause = CauseAlarm
	case !c.Supply:
		cause = CauseSupply
	case m.state != Homing && !c.Homed:
		cause = CauseRestarted
	}
	if cause != CauseNone {
		m.enter(Fault, cause)
		out.Command = CommandStop
		return
	}
	if !c.mayMove() {
		m.lapse(out)
	}
	moving := m.state == Riding || m.state == Settling || m.state == Stopping
	if moving && (c.Stopped || !c.Armed) {
		m.enter(Holding, CauseController)
		m.meet(c)
	}
}

// lapse ends what a seat without a valid record may not do: a ride fades to level and is held, all else ends at once.
func (m *Machine) lapse(out *Output) {
	switch {
	case m.state == Riding:
		m.settle(goalHold, CauseRecord, false)
	case m.state == Settling:
		m.goal, m.cause = goalHold, CauseRecord
	case m.state == Homing:
		m.enter(Off, CauseRecord)
		out.Command = CommandStop
	case m.state == Holding && m.parking:
		m.enter(Holding, CauseRecord)
		out.Command = CommandStop
	case m.arming || m.rising:
		m.enter(m.state, CauseRecord)
		out.Command = CommandDisarm
	}
}

// meet puts the guard where the controller says the seat is; false if that cannot be.
func (m *Machine) meet(c *Controller) bool {
	p, err := m.l.m.Forward(c.Position, m.l.Pose())
	if err != nil {
		return false
	}
	if m.l.Reset(p) == nil {
		return true
	}
	// a stop by the controller's own law may end a little outside the reachable set
	level := m.level()
	for k := 1; k <= 8; k++ {
		near := p
		for a := range near {
			near[a] += (level[a] - near[a]) * 0.005 * float64(k)
		}
		if m.l.Reset(near) == nil {
			return true
		}
	}
	return false
}

func (m *Machine) level() pose.Pose { return m.l.full(&m.l.neutral) }

// isLevel says whether the seat is near enough to level to be called parked: 1 degree, 1 cm.
func (m *Machine) isLevel() bool {
	p, level := m.l.Pose(), m.level()
	for a := range p {
		near := 0.01
		if pose.Axis(a) >= pose.Roll {
			near = math.Pi / 180
		}
		if math.Abs(p[a]-level[a]) > near {
			return false
		}
	}
	return true
}

func (m *Machine) stop(c *Controller, out *Output) {
	switch m.state {
	case Off, Fault:
		if c.Present {
			out.Command = CommandStop // costs nothing where nothing moves
		}
	case Riding, Settling:
		m.enter(Stopping, CauseAsked)
	case Homing:
		m.enter(Off, CauseAsked)
		out.Command = CommandStop
	case Parked, Holding:
		switch {
		case m.parking:
			m.enter(Holding, CauseAsked)
			out.Command = CommandStop
		case m.arming || m.rising:
			m.enter(m.state, CauseAsked)
			out.Command = CommandDisarm
		}
	}
}

func (m *Machine) off(c *Controller, ask Ask, out *Output) {
	out.Refused = ask & (AskArm | AskPark)
	able := c.Present && c.Supply && !c.Fault && !c.Homing
	switch {
	case ask&AskReset != 0 && c.Present:
		out.Command = CommandReset
		out.Refused |= ask & AskHome
	case ask&AskHome != 0 && able && !c.Armed && !m.ending:
		m.enter(Homing, CauseNone)
		m.commands = 1
		out.Command = CommandHome
	case able && c.Homed && (c.Ready || c.Stopped):
		out.Refused |= ask & AskHome
		switch {
		case !m.meet(c):
			m.cause = CauseUnreachable
		case m.isLevel() && c.Ready:
			m.enter(Parked, CauseNone)
		default:
			m.enter(Holding, CauseNone)
		}
	default:
		out.Refused |= ask & AskHome
	}
}

func (m *Machine) home(c *Controller, out *Output) {
	m.homing = m.homing || c.Homing
	if c.Homing {
		m.sent = 0
	}
	switch {
	case m.homing && !c.Homing && c.Homed:
		if !m.meet(c) {
			m.enter(Fault, CauseUnreachable)
			return
		}
		if m.isLevel() {
			m.enter(Parked, CauseNone)
		} else {
			m.enter(Holding, CauseNone)
		}
	case m.clock > homingLongest, m.homing && !c.Homing && m.sent > retry:
		// too long, or given up: beginning again takes another ask
		m.enter(Fault, CauseHome)
		out.Command = CommandStop
	case !c.Homing && m.sent > retry:
		// done before it was seen under way, or not begun
		if c.Homed && c.Ready {
			m.homing = true
			return
		}
		if m.commands >= tries {
			m.enter(Fault, CauseHome)
			out.Command = CommandStop
			return
		}
		m.commands++
		m.sent = 0
		out.Command = CommandHome
	}
}

func (m *Machine) parked(in *Input, ask Ask, out *Output) {
	c := &in.Controller
	out.Setpoint = true
	out.Refused = ask & AskReset
	switch {
	case m.arming:
		out.Refused |= ask & (AskArm | AskHome | AskPark)
		if in.OperatorAge >= operatorGone || m.ending {
			m.enter(Parked, CauseOperator)
			out.Command = CommandDisarm
		} else if m.armed(c, out) {
			m.ride(CauseNone)
		}
	case ask&AskHome != 0:
		out.Refused |= ask & AskArm
		if c.Armed || m.ending {
			out.Refused |= AskHome
			return
		}
		m.enter(Homing, CauseNone)
		m.commands = 1
		out.Setpoint = false
		out.Command = CommandHome
	case ask&AskArm != 0:
		if !m.mayArm(in) {
			out.Refused |= AskArm
			return
		}
		m.cause = CauseNone
		m.arm(c, out)
		m.arming = true
	}
}

// mayArm says whether a controller can be told to arm.
func (m *Machine) mayArm(in *Input) bool {
	c := &in.Controller
	return c.Homed && !c.Homing && !c.Armed && in.OperatorAge < operatorLate && !m.ending && m.l.Rest()
}

// arm begins to arm the controller: from where it says it is, since the first setpoint has to be there.
func (m *Machine) arm(c *Controller, out *Output) {
	for k := range m.l.acts {
		if math.Abs(m.l.q[k]-c.Position[k]) > 1e-4 {
			if !m.meet(c) {
				m.enter(Fault, CauseUnreachable)
				return
			}
			out.Setpoint = false
			break
		}
	}
	m.sent, m.commands = 0, 1
	out.Command = CommandArm
	if c.Stopped {
		out.Command = CommandReset
	}
}

// armed waits for the controller, telling it again a few times.
func (m *Machine) armed(c *Controller, out *Output) bool {
	switch {
	case c.Armed:
		return true
	case m.sent > retry && m.commands >= tries:
		m.enter(Fault, CauseArm)
		out.Command = CommandDisarm
	case m.sent > retry:
		m.sent = 0
		m.commands++
		out.Command = CommandArm
		if c.Stopped {
			out.Command = CommandReset
		}
	}
	return false
}

// ride begins to fade the demand in from the present pose.
func (m *Machine) ride(cause Cause) {
	m.enter(Riding, cause)
	m.fade(fadeIn)
}

func (m *Machine) fade(takes float64) {
	m.from, m.took, m.takes = m.l.Pose(), 0, takes
}

// blend is the share of the fade that is done, a quintic with neither slope nor curvature at its ends.
func (m *Machine) blend() float64 {
	t := min(m.took/m.takes, 1)
	return t * t * t * (10 + t*(6*t-15))
}

func (m *Machine) riding(in *Input, ask Ask, out *Output) {
	out.Setpoint = true
	out.Refused = ask & (AskHome | AskArm | AskReset)
	switch {
	case in.OperatorAge >= operatorGone:
		m.settle(goalHold, CauseOperator, false)
	case m.ending || ask&AskPark != 0:
		m.settle(goalPark, CauseAsked, true)
	case !in.Live:
		m.settle(goalWait, CauseSource, false)
	}
	if m.state != Riding {
		m.settling(in, 0, out)
		return
	}
	m.took += m.dt
	s := m.blend()
	target, level := in.Wanted, m.level()
	swings := m.swing.Apply(&target, &level, &m.l.limits)
	if m.took < m.takes {
		for a := range target {
			target[a] = m.from[a] + s*(target[a]-m.from[a])
		}
	}
	late := in.OperatorAge >= operatorLate
	switch {
	case late && !m.late:
		m.cap = m.l.Pose()
	case !late && m.late:
		m.fade(fadeIn)
		target = m.from
		s = 0
	}
	m.late = late
	if late {
		for a := range target {
			c := math.Abs(m.cap[a] - level[a])
			if target[a] == target[a] {
				target[a] = level[a] + min(max(target[a]-level[a], -c), c)
				m.cap[a] = target[a]
			}
		}
	}
	out.Fade = s
	_, out.Held = m.l.Step(target)
	if swings {
		out.Held |= HeldSwing
	}
}

// settle begins to fade to level.
func (m *Machine) settle(g goal, cause Cause, reduced bool) {
	m.enter(Settling, cause)
	m.goal = g
	m.fade(m.time(reduced))
}

// time is how long a quintic to level takes inside half the limits, or at reduced speed: its largest slope is 1.875 a
// unit of time, curvature 5.774, third derivative 60.
func (m *Machine) time(reduced bool) float64 {
	p, level := m.l.Pose(), m.level()
	t := settleLeast
	for a := range p {
		d := math.Abs(p[a] - level[a])
		if d == 0 {
			continue
		}
		v, acc, j := m.l.limits.Speed[a]/2, m.l.limits.Acceleration[a]/2, m.l.limits.Jerk[a]/2
		if reduced {
			slow, slowRate := reducedShift, reducedShiftRate
			if pose.Axis(a) >= pose.Roll {
				slow, slowRate = reducedTurn, reducedTurnRate
			}
			v, acc = min(v, slow), min(acc, slowRate)
		}
		t = max(t, 1.875*d/v, math.Sqrt(5.774*d/acc), math.Cbrt(60*d/j))
	}
	return t
}

func (m *Machine) settling(in *Input, ask Ask, out *Output) {
	out.Setpoint = true
	out.Refused |= ask & (AskHome | AskArm | AskReset)
	if m.goal == goalWait {
		switch {
		case in.OperatorAge >= operatorGone:
			m.goal, m.cause = goalHold, CauseOperator
		case m.ending || ask&AskPark != 0:
			m.goal, m.cause = goalPark, CauseAsked
		case in.Live && in.OperatorAge < operatorLate:
			m.ride(CauseNone)
			m.riding(in, 0, out)
			return
		}
	} else if m.goal == goalPark && !m.ending && in.OperatorAge >= operatorGone {
		m.enter(Stopping, CauseOperator)
		m.l.Brake()
		return
	}
	m.took += m.dt
	s := m.blend()
	level := m.level()
	target := level
	if m.took < m.takes {
		for a := range target {
			target[a] = m.from[a] + s*(level[a]-m.from[a])
		}
	}
	out.Fade = 1 - s
	_, out.Held = m.l.Step(target)
	if m.took < m.takes || !m.l.Rest() || !m.isLevel() {
		return
	}
	switch {
	case m.goal == goalHold:
		m.enter(Holding, m.cause)
	case m.goal == goalPark, m.clock >= parkAfter:
		m.enter(Parked, m.cause)
	}
}

func (m *Machine) holding(in *Input, ask Ask, out *Output) {
	c := &in.Controller
	out.Setpoint = !c.Stopped
	out.Refused = ask & (AskHome | AskArm)
	switch {
	case m.parking:
		out.Setpoint = false
		m.park(in, out)
	case m.rising:
		out.Setpoint = true
		if in.OperatorAge >= operatorGone || m.ending {
			m.enter(Holding, m.cause)
			out.Command = CommandDisarm
		} else if m.armed(c, out) {
			m.settle(goalPark, CauseAsked, true)
		}
	case ask&AskPark != 0:
		if !m.mayArm(in) {
			out.Refused |= AskPark
			return
		}
		if c.Stopped {
			m.enter(Holding, CauseParking)
			m.parking, m.commands = true, 1
			out.Command = CommandPark
			return
		}
		out.Setpoint = true
		m.arm(c, out)
		m.rising = m.state == Holding
	case ask&AskReset != 0:
		out.Command = CommandReset
	}
}

// park waits for a controller that had latched a stop to go to level by its own law. It sends no setpoints.
func (m *Machine) park(in *Input, out *Output) {
	c := &in.Controller
	switch {
	case in.OperatorAge >= operatorGone || m.ending:
		m.enter(Holding, CauseOperator)
		out.Command = CommandStop
	case c.Ready && !c.Stopped:
		switch {
		case !m.meet(c):
			m.enter(Fault, CauseUnreachable)
		case m.isLevel():
			m.enter(Parked, CauseAsked)
		default:
			m.enter(Holding, CauseController)
		}
	case !c.Stopped:
		m.sent = 0 // under way
		if m.clock > parkLongest {
			m.enter(Fault, CausePark)
			out.Command = CommandStop
		}
	case m.sent > retry && m.commands >= tries:
		m.enter(Fault, CausePark)
		out.Command = CommandStop
	case m.sent > retry:
		m.sent = 0
		m.commands++
		out.Command = CommandPark
	}
}

func (m *Machine) fault(c *Controller, ask Ask, out *Output) {
	out.Held = HeldBrake
	if !m.l.Rest() {
		m.l.Brake()
		out.Setpoint = c.Present && c.Armed && !c.Fault && !c.Stopped
	}
	out.Refused = ask & (AskHome | AskArm | AskPark)
	if ask&AskReset != 0 {
		m.reset = true
		m.clock = 0
		if c.Present {
			out.Command = CommandReset
		}
	}
	if !m.reset {
		return
	}
	if c.Present && !c.Fault && c.Supply && m.l.Rest() {
		m.enter(Off, CauseNone)
		m.boot = c.BootID
	} else if m.clock > resetLongest {
		m.reset = false
	}
}

// disarm tells a controller that is armed and should not be, and again until it is not.
func (m *Machine) disarm(c *Controller, out *Output) {
	if !c.Present || !c.Armed || out.Command != CommandNone {
		return
	}
	switch m.state {
	case Riding, Settling, Stopping:
		return
	case Fault:
		if !m.l.Rest() {
			return
		}
	case Parked, Holding:
		if m.arming || m.rising || m.parking {
			return
		}
	}
	if m.commands == 0 || m.sent > retry {
		m.commands++
		m.sent = 0
		out.Command = CommandDisarm
	}
}

// end says when the program may go: at rest, disarmed, or where nothing can be done about that.
func (m *Machine) end(c *Controller, out *Output) {
	switch m.state {
	case Off:
		m.ended = true
	case Homing:
		m.enter(Off, CauseAsked)
		out.Command = CommandStop
	case Parked, Holding:
		m.ended = !c.Armed || m.clock > 2
	case Fault:
		m.ended = m.l.Rest()
	}
}
