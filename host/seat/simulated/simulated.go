// Package simulated is a seat controller without a seat: the protocol of proto/seatlink, its states, its watchdog,
// its own limits and brake, and motors that follow with a lag.
//
// A Controller has virtual time: Step moves it on, Feed and Output carry bytes, nothing else happens. Serve runs one
// in real time over anything that carries bytes.
package simulated

import (
	"errors"
	"fmt"
	"math"
	"time"

	"perch/proto/seatlink"
)

// Settings describes the controller. The zero value of each field means the default named beside it.
type Settings struct {
	Axes       seatlink.Axes                         // 2, rad
	Limits     [seatlink.MaxAxes]seatlink.AxisLimits // DefaultLimits
	Board      string                                // "simulated"; at most 16 bytes of ASCII
	Start      [seatlink.MaxAxes]float64             // where the axes stand at power on, rad or m
	HomingTime time.Duration                         // 0.3 s, or what the reduced speed needs if that is longer
	BootTime   time.Duration                         // none; bytes are lost meanwhile, as in a bootloader
	Seed       uint64                                // of boot ids and nonces
	Lag        time.Duration                         // 8 ms: how far the motors trail at constant speed
	NotSaying  bool                                  // HELLO does not say that it is simulated; for tests of the host
	ByHand     bool                                  // it is homed by hand, and HELLO says so
	Broken     Broken                                // nothing; for tests of what judges controllers
}

// The timing rules of the protocol.
const (
	lateFlag     = 20 * time.Millisecond
	latch        = 100 * time.Millisecond
	steadyFor    = 500 * time.Millisecond
	statusEvery  = 10 * time.Millisecond
	linkWithin   = 60 * time.Second // three losses in this time are a fault
	substep      = 250 * time.Microsecond
	shortest     = 500 * time.Microsecond // setpoint period
	longest      = 20 * time.Millisecond
	nearRadians  = 0.5 * math.Pi / 180 // first setpoint to present position
	nearMetres   = 0.002
	mostOutput   = 1 << 16
	never        = time.Duration(math.MaxInt64)
	speedExcess  = 1.001 // tolerance of the second opinion on speed
	positionSlip = 2 * seatlink.PositionQuantum
)

// DefaultLimits are wide ones: ±2.1 rad, 10 rad/s, 100 rad/s², 3000 rad/s³; or ±2 m, 2 m/s, 20 m/s², 600 m/s³.
func DefaultLimits(axes seatlink.Axes) (l [seatlink.MaxAxes]seatlink.AxisLimits) {
	one := seatlink.AxisLimits{Low: -2_100_000_000, High: 2_100_000_000, Speed: 10_000_000, ReducedSpeed: 1_000_000, Acceleration: 100_000, Jerk: 3_000_000}
	if axes.Metres {
		one = seatlink.AxisLimits{Low: -2_000_000_000, High: 2_000_000_000, Speed: 2_000_000, ReducedSpeed: 200_000, Acceleration: 20_000, Jerk: 600_000}
	}
	for i := range axes.N {
		l[i] = one
	}
	return l
}

type axis struct {
	x, v, a    float64 // commanded
	m, mv      float64 // motor
	from       float64 // of the move to the park position
	tx, tv, ta float64 // the newest setpoint
	low, high  float64
	park       float64
	speed      float64
	reduced    float64
	accel      float64
	jerk       float64
}

// Controller is one controller. It is not for several goroutines at once.
type Controller struct {
	settings Settings
	own      [seatlink.MaxAxes]seatlink.AxisLimits
	inForce  [seatlink.MaxAxes]seatlink.AxisLimits
	hash     uint32
	axes     [seatlink.MaxAxes]axis
	n        int
	random   uint64

	now        time.Duration
	bootUntil  time.Duration
	state      seatlink.State
	reported   seatlink.State
	faults     seatlink.Faults
	causes     seatlink.Faults
	homed      bool
	free       bool // the motors have had no power since the position was last known
	reducedOn  bool
	bootID     uint32
	nonce      uint32
	resetCause seatlink.ResetCause

	period     time.Duration
	accepted   time.Duration // when the newest setpoint was; never before the first
	steady     time.Duration // since when setpoints have come without a gap
	sequence   uint16
	byItself   bool          // braking or catching up
	credit     float64       // time that the next step may use, s
	nextOwn    time.Duration // next tick of its own law
	moveStart  time.Duration
	moveFor    time.Duration
	afterRest  seatlink.State
	losses     [3]time.Duration
	nextStatus time.Duration

	decoder seatlink.Decoder
	encoder seatlink.Encoder
	out     []byte
	frame   seatlink.Frame

	heard, late, refused, bad uint16

	setpoint seatlink.Setpoint
	status   seatlink.Status
	hello    seatlink.Hello
	answer   seatlink.Answer
	limits   seatlink.Limits

	// Only where it is Broken.
	partial   []byte // a frame under way
	begun     time.Duration
	gapped    bool // it has braked by itself since it followed last
	afterLoss bool
	creepTill time.Duration
	restarted bool
}

