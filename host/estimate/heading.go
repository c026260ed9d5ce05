package estimate

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	turnLeast = 0.015 // s; the shortest stretch over which an attitude is differentiated
	turnMost  = 20.0  // rad/s; more is carried on no faster
	gentle    = 0.25  // rad; an error of this size is pulled at hardest, larger ones less
)

type bearing struct {
	t    float64
	q    quat.Number
	w    r3.Vec // body rate measured at the same time
	hasW bool
}

// heading is the history of the attitude, in order of source time, and its smooth output.
type heading struct {
	ring    [kept]bearing
	head, n int
	rhythm  rhythm
	slope   r3.Vec // body rate at the newest, from the attitudes
	gaining r3.Vec // angular acceleration there, where the rates are measured, rad/s²

	started bool
	out     quat.Number
	rate    r3.Vec // of the output, body axes; it has the share by which corrections turn it
	spin    fade   // body rate without the corrections' share
}

func (k *heading) at(i int) *bearing { return &k.ring[(k.head+i)&(kept-1)] }
func (k *heading) newest() *bearing  { return k.at(k.n - 1) }

func (k *heading) clear() {
	k.head, k.n, k.started = 0, 0, false
	k.slope, k.rate, k.gaining = r3.Vec{}, r3.Vec{}, r3.Vec{}
}

func (k *heading) put(b bearing) {
	i := k.n
	for i > 0 && k.at(i-1).t > b.t {
		i--
	}
	if i > 0 && k.at(i-1).t == b.t {
		return
	}
	if i < k.n {
		if i == 0 && k.n == kept || k.at(i).t-b.t < closest || i > 0 && b.t-k.at(i-1).t < closest {
			return
		}
		if k.n == kept {
			k.head, k.n, i = (k.head+1)&(kept-1), k.n-1, i-1
		}
		for j := k.n; j > i; j-- {
			*k.at(j) = *k.at(j - 1)
		}
		k.n++
		*k.at(i) = b
		k.differentiate()
		return
	}
	if k.n > 0 {
		last := k.newest()
		k.rhythm.add(b.t - last.t)
		if k.n > 1 && last.t-k.at(k.n-2).t < finest {
			k.n--
		}
	}
	if k.n == kept {
		k.head, k.n = (k.head+1)&(kept-1), k.n-1
	}
	k.n++
	*k.newest() = b
	k.differentiate()
}

// measured adds a body rate to the attitude of the same source time.
func (k *heading) measured(t float64, w r3.Vec) {
	for i := k.n - 1; i >= 0 && k.at(i).t >= t; i-- {
		if b := k.at(i); b.t == t && !b.hasW {
			b.w, b.hasW = w, true
		}
	}
}

// differentiate takes the body rate at the newest attitude: where they come quickly the middle one of the last
// three, against spikes. Each is the mean rate 2 log(a* b) / h on the shorter way round.
func (k *heading) differentiate() {
	if k.n < 2 {
		return
	}
	k.slope = middleSlope(k.n, turnLeast, func(i int) float64 { return k.at(i).t }, func(b, a int) r3.Vec { return between(k.at(b).q, k.at(a).q) })
}

func (k *heading) pick(t float64) int {
	i := k.n - 1
	for i >= 0 && k.at(i).t > t {
		i--
	}
	return i
}

// value is the attitude and its body rate at t, taken from the stretch that begins with sample i. rate is what is
// known of the body rate now, for what lies beyond the newest attitude, and along how far it is carried.
func (k *heading) value(i int, t float64, rate r3.Vec, along span) (quat.Number, r3.Vec) {
	if i < 0 {
		return k.at(0).q, r3.Vec{}
	}
	a := k.at(i)
	if i == k.n-1 {
		left, reach := along.carry(t - a.t)
		_, more := brief(k.rhythm.median).carry(t - a.t)
		return quat.Mul(a.q, unturn(r3.Add(r3.Scale(reach, rate), r3.Scale(more*more/2, k.gaining)))),
			r3.Scale(left, r3.Add(rate, r3.Scale(more, k.gaining)))
	}
	b := k.at(i + 1)
	h := b.t - a.t
	d := between(a.q, b.q)
	if h < closest || norm(d) > 1.5*turnMost*h {
		return b.q, r3.Vec{} // a step, not a turn
	}
	// Cubic Hermite in the rotation vector from a: meets the attitude at both ends, and there the measured rates or,
	// without them, those of the parabola through the attitudes on both sides.
	m0, m1 := d, d
	if i > 0 {
		c := k.at(i - 1)
		if e := between(c.q, a.q); norm(e) < 1.5 {
			m0, m1 = bend(d, h, e, a.t-c.t)
		}
	}
	if i+2 < k.n {
		c := k.at(i + 2)
		if e := between(b.q, c.q); norm(e) < 1.5 {
			m1, _ = bend(d, h, e, c.t-b.t)
		}
	}
	if norm(d) < 1.5 {
		if a.hasW && h*norm(a.w) < 1.5 {
			m0 = r3.Scale(h, a.w)
		}
		if b.hasW && h*norm(b.w) < 1.5 {
			m1 = r3.Scale(h, unroll(d, b.w))
		}
	}
	v, dv := cubic(d, m0, m1, (t-a.t)/h)
	return quat.Mul(a.q, unturn(v)), roll(v, r3.Scale(1/h, dv))
}

// roll is the body rate where the rotation vector is v and its derivative d: the right Jacobian to second order,
// the counterpart of unroll.
func roll(v, d r3.Vec) r3.Vec {
	c := r3.Cross(v, d)
	return r3.Add(d, r3.Add(r3.Scale(-0.5, c), r3.Scale(1.0/6, r3.Cross(v, c))))
}

// ahead is the body rate with which the newest attitude is carried on: the measured one of the same time, else the
// latest measured one, else the one from the attitudes.
func (k *heading) ahead(latest r3.Vec, known bool) (r3.Vec, span) {
	w, along := k.slope, differed.atLeast(k.rhythm.median)
	if b := k.newest(); b.hasW {
		w, along = b.w, measured
	} else if known {
		w, along = latest, measured
	}
	if n := norm(w); n > turnMost {
		w = r3.Scale(turnMost/n, w)
	}
	return w, along
}

// step brings the output to t, h seconds after the last step, as track.step does.
func (k *heading) step(t, h float64, latest r3.Vec, known bool) {
	if k.n == 0 {
		return
	}
	i := k.pick(t)
	rate, along := k.ahead(latest, known)
	q, w := k.value(i, t, rate, along)
	if !k.started {
		k.started, k.out, k.rate, k.spin = true, q, w, fade{out: w, was: w}
		return
	}
	q0, w0 := k.value(i, t-h, rate, along)
	k.spin.step(w, w0, k.rhythm.quickness(), h)
	e := between(q0, k.out)
	// q = q0·exp(e): the rate of q0 seen from the axes of the output.
	r := r3.Sub(k.rate, toBody(unturn(e), w0))
	if n := norm(r); n > 2*turnMost {
		r = r3.Scale(2*turnMost/n, r)
	}
	// What a long gap left is taken up more gently: the pull on an error has a largest value.
	e, r = settle(e, r, k.rhythm.quickness()/(1+norm(e)/gentle), h)
	x := unturn(e)
	k.out = unit(quat.Mul(q, x))
	k.rate = r3.Add(toBody(x, w), r)
}

func (k *heading) age(t float64) float64 {
	if k.n == 0 {
		return math.Inf(1)
	}
	return t - k.newest().t
}

func (k *heading) live(t float64) bool { return k.age(t) <= max(forget, 6*k.rhythm.median) }
