package guard

import (
	"math"
	"math/rand/v2"

	"perch/host/mechanism"
	"perch/host/pose"
)

// levels is how many nested boxes of the travel have bounds of their own: derivatives grow towards dead centre.
const levels = 6

// slopes bounds one actuator's derivatives by the pose, over one box: |∂q/∂pᵢ|, |∂²q/∂pᵢ∂pⱼ|, |∂³q/∂pᵢ∂pⱼ∂pₖ|.
type slopes struct {
	first  [pose.Count]float64
	second [pose.Count][pose.Count]float64
	third  [pose.Count][pose.Count][pose.Count]float64
	curved bool
}

// bounds are sampled when the limits are adopted, and only ever used to accept without a roll-out.
type bounds struct {
	centre [pose.Count]float64
	half   [pose.Count]float64 // of the largest usable box, below and above the centre alike
	level  [levels][mechanism.MaxActuators]slopes
	usable int                                         // boxes with bounds, from the smallest
	steep  [mechanism.MaxActuators][pose.Count]float64 // the largest first derivatives anywhere in reach
}

// margin is how much larger than the sampled derivatives the bounds are.
const margin = 1.15

// sample takes the bounds over the boxes low..high scaled about their middle. A box with a sample outside the
// reachable set is not used, nor any larger one; what of it is in reach still counts for the steepest slopes.
func sample(m mechanism.Mechanism, axes []pose.Axis, low, high pose.Pose) *bounds {
	b := &bounds{}
	n, na := len(axes), len(m.Actuators())
	var step [pose.Count]float64
	for i, ax := range axes {
		b.centre[i] = (low[ax] + high[ax]) / 2
		b.half[i] = (high[ax] - low[ax]) / 2
		step[i] = min(0.02*b.half[i], 1e-2) // 0 where the axis does not move, which needs no bounds
	}
	at := func(p [pose.Count]float64, q *mechanism.Positions) bool {
		var full pose.Pose
		for i, ax := range axes {
			full[ax] = p[i]
		}
		return m.Inverse(full, q) == nil
	}
	whole := true
	random := rand.New(rand.NewPCG(1, 2))
	for l := range levels {
		scale := float64(l+1) / levels
		var points [][pose.Count]float64
		grid := map[int]int{1: 9, 2: 7, 3: 4}[n]
		if grid > 0 {
			total := 1
			for range n {
				total *= grid
			}
			for k := range total {
				var p [pose.Count]float64
				for i, r := 0, k; i < n; i++ {
					p[i] = b.centre[i] + b.half[i]*scale*(2*float64(r%grid)/float64(grid-1)-1)
					r /= grid
				}
				points = append(points, p)
			}
		} else {
			for k := range 1 << n {
				var p [pose.Count]float64
				for i := range n {
					p[i] = b.centre[i] + b.half[i]*scale*float64(2*(k>>i&1)-1)
				}
				points = append(points, p)
			}
			for range 32 {
				var p [pose.Count]float64
				for i := range n {
					p[i] = b.centre[i] + b.half[i]*scale*(2*random.Float64()-1)
				}
				points = append(points, p)
			}
		}
		g := &b.level[l]
		if l == 0 {
			whole = true
		} else {
			*g = b.level[l-1]
		}
		for _, p := range points {
			for i := range n { // the differences stay inside the box, which may be all that the mechanism answers for
				r := max(0, b.half[i]*scale-step[i]*(1+1e-6))
				p[i] = min(max(p[i], b.centre[i]-r), b.centre[i]+r)
			}
			ok := derive(at, p, step, n, na, g)
			whole = whole && ok
			if ok {
				continue
			}
			// as far out on the line to the point as there is reach
			lo, hi := 0.0, 1.0
			var best [pose.Count]float64
			for range 8 {
				mid := (lo + hi) / 2
				var c [pose.Count]float64
				for i := range n {
					c[i] = b.centre[i] + mid*(p[i]-b.centre[i])
				}
				var q mechanism.Positions
				if at(c, &q) {
					lo, best = mid, c
				} else {
					hi = mid
				}
			}
			for i := range n {
				best[i] = b.centre[i] + 0.96*(best[i]-b.centre[i])
			}
			derive(at, best, step, n, na, g)
		}
		for q := range na {
			g[q].settle(n, b.half)
			b.steep[q] = g[q].first
		}
		if whole {
			b.usable = l + 1
		}
	}
	b.grow(n, na)
	return b
}

// grow raises the bounds of each box by as much as they grew from the box within it: towards dead centre derivatives
// climb ever more steeply, and the samples stop a step short of the edge.
func (b *bounds) grow(n, na int) {
	for l := levels - 1; l > 0; l-- {
		for k := range na {
			g, within := &b.level[l][k], &b.level[l-1][k]
			one, two, three := g.size(n, b.half)
			in1, in2, in3 := within.size(n, b.half)
			if g.curved {
				g.scale(n, growth(one, in1), growth(two, in2), growth(three, in3))
			}
		}
	}
	switch {
	case b.usable > 1:
		b.level[0] = b.level[1]
	case b.level[0][0].curved: // nothing tells how they grow
		b.usable = 0
	}
}

// growth is how much larger a bound is than the one within it: 1 to most, since nothing is learnt from one that is hardly
// there.
func growth(g, within float64) float64 {
	const most = 4
	if !(within > 0) {
		return most
	}
	return min(max(g/within, 1), most)
}

// size is how much the derivatives of each order make of the whole box.
func (s *slopes) size(n int, half [pose.Count]float64) (first, second, third float64) {
	for i := range n {
		first += s.first[i] * half[i]
		for j := range n {
			second += s.second[i][j] * half[i] * half[j]
			for k := range n {
				third += s.third[i][j][k] * half[i] * half[j] * half[k]
			}
		}
	}
	return first, second, third
}