// New gives a controller that has just been switched on. Its HELLO is in Output already, unless it takes BootTime.
func New(s Settings) (*Controller, error) {
	if s.Axes.N == 0 {
		s.Axes.N = 2
	}
	if s.Axes.N < 0 || s.Axes.N > seatlink.MaxAxes {
		return nil, fmt.Errorf("simulated controller: %d axes; give 1 to %d", s.Axes.N, seatlink.MaxAxes)
	}
	if len(s.Board) > 16 {
		return nil, fmt.Errorf("simulated controller: board id %q is longer than 16 bytes", s.Board)
	}
	if s.Board == "" {
		s.Board = "simulated"
	}
	if s.HomingTime == 0 {
		s.HomingTime = 300 * time.Millisecond
	}
	if s.Lag == 0 {
		s.Lag = 8 * time.Millisecond
	}
	if s.HomingTime < 0 || s.BootTime < 0 || s.Lag < 0 {
		return nil, errors.New("simulated controller: a time is negative")
	}
	usual := DefaultLimits(s.Axes)
	for i := range s.Axes.N {
		if s.Limits[i] == (seatlink.AxisLimits{}) {
			s.Limits[i] = usual[i]
		}
		if !s.Limits[i].Valid() {
			return nil, fmt.Errorf("simulated controller: limits of axis %d contradict each other: %+v", i, s.Limits[i])
		}
	}
	c := &Controller{settings: s, own: s.Limits, n: s.Axes.N, random: s.Seed}
	for i := range c.n {
		c.axes[i].m = s.Start[i]
	}
	c.boot(seatlink.ResetPower)
	return c, nil
}

// draw is splitmix64 (Steele, Lea & Flood, OOPSLA 2014): boot ids and nonces need to differ, not to be secret.
func (c *Controller) draw() uint32 {
	c.random += 0x9E3779B97F4A7C15
	z := c.random
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return uint32(z>>32) ^ uint32(z>>1)
}

func (c *Controller) boot(cause seatlink.ResetCause) {
	old := c.bootID
	for c.bootID == old || c.bootID == 0 {
		c.bootID = c.draw()
	}
	if c.is(NoBootID) {
		c.bootID = 0
	}
	c.nonce = c.draw()
	c.resetCause = cause
	c.inForce = c.own
	c.adopt()
	c.homed, c.reducedOn, c.byItself, c.free = false, false, false, true
	c.period = 2 * time.Millisecond
	c.accepted, c.nextOwn = never, never
	c.losses = [3]time.Duration{never, never, never}
	c.heard, c.late, c.refused, c.bad, c.sequence = 0, 0, 0, 0, 0
	c.faults = 0
	c.decoder = seatlink.Decoder{}
	c.out = c.out[:0]
	for i := range c.n {
		ax := &c.axes[i]
		ax.x, ax.v, ax.a, ax.mv = ax.m, 0, 0, 0
	}
	c.state = seatlink.StateBoot
	c.bootUntil = c.now + c.settings.BootTime
	c.advance(c.now)
}

// adopt takes the limits in force into the axes.
func (c *Controller) adopt() {
	c.hash = seatlink.Hash(c.settings.Axes, &c.inForce)
	if c.is(KeepsHash) {
		c.hash = seatlink.Hash(c.settings.Axes, &c.own)
	}
	if c.is(WrongHash) {
		c.hash ^= 0x10
	}
	for i := range c.n {
		l, ax := &c.inForce[i], &c.axes[i]
		ax.low, ax.high, ax.park = float64(l.Low)*1e-9, float64(l.High)*1e-9, float64(l.Park)*1e-9
		ax.speed, ax.reduced = float64(l.Speed)*1e-6, float64(l.ReducedSpeed)*1e-6
		ax.accel, ax.jerk = float64(l.Acceleration)*1e-3, float64(l.Jerk)*1e-3
	}
}

