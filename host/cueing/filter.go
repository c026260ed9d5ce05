package cueing

import (
	"math"

	"perch/host/pose"
)

// filter is a linear filter of order two at most, b/a in powers of z⁻¹ with a0 = 1, in transposed direct form II.
type filter struct {
	b0, b1, b2, a1, a2 float64
	x1, x2             float64
}

// bilinear makes (n2 s² + n1 s + n0) / (s² + d1 s + d0) into a filter of step dt by s = 2/dt (1-z⁻¹)/(1+z⁻¹),
// Tustin's rule, without prewarping: the corners here are far below the loop's rate.
func bilinear(n2, n1, n0, d1, d0, dt float64) filter {
	c := 2 / dt
	q := 1 / (c*c + d1*c + d0)
	return filter{
		b0: (n2*c*c + n1*c + n0) * q, b1: 2 * (n0 - n2*c*c) * q, b2: (n2*c*c - n1*c + n0) * q,
		a1: 2 * (d0 - c*c) * q, a2: (c*c - d1*c + d0) * q,
	}
}

// bilinear1 is bilinear for (n1 s + n0) / (s + d0).
func bilinear1(n1, n0, d0, dt float64) filter {
	c := 2 / dt
	q := 1 / (c + d0)
	return filter{b0: (n1*c + n0) * q, b1: (n0 - n1*c) * q, a1: (d0 - c) * q}
}

// highPass1 is s/(s+w).
func highPass1(w, dt float64) filter { return bilinear1(1, 0, w, dt) }

// highPass2 is s²/(s²+2zws+w²).
func highPass2(w, z, dt float64) filter { return bilinear(1, 0, 0, 2*z*w, w*w, dt) }

// lowPass2 is w²/(s²+2zws+w²).
func lowPass2(w, z, dt float64) filter { return bilinear(0, 0, w*w, 2*z*w, w*w, dt) }

// band is s/(s+w)²: a rate high-passed twice and integrated once. A step of rate 1 gives t·exp(-wt), which comes home.
func band(w, dt float64) filter { return bilinear(0, 1, 0, 2*w, w*w, dt) }

func (f *filter) step(u float64) float64 {
	y := f.b0*u + f.x1
	f.x1 = f.b1*u - f.a1*y + f.x2
	f.x2 = f.b2*u - f.a2*y
	if u == 0 {
		// Without this an old cue would linger among the subnormal numbers for ever, slow and never zero.
		const gone = 1e-30
		if math.Abs(f.x1) < gone && math.Abs(f.x2) < gone {
			f.x1, f.x2 = 0, 0
		}
	}
	return y
}

// settle puts the filter where a constant input u would have brought it.
func (f *filter) settle(u float64) {
	y := u * (f.b0 + f.b1 + f.b2) / (1 + f.a1 + f.a2)
	f.x2 = f.b2*u - f.a2*y
	f.x1 = f.b1*u - f.a1*y + f.x2
}

// slew follows its input at most so fast.
type slew struct{ most, y float64 } // most: a tick

func (s *slew) step(u float64) float64 {
	switch d := u - s.y; {
	case d > s.most:
		s.y += s.most
	case d < -s.most:
		s.y -= s.most
	default:
		s.y = u
	}
	return s.y
}

// glide moves a factor to its goal without a jump of it or of its speed, like a critically damped spring.
type glide struct{ k, goal, y, v float64 } // k: corner × dt

func (g *glide) set(y float64) { g.goal, g.y, g.v = y, y, 0 }

func (g *glide) step() float64 {
	if g.y == g.goal && g.v == 0 {
		return g.y
	}
	// Backward Euler on y” = w²(goal-y) - 2w y', with v = y'·dt: never overshoots.
	g.v = (g.v + g.k*g.k*(g.goal-g.y)) / ((1 + g.k) * (1 + g.k))
	g.y += g.v
	const near = 1e-7
	if math.Abs(g.goal-g.y) < near && math.Abs(g.v) < near {
		g.set(g.goal)
	}
	return g.y
}

// clip keeps v within ±most; what is no number is 0.
func clip(v, most float64) float64 {
	switch {
	case v >= -most && v <= most:
		return v
	case v > most:
		return most
	case v < -most:
		return -most
	}
	return 0
}

// compress keeps x inside ±travel: x / (1+(x/travel)⁴)^¼. It is odd and smooth, its slope is 1 at the middle and
// nowhere more, it bends a cue of half the travel by 1.5 % and never reaches the travel. A hyperbolic tangent would
// do as well, but its last bit depends on the processor and it bends the small cues five times as much; square roots
// are exact to the last bit everywhere (IEEE 754).
func compress(x, travel float64) float64 {
	r := x / travel
	r *= r
	return x / math.Sqrt(math.Sqrt(1+r*r))
}

// blend carries an output over a break in its target: what the output was goes on at its last speed, which dies away,
// and is faded into the target by a quintic in time, so that neither place nor speed nor acceleration jumps.
type blend struct {
	step, at   float64 // share of the blend's length, a tick and so far; 1: over
	was, speed pose.Pose
}

func newBlend(length, dt float64) blend { return blend{step: dt / length, at: 1} }

// start begins from what the output was and its change a tick. A start during another keeps a little less of the speed,
// so that a target which breaks at every tick brings the output to rest.
func (b *blend) start(was, change pose.Pose) {
	keep := 1 / b.step
	if b.at < 1 {
		keep *= 0.97
	}
	b.at = 0
	for a := range was {
		b.was[a], b.speed[a] = was[a], change[a]*keep
	}
}

func (b *blend) apply(target pose.Pose) pose.Pose {
	if b.at >= 1 {
		return target
	}
	b.at += b.step
	if b.at >= 1 {
		return target
	}
	t := b.at
	in := t * t * t * (10 - t*(15-6*t))
	on := t * (1 - t/2)
	for a := range target {
		target[a] = in*target[a] + (1-in)*(b.was[a]+on*b.speed[a])
	}
	return target
}
