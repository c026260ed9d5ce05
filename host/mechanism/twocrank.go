package mechanism

import (
	"fmt"
	"math"

	"perch/host/pose"
)

// TwoCrankSettings are the measures of a two-crank seat: m, rad and s. Base axes are the seat's at neutral, with
// their origin at the universal joint: x forward, y right, z down. Drawing shows the same lengths to scale.
//
//	                             forward →
//	         JointToSeatPointBack
//	       |<--------------------->|
//	rear   o-----------------------U  universal joint, fixed to the base
//	seat   |\                          (o is SeatPointHeight above U, here 0)
//	point  | \
//	       |  \ RodLength
//	       |   \                       seen from above:
//	       |    \                          o left      -
//	       |     \                         |           | HalfWidth
//	  CrankDrop   \                        +-------U   -
//	       |       \                       |
//	       |        \                      o right
//	       |         \
//	       C----------* crank tip
//	  crank centre
//	       |<-------->|
//	        CrankRadius
//
// At crank angle zero the crank is level and its tip faces forward (or backward, TipBackward); a positive angle
// lifts the tip. Crank axes are parallel to y. Both ends of a rod are ball joints.
type TwoCrankSettings struct {
	JointToSeatPointBack float64 // m, from the universal joint back to the seat points, level
	HalfWidth            float64 // m, from the middle plane out to each seat point
	SeatPointHeight      float64 // m, of the seat points above the universal joint, at neutral; below is negative
	CrankDrop            float64 // m, of the crank centres below the universal joint
	CrankForward         float64 // m, of the crank centres forward of the seat points at neutral; 0 where one is under the other
	CrankOutward         float64 // m, of the crank centres further out than the seat points; 0 where one is under the other
	CrankRadius          float64 // m, from the crank's axis to the ball in its tip
	RodLength            float64 // m, from ball to ball
	TipBackward          bool    // the cranks are mounted mirror-wise: level, their tips face backward

	LeastTransmissionAngle float64 // rad, between rod and crank's arm: π/2 is best, 0 is dead centre

	Low, High    float64 // rad, travel of a crank
	Speed        float64 // rad/s, of a crank
	Acceleration float64 // rad/s², of a crank
	Jerk         float64 // rad/s³, of a crank
}

// DefaultTwoCrank is a seat of ordinary size. Its limits are starting points, to be replaced by those of the motors.
func DefaultTwoCrank() TwoCrankSettings {
	const deg = math.Pi / 180
	return TwoCrankSettings{
		JointToSeatPointBack:   0.40,
		HalfWidth:              0.30,
		CrankDrop:              0.60,
		CrankRadius:            0.10,
		RodLength:              math.Sqrt(0.37), // crank level at neutral
		LeastTransmissionAngle: 30 * deg,
		Low:                    -60 * deg,
		High:                   60 * deg,
		Speed:                  240 * deg,
		Acceleration:           2000 * deg,
		Jerk:                   30000 * deg,
	}
}

// TwoCrank is a seat on a universal joint, moved in roll and pitch by two cranks behind it. Its actuators are the
// left and the right crank, in rad. It is made by NewTwoCrank and does not change.
type TwoCrank struct {
	side      [2]side
	rod2      float64 // RodLength²
	radius    float64
	forward   float64 // +1, or -1 with TipBackward
	least2    float64 // (RodLength sin LeastTransmissionAngle)²
	low, high float64
	rod       float64
	actuators []Actuator
}

// side is one rod: its seat point in seat axes and its crank centre in base axes.
type side struct{ px, py, pz, cx, cy, cz float64 }

// NewTwoCrank makes the mechanism, or says everything that is wrong with its measures.
func NewTwoCrank(s TwoCrankSettings) (*TwoCrank, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	m := &TwoCrank{
		rod2:    s.RodLength * s.RodLength,
		rod:     s.RodLength,
		radius:  s.CrankRadius,
		forward: 1,
		low:     s.Low,
		high:    s.High,
	}
	if s.TipBackward {
		m.forward = -1
	}
	m.least2 = s.RodLength * math.Sin(s.LeastTransmissionAngle)
	m.least2 *= m.least2
	for i, name := range []string{"left", "right"} {
		out := float64(2*i - 1)
		m.side[i] = side{
			px: -s.JointToSeatPointBack, py: out * s.HalfWidth, pz: -s.SeatPointHeight,
			cx: -s.JointToSeatPointBack + s.CrankForward, cy: out * (s.HalfWidth + s.CrankOutward), cz: s.CrankDrop,
		}
		m.actuators = append(m.actuators, Actuator{
			Name: name, Unit: "rad", Low: s.Low, High: s.High,
			Speed: s.Speed, Acceleration: s.Acceleration, Jerk: s.Jerk,
		})
	}
	var out Positions
	if err := m.Inverse(pose.Pose{}, &out); err != nil {
		l := m.solve(0, pose.Pose{})
		return nil, fmt.Errorf("two-crank seat: the level seat: %w: crank at %.1f deg, transmission angle %.1f deg: "+
			"measure RodLength %g m, CrankDrop %g m and CrankForward %g m again, or change the rod",
			err, l.angle*180/math.Pi, m.transmission(l)*180/math.Pi, s.RodLength, s.CrankDrop, s.CrankForward)
	}
	return m, nil
}