// Now is the time since power on.
func (c *Controller) Now() time.Duration { return c.now }

// State is the controller's state.
func (c *Controller) State() seatlink.State { return c.state }

// Faults are the latched faults.
func (c *Controller) Faults() seatlink.Faults { return c.faults }

// BootID is the id of this boot.
func (c *Controller) BootID() uint32 { return c.bootID }

// Hash is that of the limits in force.
func (c *Controller) Hash() uint32 { return c.hash }

// Commanded is what the motors are told, rad or m, and at what speed.
func (c *Controller) Commanded() (position, speed [seatlink.MaxAxes]float64) {
	for i := range c.n {
		position[i], speed[i] = c.axes[i].x, c.axes[i].v
	}
	return
}

// Motors is where the motors are, rad or m.
func (c *Controller) Motors() (position [seatlink.MaxAxes]float64) {
	for i := range c.n {
		position[i] = c.axes[i].m
	}
	return
}

// Cause makes the causes of faults present or takes them away, such as FaultSupply or FaultDriverAlarm.
func (c *Controller) Cause(f seatlink.Faults, present bool) {
	if present {
		c.causes |= f
	} else {
		c.causes &^= f
	}
	c.advance(c.now)
}

// Reboot restarts it, as its reset pin or its watchdog would: motion ends at once, the position is lost.
func (c *Controller) Reboot(cause seatlink.ResetCause) { c.boot(cause) }

// Output appends the bytes for the host and forgets them.
func (c *Controller) Output(dst []byte) []byte {
	dst = append(dst, c.out...)
	c.out = c.out[:0]
	return dst
}

func (c *Controller) send(m seatlink.Message) {
	if from := len(c.out); from < mostOutput {
		c.out = c.encoder.Append(c.out, m)
		if c.is(WrongCRCSent) {
			c.spoil(from)
		}
	}
}

func (c *Controller) sendHello() {
	c.hello = seatlink.Hello{Protocol: seatlink.Version, State: c.state, Firmware: [3]uint8{1, 0, 0}, Simulated: !c.settings.NotSaying, ByHand: c.settings.ByHand,
		ResetCause: c.resetCause, Axes: c.settings.Axes, BootID: c.bootID, Hash: c.hash, OwnHash: seatlink.Hash(c.settings.Axes, &c.own)}
	copy(c.hello.Board[:], c.settings.Board)
	c.send(&c.hello)
}

func (c *Controller) sendStatus() {
	counts := c.decoder.Counts()
	c.status = seatlink.Status{State: c.state, Faults: c.faults, BootID: c.bootID, Nonce: c.nonce, LastSequence: c.sequence, Heard: c.heard,
		CRCErrors: uint16(counts.CRC), Framing: uint16(counts.Framing) + c.bad, Late: c.late, Refused: c.refused, Hash: c.hash, Axes: c.settings.Axes}
	set := func(f seatlink.Flags, on bool) {
		if on {
			c.status.Flags |= f
		}
	}
	set(seatlink.FlagHomed, c.homed || c.is(HomedEarly) && c.state == seatlink.StateHoming)
	set(seatlink.FlagSupply, c.causes&seatlink.FaultSupply == 0)
	set(seatlink.FlagLate, c.state == seatlink.StateArmed && c.now-c.accepted > lateFlag)
	set(seatlink.FlagOwn, c.state == seatlink.StateArmed && c.byItself)
	set(seatlink.FlagReduced, c.state == seatlink.StateArmed && c.reducedOn)
	for i := range c.n {
		ax := &c.axes[i]
		c.status.Position[i] = int32(math.Round(min(max(ax.x*1e9, math.MinInt32), math.MaxInt32)))
		if ax.m <= ax.park {
			c.status.Home |= 1 << i
		}
	}
	if c.causes&seatlink.FaultDriverAlarm != 0 {
		c.status.Alarms = 1
	}
	if c.is(HeardWrong) {
		c.status.Heard = c.sequence
	}
	c.send(&c.status)
	c.nextStatus = c.now + statusEvery
	if c.is(RareStatus) {
		c.nextStatus = c.now + 5*statusEvery
	}
	c.reported = c.state
}

