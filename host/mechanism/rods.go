package mechanism

import (
	"math"

	"perch/host/pose"
)

// vector is in m: x forward, y right, z down.
type vector struct{ x, y, z float64 }

func (a vector) plus(b vector) vector   { return vector{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vector) minus(b vector) vector  { return vector{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vector) times(s float64) vector { return vector{a.x * s, a.y * s, a.z * s} }
func (a vector) dot(b vector) float64   { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vector) cross(b vector) vector {
	return vector{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x}
}
func (a vector) length() float64 { return math.Sqrt(a.dot(a)) }
func polar(radius, azimuth, down float64) vector {
	s, c := math.Sincos(azimuth)
	return vector{radius * c, radius * s, down}
}

// rods are what holds a seat: as many rods or linear actuators as axes, each from a ball in the seat to a ball that the
// base or a crank carries. The seat turns about the origin of the seat balls.
type rods struct {
	axes  pose.Axes
	list  []pose.Axis // those of axes, in order; as many as there are rods
	seat  [MaxActuators]vector
	level float64 // the determinant of the level seat's unit rods: see hold
}

func newRods(axes pose.Axes, seat ...vector) rods {
	r := rods{axes: axes}
	for a := range pose.Count {
		if axes.Has(a) {
			r.list = append(r.list, a)
		}
	}
	copy(r.seat[:], seat)
	return r
}

// placed is a seat in a pose.
type placed struct {
	at                     vector
	sr, cr, sp, cp, sy, cy float64 // of roll, pitch and yaw
}

// place refuses what is no number and what lies on its side: no rod reaches that far, but an angle comes round again.
func (r *rods) place(p pose.Pose, s *placed) bool {
	p = p.Only(r.axes)
	const most = math.Pi / 2
	if !(math.Abs(p[pose.Roll]) < most && math.Abs(p[pose.Pitch]) < most && math.Abs(p[pose.Yaw]) < most) {
		return false
	}
	s.at = vector{p[pose.Surge], p[pose.Sway], p[pose.Heave]}
	s.sr, s.cr = math.Sincos(p[pose.Roll])
	s.sp, s.cp = math.Sincos(p[pose.Pitch])
	s.sy, s.cy = math.Sincos(p[pose.Yaw])
	return true
}

// turn turns a vector of the seat into base axes: Rz(yaw) Ry(pitch) Rx(roll), the intrinsic z-y-x order.
func (s *placed) turn(v vector) vector {
	y, w := v.y*s.cr-v.z*s.sr, v.y*s.sr+v.z*s.cr
	x, z := v.x*s.cp+w*s.sp, w*s.cp-v.x*s.sp
	return vector{x*s.cy - y*s.sy, x*s.sy + y*s.cy, z}
}

// slopes is along · ∂(ball's place)/∂pose for a seat ball turned into base axes: its speed along a direction, for a
// speed of one in each axis. An angle turns the ball about its axis a: along·(a×ball) = a·(ball×along).
func (s *placed) slopes(ball, along vector) pose.Pose {
	m := ball.cross(along)
	return pose.Pose{
		along.x, along.y, along.z,
		s.cp*(s.cy*m.x+s.sy*m.y) - s.sp*m.z, // roll turns about the seat's own x
		s.cy*m.y - s.sy*m.x,                 // pitch about y turned by yaw
		m.z,                                 // yaw about the base's z
	}
}

// matrix has a row for each rod and a column for each axis, and one more for a right side.
type matrix [MaxActuators][MaxActuators + 1]float64

func (r *rods) row(m *matrix, i int, slopes pose.Pose) {
	for k, a := range r.list {
		m[i][k] = slopes[a]
	}
}

// solve replaces the right side, column n, by the solution, and gives the determinant, 0 where there is no solution.
// Gaussian elimination with row pivots.
func (m *matrix) solve(n int) float64 {
	det := m.reduce(n)
	if det == 0 || det != det {
		return 0
	}
	for i := n - 1; i >= 0; i-- {
		v := m[i][n]
		for k := i + 1; k < n; k++ {
			v -= m[i][k] * m[k][n]
		}
		m[i][n] = v / m[i][i]
	}
	return det
}

// reduce brings the matrix to a triangle and gives its determinant.
func (m *matrix) reduce(n int) float64 {
	det := 1.0
	for c := range n {
		best := c
		for i := c + 1; i < n; i++ {
			if math.Abs(m[i][c]) > math.Abs(m[best][c]) {
				best = i
			}
		}
		if best != c {
			m[c], m[best] = m[best], m[c]
			det = -det
		}
		det *= m[c][c]
		if m[c][c] == 0 {
			return 0
		}
		inverse := 1 / m[c][c]
		for i := c + 1; i < n; i++ {
			if f := m[i][c] * inverse; f != 0 {
				for k := c + 1; k <= n; k++ {
					m[i][k] -= f * m[c][k]
				}
			}
		}
	}
	return det
}

// leastHold is the least share of the level seat's hold on itself at which a pose is still reachable. The determinant
// of the unit rods' slopes says how well all rods together hold the seat: where it is 0 the seat moves though no rod
// does, which is their common dead centre, and the forces in the rods grow without bound on the way there.
const leastHold = 0.2

// holds says whether rods with these slopes, of unit rods, hold the seat. It spends the matrix.
func (r *rods) holds(m *matrix) bool {
	return m.reduce(len(r.list))/r.level >= leastHold
}

// newtonSteps bounds Forward: from a pose a tick away three do, from level at most seven.
const newtonSteps = 20

// newton finds the pose at which the rods from these ends have these lengths, given squared, from a pose near, and from
// level where that does not do.
func (r *rods) newton(ends *[MaxActuators]vector, squared *[MaxActuators]float64, near pose.Pose) (pose.Pose, bool) {
	p, ok := r.search(ends, squared, near.Only(r.axes))
	if !ok {
		p, ok = r.search(ends, squared, pose.Pose{})
	}
	return p, ok
}

func (r *rods) search(ends *[MaxActuators]vector, squared *[MaxActuators]float64, p pose.Pose) (pose.Pose, bool) {
	const most = 0.3 // m and rad, a step: keeps the search on its branch
	n := len(r.list)
	for range newtonSteps {
		var s placed
		if !r.place(p, &s) {
			return pose.Pose{}, false
		}
		var m matrix
		for i := range n {
			ball := s.turn(r.seat[i])
			rod := ball.plus(s.at).minus(ends[i])
			r.row(&m, i, s.slopes(ball, rod))
			m[i][n] = (rod.dot(rod) - squared[i]) / 2
		}
		det := m.solve(n)
		if det == 0 {
			return pose.Pose{}, false
		}
		small := true
		for k, a := range r.list {
			step := m[k][n]
			if !(math.Abs(step) < math.Inf(1)) {
				return pose.Pose{}, false
			}
			p[a] -= min(max(step, -most), most)
			small = small && math.Abs(step) < 1e-13
		}
		if small {
			return p, det/r.level > 0 && r.place(p, &s) // not the same rods put together the other way round
		}
	}
	return pose.Pose{}, false
}
