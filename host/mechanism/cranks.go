package mechanism

import (
	"fmt"
	"math"

	"perch/host/pose"
)

// CrankSettings are those of the cranks and rods of one seat, all of them alike: m, rad and s.
type CrankSettings struct {
	CrankRadius            float64 // m, from the crank's axis to the ball in its tip
	RodLength              float64 // m, from ball to ball
	LeastTransmissionAngle float64 // rad, between rod and crank's arm: π/2 is best, 0 is dead centre
	Low, High              float64 // rad, travel of a crank
	Speed                  float64 // rad/s, of a crank
	Acceleration           float64 // rad/s², of a crank
	Jerk                   float64 // rad/s³, of a crank
}

func (s CrankSettings) check(f *faults) {
	const metres = "measure it in metres"
	f.within("CrankRadius", s.CrankRadius, 0.002, 1, "m", metres+", from the crank's axis to the ball in its tip")
	f.within("RodLength", s.RodLength, 0.01, 5, "m", metres+", from ball to ball")
	if s.RodLength <= s.CrankRadius {
		f.add("RodLength is %g m, not over CrankRadius %g m: such a crank locks; take a longer rod", s.RodLength, s.CrankRadius)
	}
	const deg = math.Pi / 180
	f.within("LeastTransmissionAngle", s.LeastTransmissionAngle, 5*deg, 89*deg, "rad", "give it in radians; 0.52 (30 deg) is usual, less is near dead centre")
	f.motion("", "rad", s.Low, s.High, s.Speed, s.Acceleration, s.Jerk)
	f.within("Low", s.Low, -math.Pi, math.Pi, "rad", "give the crank's travel in radians from level, tip up positive")
	f.within("High", s.High, -math.Pi, math.Pi, "rad", "give the crank's travel in radians from level, tip up positive")
}

// cranks is a seat on rods from cranks with level axes to balls in the seat. At angle zero a crank is level and its tip
// faces along its arm; a positive angle lifts the tip. It is made once and does not change.
type cranks struct {
	rods
	size      CrankSettings
	centre    [MaxActuators]vector
	arm       [MaxActuators]vector // unit and level
	rod2      float64              // RodLength²
	least2    float64              // (RodLength sin LeastTransmissionAngle)²
	actuators []Actuator

	jointed bool                 // the ball joints' angles, and how well the rods hold the seat together, are limited too
	rest    [MaxActuators]vector // rods with the seat level, from tip to seat ball; only where jointed
	joint   float64              // RodLength² times the cosine of the joints' greatest angle
	lean    float64              // RodLength times its sine
}

// newCranks takes one centre, one arm and one name for each seat ball, and refuses what does not reach the level seat.
// mostJoint is the joints' greatest angle, rad, or 0 for none; check names the measures that set the level seat.
func newCranks(thing string, s CrankSettings, r rods, names []string, centres, arms []vector, mostJoint float64, check string) (cranks, error) {
	m := cranks{rods: r, size: s, rod2: s.RodLength * s.RodLength}
	m.least2 = s.RodLength * math.Sin(s.LeastTransmissionAngle)
	m.least2 *= m.least2
	for i, name := range names {
		m.centre[i], m.arm[i] = centres[i], arms[i]
		m.actuators = append(m.actuators, Actuator{
			Name: name, Unit: "rad", Low: s.Low, High: s.High,
			Speed: s.Speed, Acceleration: s.Acceleration, Jerk: s.Jerk,
		})
	}
	var out Positions
	var rows matrix
	still := placed{cr: 1, cp: 1, cy: 1}
	err := m.Inverse(pose.Pose{}, &out)
	for i := range names {
		var l loop
		m.solve(i, &still, &l)
		if err != nil {
			stands := "at no angle of the crank is the rod long or short enough"
			if l.s2 >= 0 {
				stands = fmt.Sprintf("crank at %.1f deg, transmission angle %.1f deg", l.angle()*180/math.Pi, m.transmission(&l)*180/math.Pi)
			}
			return m, fmt.Errorf("%s: the level seat: %w: %s: measure RodLength %g m and %s again, or change the rod",
				thing, err, stands, s.RodLength, check)
		}
		m.rest[i] = m.rodOf(i, &l)
		m.row(&rows, i, still.slopes(r.seat[i], m.rest[i].times(1/s.RodLength)))
	}
	m.level = rows.reduce(len(names))
	if mostJoint == 0 {
		return m, nil
	}
	m.jointed, m.joint, m.lean = true, m.rod2*math.Cos(mostJoint), s.RodLength*math.Sin(mostJoint)
	f := faults{thing: thing}
	f.held(m.level, r)
	if err := f.err(); err != nil {
		return m, err
	}
	for i, name := range names {
		var l loop
		m.solve(i, &still, &l)
		if lean := math.Abs(m.leans(i, &l)); lean > m.lean {
			f.add("the level seat: the rod of %s leans %.1f deg out of its crank's plane, over MostJointAngle %.1f deg: "+
				"bring the seat balls over the cranks' planes, or take other joints",
				name, math.Asin(min(1, lean/s.RodLength))*180/math.Pi, mostJoint*180/math.Pi)
		}
	}
	return m, f.err()
}

