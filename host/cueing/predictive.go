package cueing

import (
	"math"

	"perch/host/perception"
)

// predictive moves one axis so that what is perceived of it comes closest to what is perceived of the vehicle.
type predictive struct {
	plan                      *horizon
	solver                    solver
	gate                      gate
	head, dt                  float64
	vehicleRate, vehicleForce perception.Filter
	seatRate, seatForce       perception.Filter
	outlook                   outlook
	x, v, a, target           float64
	wait, phase               int
}

func newPredictive(rate, force perception.Channel, head float64, travel, speed, acceleration, jerk, dt float64, phase int) (*predictive, error) {
	h, err := newHorizon(rate, force, head, travel, speed, acceleration, jerk, dt)
	if err != nil {
		return nil, err
	}
	p := &predictive{
		plan: h, solver: newSolver(h), head: head, dt: dt,
		gate:        newGate(travel, speed, acceleration, jerk, dt),
		vehicleRate: perception.NewFilter(rate, dt), vehicleForce: perception.NewFilter(force, dt), seatRate: perception.NewFilter(rate, dt), seatForce: perception.NewFilter(force, dt),
		outlook: newOutlook(dt),
		phase:   phase % h.ticks,
	}
	p.reset()
	return p, nil
}

func (p *predictive) reset() {
	for _, f := range [...]*perception.Filter{&p.vehicleRate, &p.vehicleForce, &p.seatRate, &p.seatForce} {
		f.Remember([2]float64{})
	}
	p.solver.reset()
	p.x, p.v, p.a, p.target = 0, 0, 0, 0
	p.outlook.reset()
	p.wait = p.phase
}

// settle takes up a vehicle whose past is not known: its force is taken to have lasted, its rate to begin.
func (p *predictive) settle(in [sights]float64, countForce float64) {
	p.vehicleRate.Remember([2]float64{})
	p.vehicleForce.Settle(countForce * in[ofForce])
	p.outlook.restart(in)
}

// step takes the vehicle's rate, force and lean and how much of rate and force counts, and gives the seat's angle.
func (p *predictive) step(in [sights]float64, countRate, countForce float64) float64 {
	p.outlook.see(in)
	rate, force := countRate*in[ofRate], countForce*in[ofForce]
	if p.wait == 0 {
		p.wait = p.plan.ticks
		turned, lasting := p.seatRate.Memory(), p.seatForce.Memory()
		turns, lasts := p.vehicleRate.Memory(), p.vehicleForce.Memory()
		from := beginning{
			angle: p.x, speed: p.v, acceleration: p.a,
			canal: turned[0] - turns[0], canal + 1: turned[1] - turns[1],
			otolith: lasting[0] - lasts[0], otolith + 1: lasting[1] - lasts[1],
			forces: force, rates: rate,
		}
		for k := range nodes {
			f, r := p.outlook.at(k)
			from[forces+1+k], from[rates+1+k] = countForce*f, countRate*r
		}
		p.target = p.solver.solve(p.plan, &from, sweeps)
	}
	p.a = p.gate.next(p.x, p.v, p.a, (p.target-p.a)/float64(p.wait))
	p.wait--
	p.v += p.a * p.dt
	p.x += p.v * p.dt
	if rate == 0 && force == 0 {
		p.rest()
	}
	p.vehicleRate.Step(rate)
	p.vehicleForce.Step(force)
	p.seatRate.Step(p.v)
	p.seatForce.Step(perception.Gravity*p.x - p.head*p.a)
	return p.x
}

// rest ends what is too small to matter, so that a seat comes home and nothing lingers among the subnormal numbers.
func (p *predictive) rest() {
	if math.Abs(p.x) < 1e-9 && math.Abs(p.v) < 1e-9 && math.Abs(p.a) < 1e-7 {
		p.x, p.v, p.a = 0, 0, 0
	}
	for _, f := range [...]*perception.Filter{&p.vehicleRate, &p.vehicleForce, &p.seatRate, &p.seatForce} {
		if z := f.Memory(); math.Abs(z[0]) < 1e-9 && math.Abs(z[1]) < 1e-9 {
			f.Remember([2]float64{})
		}
	}
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
		x, v, a = -x, -v, -a
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
