package consistency

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// series is one signal over time: t in s since the first state, rising.
type series[T any] struct {
	t  []float64
	v  []T
	dt float64 // s, the median interval between samples; +Inf with fewer than two
}

func (s *series[T]) add(t float64, v T) {
	s.t, s.v = append(s.t, t), append(s.v, v)
}

// close ends the adding.
func (s *series[T]) close() {
	s.dt = math.Inf(1)
	if len(s.t) < 2 {
		return
	}
	d := make([]float64, 0, len(s.t)-1)
	for i := 1; i < len(s.t); i++ {
		d = append(d, s.t[i]-s.t[i-1])
	}
	s.dt = median(d)
}

// each is the series with every value changed.
func (s series[T]) each(change func(T) T) series[T] {
	out := series[T]{t: s.t, v: make([]T, len(s.v)), dt: s.dt}
	for i, v := range s.v {
		out.v[i] = change(v)
	}
	return out
}

// only is the series within spans that rise, with what is needed to interpolate at their ends.
func (s series[T]) only(spans []span) series[T] {
	out := series[T]{dt: s.dt}
	next := 0
	for _, x := range spans {
		i, _ := slices.BinarySearch(s.t, x.from)
		j, _ := slices.BinarySearch(s.t, x.to)
		for i, j = max(i-1, next), min(j+2, len(s.t)); i < j; i++ {
			out.add(s.t[i], s.v[i])
		}
		next = max(next, j)
	}
	return out
}

// later is the series with its times moved by d seconds.
func (s series[T]) later(d float64) series[T] {
	out := series[T]{t: make([]float64, len(s.t)), v: s.v, dt: s.dt}
	for i, t := range s.t {
		out.t[i] = t + d
	}
	return out
}

// slower is the series with its times multiplied.
func (s series[T]) slower(k float64) series[T] {
	out := series[T]{t: make([]float64, len(s.t)), v: s.v, dt: k * s.dt}
	for i, t := range s.t {
		out.t[i] = t * k
	}
	return out
}

// at finds the pair of samples around t: v[i] to v[i+1], share u of the way; false where t is outside or in a gap.
func (s *series[T]) at(t, gap float64) (i int, u float64, ok bool) {
	n, found := slices.BinarySearch(s.t, t)
	if found {
		if n == len(s.t)-1 {
			return max(n-1, 0), min(float64(n), 1), n > 0
		}
		return n, 0, true
	}
	if n == 0 || n == len(s.t) {
		return 0, 0, false
	}
	i = n - 1
	width := s.t[n] - s.t[i]
	if width > gap {
		return 0, 0, false
	}
	return i, (t - s.t[i]) / width, true
}

// flight is a recording taken apart by signals. Units, axes and signs are those of the states table, as far as the
// source keeps to them.
type flight struct {
	attitude series[quat.Number]
	rates    series[r3.Vec] // angular velocity, body
	force    series[r3.Vec] // specific force, body
	earth    series[r3.Vec] // velocity, earth
	body     series[r3.Vec] // velocity, body
	position series[r3.Vec]
	airspeed series[float64]
	attack   series[float64]
	sideslip series[float64]
	ground   series[float64]
	arrival  series[float64] // of each state, s since the first
	breaks   []float64       // times of discontinuities
	wind     r3.Vec          // steady wind that fits the air data, m/s
	windy    bool            // the velocity may differ from the position's change by a constant
	length   float64         // s
	over     series[r3.Vec]  // velocity over the ground, earth, from whichever of the two the source gives
}

func newFlight(states []vehicle.State) *flight {
	f := &flight{}
	if len(states) == 0 {
		return f
	}
	start, arrived := states[0].SourceTime, states[0].ObservedAt
	last := math.Inf(-1)
	for i := range states {
		s := &states[i]
		t := float64(s.SourceTime-start) * 1e-9
		if s.Discontinuity || t < last {
			f.breaks = append(f.breaks, max(t, last))
		}
		if t < last { // another run of the source's clock: what follows is not compared with what came before
			break
		}
		if s.Condition != vehicle.Running {
			f.breaks = append(f.breaks, t)
			continue
		}
		if s.ObservedAt != 0 && arrived != 0 {
			f.arrival.add(t, float64(s.ObservedAt-arrived)*1e-9)
		}
		last = t
		if q, ok := s.Attitude(); ok && fresh(&f.attitude, t) {
			f.attitude.add(t, q)
		}
		for first, into := range map[vehicle.Signal]*series[r3.Vec]{
			vehicle.AngularVelocityP: &f.rates, vehicle.SpecificForceX: &f.force, vehicle.VelocityN: &f.earth,
			vehicle.VelocityX: &f.body, vehicle.PositionN: &f.position,
		} {
			if v, ok := s.Vec(first); ok && fresh(into, t) {
				into.add(t, v)
			}
		}
		for one, into := range map[vehicle.Signal]*series[float64]{
			vehicle.Airspeed: &f.airspeed, vehicle.AngleOfAttack: &f.attack, vehicle.Sideslip: &f.sideslip, vehicle.OnGround: &f.ground,
		} {
			if v, ok := s.Value(one); ok && fresh(into, t) {
				into.add(t, v)
			}
		}
	}
	f.length = max(last, 0)
	for _, s := range []*series[r3.Vec]{&f.rates, &f.force, &f.earth, &f.body, &f.position} {
		s.close()
	}
	for _, s := range []*series[float64]{&f.airspeed, &f.attack, &f.sideslip, &f.ground, &f.arrival} {
		s.close()
	}
	f.attitude.close()
	f.over = f.velocity()
	return f
}