// Axes are those that the cranks move.
func (m *cranks) Axes() pose.Axes { return m.axes }

// Actuators are the cranks.
func (m *cranks) Actuators() []Actuator { return m.actuators }

// loop is one crank's solved loop.
type loop struct {
	ball  vector  // the seat ball from the seat's origin, base axes
	d     vector  // the seat ball from the crank's centre
	x, z  float64 // d along the arm, and down
	k     float64
	s2    float64 // (rod length × sine of the transmission angle)²; under 0 the loop does not close
	lever float64 // √s2, of the rod about the crank's axis; not a number where the loop does not close
}

// sin and cos are the crank angle's, times x²+z².
func (l *loop) sin() float64   { return -l.z*l.k - l.x*l.lever }
func (l *loop) cos() float64   { return l.x*l.k - l.z*l.lever }
func (l *loop) angle() float64 { return math.Atan2(l.sin(), l.cos()) }

// solve solves |d - radius·u(angle)| = rod for the angle, u = (cos, -sin) along the arm and down, on the branch whose
// tip faces along the arm. With k = (d·d + radius² - rod²) / 2 radius, M = d along the arm, N = d upwards it is
// M cos + N sin = k, and the lever of the rod about the crank, N cos - M sin = √(M²+N²-k²), is rod × sine of the
// transmission angle.
func (m *cranks) solve(i int, s *placed, l *loop) {
	l.ball = s.turn(m.seat[i])
	l.d = l.ball.plus(s.at).minus(m.centre[i])
	l.x, l.z = l.d.x*m.arm[i].x+l.d.y*m.arm[i].y, l.d.z
	l.k = (l.d.dot(l.d) + m.size.CrankRadius*m.size.CrankRadius - m.rod2) / (2 * m.size.CrankRadius)
	l.s2 = l.x*l.x + l.z*l.z - l.k*l.k
	l.lever = math.Sqrt(l.s2)
}

// rodOf is the rod, from tip to seat ball.
func (m *cranks) rodOf(i int, l *loop) vector {
	r := m.size.CrankRadius / (l.x*l.x + l.z*l.z)
	out := r * l.cos()
	return l.d.minus(vector{m.arm[i].x * out, m.arm[i].y * out, -r * l.sin()})
}

// leans is how far the seat ball is out of the crank's plane, m.
func (m *cranks) leans(i int, l *loop) float64 {
	return l.d.y*m.arm[i].x - l.d.x*m.arm[i].y
}

// transmission is the angle between rod and arm.
func (m *cranks) transmission(l *loop) float64 {
	if !(l.s2 >= 0) {
		return 0
	}
	return math.Asin(math.Min(1, l.lever/m.size.RodLength))
}

// Inverse gives the crank angles of a pose. A pose beyond the travel of a crank or with a transmission angle under the
// least is refused.
func (m *cranks) Inverse(p pose.Pose, out *Positions) error {
	var s placed
	if !m.place(p, &s) {
		return ErrUnreachable
	}
	var q Positions
	var loops [MaxActuators]loop
	for i := range m.actuators {
		l := &loops[i]
		m.solve(i, &s, l)
		if !(l.s2 >= m.least2) { // also where it is not a number
			return ErrUnreachable
		}
		q[i] = l.angle()
		if !(q[i] >= m.size.Low && q[i] <= m.size.High) {
			return ErrUnreachable
		}
	}
	if m.jointed && !m.jointsBear(&s, &loops) {
		return ErrUnreachable
	}
	*out = q
	return nil
}