// Feed takes bytes from the host, at the present time.
func (c *Controller) Feed(p []byte) {
	if c.state == seatlink.StateBoot {
		return
	}
	if c.is(WrongCRCTaken | ShortBuffer | ImpatientFrames) {
		p = c.misread(p)
	}
	_, _ = c.decoder.Write(p)
	for c.decoder.Next(&c.frame) {
		c.heard = c.frame.Sequence
		c.obey(&c.frame)
	}
	if c.state != c.reported {
		c.sendStatus()
	}
}

func (c *Controller) obey(f *seatlink.Frame) {
	var result seatlink.Result
	switch f.Type {
	case seatlink.TypeSetpoint:
		if c.setpoint.Unmarshal(f.Payload) != nil {
			c.bad++
			return
		}
		c.take(f.Sequence)
		return
	case seatlink.TypeHelloRequest:
		var h seatlink.HelloRequest
		if h.Unmarshal(f.Payload) != nil {
			c.bad++
			return
		}
		if c.state != seatlink.StateArmed {
			c.accepted = never
		}
		c.sendHello()
		return
	case seatlink.TypeLimitsRead:
		var l seatlink.LimitsRead
		if l.Unmarshal(f.Payload) != nil {
			c.bad++
			return
		}
		if int(l.Axis) < c.n {
			c.limits = seatlink.Limits{Axis: l.Axis, Limits: c.inForce[l.Axis]}
			c.send(&c.limits)
			return
		}
		result = seatlink.ResultValue
	case seatlink.TypeLimitsTighten:
		if c.limits.Unmarshal(f.Payload) != nil {
			c.bad++
			return
		}
		result = c.tighten()
	case seatlink.TypeArm:
		var a seatlink.Arm
		if a.Unmarshal(f.Payload) != nil {
			c.bad++
			return
		}
		result = c.arm(&a)
	case seatlink.TypeStatusRequest, seatlink.TypeHome, seatlink.TypeDisarm, seatlink.TypeStop, seatlink.TypeReset, seatlink.TypePark:
		if len(f.Payload) != 0 && !c.is(LongPayloads) {
			c.bad++
			return
		}
		result = c.command(f.Type)
	default:
		if f.Type < 0x10 || f.Type >= 0x80 || c.is(SilentUnknown) {
			return
		}
		result = seatlink.ResultUnknown
	}
	c.answer = seatlink.Answer{Command: f.Type, Sequence: f.Sequence, Result: result}
	c.send(&c.answer)
	if f.Type == seatlink.TypeStatusRequest || f.Type == seatlink.TypeArm || f.Type == seatlink.TypeLimitsTighten {
		c.sendStatus()
	}
}

// advances says whether a setpoint's number is after that of the last one.
func (c *Controller) advances(seq uint16) bool {
	switch {
	case c.is(ObeysRepeats) && seq == c.sequence:
		return true
	case c.is(UnsignedSequence):
		return seq > c.sequence
	}
	return int16(seq-c.sequence) > 0
}

// take is a setpoint with sequence number seq. What is refused is treated as if it had not come.
func (c *Controller) take(seq uint16) {
	s := &c.setpoint
	if s.Axes != c.settings.Axes {
		c.refused++
		return
	}
	known := c.accepted != never && (c.now-c.accepted <= latch || c.state == seatlink.StateArmed && c.now-c.accepted <= c.latches())
	if known && !c.advances(seq) {
		c.refused++ // a repeat, or from before: feeds nothing
		return
	}
	for i := range c.n {
		ax := &c.axes[i]
		top := ax.speed
		if c.reducedOn && c.state == seatlink.StateArmed && !c.is(IgnoresReduced) {
			top = ax.reduced
		}
		if x := float64(s.Position[i]) * seatlink.PositionQuantum; (x < ax.low-positionSlip || x > ax.high+positionSlip) && !c.is(TakesOutside) ||
			math.Abs(float64(s.Speed[i]))*seatlink.SpeedQuantum > top*speedExcess {
			c.refused++
			return
		}
	}
	if !known {
		c.steady = c.now
	}
	before := c.accepted
	c.accepted, c.sequence = c.now, seq
	for i := range c.n {
		ax := &c.axes[i]
		ax.tx = min(max(float64(s.Position[i])*seatlink.PositionQuantum, ax.low), ax.high)
		ax.tv = float64(s.Speed[i]) * seatlink.SpeedQuantum
		ax.ta = min(max(float64(s.Acceleration[i])*seatlink.AccelerationQuantum, -ax.accel), ax.accel)
		if i == 0 && c.is(Mirrored) {
			ax.tx, ax.tv, ax.ta = min(max(2*ax.park-ax.tx, ax.low), ax.high), -ax.tv, -ax.ta
		}
	}
	if c.is(Unlatches) && c.afterLoss && c.state == seatlink.StateHeld {
		c.state, c.byItself, c.nextOwn = seatlink.StateArmed, true, c.now+c.period
	}
	if c.state != seatlink.StateArmed || c.byItself {
		return // if by itself, its own tick takes the setpoint up
	}
	// The host's guard has limited this; the step is checked once more, against the time that it may use: what has
	// passed and was not used, two periods at most. So a burst after a gap is not replayed as speed.
	T := c.period.Seconds()
	c.credit = min(c.credit+(c.now-before).Seconds(), 2*T)
	used := 0.0
	for i := range c.n {
		ax := &c.axes[i]
		used = max(used, (math.Abs(ax.tx-ax.x)-positionSlip)/c.top(ax))
	}
	if used > c.credit && !c.is(FollowsJumps) {
		c.byItself = true
		c.nextOwn = max(c.now, before+c.period)
		return
	}
	c.credit -= used
	for i := range c.n {
		ax := &c.axes[i]
		ax.x, ax.v, ax.a = ax.tx, ax.tv, ax.ta
	}
	c.nextOwn = c.now + 3*c.period/2
}

