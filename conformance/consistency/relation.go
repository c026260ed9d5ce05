package consistency

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// span is a piece of time, s.
type span struct{ from, to float64 }

// gauge is how far two sides of a relation are apart over a span, and how far noise and sampling alone may put them. A
// tolerance of 0 says that the span could not be judged.
type gauge struct {
	apart     r3.Vec
	tolerance float64
	motion    float64 // how much moved, in units of the tolerance
}

// relation is something that holds between signals, whatever the vehicle does.
type relation struct {
	id    string
	title string
	uses  []Group
	least float64 // the share of the tolerance that is the least believed
	// spans are pieces of a flight over which it can be tried; nil where signals are missing.
	spans func(f *flight) []span
	gauge func(f *flight, s span) gauge
	// assumes says that the vehicle's own acceleration, which nothing tells, is taken for noise: a change is believed by such a
	// relation alone only where it then holds nearly throughout.
	assumes bool
	// prepare fits what all spans share; nil: nothing.
	prepare func(f *flight) *flight
}

func (r *relation) about(g Group) bool {
	for _, u := range r.uses {
		if u == g {
			return true
		}
	}
	return g == Clock
}

// Tolerances are an allowance for noise, one for the interval between samples, dt, and a share of what moved. They held
// without a false alarm on recorded telemetry of 2 to 4 Hz and on simulated flights of 8 to 100 Hz.

func relations() []relation {
	return []relation{
		{id: "turning", title: "the attitude turns as the angular velocity says", uses: []Group{AngularVelocity, Attitude}, least: 0.3, spans: turningSpans, gauge: turning},
		{id: "force", title: "the velocity changes as specific force and gravity say", uses: []Group{SpecificForce, Attitude, Velocity}, least: 0.4, spans: forceSpans, gauge: forcing},
		{id: "gravity", title: "specific force holds gravity where the attitude says down is", uses: []Group{SpecificForce, Attitude}, least: 0.1, spans: gravitySpans, gauge: weighing, assumes: true},
		{id: "weight", title: "specific force, velocity and rates leave gravity", uses: []Group{SpecificForce, Velocity, AngularVelocity}, least: 0.5, spans: weightSpans, gauge: leaving},
		{id: "track", title: "the position changes as the velocity says", uses: []Group{Velocity, Position, Attitude}, least: 0.3, spans: trackSpans, gauge: tracking},
		{id: "two_velocities", title: "velocity in body and in earth axes agree", uses: []Group{Velocity, Attitude}, least: 0.5, spans: twoSpans, gauge: twoVelocities},
		{id: "air", title: "airspeed and incidence fit velocity, attitude and a steady wind", uses: []Group{Airspeed, AngleOfAttack, Sideslip, Velocity, Attitude}, least: 0.3, spans: airSpans, gauge: inAir, prepare: blown},
		{id: "rest", title: "at rest the specific force is that of gravity", uses: []Group{SpecificForce}, least: 0.6, spans: restSpans, gauge: resting, assumes: true},
	}
}

// cut makes spans of at least width s from sample times, without breaks inside.
func cut(f *flight, times []float64, width float64) []span {
	var out []span
	dt := 0.0
	if len(times) > 1 {
		dt = (times[len(times)-1] - times[0]) / float64(len(times)-1)
	}
	for i := 0; i < len(times); {
		j := i + 1
		for j < len(times) && times[j]-times[i] < width-1e-9 {
			j++
		}
		if j >= len(times) {
			break
		}
		if times[j]-times[i] <= max(1.8*width, 2.2*dt) && !f.broken(times[i], times[j]) {
			out = append(out, span{times[i], times[j]})
		}
		i = j
	}
	return out
}

func turningSpans(f *flight) []span {
	if len(f.rates.t) < 2 || len(f.attitude.t) < 2 {
		return nil
	}
	dt := max(f.attitude.dt, f.rates.dt)
	return cut(f, f.attitude.t, max(0.6, 3*dt))
}

