package sizing

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"perch/host/mechanism"
	"perch/host/pose"
)

const (
	deg = math.Pi / 180

	// torqueFactor is how much more a motor should give than is asked of it, at the speed that is asked (common practice,
	// no source).
	torqueFactor = 2
	// Watchdog is how long a controller that hears nothing may go on: the seat link's latch, s.
	Watchdog = 0.1
	// Cranks (common practice, no source): travel in use to 60 deg, metal at 75 deg at most and well before dead centre.
	crankTravel  = 60 * deg
	crankStop    = 75 * deg
	deadCentreBy = 5 * deg
	// leastTransmission is usual for cranks that push both ways (common practice, no source).
	leastTransmission = 30 * deg
)

// jacobian is a mechanism that says how its actuators move with the pose.
type jacobian interface {
	mechanism.Mechanism
	Jacobian(p pose.Pose, out *[mechanism.MaxActuators]pose.Pose) error
}

// crank is a mechanism with cranks that have a dead centre.
type crank interface {
	CrankAngles(p pose.Pose, out *mechanism.Positions) error
	TransmissionAngles(p pose.Pose, out *mechanism.Positions) error
	DeadCentre(ray pose.Pose) (pose.Pose, mechanism.Positions, bool)
}

// check is a check under way.
type check struct {
	Input
	Result
	body   body
	axes   []pose.Axis
	metres bool    // actuators are in m, else in rad
	k      float64 // rad of the motor for one rad or m of the actuator
	torque string  // unit of what an actuator gives
	worst  worst
}

// Check judges a seat. The error says what of the input is missing.
func Check(in Input) (Result, error) {
	c := check{Input: in, body: newBody(in.Load)}
	for a := range pose.Count {
		if in.Mechanism.Axes().Has(a) {
			c.axes = append(c.axes, a)
		}
	}
	actuators := in.Mechanism.Actuators()
	c.metres = actuators[0].Unit == "m"
	if err := c.missing(); err != nil {
		return Result{}, err
	}
	c.k, c.torque = in.Drive.GearRatio, "N m"
	if c.metres {
		c.k, c.torque = in.Drive.GearRatio*2*math.Pi/in.Drive.Lead, "N"
	}
	if err := c.search(); err != nil {
		return Result{}, err
	}
	c.load()
	c.motors()
	c.cranks()
	c.powerless()
	c.stops()
	return c.Result, nil
}

func (c *check) missing() error {
	var list []error
	if !c.Load.Given() {
		list = append(list, errors.New("the seat's load is not known: add [load] to the seat file, with perch commission measures"))
	}
	if !c.Drive.Given() {
		list = append(list, errors.New("the seat's drive is not known: add [drive] to the seat file, with perch commission measures"))
	} else if c.metres && !(c.Drive.Lead > 0) {
		list = append(list, errors.New("drive.lead is missing: this seat's actuators are linear; add lead, the travel for one turn of the screw, such as lead = \"5 mm\""))
	}
	if _, ok := c.Mechanism.(jacobian); !ok {
		list = append(list, errors.New("this kind of mechanism cannot be sized: it does not say how its actuators move with the seat"))
	}
	return errors.Join(list...)
}

// worst is the most that is asked of any actuator, and where.
type worst struct {
	force, still, rotor, speed, acceleration float64
	forceAt, stillAt, speedAt                pose.Pose
	forceBy, speedBy                         string // actuator
	motor                                    float64
	short                                    bool // some of the box is out of reach
	transmission                             float64
	transmissionAt                           pose.Pose
	crank                                    float64 // the furthest from level, rad
}