func (c *Controller) top(ax *axis) float64 {
	if c.reducedOn {
		return ax.reduced
	}
	return ax.speed
}

func (c *Controller) near(x, y float64) bool {
	if c.settings.Axes.Metres {
		return math.Abs(x-y) <= nearMetres
	}
	return math.Abs(x-y) <= nearRadians
}

func (c *Controller) arm(a *seatlink.Arm) seatlink.Result {
	nonce := c.nonce
	for c.nonce == nonce {
		c.nonce = c.draw() // one attempt for each nonce
	}
	period := time.Duration(a.Period) * time.Microsecond
	switch {
	case a.Nonce != nonce && !c.is(AnyNonce):
		return seatlink.ResultNonce
	case !c.homed && (c.state == seatlink.StateDisarmed || c.state == seatlink.StateReady) && !c.is(MovesUnhomed):
		return seatlink.ResultNotHomed
	case c.state != seatlink.StateReady && (c.state != seatlink.StateDisarmed || !c.is(MovesUnhomed)):
		return seatlink.ResultState
	case a.Hash != c.hash && !c.is(AnyHash):
		return seatlink.ResultHash
	case period < shortest || period > longest:
		return seatlink.ResultValue
	case (c.accepted == never || c.now-c.accepted > lateFlag || c.now-c.steady < steadyFor) && !c.is(ArmsUnsteady):
		return seatlink.ResultStale
	}
	for i := range c.n {
		ax := &c.axes[i]
		if !c.near(ax.tx, ax.x) && !c.is(ArmsFar) {
			return seatlink.ResultFar
		}
		if a.Reduced && !c.is(IgnoresReduced) && math.Abs(ax.tv) > ax.reduced*speedExcess {
			return seatlink.ResultFar
		}
	}
	c.state, c.reducedOn, c.period, c.afterLoss, c.gapped = seatlink.StateArmed, a.Reduced, period, false, false
	c.byItself, c.nextOwn = true, c.now+period // walks to the setpoint before it follows
	return seatlink.ResultOK
}

func (c *Controller) tighten() seatlink.Result {
	i := int(c.limits.Axis)
	if i >= c.n {
		return seatlink.ResultValue
	}
	switch c.state {
	case seatlink.StateDisarmed, seatlink.StateReady, seatlink.StateHeld:
	default:
		return seatlink.ResultState
	}
	l := c.limits.Limits
	x := c.axes[i].x * 1e9
	if c.is(WidensLimits) && l.Valid() {
		c.inForce[i] = l
		c.adopt()
		return seatlink.ResultOK
	}
	if !l.Valid() || !l.Within(&c.inForce[i]) || (c.homed && (x < float64(l.Low)-2 || x > float64(l.High)+2)) {
		return seatlink.ResultValue
	}
	c.inForce[i] = l
	c.adopt()
	return seatlink.ResultOK
}