// Axes are roll and pitch.
func (m *TwoCrank) Axes() pose.Axes { return pose.Of(pose.Roll, pose.Pitch) }

// Actuators are the left and the right crank.
func (m *TwoCrank) Actuators() []Actuator { return m.actuators }

// loop is one side's solved loop.
type loop struct {
	x, y, z       float64 // from crank centre to seat point, m, base axes, x in the direction the level tip faces
	s2            float64 // (rod length × sine of the transmission angle)²; under 0 the loop does not close
	angle         float64 // of the crank, rad; only where s2 >= 0
	sin, cos      float64 // of angle, times scale
	scale         float64
	lever         float64 // √s2
	dfx, dfy, dfz float64 // of x, y, z by roll
	dtx, dtz      float64 // of x and z by pitch; y does not change
}

// turned gives the vector from crank centre to seat point, from sines and cosines of roll and pitch.
// P = Ry(pitch) Rx(roll) A, in the intrinsic z-y-x order with yaw held.
func (m *TwoCrank) turned(i int, sf, cf, st, ct float64) (x, y, z float64) {
	a := &m.side[i]
	y = a.py*cf - a.pz*sf
	w := a.py*sf + a.pz*cf
	return m.forward * (a.px*ct + w*st - a.cx), y - a.cy, -a.px*st + w*ct - a.cz
}

// close solves |d - radius·u(angle)| = rod for the angle, u = (cos, 0, -sin), on the branch whose tip faces forward.
// With k = (d·d + radius² - rod²) / 2 radius, M = dx, N = -dz it is M cos + N sin = k, and the lever of the rod about
// the crank, N cos - M sin = √(M²+N²-k²), is rod × sine of the transmission angle.
func (m *TwoCrank) close(x, y, z float64) (k, s2 float64) {
	k = (x*x + y*y + z*z + m.radius*m.radius - m.rod2) / (2 * m.radius)
	return k, x*x + z*z - k*k
}

// Inverse gives the crank angles of roll and pitch. A pose beyond the travel of a crank or with a transmission angle
// under the least is refused.
func (m *TwoCrank) Inverse(p pose.Pose, out *Positions) error {
	sf, cf := math.Sincos(p[pose.Roll])
	st, ct := math.Sincos(p[pose.Pitch])
	var angle [2]float64
	for i := range angle {
		x, y, z := m.turned(i, sf, cf, st, ct)
		k, s2 := m.close(x, y, z)
		if !(s2 >= m.least2) { // also where it is not a number
			return ErrUnreachable
		}
		s := math.Sqrt(s2)
		a := math.Atan2(-z*k-x*s, x*k-z*s)
		if !(a >= m.low && a <= m.high) {
			return ErrUnreachable
		}
		angle[i] = a
	}
	*out = Positions{angle[0], angle[1]}
	return nil
}

// solve is Inverse's arithmetic for one side, with the derivatives and without the limits.
func (m *TwoCrank) solve(i int, p pose.Pose) loop {
	sf, cf := math.Sincos(p[pose.Roll])
	st, ct := math.Sincos(p[pose.Pitch])
	a := &m.side[i]
	var l loop
	l.x, l.y, l.z = m.turned(i, sf, cf, st, ct)
	dw := a.py*cf - a.pz*sf // by roll
	w := a.py*sf + a.pz*cf
	l.dfx, l.dfy, l.dfz = m.forward*dw*st, -w, dw*ct
	l.dtx, l.dtz = m.forward*(-a.px*st+w*ct), -a.px*ct-w*st
	var k float64
	k, l.s2 = m.close(l.x, l.y, l.z)
	if l.s2 >= 0 {
		l.lever = math.Sqrt(l.s2)
		l.scale = l.x*l.x + l.z*l.z
		l.sin, l.cos = -l.z*k-l.x*l.lever, l.x*k-l.z*l.lever
		l.angle = math.Atan2(l.sin, l.cos)
	}
	return l
}

