package estimate

import "gonum.org/v1/gonum/spatial/r3"

// span is how far what is known is carried on beyond the newest sample: at full rate for full, then slowed to rest at
// end, with no kink where it ends.
type span struct{ full, end float64 } // s

// A measured rate is carried on for the length of 0.3 s. One from differences is half an interval old, and for motion
// quicker than a fifth of the sampling rate worse than holding (closed forms, see the tests): 0.15 s of it.
var (
	measured = span{0.2, 0.4}
	differed = span{0.05, 0.25}
)

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
		return 20
	}
	return min(max(4/r.median, 8), 80)
}

// smoothing is the corner at which a slope between samples is smoothed, rad/s.
func (r *rhythm) smoothing() float64 { return min(r.quickness()/2, 30) }
