package cueing

import (
	"fmt"

	"gonum.org/v1/gonum/mat"

	"perch/host/perception"
)

const (
	period  = 0.01  // s from one plan to the next
	sweeps  = 8     // of the solver, a plan: it begins where the last one ended
	relax   = 1.6   // over-relaxation of the solver (Boyd et al. 2011, sec. 3.4.3)
	stiff   = 300   // of the bounds in the solver, squared thresholds × samples
	held    = 0.995 // share of travel and speed that a plan may use
	gentler = 0.88  // share of acceleration and jerk, a little less than the gate lets through
	soft    = 0.1   // how much less hard the bounds of acceleration and jerk are held
	sample  = 0.01  // s between the samples of the cost
	calm    = 200   // thresholds, of a speed of 1 rad/s at the end: a plan ends about at rest
)

// spacing is that of the knots, in periods: ever further apart.
var spacing = [...]struct{ knots, apart int }{{2, 1}, {4, 2}, {4, 4}, {5, 8}, {5, 16}, {6, 40}}

const fastKnots = 10 // the first ones, whose speed, acceleration and jerk are bounded too

// What a plan begins with: the seat's angle, speed and acceleration, what the two models remember of the difference
// between seat and vehicle, and the forecast: force now and at each node, rate likewise.
const (
	angle = iota
	speed
	acceleration
	canal
	otolith = canal + 2
	forces  = otolith + 2
	rates   = forces + 1 + nodes
	knows   = rates + 1 + nodes
)

// beginning is the state that a plan begins from.
type beginning [knows]float64

// horizon is the plan's quadratic programme for one axis, made once. The plan is the seat's acceleration at knots, joined
// by straight lines; the cost is the integral of the square of the perceived error; the seat's angle at each knot, and its
// speed, acceleration and jerk at the first ones, are bounded. It is solved by the alternating direction method of multipliers (Boyd, Parikh, Chu,
// Peleato & Eckstein, Found. Trends Mach. Learn. 3, 2011, ch. 3; the form is that of Stellato et al., Math. Program. Comput.
// 12, 2020) in what is bounded alone: one product of a small matrix with a vector a sweep.
type horizon struct {
	ticks int         // from plan to plan
	bound []float64   // of what is bounded, to either side
	q     [][]float64 // what is bounded, by what the multipliers ask
	b     []beginning // what is bounded, by the beginning
	first []float64   // the first knot's acceleration, by what the multipliers ask
	from  beginning   // and by the beginning

	quadratic, linear, bounded, free *mat.Dense // the programme itself, for tests
}

// knots are the times of the knots in ticks.
func knots(ticks int) (out []int) {
	at := 0
	for _, s := range spacing {
		for range s.knots {
			at += s.apart * ticks
			out = append(out, at)
		}
	}
	return out
}

