package demo

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/axes"
	"perch/sdk/units"
	"perch/sdk/vehicle"
)

// Period is the length of the flight, after which it begins again at the start of the runway.
const Period = 180 * time.Second

const (
	step     = 0.001 // s
	periodMS = int64(Period / time.Millisecond)

	// The parts of the flight begin at these times, s.
	startRoll  = 3.0
	startRight = 42.0
	startLeft  = 62.0
	startLevel = 82.0
	startLoop  = 90.0
	startRough = 105.0
	startDown  = 118.0

	cruiseHeight = 120.0 // m
	cruiseSpeed  = 45.0  // m/s
	loopRadius   = 80.0  // m
	loopRamp     = 1.5   // s in which the pull of the loop comes and goes

	commandFrequency = 1.5                 // rad/s: how fast the pilot's hand is
	liftFrequency    = 6.0                 // rad/s: of the motion along body z
	gearFrequency    = 2 * math.Pi * 1.6   // rad/s: of the undercarriage's springs
	gearDamping      = 0.4                 // of the critical
	rotateSpeed      = 30.0                // m/s
	rotatePitch      = 7.0 * units.Degree  // demanded
	liftOffPitch     = 5.5 * units.Degree  // reached
	landingAngle     = 4.0 * units.Degree  // of attack, near the ground
	rightBank        = 30.0 * units.Degree // rad
	leftBank         = -45.0 * units.Degree
)

// Flight is a light aeroplane that flies one scenario over and over from an airstrip: roll, take-off, climb, a turn to
// the right and a steeper one to the left, a loop, rough air, approach, landing, roll out. It is a pure function of its
// seed and of time: it reads no clock.
//
// What it gives agrees with itself. Each step chooses the rates of yaw, pitch and roll and the acceleration in body
// axes; angular velocity follows from the former (ISO 1151-1), specific force is dv/dt + ω×v - Rᵀg, and attitude and
// position are their integrals. The air is still; gusts shake the aeroplane, they do not carry it.
type Flight struct {
	air [4][7]wave // gusts: sideways, vertical, roll, pitch
	now int64      // ms since the very beginning
	lap int64

	flying bool
	landed float64 // s into this lap, 0: not yet

	// The motion: body velocity u, v, w with its rates; Euler angles with theirs; position.
	u, v, w             float64
	du, dv, dw          float64
	yaw, pitch, roll    float64
	dyaw, dpitch, droll float64
	position            r3.Vec
	along               float64 // m of runway behind

	// What the next step does with rates.
	ddu, ddw, ddpitch, ddroll float64

	velocity     r3.Vec // earth
	rates, force r3.Vec // body
}

// wave is one part of a gust: amplitude·sin(frequency·t + phase).
type wave struct{ amplitude, frequency, phase float64 }

// NewFlight is the aeroplane at rest at time 0. Another seed gives another rough air.
func NewFlight(seed uint64) *Flight {
	f := &Flight{}
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range f.air {
		hz := 0.3
		for j := range f.air[i] {
			f.air[i][j] = wave{
				amplitude: 0.5 / (1 + hz*hz), // m/s: the faster, the weaker
				frequency: 2 * math.Pi * hz * (0.85 + 0.3*r.Float64()),
				phase:     2 * math.Pi * r.Float64(),
			}
			hz *= 1.5
		}
	}
	f.begin(0)
	return f
}

func (f *Flight) begin(lap int64) {
	*f = Flight{air: f.air, lap: lap, now: lap * periodMS, yaw: math.Pi / 3}
	f.choose()
}

// At brings the flight to a time, rounded down to whole milliseconds, and gives its state, whose source time is that
// of the step that was reached. A time before the last one begins anew. Discontinuity is set where this call has put
// the aeroplane back to the start of the runway.
func (f *Flight) At(t time.Duration, s *vehicle.State) {
	to := max(t.Milliseconds(), 0)
	lap := to / periodMS
	again := lap != f.lap || to < f.now
	if again {
		f.begin(lap)
	}
	for f.now < to {
		f.advance()
	}
	f.state(s)
	s.Discontinuity = again
}