// search goes over the pose box.
func (c *check) search() error {
	m := c.Mechanism.(jacobian)
	steps := 9
	if len(c.axes) > 3 {
		steps = 3
	}
	c.worst.transmission = math.Pi / 2
	points := 1
	for range c.axes {
		points *= steps
	}
	for n := range points {
		var p pose.Pose
		for k, rest := 0, n; k < len(c.axes); k++ {
			a := c.axes[k]
			p[a] = c.Limits.Low[a] + (c.Limits.High[a]-c.Limits.Low[a])*float64(rest%steps)/float64(steps-1)
			rest /= steps
		}
		p = c.reachable(p)
		l, err := newLever(m, c.axes, p)
		if err != nil {
			return fmt.Errorf("sizing at %s: %w", c.place(p), err)
		}
		if err := c.at(p, l); err != nil {
			return fmt.Errorf("sizing at %s: %w: the actuators do not hold the seat there; lessen the travel", c.place(p), err)
		}
	}
	return nil
}

// reachable draws a pose in towards level, to the furthest that can be reached.
func (c *check) reachable(p pose.Pose) pose.Pose {
	var out mechanism.Positions
	if c.Mechanism.Inverse(p, &out) == nil {
		return p
	}
	c.worst.short = true
	low, high := 0.0, 1.0
	scaled := func(s float64) (q pose.Pose) {
		for a := range p {
			q[a] = p[a] * s
		}
		return q
	}
	for range 40 {
		if middle := (low + high) / 2; c.Mechanism.Inverse(scaled(middle), &out) == nil {
			low = middle
		} else {
			high = middle
		}
	}
	return scaled(low)
}

// at takes one pose into the worst, with accelerations and speeds of every combination of signs.
func (c *check) at(p pose.Pose, l *lever) error {
	w := &c.worst
	actuators := c.Mechanism.Actuators()
	hold := c.body.hold(p)
	still, err := l.forces(hold)
	if err != nil {
		return err
	}
	for i := range actuators {
		if f := math.Abs(still[i]); f > w.still {
			w.still, w.stillAt = f, p
		}
	}
	for signs := range 1 << len(c.axes) {
		var v, acceleration pose.Pose
		for k, a := range c.axes {
			s := float64(2*(signs>>k&1) - 1)
			v[a], acceleration[a] = s*c.Limits.Speed[a], s*c.Limits.Acceleration[a]
		}
		q := c.body.push(p, acceleration)
		for a := range q {
			q[a] += hold[a]
		}
		force, err := l.forces(q)
		if err != nil {
			return err
		}
		speed, quick := l.speeds(v), l.speeds(acceleration)
		for i, a := range actuators {
			f, r := math.Abs(force[i]), c.Drive.RotorInertia*c.k*math.Abs(quick[i])
			if motor := f/(c.k*c.Drive.Efficiency) + r; motor > w.motor {
				w.motor, w.force, w.rotor, w.forceAt, w.forceBy = motor, f, r, p, a.Name
			}
			if s := math.Abs(speed[i]); s > w.speed {
				w.speed, w.speedAt, w.speedBy = s, p, a.Name
			}
			w.acceleration = max(w.acceleration, math.Abs(quick[i]))
		}
	}
	if m, ok := c.Mechanism.(crank); ok {
		var angles, cranks mechanism.Positions
		if err := errors.Join(m.TransmissionAngles(p, &angles), m.CrankAngles(p, &cranks)); err != nil {
			return err
		}
		for i := range actuators {
			if angles[i] < w.transmission {
				w.transmission, w.transmissionAt = angles[i], p
			}
		}
		w.crank = max(w.crank, furthest(cranks))
	}
	return nil
}

// furthest from level that any crank is, rad.
func furthest(q mechanism.Positions) (out float64) {
	for _, v := range q {
		out = max(out, math.Abs(v))
	}
	return out
}

// place names a pose.
func (c *check) place(p pose.Pose) string {
	var list []string
	for _, a := range c.axes {
		list = append(list, fmt.Sprintf("%s %s", a, Show(p[a], a.Unit())))
	}
	return strings.Join(list, ", ")
}