// fresh says that a series has nothing at t yet: two states of one time say the same thing twice.
func fresh[T any](s *series[T], t float64) bool {
	return len(s.t) == 0 || s.t[len(s.t)-1] < t
}

// broken says whether something between two times does not continue what came before.
func (f *flight) broken(from, to float64) bool {
	i, _ := slices.BinarySearch(f.breaks, from)
	for ; i < len(f.breaks) && f.breaks[i] <= to; i++ {
		if f.breaks[i] > from {
			return true
		}
	}
	return false
}

// gap is the longest interval between samples that is interpolated over.
func gap(step float64) float64 { return 3.2*step + 0.02 }

// turned is the attitude at t.
func (f *flight) turned(t, gap float64) (quat.Number, bool) {
	i, u, ok := f.attitude.at(t, gap)
	if !ok {
		return quat.Number{}, false
	}
	a, b := f.attitude.v[i], f.attitude.v[i+1]
	return between(a, b, u), true
}

func vector(s *series[r3.Vec], t, gap float64) (r3.Vec, bool) {
	i, u, ok := s.at(t, gap)
	if !ok {
		return r3.Vec{}, false
	}
	return r3.Add(r3.Scale(1-u, s.v[i]), r3.Scale(u, s.v[i+1])), true
}

func number(s *series[float64], t, gap float64) (float64, bool) {
	i, u, ok := s.at(t, gap)
	if !ok {
		return 0, false
	}
	return (1-u)*s.v[i] + u*s.v[i+1], true
}

// velocity over the ground in earth axes, from whichever the source gives.
func (f *flight) velocity() series[r3.Vec] {
	if len(f.earth.t) > 1 || len(f.body.t) == 0 || len(f.attitude.t) == 0 {
		return f.earth
	}
	var out series[r3.Vec]
	g := gap(f.attitude.dt)
	for i, t := range f.body.t {
		if q, ok := f.turned(t, g); ok {
			out.add(t, rotate(q, f.body.v[i]))
		}
	}
	out.close()
	return out
}

// between is the rotation a share u of the way from a to b, by the shorter way: along the arc, or along the chord where
// they are so near that it makes no difference.
func between(a, b quat.Number, u float64) quat.Number {
	d := dot(a, b)
	if d < 0 {
		b, d = quat.Scale(-1, b), -d
	}
	if d > 0.995 {
		q := quat.Number{Real: a.Real + u*(b.Real-a.Real), Imag: a.Imag + u*(b.Imag-a.Imag), Jmag: a.Jmag + u*(b.Jmag-a.Jmag), Kmag: a.Kmag + u*(b.Kmag-a.Kmag)}
		return quat.Scale(1/math.Sqrt(dot(q, q)), q)
	}
	return quat.Mul(a, exp(r3.Scale(u, log(quat.Mul(quat.Conj(a), b)))))
}

// length is the length of a vector, without the care for overflow that costs the most.
func length(v r3.Vec) float64 { return math.Sqrt(v.X*v.X + v.Y*v.Y + v.Z*v.Z) }

func dot(a, b quat.Number) float64 {
	return a.Real*b.Real + a.Imag*b.Imag + a.Jmag*b.Jmag + a.Kmag*b.Kmag
}

// rotate turns a vector by a unit quaternion: v + 2w (u x v) + 2 u x (u x v).
func rotate(q quat.Number, v r3.Vec) r3.Vec {
	u := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	t := r3.Scale(2, r3.Cross(u, v))
	return r3.Add(r3.Add(v, r3.Scale(q.Real, t)), r3.Cross(u, t))
}

// log is the rotation vector of a unit quaternion, rad, no longer than pi.
func log(q quat.Number) r3.Vec {
	if q.Real < 0 {
		q = quat.Scale(-1, q)
	}
	v := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	s := length(v)
	if s < 1e-12 {
		return r3.Scale(2, v)
	}
	return r3.Scale(2*math.Atan2(s, q.Real)/s, v)
}

// exp is the unit quaternion of a rotation vector, rad.
func exp(v r3.Vec) quat.Number {
	a := length(v)
	if a < 0.02 { // the next terms are under 1e-11
		return quat.Number{Real: 1 - a*a/8, Imag: v.X * (0.5 - a*a/48), Jmag: v.Y * (0.5 - a*a/48), Kmag: v.Z * (0.5 - a*a/48)}
	}
	k := math.Sin(a/2) / a
	return quat.Number{Real: math.Cos(a / 2), Imag: k * v.X, Jmag: k * v.Y, Kmag: k * v.Z}
}

func median(x []float64) float64 { return quantile(x, 0.5) }

// quantile sorts x.
func quantile(x []float64, share float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	slices.Sort(x)
	return x[min(len(x)-1, int(share*float64(len(x))))]
}