func (f *Flight) state(s *vehicle.State) {
	*s = vehicle.State{SourceTime: f.now * int64(time.Millisecond), Name: "Dapple Two", Class: "aeroplane"}
	body := r3.Vec{X: f.u, Y: f.v, Z: f.w}
	s.PutVec(vehicle.PositionN, f.position)
	s.PutVec(vehicle.VelocityX, body)
	s.PutAttitude(axes.FromEuler(f.yaw, f.pitch, f.roll))
	s.PutVec(vehicle.AngularVelocityP, f.rates)
	s.PutVec(vehicle.SpecificForceX, f.force)
	s.Put(vehicle.Airspeed, r3.Norm(body))
	s.Put(vehicle.OnGround, 1)
	if f.flying {
		s.Put(vehicle.OnGround, 0)
	}
	s.Put(vehicle.EngineRPM, 900+1300*min(max(f.du/3, 0)+f.u/80, 1))
}

// advance is one step: what was chosen is integrated, then chosen anew for the moment that was reached.
func (f *Flight) advance() {
	f.u += step * (f.du + step/2*f.ddu)
	f.w += step * f.dw
	f.yaw += step * f.dyaw
	f.pitch += step * (f.dpitch + step/2*f.ddpitch)
	f.roll += step * (f.droll + step/2*f.ddroll)
	f.du += step * f.ddu
	f.dw += step * f.ddw
	f.dpitch += step * f.ddpitch
	f.droll += step * f.ddroll
	f.along += step * f.u
	f.now++
	before := f.velocity
	f.choose()
	f.position = r3.Add(f.position, r3.Scale(step/2, r3.Add(before, f.velocity)))
}

// choose flies the aeroplane: it sets what happens at this moment.
func (f *Flight) choose() {
	t := float64(f.now-f.lap*periodMS) * step
	height := -f.position.Z
	looping := t >= startLoop && t < startLoop+loopTime()
	switch {
	case !f.flying && f.landed == 0 && f.pitch >= liftOffPitch:
		f.flying = true
	case f.flying && t > startDown && height <= 0:
		f.flying, f.landed = false, t
	}
	rough, roughRate := window(t, startRough, startDown-1, 2)

	f.chooseSpeed(t)
	f.chooseAngles(t, height, rough, looping)
	gust, gustRate := f.gust(0, t)
	f.v, f.dv = rough*gust, rough*gustRate+roughRate*gust

	f.rates = axes.BodyRates(f.dyaw, f.dpitch, f.droll, f.pitch, f.roll)
	attitude := axes.FromEuler(f.yaw, f.pitch, f.roll)
	body := r3.Vec{X: f.u, Y: f.v, Z: f.w}
	f.velocity = axes.ToEarth(attitude, body)
	if f.flying {
		gust, _ := f.gust(1, t)
		target := f.u*f.attack(t, height) + rough*gust
		f.ddw = liftFrequency * (liftFrequency*(target-f.w) - 2*f.dw)
	} else {
		// The springs of the undercarriage set the vertical acceleration, and that the one along body z.
		bump, slope := runway(f.along)
		wanted := -gearFrequency * (gearFrequency*(f.position.Z+bump) + 2*gearDamping*(f.velocity.Z+slope*f.u))
		others := axes.ToEarth(attitude, r3.Add(r3.Vec{X: f.du, Y: f.dv}, r3.Cross(f.rates, body)))
		f.dw, f.ddw = (wanted-others.Z)/axes.ToEarth(attitude, r3.Vec{Z: 1}).Z, 0
	}
	acceleration := r3.Add(r3.Vec{X: f.du, Y: f.dv, Z: f.dw}, r3.Cross(f.rates, body))
	f.force = axes.KinematicToSpecificForce(acceleration, attitude)
}

func (f *Flight) chooseSpeed(t float64) {
	target, least, most := 0.0, -2.5, 3.0
	switch {
	case f.landed != 0 && t > f.landed+2:
		if f.u < 0.002 {
			f.u, f.du, f.ddu = 0, 0, 0
			return
		}
	case f.landed != 0:
		target = f.u
	case t < startRoll:
	case t < startRight:
		target = 37
	case t < startDown:
		target, least, most = cruiseSpeed, -1.5, 1.5
	default:
		target, least, most = 33, -1.2, 1
	}
	wanted := min(max(0.8*(target-f.u), least), most)
	f.ddu = (wanted - f.du) / 0.4
}