// end is the pose with one axis at the end of its travel at which most holds it, the others level.
func (c *check) end(a pose.Axis) pose.Pose {
	var low, high pose.Pose
	low[a], high[a] = c.Limits.Low[a], c.Limits.High[a]
	if math.Abs(c.body.hold(low)[a]) > math.Abs(c.body.hold(high)[a]) {
		return low
	}
	return high
}

// units of an axis: of its force, and of its inertia.
func units(a pose.Axis) (force, inertia string) {
	if a.Unit() == "m" {
		return "N", "kg"
	}
	return "N m", "kg m²"
}

func (c *check) load() {
	l := c.Load
	c.add(Line{
		ID: "mass", Title: "Moving mass", Formula: "m = rider + seat",
		Working: fmt.Sprintf("%s + %s", Show(l.RiderMass, "kg"), Show(l.SeatMass, "kg")),
		Value:   l.Mass(), Unit: "kg",
		Note: fmt.Sprintf("a rider heavier than %s is refused", Show(l.RiderMass, "kg")),
	})
	moment, estimated := l.Moment()
	line := Line{ID: "inertia", Title: "Moment of inertia about the joint", Formula: "I, as measured", Working: "[load] inertia", Value: moment, Unit: "kg m²"}
	if estimated {
		line.Formula = "I = m (h² + x²) + m (H² + D²)/12"
		line.Working = fmt.Sprintf("%s × (%s² + %s²) + %s × (%s² + %s²)/12", Show(l.Mass(), "kg"), metres(l.Height), metres(l.Forward),
			Show(l.Mass(), "kg"), metres(l.blockHeight()), metres(blockDepth))
		line.Note = "estimated, as a block as high as twice the way from the centre of mass to the top of the head; usually too much; measure it by timing a swing and give [load] inertia"
	}
	c.add(line)
	for _, a := range c.axes {
		p := c.end(a)
		force, inertia := units(a)
		hold, mass := c.body.hold(p)[a], c.body.inertia(p, a)
		push := mass * c.Limits.Acceleration[a]
		if a.Unit() == "rad" && a != pose.Yaw {
			verdict, note := Given, ""
			if c.falls(a) {
				note = "it pulls the seat away from level: without power the seat falls"
			}
			c.add(Line{
				ID: "gravity." + a.String(), Title: title(a) + ": torque of gravity at the end of travel", Formula: "M_g = m g (h sin θ - x cos θ)",
				Working: fmt.Sprintf("%s × 9.80665 m/s² × (%s × sin %s - %s × cos %s)", Show(c.body.mass, "kg"), metres(l.Height), Show(math.Abs(p[a]), "rad"), metres(c.offset(a, p)), Show(math.Abs(p[a]), "rad")),
				Value:   math.Abs(hold), Unit: force, Verdict: verdict, Note: note,
			})
		}
		if a == pose.Heave {
			c.add(Line{
				ID: "gravity.heave", Title: "Heave: weight", Formula: "F_g = m g", Working: fmt.Sprintf("%s × 9.80665 m/s²", Show(c.body.mass, "kg")),
				Value: math.Abs(hold), Unit: force,
			})
		}
		c.add(Line{
			ID: "push." + a.String(), Title: title(a) + ": for the acceleration", Formula: product(a),
			Working: fmt.Sprintf("%s × %s", Show(mass, inertia), Show(c.Limits.Acceleration[a], a.Unit()+"/s²")+si(c.Limits.Acceleration[a], a)),
			Value:   push, Unit: force,
		})
		c.add(Line{
			ID: "total." + a.String(), Title: title(a) + ": both together", Formula: "M = M_g + M_i",
			Working: fmt.Sprintf("%s + %s", Show(math.Abs(hold), force), Show(push, force)),
			Value:   math.Abs(hold) + push, Unit: force,
		})
	}
}

// offset is the centre of mass forward of the joint as the formula of the axis has it, with the sign of the end.
func (c *check) offset(a pose.Axis, p pose.Pose) float64 {
	if a != pose.Pitch {
		return 0
	}
	if p[a] < 0 {
		return -c.Load.Forward
	}
	return c.Load.Forward
}