// jointsBear says whether the ball joints can turn so far, and the rods together hold the seat well enough.
func (m *cranks) jointsBear(s *placed, loops *[MaxActuators]loop) bool {
	var rows matrix
	for i := range m.actuators {
		l := &loops[i]
		rod := m.rodOf(i, l)
		if math.Abs(m.leans(i, l)) > m.lean || rod.dot(s.turn(m.rest[i])) < m.joint {
			return false
		}
		m.row(&rows, i, s.slopes(l.ball, rod.times(1/m.size.RodLength)))
	}
	return m.holds(&rows)
}

// TransmissionAngles gives the angle between rod and crank arm at each crank, in rad from 0 at dead centre to π/2, where
// the crank pushes best. It also answers for poses that only Inverse's limits refuse.
func (m *cranks) TransmissionAngles(p pose.Pose, out *Positions) error {
	return m.each(p, out, m.transmission)
}

// each gives what of says of each crank's loop at a pose, whatever limits refuse.
func (m *cranks) each(p pose.Pose, out *Positions, of func(l *loop) float64) error {
	var s placed
	if !m.place(p, &s) {
		return ErrUnreachable
	}
	var all Positions
	for i := range m.actuators {
		var l loop
		m.solve(i, &s, &l)
		if !(l.s2 >= 0) {
			return ErrUnreachable
		}
		all[i] = of(&l)
	}
	*out = all
	return nil
}

// Jacobian gives, for each crank, its speed for a speed of one in each axis, rad/m and rad/rad: speeds of the cranks
// are rows times speed of the pose, and forces and torques on the seat are the transposed rows times torques of the
// cranks (virtual work). It refuses what Inverse refuses.
func (m *cranks) Jacobian(p pose.Pose, out *[MaxActuators]pose.Pose) error {
	var q Positions
	if err := m.Inverse(p, &q); err != nil {
		return err
	}
	var s placed
	m.place(p, &s)
	*out = [MaxActuators]pose.Pose{}
	for i := range m.actuators {
		// rod·dP = rod·(tip's speed per rad) dangle, and rod·(tip's speed per rad) is radius times lever.
		var l loop
		m.solve(i, &s, &l)
		out[i] = s.slopes(l.ball, m.rodOf(i, &l).times(1/(m.size.CrankRadius*l.lever))).Only(m.axes)
	}
	return nil
}

// Forward gives the pose of crank angles by Newton's method on the rods' lengths, from a pose near, and from level where
// that does not do. It also answers for cranks a little beyond their travel, as a measured angle may be; it refuses
// where the rods cannot reach, and where a rod is past its dead centre.
func (m *cranks) Forward(a Positions, near pose.Pose) (pose.Pose, error) {
	var tips, moves [MaxActuators]vector
	var squared [MaxActuators]float64
	for i := range m.actuators {
		if !(math.Abs(a[i]) <= math.Pi) {
			return pose.Pose{}, ErrUnreachable
		}
		s, c := math.Sincos(a[i])
		tip := vector{m.arm[i].x * c, m.arm[i].y * c, -s}
		tips[i] = m.centre[i].plus(tip.times(m.size.CrankRadius))
		moves[i] = vector{-m.arm[i].x * s, -m.arm[i].y * s, -c}
		squared[i] = m.rod2
	}
	if p, ok := m.search(&tips, &squared, near.Only(m.axes)); ok && m.pushes(&tips, &moves, p) {
		return p, nil
	}
	if p, ok := m.search(&tips, &squared, pose.Pose{}); ok && m.pushes(&tips, &moves, p) {
		return p, nil
	}
	return pose.Pose{}, ErrUnreachable
}

// pushes says whether every tip that rises pushes its rod: no rod is past its dead centre.
func (m *cranks) pushes(tips, moves *[MaxActuators]vector, p pose.Pose) bool {
	var s placed
	m.place(p, &s)
	for i := range m.actuators {
		if !(s.turn(m.seat[i]).plus(s.at).minus(tips[i]).dot(moves[i]) > 0) {
			return false
		}
	}
	return true
}