// chooseAngles sets the rate of yaw and the accelerations of pitch and roll.
func (f *Flight) chooseAngles(t, height, rough float64, looping bool) {
	pitch, roll := 0.0, 0.0
	switch {
	case f.flying:
		pitch = f.climb(t, height) + f.attack(t, height)
		pitchGust, _ := f.gust(3, t)
		rollGust, _ := f.gust(2, t)
		pitch += 0.04 * rough * pitchGust
		roll += 0.12 * rough * rollGust
		switch {
		case t >= startRight && t < startLeft:
			roll = rightBank
		case t >= startLeft && t < startLevel:
			roll = leftBank
		}
	case f.landed == 0 && f.u > rotateSpeed:
		pitch = rotatePitch
	}
	f.ddpitch = commandFrequency * (commandFrequency*(pitch-f.pitch) - 2*f.dpitch)
	f.ddroll = commandFrequency * (commandFrequency*(roll-f.roll) - 2*f.droll)
	f.dyaw = 0
	switch {
	case looping:
		_, up := window(t, startLoop, startLoop+loopTime(), loopRamp)
		f.ddpitch = cruiseSpeed / loopRadius * up
	case f.pitch > math.Pi: // over the top and round
		f.pitch -= 2 * math.Pi
		f.ddpitch = commandFrequency * (commandFrequency*(pitch-f.pitch) - 2*f.dpitch)
	case f.flying:
		// The turn in which nobody is pushed to the side: f_y = 0 solved for the rate of yaw.
		sp, cp := math.Sincos(f.pitch)
		sr, cr := math.Sincos(f.roll)
		f.dyaw = (axes.Gravity*sr*cp + f.dpitch*sr*f.u + f.droll*f.w) / (cp*cr*f.u + sp*f.w)
	}
}

// loopTime is how long the loop takes, s: the ramps count half, the whole is one turn at speed over radius.
func loopTime() float64 { return 2*math.Pi*loopRadius/cruiseSpeed + loopRamp }

// climb is the wanted angle of climb, rad.
func (f *Flight) climb(t, height float64) float64 {
	var rate float64 // m/s up
	switch {
	case t < startLevel+3, t > startRough && t < startDown:
		rate = 0.25 * (cruiseHeight - height)
	case t >= startDown: // 4 m/s down, and near the ground ever more slowly: the flare
		rate = -min(4, 0.5+0.28*max(height, 0))
	}
	return min(max(rate/f.u, -8*units.Degree), 8*units.Degree)
}

// attack is the wanted angle of attack, rad: some near the ground, none higher up.
func (f *Flight) attack(t, height float64) float64 {
	if t > startRight && t < startDown {
		return 0
	}
	s, _ := ramp(height / 40)
	return landingAngle * (1 - s)
}

// gust is a gust's velocity in m/s and its rate.
func (f *Flight) gust(axis int, t float64) (g, rate float64) {
	for _, w := range f.air[axis] {
		s, c := math.Sincos(w.frequency*t + w.phase)
		g += w.amplitude * s
		rate += w.amplitude * w.frequency * c
	}
	return g, rate
}

// runway is the height of the runway's surface in m and its slope, after so many m. It begins level.
func runway(along float64) (height, slope float64) {
	s, rise := ramp(along / 20)
	for _, w := range [...]struct{ amplitude, length float64 }{{0.015, 23}, {0.008, 9.7}, {0.004, 4.3}} {
		sin, cos := math.Sincos(2 * math.Pi * along / w.length)
		height += w.amplitude * sin
		slope += w.amplitude * 2 * math.Pi / w.length * cos
	}
	return s * height, s*slope + rise/20*height
}

// ramp rises smoothly from 0 to 1 while x does; with its rate by x.
func ramp(x float64) (y, rate float64) {
	x = min(max(x, 0), 1)
	return x * x * (3 - 2*x), 6 * x * (1 - x)
}

// window is 1 between two times and 0 outside, with smooth ramps within them; with its rate by time.
func window(t, from, to, within float64) (y, rate float64) {
	if 2*t < from+to {
		y, rate = ramp((t - from) / within)
		return y, rate / within
	}
	y, rate = ramp((to - t) / within)
	return y, -rate / within
}