func metres(v float64) string { return number(v) + " m" }

func si(v float64, a pose.Axis) string {
	if a.Unit() == "m" {
		return ""
	}
	return fmt.Sprintf(" (%.4g rad/s²)", v)
}

func product(a pose.Axis) string {
	if a.Unit() == "m" {
		return "F_i = m a"
	}
	return "M_i = I α"
}

func title(a pose.Axis) string {
	s := a.String()
	return strings.ToUpper(s[:1]) + s[1:]
}

func (c *check) motors() {
	w, d := c.worst, c.Drive
	at := fmt.Sprintf("%s actuator at %s, all axes accelerating at once", w.forceBy, c.place(w.forceAt))
	c.add(Line{
		ID: "actuator.still", Title: "Holding still, the worst actuator", Formula: "Jᵀ τ = ∂V/∂q", Working: "at " + c.place(w.stillAt), Value: w.still, Unit: c.torque,
	})
	c.add(Line{ID: "actuator.force", Title: "Moving, the worst actuator", Formula: "Jᵀ τ = M α + ∂V/∂q", Working: at, Value: w.force, Unit: c.torque})
	ratio, ratioText := "N", number(c.k)
	if c.metres {
		ratio, ratioText = "2π N/p", number(c.k)+" rad/m"
	}
	c.add(Line{
		ID: "motor.rotor", Title: "Its own rotor", Formula: "τ_r = J_r α_actuator " + ratio,
		Working: fmt.Sprintf("%.4g kg m², at the same place", d.RotorInertia), Value: w.rotor, Unit: "N m",
	})
	line := Line{
		ID: "motor.torque", Title: "Torque of the motor", Formula: fmt.Sprintf("τ_m = τ/(%s η) + τ_r; %d τ_m at most what the motor gives", ratio, torqueFactor),
		Working: fmt.Sprintf("%s/(%s × %s) + %s; × %d = %s of %s", Show(w.force, c.torque), ratioText, number(d.Efficiency), Show(w.rotor, "N m"),
			torqueFactor, Show(torqueFactor*w.motor, "N m"), Show(d.MotorTorque, "N m")),
		Value: w.motor, Unit: "N m", Against: d.MotorTorque, Verdict: Enough, Note: fmt.Sprintf("the motor gives %.2f times what is asked", d.MotorTorque/w.motor),
	}
	if torqueFactor*w.motor > d.MotorTorque {
		line.Verdict = TooLittle
		line.Note += fmt.Sprintf("; want %d: lessen the acceleration, or take a larger gear ratio, a shorter crank or a stronger motor", torqueFactor)
	}
	c.add(line)

	unit, most := c.Mechanism.Actuators()[0].Unit, c.Mechanism.Actuators()[0]
	line = Line{
		ID: "actuator.speed", Title: "Speed of the fastest actuator", Formula: "J q̇",
		Working: fmt.Sprintf("%s actuator at %s, all axes at full speed at once", w.speedBy, c.place(w.speedAt)),
		Value:   w.speed, Unit: unit + "/s", Against: most.Speed, Verdict: Enough, Note: "the limit is " + Show(most.Speed, unit+"/s"),
	}
	if w.speed > most.Speed {
		line.Verdict = Caution
		line.Note += "; the guard slows the seat down to it where axes move together"
	}
	c.add(line)
	line = Line{
		ID: "actuator.acceleration", Title: "Acceleration of the quickest actuator", Formula: "J q̈", Working: "all axes accelerating at once",
		Value: w.acceleration, Unit: unit + "/s²", Against: most.Acceleration, Verdict: Enough, Note: "the limit is " + Show(most.Acceleration, unit+"/s²"),
	}
	if w.acceleration > most.Acceleration {
		line.Verdict = Caution
		line.Note += "; the guard takes longer where axes accelerate together"
	}
	c.add(line)

	fast := min(w.speed, most.Speed)
	turns := fast * c.k
	line = Line{
		ID: "motor.speed", Title: "Speed of the motor", Formula: "n = speed of the actuator × " + ratio,
		Working: fmt.Sprintf("%s × %s = %s of %s", Show(fast, unit+"/s"), ratioText, rpm(turns), rpm(d.MotorSpeed)),
		Value:   turns, Unit: "rad/s", Shown: rpm(turns), Against: d.MotorSpeed, Verdict: Enough,
		Note: fmt.Sprintf("the motor keeps its torque up to %.2f times that", d.MotorSpeed/turns),
	}
	if turns > d.MotorSpeed {
		line.Verdict = TooLittle
		line.Note = "above the speed up to which the motor gives its torque: lessen the speed, or take a smaller gear ratio"
	}
	c.add(line)
	rate := turns / (2 * math.Pi) * float64(d.StepsPerTurn)
	line = Line{
		ID: "motor.steps", Title: "Steps to the driver", Formula: "n/(2π) × steps for one turn",
		Working: fmt.Sprintf("%s × %d = %s of %s", rpm(turns), d.StepsPerTurn, Show(rate, "steps/s"), Show(d.TopStepRate, "steps/s")),
		Value:   rate, Unit: "steps/s", Against: d.TopStepRate, Verdict: Enough, Note: fmt.Sprintf("the controller makes %.2f times that", d.TopStepRate/rate),
	}
	if rate > d.TopStepRate {
		line.Verdict = TooLittle
		line.Note = "more than the controller can make: set the driver to fewer steps for a turn, lessen the speed, or take a smaller gear ratio"
	}
	c.add(line)
}