func (c *Controller) command(t seatlink.Type) seatlink.Result {
	switch t {
	case seatlink.TypeHome:
		switch c.state {
		case seatlink.StateDisarmed, seatlink.StateReady, seatlink.StateHeld:
		case seatlink.StateHoming:
			return seatlink.ResultOK
		default:
			if c.state != seatlink.StateArmed || !c.is(HomesArmed) {
				return seatlink.ResultState
			}
		}
		if c.settings.ByHand && c.state == seatlink.StateDisarmed && !c.free {
			return seatlink.ResultState // nobody can have levelled it: the drivers have held it all the time
		}
		c.homed, c.free = false, false
		c.state = seatlink.StateHoming
		c.startMove(c.settings.HomingTime)
	case seatlink.TypePark:
		switch c.state {
		case seatlink.StateHeld:
			c.state = seatlink.StateParking
			c.startMove(0)
		case seatlink.StateReady, seatlink.StateParking:
		default:
			return seatlink.ResultState
		}
	case seatlink.TypeReset:
		switch c.state {
		case seatlink.StateFault, seatlink.StateSupplyOff:
			if c.causes != 0 {
				return seatlink.ResultCause
			}
			if !c.atRest() {
				return seatlink.ResultState
			}
			c.faults, c.homed, c.state = 0, c.is(ResetKeepsHomed), seatlink.StateDisarmed
			c.losses = [3]time.Duration{never, never, never}
		default:
			return seatlink.ResultState
		}
	case seatlink.TypeStop:
		if !c.is(IgnoresStop) {
			c.halt(seatlink.StateHeld)
		}
	case seatlink.TypeDisarm:
		if !c.is(IgnoresDisarm) {
			c.halt(seatlink.StateReady)
		}
	}
	return seatlink.ResultOK
}

// halt brakes from whatever moves. after is StateHeld, or StateReady for ready if it comes to rest in the park position.
func (c *Controller) halt(after seatlink.State) {
	switch c.state {
	case seatlink.StateArmed, seatlink.StateParking:
		c.afterRest = after
	case seatlink.StateHoming:
		c.afterRest = seatlink.StateDisarmed
	case seatlink.StateStopping:
		if after == seatlink.StateHeld && c.afterRest == seatlink.StateReady {
			c.afterRest = seatlink.StateHeld
		}
		return
	default:
		return
	}
	c.state = seatlink.StateStopping
	c.brakeFrom()
}

// brakeFrom starts the own law, no earlier than a tick after the last motion that was told.
func (c *Controller) brakeFrom() {
	switch {
	case c.nextOwn == never:
		c.nextOwn = c.now
	case !c.byItself:
		c.nextOwn = max(c.now, c.accepted+c.period)
	}
	c.byItself = true
}

func (c *Controller) startMove(least time.Duration) {
	longest := least.Seconds()
	for i := range c.n {
		ax := &c.axes[i]
		if c.state == seatlink.StateHoming {
			ax.x = ax.m
		}
		ax.from = ax.x
		dist := math.Abs(ax.park - ax.from)
		// Peaks of the quintic 10τ³ - 15τ⁴ + 6τ⁵: speed 1.875/t, acceleration 5.774/t², jerk 60/t³.
		top := ax.reduced
		if c.is(ParksFast) && c.state == seatlink.StateParking {
			top = ax.speed
		}
		longest = max(longest, 1.875*dist/top, math.Sqrt(5.774*dist/ax.accel), math.Cbrt(60*dist/ax.jerk))
	}
	c.moveStart, c.moveFor = c.now, time.Duration(longest*1e9)
	c.nextOwn = never
}

func (c *Controller) atRest() bool {
	for i := range c.n {
		if c.axes[i].v != 0 || c.axes[i].a != 0 {
			return false
		}
	}
	return true
}

// brake is the acceleration of the next tick of dt seconds on the way to rest, exact in discrete time: the largest
// deceleration from which a full-jerk release ends with speed and acceleration zero together.
func brake(v, a, most, jerk, dt float64) float64 {
	d := jerk * dt
	n := math.Floor((math.Sqrt(1+8*math.Abs(v)/(dt*d)) - 1) / 2)
	u := (math.Abs(v)/dt + d*n*(n+1)/2) / (n + 1)
	b := min(max(-math.Copysign(u, v), -most), most)
	return min(max(b, a-d), a+d)
}

