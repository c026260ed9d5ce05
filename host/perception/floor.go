package perception

import "math"

const (
	floorEvery  = 5 // samples of a series a sample of the floor's
	floorStep   = floorEvery * Step
	floorWindow = 1200 // samples that are known at once: 120 s
	floorLeast  = 50   // a window of fewer says nothing
)

// Reach is how far a seat turns to either side, rad.
type Reach struct{ RollLow, RollHigh, PitchLow, PitchHigh float64 }

// Floor is the least error that any seat within this reach could have, without limits of speed or acceleration, if it knew
// the next two minutes: what is perceived of the vehicle at 10 Hz, in windows of 120 s that each begin at rest, against
// the best course of roll and of pitch, each by itself and taken as a small angle. It is what to measure an error against,
// and no bound to the last digit: windows start anew, and the step is coarse.
//
// A window is a quadratic programme with bounds. An interior-point method (Wright, Primal-Dual Interior-Point Methods,
// 1997) solves it with a recursion over time for each step, since models of the second order make it a regulator problem
// (Rao, Wright & Rawlings, J. Optim. Theory Appl. 99, 1998): the work grows with the length and not with its cube.
func Floor(vehicle *Series, reach Reach, head float64) Least {
	return floor(vehicle, reach, head, floorWindow)
}

// Least is what the best course would have.
type Least struct {
	Error float64
	False float64 // share of the samples with a false cue in any channel, of the course with the least error
}

func floor(vehicle *Series, reach Reach, head float64, window int) Least {
	n := (vehicle.Len() + floorEvery - 1) / floorEvery
	if n == 0 {
		return Least{}
	}
	ref := NewSeries(n)
	var still float64
	for c := range Channels {
		for i := range n {
			ref[c][i] = vehicle[c][i*floorEvery]
		}
		for _, v := range vehicle[c] {
			still += v * v
		}
	}
	still = math.Sqrt(still / float64(vehicle.Len()))
	sum, counted, wrong := 0.0, 0, 0
	roll := newRegulator(RollRate, ForceY, -1, head, reach.RollLow, reach.RollHigh)
	pitch := newRegulator(PitchRate, ForceX, 1, head, reach.PitchLow, reach.PitchHigh)
	for from := 0; from < n; from += window {
		to := min(from+window, n)
		if to-from <= floorLeast && n > floorLeast {
			break
		}
		var part, seen Series
		for c := range Channels {
			part[c] = ref[c][from:to]
		}
		seen[RollRate], seen[ForceY] = roll.seen(roll.least(part[RollRate], part[ForceY]))
		seen[PitchRate], seen[ForceX] = pitch.seen(pitch.least(part[PitchRate], part[ForceX]))
		for i := range to - from {
			isFalse := false
			for c := range Channels {
				v, s := part[c][i], seen[c][i]
				sum += (v - s) * (v - s)
				isFalse = isFalse || IsFalse(v, s)
			}
			if isFalse {
				wrong++
			}
		}
		counted += to - from
	}
	return Least{over(math.Sqrt(sum/float64(counted)), still), float64(wrong) / float64(counted)}
}

// The state of the regulator: the last two angles, and both filters'.
const states = 6

type vector [states]float64

// regulator is one axis: an angle drives the perceived rate at once, and the perceived force one sample later, since the
// angular acceleration at a sample takes the angle after it.
type regulator struct {
	low, high        float64
	canal, otolith   Filter
	sign, head       float64
	first, mid, last stage
}

// stage is one sample: next state = move·state + by·angle; seen = at·state + to·angle, of rate and force.
type stage struct {
	move [states]vector
	by   vector
	at   [2]vector
	to   [2]float64
}

func newRegulator(rate, force Channel, sign, head, low, high float64) *regulator {
	r := &regulator{low: low, high: high, canal: NewFilter(rate, floorStep), otolith: NewFilter(force, floorStep), sign: sign, head: head}
	r.first, r.mid, r.last = r.stage(true, false), r.stage(true, true), r.stage(false, true)
	return r
}

// stage reads the matrices off the equations, one unit vector at a time.
func (r *regulator) stage(rate, force bool) stage {
	var g stage
	for j := range states + 1 {
		var s vector
		angle := 0.0
		if j < states {
			s[j] = 1
		} else {
			angle = 1
		}
		next, seen := r.advance(s, angle, rate, force)
		for i := range states {
			if j < states {
				g.move[i][j] = next[i]
			} else {
				g.by[i] = next[i]
			}
		}
		for i := range seen {
			if j < states {
				g.at[i][j] = seen[i]
			} else {
				g.to[i] = seen[i]
			}
		}
	}
	return g
}

func (r *regulator) advance(s vector, angle float64, rate, force bool) (next vector, seen [2]float64) {
	next = s
	next[0], next[1] = angle, s[0]
	if rate {
		f := r.canal
		f.z = [2]float64{s[2], s[3]}
		seen[0] = f.Step((angle - s[0]) / floorStep)
		next[2], next[3] = f.z[0], f.z[1]
	}
	if force {
		f := r.otolith
		f.z = [2]float64{s[4], s[5]}
		seen[1] = f.Step(r.sign * (Gravity*s[0] - r.head*(angle-2*s[0]+s[1])/(floorStep*floorStep)))
		next[4], next[5] = f.z[0], f.z[1]
	}
	return next, seen
}

// at is the stage of a sample of n; the sample n is that of the last force, with an angle of zero.
func (r *regulator) at(k, n int) *stage {
	switch k {
	case 0:
		return &r.first
	case n:
		return &r.last
	}
	return &r.mid
}

