package guard

import "math"

// law is the brake law of one axis or actuator in discrete time: constant step t, largest acceleration a and
// largest change of acceleration in a tick d = J·t.
//
// On the way to rest the next acceleration is the largest deceleration from which releasing d a tick ends with
// speed and acceleration both zero. Releasing u, u-d, u-2d … changes the speed by t((n+1)u - d n(n+1)/2) with
// n = floor(u/d); set equal to |v| and solved for u. It is the discrete form of the last phase of a double-S
// profile (Biagiotti and Melchiorri, Trajectory Planning for Automatic Machines and Robots, 2008, chapter 3).
type law struct {
	t, d, a float64
	edge    float64 // speed on the release curve at which the deceleration is a
}

func newLaw(t, acceleration, jerk float64) law {
	b := law{t: t, d: jerk * t, a: acceleration}
	n := math.Floor(b.a / b.d)
	b.edge = t * ((n+1)*b.a - b.d*n*(n+1)/2)
	return b
}

// release is the largest deceleration from which a full-jerk release ends at rest, and the ticks after the first.
func (b *law) release(speed float64) (u, n float64) {
	s := speed / b.t
	n = math.Floor((math.Sqrt(1+8*s/b.d) - 1) / 2)
	return (s + b.d*n*(n+1)/2) / (n + 1), n
}

// brake is the acceleration of the next tick on the way to rest.
func (b *law) brake(v, a float64) float64 {
	u, _ := b.release(math.Abs(v))
	u = min(u, b.a)
	if v > 0 {
		u = -u
	}
	return min(max(u, a-b.d), a+b.d)
}

// extent is what a roll-out of the brake law to rest covers.
type extent struct {
	low, high    float64 // positions, the start included
	speed        float64 // largest |v|, the start included
	acceleration float64 // largest |a|, the start included
	rest         float64 // where it ends
	ticks        float64 // until v = a = 0
	ok           bool    // false: no rest found within the bound on steps
}

// legs bounds the pieces of one roll-out; four are usual.
const legs = 48

// rollout is the roll-out of brake from (x, v, a) to rest, by the sums of its ramps rather than tick by tick.
// Every piece is a run of ticks for which brake is known to give the same case; where that is not certain the
// piece is one tick. Within a piece the speed keeps its sign, so the ends of the pieces are the extremes.
func (b *law) rollout(x, v, a float64) extent {
	e := extent{low: x, high: x, speed: math.Abs(v), acceleration: math.Abs(a)}
	t, d := b.t, b.d
	for range legs {
		s := 1.0 // the piece is worked out for motion in the positive direction
		if v < 0 || (v == 0 && a < 0) {
			s, v, a = -1, -v, -a
		}
		u, n := b.release(v)
		w := -min(u, b.a)
		var dx, k float64
		switch {
		case w < a-d: // ramp down: d a tick
			k = 1
			// where the ramp meets the release curve, a little early
			if q := (d-2*a)*(d-2*a) - 4*d*(a*a/(2*d)-a/2+d/8-v/t); q > 0 {
				k = math.Floor((2*a-d+math.Sqrt(q))/(2*d)) - 2
			}
			k = max(1, min(k, math.Floor((a+b.a)/d)))
			dx = t * (k*v + t*(a*k*(k+1)/2-d*k*(k+1)*(k+2)/6))
			if a > 0 {
				m := min(k, math.Floor(a/d))
				e.speed = max(e.speed, v+t*(m*a-d*m*(m+1)/2))
			}
			v += t * (k*a - d*k*(k+1)/2)
			a -= k * d
		case w > a+d: // decelerating more than can be released in time: passes through zero speed
			k = 1
			if q := (a+d/2)*(a+d/2) - 2*d*v/t; q > 0 {
				k = max(1, math.Floor((-(a+d/2)-math.Sqrt(q))/d)-1)
			}
			dx = t * (k*v + t*(a*k*(k+1)/2+d*k*(k+1)*(k+2)/6))
			v += t * (k*a + d*k*(k+1)/2)
			a += k * d
		case u > b.a: // hold the largest deceleration
			k = max(1, math.Floor((v-b.edge)/(b.a*t))+1)
			dx = t * (k*v - b.a*t*k*(k+1)/2)
			v -= k * b.a * t
			a = -b.a
		default: // release, to rest
			m := n + 1
			dx = t * (m*v - t*(u*m*(m+1)/2-d*(m-1)*m*(m+1)/6))
			e.acceleration = max(e.acceleration, u)
			e.ticks += m + 1
			e.rest = x + s*dx
			e.low, e.high = min(e.low, e.rest), max(e.high, e.rest)
			e.ok = true
			return e
		}
		e.ticks += k
		x += s * dx
		v, a = s*v, s*a
		e.low, e.high = min(e.low, x), max(e.high, x)
		e.speed = max(e.speed, math.Abs(v))
		e.acceleration = max(e.acceleration, math.Abs(a))
	}
	return e
}

// span is all states with position, speed and acceleration between two numbers each.
type span struct{ x0, x1, v0, v1, a0, a1 float64 }

// near says by a closed bound that a stop from every state of the span stays in low..high and under speed, so that
// roll-outs need not be made. False says nothing.
func (b *law) near(p *span, low, high, speed float64) bool {
	j := b.d / b.t
	// the speed each way grows by what a's release adds; where a is against the motion, only by what is left of that
	rise, fall := max(p.a1, 0), max(-p.a0, 0)
	up := max(0, p.v1+rise*(rise/(2*j)+b.t))
	down := max(0, -p.v0+fall*(fall/(2*j)+b.t))
	return up <= speed && down <= speed &&
		p.x1+b.reach(up)+up*(rise/j) <= high && p.x0-b.reach(down)-down*(fall/j) >= low
}

// reach bounds the distance of a stop from speed v without acceleration.
func (b *law) reach(v float64) float64 {
	j := b.d / b.t
	if v < b.a*b.a/j {
		return v * (math.Sqrt(v/j) + 4*b.t)
	}
	return v * ((v/b.a+b.a/j)/2 + 4*b.t)
}