// newHorizon is the programme of an axis whose rate and force are perceived as these channels, with the head so many
// metres above the joint, within travel (rad), speed, acceleration and jerk (rad/s, s² and s³); dt is the time of a tick.
func newHorizon(rate, force perception.Channel, head, travel, fastest, hardest, jerk, dt float64) (*horizon, error) {
	ticks := max(1, int(period/dt+0.5))
	h := &horizon{ticks: ticks}
	at := knots(ticks)
	n := len(at)
	last := at[n-1]
	stride := max(1, int(sample/dt+0.5))
	canals, otoliths := perception.NewFilter(rate, dt), perception.NewFilter(force, dt)
	every := max(1, int(lesson/dt+0.5))

	samples := last / stride
	m := n + 3*fastKnots
	// Columns: the knots' accelerations, then the beginning.
	felt := mat.NewDense(2*samples+1, n+knows, nil)
	limited := mat.NewDense(m, n+knows, nil)
	for column := range n + knows {
		var s beginning
		if column >= n {
			s[column-n] = 1
		}
		a0, k := s[acceleration], 0
		weight := func(i int) float64 { // of this column at knot i; -1 is the beginning
			if i == column {
				return 1
			}
			if i < 0 {
				return a0
			}
			return 0
		}
		x, v := s[angle], s[speed]
		canals.Remember([2]float64{s[canal], s[canal+1]})
		otoliths.Remember([2]float64{s[otolith], s[otolith+1]})
		left := 0
		for i := 1; i <= last; i++ {
			share := float64(i-left) / float64(at[k]-left)
			a := weight(k-1) + share*(weight(k)-weight(k-1))
			v += a * dt
			x += v * dt
			f := expected([1 + nodes]float64(s[forces:rates]), float64(i-1)/float64(every))
			r := expected([1 + nodes]float64(s[rates:knows]), float64(i-1)/float64(every))
			e, g := canals.Step(v-r), otoliths.Step(perception.Gravity*x-head*a-f)
			if i%stride == 0 && i/stride <= samples {
				felt.Set(2*(i/stride-1), column, e)
				felt.Set(2*(i/stride-1)+1, column, g)
			}
			if i == at[k] {
				limited.Set(k, column, x/travel)
				if k < fastKnots {
					limited.Set(n+k, column, v/fastest)
					limited.Set(n+fastKnots+k, column, soft*a/hardest)
					limited.Set(n+2*fastKnots+k, column, soft*(a-weight(k-1))/(float64(at[k]-left)*dt*jerk))
				}
				left = i
				k = min(k+1, n-1)
			}
		}
		// It ends about at rest.
		felt.Set(2*samples, column, v*calm)
	}

	var gram mat.Dense
	gram.Mul(felt.T(), felt)
	quadratic, linear := gram.Slice(0, n, 0, n).(*mat.Dense), gram.Slice(0, n, n, n+knows).(*mat.Dense)
	a, e := limited.Slice(0, m, 0, n).(*mat.Dense), limited.Slice(0, m, n, n+knows).(*mat.Dense)

	// How hard what is bounded is held, by the cost of its own scale.
	var aa, inner mat.Dense
	aa.Mul(a.T(), a)
	aa.Scale(stiff, &aa)
	inner.Add(quadratic, &aa)
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, inner.At(i, j))
		}
		sym.SetSym(i, i, sym.At(i, i)*(1+1e-9))
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) {
		return nil, fmt.Errorf("the plan for %v is no convex programme", rate)
	}
	var toKnots, fromBeginning mat.Dense // the knots by what the multipliers ask, and by the linear cost
	if err := chol.SolveTo(&toKnots, a.T()); err != nil {
		return nil, fmt.Errorf("the plan for %v: %w", rate, err)
	}
	toKnots.Scale(stiff, &toKnots)
	if err := chol.SolveTo(&fromBeginning, linear); err != nil {
		return nil, fmt.Errorf("the plan for %v: %w", rate, err)
	}
	var q, b, c, g mat.Dense
	q.Mul(a, &toKnots)
	b.Mul(&q, e)
	c.Mul(a, &fromBeginning)
	b.Add(&b, &c)
	b.Sub(e, &b)
	g.Mul(&toKnots, e)
	g.Add(&g, &fromBeginning)
	h.bound = make([]float64, m)
	h.b = make([]beginning, m)
	for i := range m {
		h.bound[i] = held
		if i >= n+fastKnots {
			h.bound[i] = soft * gentler
		}
		h.q = append(h.q, append([]float64(nil), q.RawRowView(i)...))
		copy(h.b[i][:], b.RawRowView(i))
	}
	h.first = append([]float64(nil), toKnots.RawRowView(0)...)
	for i := range h.from {
		h.from[i] = -g.At(0, i)
	}
	h.quadratic, h.linear, h.bounded, h.free = quadratic, linear, a, e
	return h, nil
}

// expected is the forecast so many lessons ahead: straight lines through now and the nodes, then away in as long again.
func expected(course [1 + nodes]float64, t float64) float64 {
	from := 0.0
	for k, n := range ahead {
		to := float64(n)
		if t < to {
			return course[k] + (t-from)/(to-from)*(course[k+1]-course[k])
		}
		from = to
	}
	return course[nodes] * max(0, 2-t/from)
}

// solver is where one axis's plan stands; the next begins there.
type solver struct {
	z, u, w, base []float64
}

func newSolver(h *horizon) solver {
	m := len(h.bound)
	all := make([]float64, 4*m)
	return solver{all[:m:m], all[m : 2*m : 2*m], all[2*m : 3*m : 3*m], all[3*m:]}
}

func (s *solver) reset() {
	clear(s.z)
	clear(s.u)
	clear(s.w)
}

// solve gives the acceleration at the first knot, after so many sweeps.
func (s *solver) solve(h *horizon, from *beginning, sweeps int) float64 {
	m := len(h.bound)
	z, u, w, base := s.z[:m], s.u[:m], s.w[:m], s.base[:m]
	for i := range m {
		b := &h.b[i]
		y := 0.0
		for j, x := range from {
			y += b[j] * x
		}
		base[i] = y
		w[i] = z[i] - u[i]
	}
	for range sweeps {
		for i := range m {
			row := h.q[i][:m]
			var y0, y1, y2, y3 float64
			j := 0
			for ; j+3 < m; j += 4 {
				y0 += row[j] * w[j]
				y1 += row[j+1] * w[j+1]
				y2 += row[j+2] * w[j+2]
				y3 += row[j+3] * w[j+3]
			}
			for ; j < m; j++ {
				y0 += row[j] * w[j]
			}
			y := relax*(base[i]+(y0+y1)+(y2+y3)) + (1-relax)*z[i]
			t := y + u[i]
			z[i] = min(max(t, -h.bound[i]), h.bound[i])
			u[i] = t - z[i]
		}
		for i := range m {
			w[i] = z[i] - u[i]
		}
	}
	a := 0.0
	for i := range m {
		a += h.first[i] * w[i]
	}
	for j, x := range from {
		a += h.from[j] * x
	}
	return a
}