func (s *slopes) scale(n int, first, second, third float64) {
	for i := range n {
		s.first[i] *= first
		for j := range n {
			s.second[i][j] *= second
			for k := range n {
				s.third[i][j][k] *= third
			}
		}
	}
}

// ease is how much of the pose's acceleration and jerk the brake law uses, so that what all axes ask of an actuator at
// once is within its limits. Without it a pose that may be accelerated harder than the actuators can follow would have
// no stop that passes, and so no motion either.
func (b *bounds) ease(axes []pose.Axis, acts []mechanism.Actuator, l *Limits) (acceleration, jerk float64) {
	acceleration, jerk = 1, 1
	for k, c := range acts {
		var a, j float64
		for i, ax := range axes {
			if b.half[i] == 0 {
				continue
			}
			a += b.steep[k][i] * l.Acceleration[ax]
			j += b.steep[k][i] * l.Jerk[ax]
		}
		room := share
		if !b.level[levels-1][k].curved {
			room = 1
		}
		if a > 0 {
			acceleration = min(acceleration, room*c.Acceleration/a)
		}
		if j > 0 {
			jerk = min(jerk, room*c.Jerk/j)
		}
	}
	return acceleration, jerk
}

// share is what of an actuator's acceleration and jerk the first derivatives may use; the curvature needs the rest.
const share = 0.85

// derive raises g to the derivatives at p by central differences.
func derive(at func([pose.Count]float64, *mechanism.Positions) bool, p, step [pose.Count]float64, n, na int, g *[mechanism.MaxActuators]slopes) bool {
	for i := range n {
		for j := i; j < n; j++ {
			for k := j; k < n; k++ {
				if step[i] == 0 || step[j] == 0 || step[k] == 0 {
					continue
				}
				// the mixed third difference over the corners of a cube of half-steps; its faces give the lower ones
				var third, second, first mechanism.Positions
				for c := range 8 {
					at3, sign := p, 1.0
					for bit, ax := range [3]int{i, j, k} {
						s := float64(2*(c>>bit&1) - 1)
						at3[ax] += s * step[ax]
						sign *= s
					}
					var q mechanism.Positions
					if !at(at3, &q) {
						return false
					}
					si, sj := float64(2*(c&1)-1), float64(2*(c>>1&1)-1)
					for a := range na {
						third[a] += sign * q[a] / (8 * step[i] * step[j] * step[k])
						second[a] += si * sj * q[a] / (8 * step[i] * step[j])
						first[a] += si * q[a] / (8 * step[i])
					}
				}
				for a := range na {
					s := &g[a]
					s.first[i] = max(s.first[i], margin*math.Abs(first[a]))
					v := max(s.second[i][j], margin*math.Abs(second[a]))
					s.second[i][j], s.second[j][i] = v, v
					w := max(s.third[i][j][k], margin*math.Abs(third[a]))
					s.third[i][j][k], s.third[i][k][j], s.third[j][i][k] = w, w, w
					s.third[j][k][i], s.third[k][i][j], s.third[k][j][i] = w, w, w
				}
			}
		}
	}
	return true
}

// settle drops what is only rounding, so that a straight mechanism costs no products.
func (s *slopes) settle(n int, half [pose.Count]float64) {
	was := s.curved
	s.curved = false
	for i := range n {
		for j := range n {
			if s.second[i][j]*max(half[j], 1e-3) > 1e-6 {
				s.curved = true
			}
			for k := range n {
				if s.third[i][j][k]*max(half[j], 1e-3)*max(half[k], 1e-3) > 1e-6 {
					s.curved = true
				}
			}
		}
	}
	if !s.curved && !was {
		for i := range n {
			s.first[i] = s.first[i] / margin * (1 + 1e-9)
		}
	}
}

// acceleration bounds an actuator's acceleration where the pose's speeds and accelerations are at most those.
func (s *slopes) acceleration(n int, speed, acceleration *[pose.Count]float64, dt float64) float64 {
	sum := 0.0
	for i := range n {
		sum += s.first[i] * acceleration[i]
	}
	if !s.curved {
		return sum
	}
	for i := range n {
		vi := speed[i] + acceleration[i]*dt
		for j := range n {
			sum += s.second[i][j] * vi * (speed[j] + acceleration[j]*dt)
		}
	}
	return sum
}

// jerk bounds an actuator's jerk where the pose's speeds, accelerations and jerks are at most those, by the chain rule.
func (s *slopes) jerk(n int, speed, acceleration, jerk *[pose.Count]float64, dt float64) float64 {
	sum := 0.0
	for i := range n {
		sum += s.first[i] * jerk[i]
	}
	if !s.curved {
		return sum
	}
	for i := range n {
		vi := speed[i] + acceleration[i]*dt
		for j := range n {
			vj := speed[j] + acceleration[j]*dt
			sum += 3 * s.second[i][j] * vi * (acceleration[j] + jerk[j]*dt)
			for k := range n {
				sum += s.third[i][j][k] * vi * vj * (speed[k] + acceleration[k]*dt)
			}
		}
	}
	return sum
}

// find is the smallest box that holds the poses, or nil.
func (b *bounds) find(e *[pose.Count]extent, n int) *[mechanism.MaxActuators]slopes {
	r := 0.0
	for i := range n {
		d := max(e[i].high-b.centre[i], b.centre[i]-e[i].low)
		if d > b.half[i]*(1+1e-9)+1e-9 {
			return nil
		}
		if b.half[i] > 0 {
			r = max(r, d/b.half[i])
		}
	}
	l := min(max(int(math.Ceil(r*levels-1e-6))-1, 0), levels-1)
	if l >= b.usable {
		return nil
	}
	return &b.level[l]
}