// cranks judges travel and dead centre.
func (c *check) cranks() {
	m, ok := c.Mechanism.(crank)
	w := c.worst
	if w.short {
		share := mechanism.Reach(c.Mechanism, c.half())
		c.add(Line{
			ID: "reach", Title: "Travel that all axes have at once", Formula: "share of the pose box", Working: "all corners, edges and faces", Value: share, Unit: "1", Verdict: Caution,
			Note: "the corners of the pose box are out of reach; the guard stops the seat before them",
		})
	}
	if !ok {
		return
	}
	line := Line{
		ID: "crank.travel", Title: "Crank away from level, in use", Formula: "|φ| at most 60 deg", Working: "over the pose box", Value: w.crank, Unit: "rad",
		Against: crankTravel, Verdict: Enough,
	}
	if w.crank > crankTravel*(1+1e-9) {
		line.Verdict, line.Note = TooLittle, "beyond it the crank has little effect and is near dead centre: lessen the travel or take a longer crank"
	}
	c.add(line)
	line = Line{
		ID: "crank.transmission", Title: "Least angle between rod and crank (transmission angle)", Formula: "at least 30 deg",
		Working: "at " + c.place(w.transmissionAt), Value: w.transmission, Unit: "rad", Against: leastTransmission, Verdict: Enough,
	}
	if w.transmission < leastTransmission {
		line.Verdict, line.Note = Caution, "the links carry far more there than their motor's torque tells"
	}
	c.add(line)
	for _, a := range c.axes {
		for _, up := range []bool{false, true} {
			c.deadCentre(m, a, up)
		}
	}
}

// half is the smaller half of each axis's travel.
func (c *check) half() (p pose.Pose) {
	for _, a := range c.axes {
		p[a] = min(-c.Limits.Low[a], c.Limits.High[a])
	}
	return p
}

