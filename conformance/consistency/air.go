package consistency

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// airSpans are moments at which the air data stand against velocity and attitude.
func airSpans(f *flight) []span {
	if len(f.over.t) < 2 || len(f.airspeed.t) < 2 && (len(f.attack.t) < 2 && len(f.sideslip.t) < 2 || len(f.attitude.t) < 2) {
		return nil
	}
	times := f.airspeed.t
	if len(times) < 2 {
		times = f.attack.t
	}
	if len(times) < 2 {
		times = f.sideslip.t
	}
	return cut(f, times, max(0.5, f.over.dt))
}

// inAir puts the airspeed and the incidence angles beside what the velocity relative to the air gives. x is the speed,
// y and z are incidence and sideslip times a speed of 10 m/s, so that all are m/s.
func inAir(f *flight, s span) gauge {
	v, ok := vector(&f.over, s.from, gap(f.over.dt))
	if !ok {
		return gauge{}
	}
	air := r3.Sub(v, f.wind)
	speed := length(air)
	dt := max(f.over.dt, min(f.airspeed.dt, f.attack.dt, f.sideslip.dt))
	g := gauge{tolerance: 2 + 5*dt + 0.06*min(speed, 340), motion: min(4, speed/5)}
	if given, ok := number(&f.airspeed, s.from, gap(f.airspeed.dt)); ok {
		g.apart.X = given - speed
	}
	q, ok := f.turned(s.from, gap(f.attitude.dt))
	if !ok || speed < 3 {
		return g
	}
	b := intoBody(q, air)
	if b.X < 0.7*speed { // incidence angles of a vehicle that flies sideways or hovers mean little
		_, attack := number(&f.attack, s.from, gap(f.attack.dt))
		_, sideslip := number(&f.sideslip, s.from, gap(f.sideslip.dt))
		if attack || sideslip { // and an attitude must not fit because of that
			return gauge{}
		}
		return g
	}
	if given, ok := number(&f.attack, s.from, gap(f.attack.dt)); ok {
		g.apart.Y = 10 * (given - math.Atan2(b.Z, b.X))
		g.motion += 10 * min(math.Abs(given), 1)
	}
	if given, ok := number(&f.sideslip, s.from, gap(f.sideslip.dt)); ok {
		g.apart.Z = 10 * (given - math.Asin(b.Y/speed))
		g.motion += 10 * min(math.Abs(given), 1)
	}
	return g
}

// blown is the flight with the steady horizontal wind that makes the airspeed fit best: the least of
// sum (V - |v - W|)² + n (|W| / 8 m/s)² / 10, by a few steps of Gauss and Newton.
func blown(f *flight) *flight {
	var w r3.Vec
	if len(f.airspeed.t) > 1 {
		for range 6 {
			a, b := mat.NewSymDense(2, nil), mat.NewVecDense(2, nil)
			n := 0.0
			every := max(1, len(f.airspeed.t)/400)
			for i := 0; i < len(f.airspeed.t); i += every {
				v, ok := vector(&f.over, f.airspeed.t[i], gap(f.over.dt))
				if !ok {
					continue
				}
				air := r3.Sub(v, w)
				speed := length(air)
				if speed < 1 {
					continue
				}
				n++
				miss := f.airspeed.v[i] - speed
				x, y := air.X/speed, air.Y/speed // miss grows by these with the wind
				weight := 1 / (1 + miss*miss/4)
				a.SetSym(0, 0, a.At(0, 0)+weight*x*x)
				a.SetSym(0, 1, a.At(0, 1)+weight*x*y)
				a.SetSym(1, 1, a.At(1, 1)+weight*y*y)
				b.SetVec(0, b.AtVec(0)-weight*x*miss)
				b.SetVec(1, b.AtVec(1)-weight*y*miss)
			}
			if n == 0 {
				break
			}
			const stiff = 1. / 640
			a.SetSym(0, 0, a.At(0, 0)+n*stiff)
			a.SetSym(1, 1, a.At(1, 1)+n*stiff)
			b.SetVec(0, b.AtVec(0)-n*stiff*w.X)
			b.SetVec(1, b.AtVec(1)-n*stiff*w.Y)
			var step mat.VecDense
			if step.SolveVec(a, b) != nil {
				break
			}
			w = r3.Add(w, r3.Vec{X: step.AtVec(0), Y: step.AtVec(1)})
			if l := length(w); l > 20 {
				w = r3.Scale(20/l, w)
			}
		}
	}
	g := *f
	g.wind = w
	return &g
}

// restSpans are the calmest pieces of a recording without an attitude: the third in which the specific force changes least,
// without turning where rates are given.
func restSpans(f *flight) []span {
	if len(f.force.t) < 8 || len(f.attitude.t) > 1 {
		return nil
	}
	type piece struct {
		span
		restless float64
	}
	var all []piece
	for _, s := range cut(f, f.force.t, max(1, 4*f.force.dt)) {
		first, ok := vector(&f.force, s.from, gap(f.force.dt))
		p := piece{span: s}
		f.force.inside(s, func(v r3.Vec) { p.restless = max(p.restless, length(r3.Sub(v, first))) })
		f.rates.inside(s, func(v r3.Vec) { ok = ok && length(v) < 0.3 })
		if ok {
			all = append(all, p)
		}
	}
	slices.SortStableFunc(all, func(a, b piece) int { return cmp.Compare(a.restless, b.restless) })
	var out []span
	for _, p := range all[:min(len(all), max(6, len(all)/3))] {
		out = append(out, p.span)
	}
	return out
}

// resting takes the vehicle to stand, or to fly, upright most of the time.
func resting(f *flight, s span) gauge {
	v, ok := vector(&f.force, (s.from+s.to)/2, gap(f.force.dt))
	if !ok {
		return gauge{}
	}
	// Turning and braking tilt the force and make it a little larger: its size tells most.
	return gauge{apart: r3.Vec{X: 0.3 * v.X, Y: 0.3 * v.Y, Z: math.Copysign(length(v), v.Z) + gravity}, tolerance: 3, motion: 1.1}
}