// wanted is what should be seen at a sample.
func wanted(rate, force []float64, k int) (b [2]float64) {
	if k < len(rate) {
		b[0] = rate[k]
	}
	if k > 0 {
		b[1] = force[k-1]
	}
	return b
}

// seen is what is perceived of rate and force over a course of angles.
func (r *regulator) seen(x []float64) (rate, force []float64) {
	var s vector
	n := len(x)
	rate, force = make([]float64, n), make([]float64, n)
	for k := range n + 1 {
		angle := 0.0
		if k < n {
			angle = x[k]
		}
		next, seen := r.advance(s, angle, k < n, k > 0)
		if k < n {
			rate[k] = seen[0]
		}
		if k > 0 {
			force[k-1] = seen[1]
		}
		s = next
	}
	return rate, force
}

// sum is the squared differences of a course of angles.
func (r *regulator) sum(rate, force, x []float64) (sum float64) {
	a, b := r.seen(x)
	for i := range x {
		sum += (a[i]-rate[i])*(a[i]-rate[i]) + (b[i]-force[i])*(b[i]-force[i])
	}
	return sum
}

// solve gives in x the angles that minimise half the squared differences plus Σ(½·d·x² - c·x), without bounds.
func (r *regulator) solve(rate, force, d, c, x []float64, gain []vector, ahead []float64) {
	n := len(rate)
	var P [states]vector
	var p vector
	for k := n; k >= 0; k-- {
		g := r.at(k, n)
		b := wanted(rate, force, k)
		// PM = P·move, Pb = P·by
		var PM [states]vector
		var Pb vector
		for i := range states {
			for l := range states {
				v := P[i][l]
				if v == 0 {
					continue
				}
				Pb[i] += v * g.by[l]
				for j := range states {
					PM[i][j] += v * g.move[l][j]
				}
			}
		}
		var Q [states]vector
		var S, q vector
		R, t := 0.0, 0.0
		for l := range states {
			R += g.by[l] * Pb[l]
			t += g.by[l] * p[l]
			for i := range states {
				m := g.move[l][i]
				if m == 0 {
					continue
				}
				S[i] += m * Pb[l]
				q[i] += m * p[l]
				for j := range states {
					Q[i][j] += m * PM[l][j]
				}
			}
		}
		for o := range b {
			R += g.to[o] * g.to[o]
			t -= g.to[o] * b[o]
			for i := range states {
				S[i] += g.at[o][i] * g.to[o]
				q[i] -= g.at[o][i] * b[o]
				for j := range states {
					Q[i][j] += g.at[o][i] * g.at[o][j]
				}
			}
		}
		if k == n { // no choice: the angle is zero
			P, p = Q, q
			continue
		}
		R += d[k]
		t -= c[k]
		for i := range states {
			gain[k][i] = S[i] / R
			p[i] = q[i] - S[i]*t/R
			for j := range states {
				P[i][j] = Q[i][j] - S[i]*S[j]/R
			}
		}
		ahead[k] = t / R
		for i := range states { // against drift
			for j := range i {
				P[i][j] = (P[i][j] + P[j][i]) / 2
				P[j][i] = P[i][j]
			}
		}
	}
	var s vector
	for k := range n {
		v := -ahead[k]
		for i := range states {
			v -= gain[k][i] * s[i]
		}
		x[k] = v
		s, _ = r.advance(s, v, true, k > 0)
	}
}

// least is the course within the bounds with the smallest sum of squared differences.
func (r *regulator) least(rate, force []float64) []float64 {
	n := len(rate)
	var buffers [7][]float64
	for i := range buffers {
		buffers[i] = make([]float64, n)
	}
	x, to, d, c, zl, zu, ahead := buffers[0], buffers[1], buffers[2], buffers[3], buffers[4], buffers[5], buffers[6]
	gain := make([]vector, n)
	if !(r.high > r.low) {
		return x
	}
	middle := (r.high + r.low) / 2
	scale := max(1, r.sum(rate, force, x)/float64(n))
	for i := range x {
		x[i], zl[i], zu[i] = middle, scale, scale
	}
	for range 80 {
		gap := 0.0
		for i := range x {
			gap += zl[i]*(x[i]-r.low) + zu[i]*(r.high-x[i])
		}
		if gap < 1e-9*float64(n) {
			break
		}
		mu := 0.1 * gap / float64(2*n)
		for i := range x {
			a, b := x[i]-r.low, r.high-x[i]
			d[i] = zl[i]/a + zu[i]/b
			c[i] = d[i]*x[i] + mu/a - mu/b
		}
		r.solve(rate, force, d, c, to, gain, ahead)
		step := 1.0
		for i := range x {
			a, b := x[i]-r.low, r.high-x[i]
			dx := to[i] - x[i]
			dl, du := mu/a-zl[i]-zl[i]/a*dx, mu/b-zu[i]+zu[i]/b*dx
			for _, v := range [...][2]float64{{a, dx}, {b, -dx}, {zl[i], dl}, {zu[i], du}} {
				if v[1] < 0 {
					step = min(step, -0.995*v[0]/v[1])
				}
			}
		}
		for i := range x {
			a, b := x[i]-r.low, r.high-x[i]
			dx := to[i] - x[i]
			dl, du := mu/a-zl[i]-zl[i]/a*dx, mu/b-zu[i]+zu[i]/b*dx
			x[i] += step * dx
			zl[i] += step * dl
			zu[i] += step * du
		}
	}
	return x
}