// brakeTick is a tick of the brake law with the axis's limits of acceleration and jerk.
func (ax *axis) brakeTick(most, jerk, dt float64) {
	b := brake(ax.v, ax.a, most, jerk, dt)
	ax.a = b
	ax.v = min(max(ax.v+b*dt, -ax.speed*speedExcess), ax.speed*speedExcess)
	if math.Abs(ax.v) < 1e-9 && math.Abs(ax.a) <= jerk*dt {
		ax.v, ax.a = 0, 0
	}
	ax.x += ax.v * dt
}

// chaseTick moves towards the newest setpoint inside speed, acceleration and travel; true when it has joined it.
func (ax *axis) chaseTick(top, dt float64) bool {
	e := ax.tx - ax.x
	if math.Abs(e) <= ax.accel*dt*dt && math.Abs(ax.tv-ax.v) <= ax.accel*dt {
		ax.x, ax.v, ax.a = ax.tx, ax.tv, ax.ta
		return true
	}
	want := ax.tv + math.Copysign(min(math.Sqrt(ax.accel*math.Abs(e)), math.Abs(e)/(2*dt)), e)
	want = min(max(want, -top), top)
	room := ax.high - ax.x
	if want < 0 {
		room = ax.x - ax.low
	}
	// From the end of this tick it can brake before the end of the travel: from no acceleration that takes v²/2A + v A/2J at the most.
	ease := ax.accel*ax.accel/(2*ax.jerk) + ax.accel*dt
	edge := 2 * ax.accel * max(room, 0)
	edge /= math.Sqrt(ease*ease+edge) + ease
	want = min(max(want, -edge), edge)
	a := min(max((want-ax.v)/dt, -ax.accel), ax.accel)
	v := ax.v + a*dt
	// Nothing here bounds jerk, so where it ends the brake begins from a deceleration that ends with the speed, or from none.
	// One that it had to take back first, at its own jerk, would carry the axis past the end, or the other way.
	if a*v < 0 {
		most := max(math.Sqrt(2*ax.jerk*math.Abs(v))-ax.jerk*dt/2, 0)
		a = min(max(a, -most), most)
	} else {
		a = 0
	}
	x := ax.x + v*dt
	if x < ax.low || x > ax.high {
		x = min(max(x, ax.low), ax.high)
		v = (x - ax.x) / dt
	}
	ax.x, ax.v, ax.a = x, v, a
	return false
}

// ownTick is one tick of the controller's own law.
func (c *Controller) ownTick() {
	T := c.period.Seconds()
	c.nextOwn += c.period
	if c.state == seatlink.StateArmed && c.now-c.accepted < 3*c.period/2 {
		joined := true
		for i := range c.n {
			if ax := &c.axes[i]; c.gapped && c.is(LeapsAfterGap) {
				ax.x, ax.v, ax.a = ax.tx, ax.tv, ax.ta
			} else if !ax.chaseTick(c.top(ax), T) {
				joined = false
			}
		}
		if joined {
			c.byItself, c.credit, c.gapped = false, 0, false
			c.nextOwn = c.accepted + 3*c.period/2
		}
		return
	}
	if c.state == seatlink.StateArmed && c.is(NoWatchdog) {
		return
	}
	if c.state == seatlink.StateArmed && !c.byItself {
		c.byItself, c.gapped = true, true
		c.late++
	}
	for i := range c.n {
		ax := &c.axes[i]
		most, jerk := ax.accel, ax.jerk
		if c.is(WeakBrake) {
			most /= 3
		}
		if c.is(HardBrake) {
			most, jerk = 5*most, 1000*jerk
		}
		ax.brakeTick(most, jerk, T)
		// Setpoints that the host's guard has passed never lead here.
		if past := max(ax.low-ax.x, ax.x-ax.high); past > 0 && !c.near(past, 0) && c.faults&seatlink.FaultOverTravel == 0 {
			c.faults |= seatlink.FaultOverTravel
			c.fail()
		}
	}
	if c.state == seatlink.StateArmed || !c.atRest() {
		return
	}
	c.nextOwn, c.byItself = never, false
	if c.state == seatlink.StateStopping {
		c.state = c.afterRest
		if c.state == seatlink.StateReady {
			for i := range c.n {
				if !c.near(c.axes[i].x, c.axes[i].park) {
					c.state = seatlink.StateHeld
				}
			}
		}
	}
}

