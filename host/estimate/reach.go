package estimate

import "gonum.org/v1/gonum/spatial/r3"

// span is how far what is known is carried on beyond the newest sample: at full rate for full, then slowed to rest at
// end, with no kink where it ends.
type span struct{ full, end float64 } // s

// A measured rate is carried on for the length of 0.3 s. One from differences is half an interval old, and for motion
// quicker than a fifth of the sampling rate worse than holding (closed forms, see the tests): 0.15 s of it, and up to 0.3 s where packets are that
// far apart anyway.
var (
	measured = span{0.2, 0.4}
	differed = span{0.05, 0.25}
)

// A vector that may change at once is carried on with its slope for about an interval of a quick source, and no longer.
const (
	briefLeast = 0.019 // s; the shortest stretch over which its slope is taken
	briefFull  = 0.03
	briefFall  = 0.1
)

// brief is how far for a source of this interval.
func brief(interval float64) span {
	full := min(interval, briefFull)
	return span{full, full + min(interval, briefFall)}
}

// bend gives the slopes at both ends of a stretch d over h, times h, of the parabola that goes on through the stretch
// beside it at the first end, e over g: at that end, and at the other.
func bend(d r3.Vec, h float64, e r3.Vec, g float64) (near, far r3.Vec) {
	if g < closest {
		return d, d
	}
	// The difference of the two mean slopes, times h, shared by their lengths.
	x := r3.Scale(h/(g+h), r3.Sub(d, r3.Scale(h/g, e)))
	return r3.Sub(d, x), r3.Add(d, x)
}

// cubic is the Hermite polynomial from 0 to d with slopes m0 and m1 at its ends, and its slope, at u in 0..1.
func cubic(d, m0, m1 r3.Vec, u float64) (v, slope r3.Vec) {
	c3 := r3.Add(r3.Scale(-2, d), r3.Add(m0, m1))
	c2 := r3.Sub(r3.Scale(3, d), r3.Add(r3.Scale(2, m0), m1))
	v = r3.Scale(u, r3.Add(m0, r3.Scale(u, r3.Add(c2, r3.Scale(u, c3)))))
	return v, r3.Add(m0, r3.Scale(u, r3.Add(r3.Scale(2, c2), r3.Scale(3*u, c3))))
}

// atLeast is the span at full rate for this long, as far as a measured rate is carried.
func (s span) atLeast(full float64) span {
	more := max(0, min(full, measured.full)-s.full)
	return span{s.full + more, s.end + more}
}

// carry says how much of a rate is left x seconds after the last sample, and for how long it was effective as a whole.
func (s span) carry(x float64) (left, reach float64) {
	if x <= s.full {
		return 1, x
	}
	fall := s.end - s.full
	u := (x - s.full) / fall
	if u >= 1 {
		return 0, s.full + fall/2
	}
	return 1 - u*u*(3-2*u), s.full + fall*(u-u*u*u+u*u*u*u/2)
}

// ease is the smooth step from 0 to 1 over x in 0..1.
func ease(x float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	return x * x * (3 - 2*x)
}

// settle takes an error and its rate h seconds on along a critically damped decay of natural frequency w, rad/s.
// Both go on without a step. The exponential is a ratio of polynomials, within 1e-3 of it for w·h up to 1, so that
// its last bit does not depend on the processor.
func settle(e, rate r3.Vec, w, h float64) (r3.Vec, r3.Vec) {
	x := w * h
	k := 1 / (1 + x + 0.48*x*x + 0.235*x*x*x)
	m := r3.Scale(h, r3.Add(rate, r3.Scale(w, e)))
	return r3.Scale(k, r3.Add(e, m)), r3.Scale(k, r3.Sub(rate, r3.Scale(w, m)))
}

// fade is the output of a vector whose history may change what it says: the difference fades, critically damped.
type fade struct {
	out, was    r3.Vec
	extra, rate r3.Vec
}

// step takes the vector now and, by the same history, h seconds ago.
func (f *fade) step(v, before r3.Vec, w, h float64) {
	f.extra = r3.Add(f.extra, r3.Sub(f.was, before))
	f.extra, f.rate = settle(f.extra, f.rate, w, h)
	f.out, f.was = r3.Add(v, f.extra), v
}

// middle is the middle one of three.
func middle(a, b, c float64) float64 {
	return max(min(a, b), min(max(a, b), c))
}

func middleVec(a, b, c r3.Vec) r3.Vec {
	return r3.Vec{X: middle(a.X, b.X, c.X), Y: middle(a.Y, b.Y, c.Y), Z: middle(a.Z, b.Z, c.Z)}
}

// rhythm is the median of the last intervals between samples.
type rhythm struct {
	last   [15]float64
	n, at  int
	median float64 // s; 0: not known
}

func (r *rhythm) add(d float64) {
	r.last[r.at] = d
	r.at = (r.at + 1) % len(r.last)
	r.n = min(r.n+1, len(r.last))
	s := r.last
	for i := 1; i < r.n; i++ {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
	r.median = s[r.n/2]
}

// quickness is the natural frequency at which corrections fade, rad/s: the quicker the source, the quicker.
func (r *rhythm) quickness() float64 {
	if r.median <= 0 {
		return 30
	}
	return min(max(6/r.median, 12), 100)
}

// smoothing is the corner at which a slope between samples is smoothed, rad/s.
func (r *rhythm) smoothing() float64 { return min(r.quickness()/2, 30) }