// deadCentre judges one way of one axis.
func (c *check) deadCentre(m crank, a pose.Axis, up bool) {
	var ray pose.Pose
	ray[a] = -1
	way, stop := "low", c.HardStop.Low[a]
	if up {
		ray[a], way, stop = 1, "high", c.HardStop.High[a]
	}
	at, cranks, ok := m.DeadCentre(ray)
	if !ok {
		return
	}
	dead := furthest(cranks)
	line := Line{
		ID: "crank.stop." + a.String() + "." + way, Title: title(a) + " " + way + ": crank at the hard stop",
		Formula: "|φ| at most 75 deg, and 5 deg before dead centre",
		Working: fmt.Sprintf("dead centre at %s %s, crank %s", a, Show(at[a], "rad"), Show(dead, "rad")),
		Unit:    "rad", Against: min(crankStop, dead-deadCentreBy),
	}
	if !c.HardStop.Has(a) {
		line.Value, line.Verdict = dead, Caution
		line.Title = title(a) + " " + way + ": crank at dead centre"
		line.Note = "where metal ends the travel is not known: measure it and add [hard_stop." + a.String() + "]"
		c.add(line)
		return
	}
	var p pose.Pose
	p[a] = stop
	var angles mechanism.Positions
	if m.CrankAngles(p, &angles) != nil {
		line.Value, line.Verdict = dead, TooLittle
		line.Working += fmt.Sprintf("; hard stop at %s", Show(stop, "rad"))
		line.Note = "the stop is beyond dead centre: the seat could be pushed past it, and locks or folds the other way; set the stop nearer"
		c.add(line)
		return
	}
	line.Value = furthest(angles)
	line.Working += fmt.Sprintf("; hard stop at %s", Show(stop, "rad"))
	line.Verdict = Enough
	if line.Value > line.Against*(1+1e-9) {
		line.Verdict, line.Note = TooLittle, "too near dead centre, where the links' force grows without bound: set the stop nearer, or take a longer crank"
	}
	c.add(line)
}

// falls says whether gravity draws the axis away from level on at least one side.
func (c *check) falls(a pose.Axis) bool {
	if a.Unit() == "m" {
		return a == pose.Heave
	}
	for _, v := range []float64{c.Limits.Low[a], c.Limits.High[a]} {
		var p pose.Pose
		p[a] = v
		if v != 0 && c.body.hold(p)[a]*v < -1e-9 {
			return true
		}
	}
	return false
}

// powerless says what happens when the power goes.
func (c *check) powerless() {
	verdict, held := Caution, ""
	switch c.Drive.Held {
	case HeldByBrake, HeldByBalance:
		verdict, held = Enough, fmt.Sprintf("; the seat file says that a %s holds it: prove it on the seat", c.Drive.Held)
	case HeldByBuffers:
		verdict, held = Enough, "; the seat file says that buffers take it: prove it on the seat"
	default:
		held = "; nothing is said to hold it: fit a brake that a spring closes, a balance, or buffers, and say so with [drive] held_by"
	}
	for _, a := range c.axes {
		if !c.falls(a) {
			continue
		}
		p := c.end(a)
		start := math.Abs(p[a])
		stop, known := c.HardStop.High[a], c.HardStop.Has(a)
		if p[a] < 0 {
			stop = -c.HardStop.Low[a]
		}
		if !known {
			stop = start
		}
		if a == pose.Heave {
			drop := c.Limits.High[a] - c.Limits.Low[a]
			if known {
				drop = c.HardStop.High[a] - c.Limits.Low[a] // heave is down
			}
			c.add(Line{
				ID: "fall.heave", Title: "Heave: fall without power, if the screw or gear lets it", Formula: "v = √(2 g d)", Working: fmt.Sprintf("d = %s", Show(drop, "m")),
				Value: math.Sqrt(2 * gravity * drop), Unit: "m/s", Verdict: verdict, Note: fmt.Sprintf("after %.2f s%s", math.Sqrt(2*drop/gravity), held),
			})
			continue
		}
		hold, inertia := math.Abs(c.body.hold(p)[a]), c.body.inertia(p, a)
		c.add(Line{
			ID: "fall." + a.String(), Title: title(a) + ": fall without power from the end of travel", Formula: "α = M_g/I",
			Working: fmt.Sprintf("%s/%s = %.4g rad/s²", Show(hold, "N m"), Show(inertia, "kg m²"), hold/inertia),
			Value:   hold / inertia, Unit: "rad/s²", Verdict: verdict, Note: "if gear and motor let it turn back" + held,
		})
		if known && c.Load.Height > 0 && stop > start {
			growth := math.Sqrt(inertia / (c.body.mass * gravity * c.Load.Height))
			const little = 2 * deg
			for _, f := range []struct {
				id, from string
				at       float64
			}{{"end", "the end of travel", start}, {"near", "nearly level", little}} {
				if !(f.at < stop) {
					continue
				}
				speed := math.Sqrt(stop*stop-f.at*f.at) / growth
				c.add(Line{
					ID: "fall." + f.id + "." + a.String(), Title: title(a) + ": speed at the hard stop, falling from " + f.from,
					Formula: "T = √(I/(m g h)); t = T acosh(θ₂/θ₁); ω = √(θ₂² - θ₁²)/T",
					Working: fmt.Sprintf("T = %.3f s, from %s to %s in %.2f s", growth, Show(f.at, "rad"), Show(stop, "rad"), growth*math.Acosh(stop/f.at)),
					Value:   speed, Unit: "rad/s",
				})
			}
		}
		var at pose.Pose
		at[a] = math.Copysign(stop, p[a])
		drop := max(0, -c.body.height(at))
		v := c.Limits.Speed[a]
		c.add(Line{
			ID: "energy." + a.String(), Title: title(a) + ": energy that its stops and drivers must take", Formula: "E = I ω²/2 + m g (fall of the centre of mass)",
			Working: fmt.Sprintf("%s × (%s)²/2 + %s × 9.80665 m/s² × %s", Show(inertia, "kg m²"), Show(v, "rad/s"), Show(c.body.mass, "kg"), Show(drop, "m")),
			Value:   inertia*v*v/2 + c.body.mass*gravity*drop, Unit: "J",
		})
	}
}