func turning(f *flight, s span) gauge {
	da, dr := f.attitude.dt, f.rates.dt
	ga, gr := gap(da), gap(dr)
	q0, ok0 := f.turned(s.from, ga)
	q1, ok1 := f.turned(s.to, ga)
	if !ok0 || !ok1 {
		return gauge{}
	}
	turn := one
	way := 0.0
	if !through(&f.rates, s, gr, func(from, to float64, a, b r3.Vec) {
		v := r3.Scale((to-from)/2, r3.Add(a, b))
		turn = quat.Mul(turn, exp(v))
		way += length(v)
	}) {
		return gauge{}
	}
	swept := 0.0
	last := q0
	f.attitude.inside(s, func(q quat.Number) {
		swept += length(log(quat.Mul(quat.Conj(last), q)))
		last = q
	})
	swept += length(log(quat.Mul(quat.Conj(last), q1)))
	apart := log(quat.Mul(quat.Conj(quat.Mul(quat.Conj(q0), q1)), turn))
	dt := max(da, dr)
	tolerance := 0.03 + 0.25*dt + (0.12+0.3*dt)*min(way, swept)
	return gauge{apart: apart, tolerance: tolerance, motion: max(min(way, 20), min(swept, 20)) / tolerance}
}

func forceSpans(f *flight) []span {
	v := &f.over
	if len(f.force.t) < 2 || len(f.attitude.t) < 2 || len(v.t) < 2 {
		return nil
	}
	dt := max(f.attitude.dt, f.force.dt, v.dt)
	return cut(f, v.t, min(max(1, 8*dt), 4))
}

func forcing(f *flight, s span) gauge {
	v := &f.over
	dv := v.dt
	v0, ok0 := vector(v, s.from, gap(dv))
	v1, ok1 := vector(v, s.to, gap(dv))
	da, df := f.attitude.dt, f.force.dt
	if !ok0 || !ok1 {
		return gauge{}
	}
	var sum r3.Vec
	moved, fine := 0.0, true
	ga := gap(da)
	if !through(&f.force, s, gap(df), func(from, to float64, a, b r3.Vec) {
		qa, oka := f.turned(from, ga)
		qb, okb := f.turned(to, ga)
		fine = fine && oka && okb
		x := r3.Add(r3.Scale(0.5, r3.Add(rotate(qa, a), rotate(qb, b))), down)
		sum = r3.Add(sum, r3.Scale(to-from, x))
		moved += length(x) * (to - from)
	}) || !fine {
		return gauge{}
	}
	dt := max(da, df, dv)
	change := r3.Sub(v1, v0)
	speed := (length(v0) + length(v1)) / 2
	lasting := s.to - s.from
	tolerance := 1.2 + 3*dt + 0.012*min(speed, 340) + (0.15+0.6*dt)*min(moved, length(change)+4*lasting)
	return gauge{apart: r3.Sub(change, sum), tolerance: tolerance, motion: (min(length(change), 100) + min(moved, 100)) / tolerance}
}

func gravitySpans(f *flight) []span {
	if len(f.force.t) < 2 || len(f.attitude.t) < 2 || len(f.over.t) > 1 {
		return nil
	}
	return cut(f, f.force.t, max(1, 4*max(f.force.dt, f.attitude.dt)))
}

// weighing takes the vehicle's own acceleration, which nothing else here tells, as noise.
func weighing(f *flight, s span) gauge {
	ga := gap(f.attitude.dt)
	var sum r3.Vec
	fine := true
	if !through(&f.force, s, gap(f.force.dt), func(from, to float64, a, b r3.Vec) {
		qa, oka := f.turned(from, ga)
		qb, okb := f.turned(to, ga)
		fine = fine && oka && okb
		sum = r3.Add(sum, r3.Scale((to-from)/2, r3.Add(rotate(qa, a), rotate(qb, b))))
	}) || !fine {
		return gauge{}
	}
	q, _ := f.turned((s.from+s.to)/2, ga)
	_, _, z := column(q)
	mean := r3.Scale(1/(s.to-s.from), sum)
	return gauge{apart: r3.Add(mean, down), tolerance: 6, motion: math.Acos(max(-1, min(1, z))) + 0.2}
}

// column is the third column's components of a rotation: where body z points in earth axes.
func column(q quat.Number) (n, e, d float64) {
	v := rotate(q, r3.Vec{Z: 1})
	return v.X, v.Y, v.Z
}

func weightSpans(f *flight) []span {
	if len(f.attitude.t) > 1 || len(f.force.t) < 2 || len(f.body.t) < 2 || len(f.rates.t) < 2 {
		return nil
	}
	return cut(f, f.body.t, max(1, 6*max(f.body.dt, f.force.dt, f.rates.dt)))
}

