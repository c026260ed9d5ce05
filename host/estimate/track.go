package estimate

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	kept       = 256    // samples of each signal
	finest     = 0.0019 // s; samples that come closer replace each other
	closest    = 0.0009 // s; nothing is differentiated over less
	slopeLeast = 0.05   // s; the shortest stretch over which a vector is differentiated
)

type sample struct {
	t    float64 // source time since the run began, s
	v    r3.Vec
	mask uint8 // components that were measured; the others go on from the sample before
}

// track is the history of one vector, in order of source time, and its smooth output.
type track struct {
	ring    [kept]sample
	head, n int
	rhythm  rhythm
	seen    uint8 // components ever measured in this run
	long    bool  // its slope is carried on far, as a velocity's, rather than for about an interval
	slope   r3.Vec
	behind  float64 // s; how old samples are when they come, beyond the source's latency
	hurry   float64 // how much quicker than its rhythm corrections fade; 0 is 1

	started bool
	out     r3.Vec
	rate    r3.Vec
	now     r3.Vec // slope of the history at the present
}

func (k *track) at(i int) *sample { return &k.ring[(k.head+i)&(kept-1)] }
func (k *track) newest() *sample  { return k.at(k.n - 1) }

func (k *track) clear() {
	k.head, k.n, k.seen, k.started = 0, 0, 0, false
	k.slope, k.rate = r3.Vec{}, r3.Vec{}
}

// put joins what a state measured at t to the history.
func (k *track) put(t float64, v r3.Vec, mask uint8) {
	i := k.n
	for i > 0 && k.at(i-1).t > t {
		i--
	}
	if i > 0 && k.at(i-1).t == t {
		s := k.at(i - 1)
		s.v = merge(s.v, v, mask&^s.mask)
		s.mask |= mask
		k.seen |= mask
		k.differentiate()
		return
	}
	if i < k.n {
		if i == 0 && k.n == kept || k.at(i).t-t < closest || i > 0 && t-k.at(i-1).t < closest {
			return
		}
		k.seen |= mask
		if i > 0 {
			v = merge(k.at(i-1).v, v, mask)
		}
		if k.n == kept {
			k.head, k.n, i = (k.head+1)&(kept-1), k.n-1, i-1
		}
		for j := k.n; j > i; j-- {
			*k.at(j) = *k.at(j - 1)
		}
		k.n++
		*k.at(i) = sample{t, v, mask}
		k.differentiate()
		return
	}
	k.seen |= mask
	if k.n > 0 {
		last := k.newest()
		k.rhythm.add(t - last.t)
		v = merge(last.v, v, mask)
		if k.n > 1 && last.t-k.at(k.n-2).t < finest {
			k.n--
		}
	}
	if k.n == kept {
		k.head, k.n = (k.head+1)&(kept-1), k.n-1
	}
	k.n++
	*k.newest() = sample{t, v, mask}
	k.differentiate()
}

func merge(to, from r3.Vec, mask uint8) r3.Vec {
	if mask&1 != 0 {
		to.X = from.X
	}
	if mask&2 != 0 {
		to.Y = from.Y
	}
	if mask&4 != 0 {
		to.Z = from.Z
	}
	return to
}

// differentiate takes the slope at the newest sample. Of a velocity it is the middle one of the last three, against spikes.
func (k *track) differentiate() {
	if k.n < 2 {
		return
	}
	if !k.long {
		a, b := k.n-1, k.n-2
		for b > 0 && k.at(a).t-k.at(b).t < briefLeast {
			b--
		}
		k.slope = r3.Vec{}
		if h := k.at(a).t - k.at(b).t; h >= closest {
			k.slope = r3.Scale(1/h, r3.Sub(k.at(a).v, k.at(b).v))
		}
		return
	}
	k.slope = middleSlope(k.n, slopeLeast, func(i int) float64 { return k.at(i).t }, func(b, a int) r3.Vec { return r3.Sub(k.at(a).v, k.at(b).v) })
}

// middleSlope is the middle one of the last three slopes among n samples, each over a stretch of at least long seconds; of
// fewer it is the last. time gives a sample's, and change what lies between two of them.
func middleSlope(n int, long float64, time func(i int) float64, change func(from, to int) r3.Vec) r3.Vec {
	var d [3]r3.Vec
	found := 0
	for a := n - 1; a > 0 && found < 3; a-- {
		b := a - 1
		for b > 0 && time(a)-time(b) < long {
			b--
		}
		h := time(a) - time(b)
		if h < long && found > 0 || h < closest {
			break
		}
		d[found] = r3.Scale(1/h, change(b, a))
		found++
	}
	if found == 3 {
		return middleVec(d[0], d[1], d[2])
	}
	return d[0]
}

// pick is the last sample not after t; -1: all are after it.
func (k *track) pick(t float64) int {
	i := k.n - 1
	for i >= 0 && k.at(i).t > t {
		i--
	}
	return i
}

// value is the vector and its slope at t, taken from the stretch that begins with sample i.
func (k *track) value(i int, t float64) (v, slope r3.Vec) {
	if i < 0 {
		return k.at(0).v, r3.Vec{}
	}
	a := k.at(i)
	if i < k.n-1 {
		b := k.at(i + 1)
		h := b.t - a.t
		if h < closest {
			return b.v, r3.Vec{}
		}
		d := r3.Sub(b.v, a.v)
		m0, m1 := d, d
		if i > 0 {
			c := k.at(i - 1)
			m0, m1 = bend(d, h, r3.Sub(a.v, c.v), a.t-c.t)
		}
		if i+2 < k.n {
			c := k.at(i + 2)
			m1, _ = bend(d, h, r3.Sub(c.v, b.v), c.t-b.t)
		}
		v, slope = cubic(d, m0, m1, (t-a.t)/h)
		return r3.Add(a.v, v), r3.Scale(1/h, slope)
	}
	var along span
	if k.long {
		// As long as its own rhythm leaves it without another, so that a slow velocity's slope does not come and go.
		along = differed.atLeast(k.rhythm.median)
	} else {
		along = brief(k.rhythm.median)
		along.full, along.end = along.full+k.behind, along.end+k.behind
	}
	left, reach := along.carry(t - a.t)
	return r3.Add(a.v, r3.Scale(reach, k.slope)), r3.Scale(left, k.slope)
}

// step brings the output to t, h seconds after the last step. Wherever the history changed what it says about the
// present, the output goes over to it without a step in value or slope.
func (k *track) step(t, h float64) {
	if k.n == 0 {
		return
	}
	i := k.pick(t)
	v, slope := k.value(i, t)
	k.now = slope
	if !k.started {
		k.started, k.out, k.rate = true, v, slope
		return
	}
	v0, slope0 := k.value(i, t-h)
	w := k.rhythm.quickness() * max(k.hurry, 1)
	e, r := settle(r3.Sub(k.out, v0), r3.Sub(k.rate, slope0), w, h)
	k.out, k.rate = r3.Add(v, e), r3.Add(slope, r)
}

// age is how far t is beyond the newest sample, s; without one it has no end.
func (k *track) age(t float64) float64 {
	if k.n == 0 {
		return math.Inf(1)
	}
	return t - k.newest().t
}

// live says whether the newest sample still means something at t.
func (k *track) live(t float64) bool { return k.age(t) <= max(forget, 6*k.rhythm.median) }
