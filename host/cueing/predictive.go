package cueing

import (
	"math"

	"perch/host/perception"
)

// sense is a channel's model of perception at work, in the difference of two motions.
type sense struct {
	b, a [3]float64
	z    [2]float64
}

func newSense(c perception.Channel, dt float64) sense {
	f := perception.NewFilter(c, dt)
	b, a := f.Coefficients()
	return sense{b: b, a: a}
}

func (s *sense) step(u float64) float64 {
	y := s.b[0]*u + s.z[0]
	s.z[0] = s.b[1]*u - s.a[1]*y + s.z[1]
	s.z[1] = s.b[2]*u - s.a[2]*y
	return y
}

func (s *sense) settle(u float64) {
	y := u * (s.b[0] + s.b[1] + s.b[2]) / (1 + s.a[1] + s.a[2])
	s.z[1] = s.b[2]*u - s.a[2]*y
	s.z[0] = s.b[1]*u - s.a[1]*y + s.z[1]
}

// predictive moves one axis so that what is perceived of it comes closest to what is perceived of the vehicle.
type predictive struct {
	plan                      *horizon
	solver                    solver
	gate                      gate
	head, dt                  float64
	vehicleRate, vehicleForce sense
	seatRate, seatForce       sense
	outlook                   outlook
	x, v, a, target           float64
	wait, phase               int
}

func newPredictive(rate, force perception.Channel, head float64, travel, speed, acceleration, jerk, dt float64, phase int) (*predictive, error) {
	h, err := newHorizon(rate, force, head, travel, speed, dt)
	if err != nil {
		return nil, err
	}
	p := &predictive{
		plan: h, solver: newSolver(h), head: head, dt: dt,
		gate:        newGate(travel, speed, acceleration, jerk, dt),
		vehicleRate: newSense(rate, dt), vehicleForce: newSense(force, dt), seatRate: newSense(rate, dt), seatForce: newSense(force, dt),
		outlook: newOutlook(dt),
		phase:   phase % h.ticks,
	}
	p.reset()
	return p, nil
}

func (p *predictive) reset() {
	for _, s := range [...]*sense{&p.vehicleRate, &p.vehicleForce, &p.seatRate, &p.seatForce} {
		s.z = [2]float64{}
	}
	p.solver.reset()
	p.x, p.v, p.a, p.target = 0, 0, 0, 0
	p.outlook.reset()
	p.wait = p.phase
}

// settle takes up a vehicle whose past is not known: its force is taken to have lasted, its rate to begin.
func (p *predictive) settle(rate, force, lean, countRate, countForce float64) {
	p.vehicleRate.z = [2]float64{}
	p.vehicleForce.settle(countForce * force)
	p.outlook.restart(rate, force, lean)
	p.wait = p.phase
}

// step takes the vehicle's rate, force and lean and how much of rate and force counts, and gives the seat's angle.
func (p *predictive) step(rate, force, lean, countRate, countForce float64) float64 {
	p.outlook.see(rate, force, lean)
	if p.wait == 0 {
		p.wait = p.plan.ticks
		from := beginning{
			angle: p.x, speed: p.v, acceleration: p.a,
			canal: p.seatRate.z[0] - p.vehicleRate.z[0], canal + 1: p.seatRate.z[1] - p.vehicleRate.z[1],
			otolith: p.seatForce.z[0] - p.vehicleForce.z[0], otolith + 1: p.seatForce.z[1] - p.vehicleForce.z[1],
			forces: countForce * force, rates: countRate * rate,
		}
		for k := range ahead {
			f, r := p.outlook.at(k)
			from[forces+1+k], from[rates+1+k] = countForce*f, countRate*r
		}
		p.target = p.solver.solve(p.plan, &from, sweeps)
	}
	p.a = p.gate.next(p.x, p.v, p.a, (p.target-p.a)/float64(p.wait))
	p.wait--
	p.v += p.a * p.dt
	p.x += p.v * p.dt
	p.vehicleRate.step(countRate * rate)
	p.vehicleForce.step(countForce * force)
	p.seatRate.step(p.v)
	p.seatForce.step(perception.Gravity*p.x - p.head*p.a)
	return p.x
}

// gate lets an acceleration through that keeps every limit, and from which the seat can stop inside its travel; where none
// does that is asked for, the nearest that does.
type gate struct {
	dt, travel, speed, a, d float64 // d: the largest change of acceleration in a tick
	jerk                    float64
}

func newGate(travel, speed, acceleration, jerk, dt float64) gate {
	// A stop has some of each limit left for what a stop in whole ticks takes more.
	g := gate{dt: dt, travel: travel * (1 - 1e-3), speed: speed * (1 - 1e-3), a: acceleration * 0.9, jerk: jerk * 0.9}
	g.d = min(g.jerk*dt, g.a)
	return g
}

// next is the acceleration of the next tick where change is asked for from a.
func (g *gate) next(x, v, a, change float64) float64 {
	stop := g.brake(v, a)
	low, high := max(a-g.d, -g.a), min(a+g.d, g.a)
	want := min(max(a+change, low), high)
	if g.ok(x, v, want) {
		return want
	}
	if !g.ok(x, v, stop) {
		return stop
	}
	good, bad := stop, want
	for range 6 {
		mid := 0.5 * (good + bad)
		if g.ok(x, v, mid) {
			good = mid
		} else {
			bad = mid
		}
	}
	return good
}

// brake is the acceleration of the next tick on the way to rest: the jerk is full until what is left is the release.
func (g *gate) brake(v, a float64) float64 {
	// The release from deceleration u covers u²/2J of speed; with whole ticks a little more.
	s := math.Abs(v)
	u := min(math.Sqrt(g.d*g.d/4+2*g.jerk*s)-g.d/2, g.a)
	u = max(0, u)
	if s < 0.25*g.d*g.dt {
		u = s / g.dt
	}
	if v > 0 {
		u = -u
	}
	return min(max(u, a-g.d), a+g.d)
}

// ok says whether with this acceleration for the next tick every limit is kept on the way to rest.
func (g *gate) ok(x, v, a float64) bool {
	v += a * g.dt
	x += v * g.dt
	if math.Abs(v) > g.speed {
		return false
	}
	j := g.jerk
	end := v + a*math.Abs(a)/(2*j)
	if math.Abs(end) > g.speed {
		return false
	}
	if end < 0 || end == 0 && v < 0 {
		x, v, a, end = -x, -v, -a, -end
	}
	// From here the stop decelerates towards positive x.
	pad := 2 * math.Abs(v) * g.dt
	if v < 0 { // it still comes from the other side
		t := (a - math.Sqrt(max(0, a*a+2*j*v))) / j
		if x+t*(v+t*(a/2-j*t/6))-pad < -g.travel {
			return false
		}
	}
	peak := math.Sqrt(max(0, (2*j*v+a*a)/2))
	hold := 0.0
	if peak > g.a {
		peak = g.a
		hold = (v + (a*a-2*peak*peak)/(2*j)) / peak
	}
	t := (a + peak) / j
	if t < 0 { // already decelerates more than a stop needs
		t = 0
	}
	x += t * (v + t*(a/2-j*t/6))
	v += t * (a - j*t/2)
	x += hold * (v - peak*hold/2)
	v -= peak * hold
	t = peak / j
	x += t * (v - t*(peak/2-j*t/6))
	return x+pad <= g.travel
}