// leaving needs no attitude: |v' + w x v - f| = g in body axes.
func leaving(f *flight, s span) gauge {
	gb := gap(f.body.dt)
	v0, ok0 := vector(&f.body, s.from, gb)
	v1, ok1 := vector(&f.body, s.to, gb)
	if !ok0 || !ok1 {
		return gauge{}
	}
	lasting := s.to - s.from
	gr, fine := gap(f.rates.dt), true
	var force, turn r3.Vec
	if !through(&f.force, s, gap(f.force.dt), func(from, to float64, a, b r3.Vec) {
		middle := (from + to) / 2
		w, okw := vector(&f.rates, middle, gr)
		v, okv := vector(&f.body, middle, gb)
		fine = fine && okw && okv
		force = r3.Add(force, r3.Scale((to-from)/2/lasting, r3.Add(a, b)))
		turn = r3.Add(turn, r3.Scale((to-from)/lasting, r3.Cross(w, v)))
	}) || !fine {
		return gauge{}
	}
	left := length(r3.Sub(r3.Add(r3.Scale(1/lasting, r3.Sub(v1, v0)), turn), force))
	dt := max(f.body.dt, f.force.dt, f.rates.dt)
	tolerance := 1.8 + 3*dt + 0.004*min(length(v0), 340) + (0.15+0.5*dt)*min(20, length(turn))
	return gauge{apart: r3.Vec{Z: left - gravity}, tolerance: tolerance, motion: min(20, length(turn)) / tolerance}
}

func trackSpans(f *flight) []span {
	v := &f.over
	if len(v.t) < 2 || len(f.position.t) < 2 {
		return nil
	}
	return cut(f, f.position.t, max(2, 6*max(v.dt, f.position.dt)))
}

func tracking(f *flight, s span) gauge {
	v := &f.over
	dv, dp := v.dt, f.position.dt
	p0, ok0 := vector(&f.position, s.from, gap(dp))
	p1, ok1 := vector(&f.position, s.to, gap(dp))
	if !ok0 || !ok1 {
		return gauge{}
	}
	var sum r3.Vec
	way := 0.0
	if !through(v, s, gap(dv), func(from, to float64, a, b r3.Vec) {
		x := r3.Scale((to-from)/2, r3.Add(a, b))
		sum = r3.Add(sum, x)
		way += length(x)
	}) {
		return gauge{}
	}
	change := r3.Sub(p1, p0)
	dt := max(dv, dp)
	tolerance := 1.5 + 4*dt + (0.12+0.2*dt)*min(way, length(change))
	return gauge{apart: r3.Sub(change, sum), tolerance: tolerance, motion: (min(way, 200) + min(length(change), 200)) / tolerance}
}

func twoSpans(f *flight) []span {
	if len(f.earth.t) < 2 || len(f.body.t) < 2 || len(f.attitude.t) < 2 {
		return nil
	}
	return cut(f, f.body.t, max(0.5, f.body.dt))
}

func twoVelocities(f *flight, s span) gauge {
	q, oka := f.turned(s.from, gap(f.attitude.dt))
	b, okb := vector(&f.body, s.from, gap(f.body.dt))
	e, oke := vector(&f.earth, s.from, gap(f.earth.dt))
	if !oka || !okb || !oke {
		return gauge{}
	}
	dt := max(f.attitude.dt, f.earth.dt, f.body.dt)
	size := min(length(b), length(e))
	tolerance := 0.8 + 6*dt + (0.06+0.3*dt)*size
	return gauge{apart: r3.Sub(rotate(q, b), e), tolerance: tolerance, motion: (min(length(b), 200) + min(length(e), 200)) / tolerance}
}

// inside calls back for each sample within a span, its ends aside.
func (s *series[T]) inside(x span, each func(T)) {
	for i, _ := slices.BinarySearch(s.t, x.from); i < len(s.t) && s.t[i] < x.to; i++ {
		if s.t[i] > x.from {
			each(s.v[i])
		}
	}
}

// through calls back for each piece between neighbouring samples within a span, with the values at its ends, as far as a
// straight line between samples tells them; false where a gap is wider than allowed.
func through(s *series[r3.Vec], x span, gap float64, each func(from, to float64, a, b r3.Vec)) bool {
	t := x.from
	v, ok := vector(s, t, gap)
	if !ok {
		return false
	}
	for i, _ := slices.BinarySearch(s.t, x.from); i < len(s.t) && s.t[i] < x.to; i++ {
		if s.t[i] <= t {
			continue
		}
		if s.t[i]-t > gap {
			return false
		}
		each(t, s.t[i], v, s.v[i])
		t, v = s.t[i], s.v[i]
	}
	end, ok := vector(s, x.to, gap)
	if !ok {
		return false
	}
	each(t, x.to, v, end)
	return true
}