func (m *TwoCrank) transmission(l loop) float64 {
	if l.s2 < 0 {
		return 0
	}
	return math.Asin(math.Min(1, l.lever/m.rod))
}

// TransmissionAngle gives the angle between rod and crank arm at each crank, left and right, in rad from 0 at dead
// centre to π/2, where the crank pushes best. It also answers for poses that only Inverse's limits refuse.
func (m *TwoCrank) TransmissionAngle(p pose.Pose) ([2]float64, error) {
	var out [2]float64
	for i := range out {
		l := m.solve(i, p)
		if !(l.s2 >= 0) {
			return [2]float64{}, ErrUnreachable
		}
		out[i] = m.transmission(l)
	}
	return out, nil
}

// Jacobian gives, for each crank, its speed for a speed of one in roll and in pitch, rad/rad: speeds of the cranks
// are rows times speed of the pose, and torques on the seat are the transposed rows times torques of the cranks
// (virtual work). It refuses what Inverse refuses.
func (m *TwoCrank) Jacobian(p pose.Pose, out *[MaxActuators]pose.Pose) error {
	var rows [MaxActuators]pose.Pose
	for i := range m.side {
		l := m.solve(i, p)
		if !(l.s2 >= m.least2 && l.s2 > 0) || !(l.angle >= m.low && l.angle <= m.high) {
			return ErrUnreachable
		}
		// rod·dP = radius (rod·tip speed per rad) dangle, and rod·tip speed per rad is the lever.
		rx, rz := l.x-m.radius*l.cos/l.scale, l.z+m.radius*l.sin/l.scale
		q := 1 / (m.radius * l.lever)
		rows[i][pose.Roll] = (rx*l.dfx + l.y*l.dfy + rz*l.dfz) * q
		rows[i][pose.Pitch] = (rx*l.dtx + rz*l.dtz) * q
	}
	*out = rows
	return nil
}

// Forward gives roll and pitch of two crank angles by Newton's method on both rods' lengths, from a pose near, and
// from level where that does not do. It also answers for cranks a little beyond their travel, as a measured angle may
// be; it refuses where the rods cannot reach, and where a rod is past its dead centre.
func (m *TwoCrank) Forward(a Positions, near pose.Pose) (pose.Pose, error) {
	for i := range m.side {
		if !(math.Abs(a[i]) <= math.Pi) {
			return pose.Pose{}, ErrUnreachable
		}
	}
	f, t := near[pose.Roll], near[pose.Pitch]
	if math.Abs(f) < math.Pi/2 && math.Abs(t) < math.Pi/2 { // false where it is not a number
		if p, ok := m.newton(a, f, t); ok {
			return p, nil
		}
	}
	if p, ok := m.newton(a, 0, 0); ok {
		return p, nil
	}
	return pose.Pose{}, ErrUnreachable
}

func (m *TwoCrank) newton(a Positions, f, t float64) (pose.Pose, bool) {
	var tipX, tipZ, tanX, tanZ [2]float64
	for i := range tipX {
		s, c := math.Sincos(a[i])
		tipX[i], tipZ[i] = m.radius*c, -m.radius*s
		tanX[i], tanZ[i] = -s, -c
	}
	const most = 0.3 // rad, a step: keeps the search on its branch
	for range newtonSteps {
		sf, cf := math.Sincos(f)
		st, ct := math.Sincos(t)
		var e, ef, et [2]float64
		past := false
		for i := range e {
			v := &m.side[i]
			x, y, z := m.turned(i, sf, cf, st, ct)
			x, z = x-tipX[i], z-tipZ[i]
			dw, w := v.py*cf-v.pz*sf, v.py*sf+v.pz*cf
			e[i] = (x*x + y*y + z*z - m.rod2) / 2
			ef[i] = x*m.forward*dw*st - y*w + z*dw*ct
			et[i] = x*m.forward*(-v.px*st+w*ct) + z*(-v.px*ct-w*st)
			past = past || !(x*tanX[i]+z*tanZ[i] > 0)
		}
		det := ef[0]*et[1] - ef[1]*et[0]
		df := (e[0]*et[1] - e[1]*et[0]) / det
		dt := (ef[0]*e[1] - ef[1]*e[0]) / det
		if math.IsNaN(df) || math.IsNaN(dt) {
			return pose.Pose{}, false
		}
		f -= min(max(df, -most), most)
		t -= min(max(dt, -most), most)
		if math.Abs(df) < 1e-13 && math.Abs(dt) < 1e-13 {
			ok := !past && math.Abs(f) < math.Pi/2 && math.Abs(t) < math.Pi/2
			var p pose.Pose
			p[pose.Roll], p[pose.Pitch] = f, t
			return p, ok
		}
	}
	return pose.Pose{}, false
}