// Step lets dt pass.
func (c *Controller) Step(dt time.Duration) {
	end := c.now + dt
	for c.now < end {
		next := min(end, c.now+substep)
		if c.nextOwn > c.now {
			next = min(next, c.nextOwn)
		}
		if c.nextStatus > c.now {
			next = min(next, c.nextStatus)
		}
		if c.state == seatlink.StateArmed && c.accepted+latch > c.now {
			next = min(next, c.accepted+latch)
		}
		c.motors((next - c.now).Seconds())
		c.advance(next)
	}
}

// advance is everything that is due at t.
func (c *Controller) advance(t time.Duration) {
	c.now = t
	if c.is(Restarts) && !c.restarted && t >= 2*time.Second {
		c.restarted = true
		c.boot(seatlink.ResetUnknown)
	}
	if c.state == seatlink.StateBoot {
		if t < c.bootUntil {
			return
		}
		c.state = seatlink.StateDisarmed
		c.sendHello()
		c.sendStatus()
	}
	if c.causes&^c.faults != 0 {
		c.faults |= c.causes
		c.fail()
	}
	switch c.state {
	case seatlink.StateArmed:
		if t-c.accepted >= c.latches() && !c.is(NoWatchdog) {
			c.lost()
		}
	case seatlink.StateReady:
		if c.is(Creeps) && t < c.creepTill {
			c.axes[0].x += 0.25e-6
		}
	case seatlink.StateHoming, seatlink.StateParking:
		c.move()
	}
	if c.nextOwn <= t {
		switch c.state {
		case seatlink.StateArmed, seatlink.StateStopping, seatlink.StateFault:
			c.ownTick()
		default:
			c.nextOwn = never
		}
	}
	if c.state != c.reported || t >= c.nextStatus {
		c.sendStatus()
	}
}

// lost latches the loss of the link.
func (c *Controller) lost() {
	c.losses = [3]time.Duration{c.losses[1], c.losses[2], c.now}
	if first := c.losses[0]; first != never && c.now-first <= linkWithin && !c.is(ForgetsLosses) {
		c.faults |= seatlink.FaultLink
		c.fail()
		return
	}
	c.afterLoss = true
	c.halt(seatlink.StateHeld)
}

// fail stops every axis as far as it can be controlled, and loses the position.
func (c *Controller) fail() {
	c.homed = false
	if c.state == seatlink.StateHoming || c.state == seatlink.StateParking || c.state == seatlink.StateArmed || c.state == seatlink.StateStopping {
		c.brakeFrom()
	}
	c.state = seatlink.StateFault
	if c.faults&seatlink.FaultSupply != 0 {
		c.state = seatlink.StateSupplyOff
		c.nextOwn, c.byItself, c.free = never, false, true
		for i := range c.n {
			c.axes[i].v, c.axes[i].a = 0, 0 // no torque: what the seat does is not up to the controller
		}
	}
}

// move is the way to the park position along a quintic.
func (c *Controller) move() {
	τ, tf := 1.0, c.moveFor.Seconds()
	if c.now < c.moveStart+c.moveFor {
		τ = (c.now - c.moveStart).Seconds() / tf
	}
	done := τ >= 1
	for i := range c.n {
		ax := &c.axes[i]
		Δ := ax.park - ax.from
		if done {
			ax.x, ax.v, ax.a = ax.park, 0, 0
			continue
		}
		ax.x = ax.from + Δ*τ*τ*τ*(10+τ*(6*τ-15))
		ax.v = Δ * 30 * τ * τ * (1 - τ) * (1 - τ) / tf
		ax.a = Δ * 60 * τ * (1 - τ) * (1 - 2*τ) / (tf * tf)
	}
	if done {
		c.homed, c.state, c.creepTill = true, seatlink.StateReady, c.now+200*time.Millisecond
	}
}

// motors follow what is commanded as a critically damped second-order system with caps, whose lag at constant speed
// is 2/ω; without supply they coast.
func (c *Controller) motors(dt float64) {
	w := min(2/c.settings.Lag.Seconds(), 0.5/substep.Seconds())
	for i := range c.n {
		ax := &c.axes[i]
		if c.causes&seatlink.FaultSupply != 0 || c.state == seatlink.StateBoot {
			ax.mv -= min(1, 20*dt) * ax.mv
		} else {
			acc := w*w*(ax.x-ax.m) - 2*w*ax.mv
			acc = min(max(acc, -4*ax.accel), 4*ax.accel)
			ax.mv = min(max(ax.mv+acc*dt, -1.5*ax.speed), 1.5*ax.speed)
		}
		ax.m += ax.mv * dt
	}
}