// stops judges the way to rest against the margin before the hard stop.
func (c *check) stops() {
	for _, a := range c.axes {
		v, unit := c.Limits.Speed[a], a.Unit()
		distance, time := Stopping(v, c.Limits.Acceleration[a], c.Limits.Jerk[a])
		c.add(Line{
			ID: "stop." + a.String(), Title: title(a) + ": way to stop from full speed", Formula: "d = V (V/A + A/J)/2, or V √(V/J) where A is not reached",
			Working: fmt.Sprintf("V %s, A %s, J %s: %.3f s", Show(v, unit+"/s"), Show(c.Limits.Acceleration[a], unit+"/s²"), Show(c.Limits.Jerk[a], unit+"/s³"), time),
			Value:   distance, Unit: unit,
		})
		blind := v * Watchdog
		c.add(Line{
			ID: "watchdog." + a.String(), Title: title(a) + ": way until the controller's watchdog acts", Formula: "V × 100 ms",
			Working: fmt.Sprintf("%s × 0.1 s", Show(v, unit+"/s")), Value: blind, Unit: unit,
		})
		line := Line{
			ID: "margin." + a.String(), Title: title(a) + ": both together, against the way from limit to hard stop", Formula: "d + V × 100 ms at most the margin",
			Working: fmt.Sprintf("%s + %s", Show(distance, unit), Show(blind, unit)), Value: distance + blind, Unit: unit, Verdict: Enough,
		}
		margin := min(c.Limits.Low[a]-c.HardStop.Low[a], c.HardStop.High[a]-c.Limits.High[a])
		switch {
		case !c.HardStop.Has(a):
			line.Verdict, line.Note = Caution, "where the travel ends in metal is not known: measure it and add [hard_stop."+a.String()+"]"
		case line.Value > margin:
			line.Against, line.Verdict = margin, TooLittle
			line.Note = fmt.Sprintf("the margin is %s: lessen travel or speed in [limits.%s], or move the stop", Show(margin, unit), a)
		default:
			line.Against, line.Note = margin, "the margin is "+Show(margin, unit)
		}
		c.add(line)
	}
}
