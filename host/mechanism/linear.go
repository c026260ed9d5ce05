package mechanism

import (
	"math"

	"perch/host/pose"
)

// ActuatorSettings are those of the linear actuators of one seat, all of them alike: m, rad and s.
type ActuatorSettings struct {
	Shortest, Longest float64 // m, from ball to ball, at the ends of the travel that may be used
	MostJointAngle    float64 // rad, by which a ball joint may turn away from where it is with the seat level

	Speed        float64 // m/s
	Acceleration float64 // m/s²
	Jerk         float64 // m/s³
}

func ordinaryActuator(shortest, longest float64) ActuatorSettings {
	return ActuatorSettings{
		Shortest: shortest, Longest: longest, MostJointAngle: 30 * math.Pi / 180,
		Speed: 0.4, Acceleration: 4, Jerk: 80,
	}
}

func (s ActuatorSettings) check(f *faults) {
	f.within("Shortest", s.Shortest, 0.05, 5, "m", "measure it in metres, from ball to ball, drawn in as far as may be used")
	f.within("Longest", s.Longest, 0.05, 5, "m", "measure it in metres, from ball to ball, run out as far as may be used")
	if s.Shortest >= s.Longest {
		f.add("Shortest is %g m and Longest %g m: measure both from ball to ball, drawn in and run out", s.Shortest, s.Longest)
	}
	if s.Longest >= 2*s.Shortest {
		f.add("Longest is %g m, twice Shortest %g m or more, which one tube in another cannot do: measure both from ball to ball", s.Longest, s.Shortest)
	}
	f.joint(s.MostJointAngle)
	f.movement("", "m", s.Speed, s.Acceleration, s.Jerk)
}

func (f *faults) joint(most float64) {
	const deg = math.Pi / 180
	f.within("MostJointAngle", most, 1*deg, 80*deg, "rad", "give it in radians; 0.52 (30 deg) is usual of ball joints, 0.26 (15 deg) of rod ends")
}

// linear is a seat on linear actuators from feet, balls in the base, to balls in the seat. Each actuator's position is
// its length less that with the seat level. It is made once and does not change.
type linear struct {
	rods
	foot      [MaxActuators]vector
	rest      [MaxActuators]vector // unit, from foot to seat ball with the seat level
	zero      [MaxActuators]float64
	low, high [MaxActuators]float64
	joint     float64 // cosine of MostJointAngle
	actuators []Actuator
}

// newLinear takes one foot and one name for each seat ball.
func newLinear(thing string, s ActuatorSettings, r rods, names []string, feet []vector) (linear, error) {
	m := linear{rods: r, joint: math.Cos(s.MostJointAngle)}
	f := faults{thing: thing}
	var rows matrix
	still := placed{cr: 1, cp: 1, cy: 1}
	for i, name := range names {
		m.foot[i] = feet[i]
		rod := r.seat[i].minus(feet[i])
		m.zero[i] = rod.length()
		m.rest[i] = rod.times(1 / m.zero[i])
		m.low[i], m.high[i] = s.Shortest-m.zero[i], s.Longest-m.zero[i]
		if !(m.low[i] < 0 && m.high[i] > 0) {
			f.add("the level seat needs actuator %q to be %.4g m long, not between Shortest %g m and Longest %g m: "+
				"measure again, or change the height", name, m.zero[i], s.Shortest, s.Longest)
		}
		m.row(&rows, i, still.slopes(r.seat[i], m.rest[i]))
		m.actuators = append(m.actuators, Actuator{
			Name: name, Unit: "m", Low: m.low[i], High: m.high[i],
			Speed: s.Speed, Acceleration: s.Acceleration, Jerk: s.Jerk,
		})
	}
	m.level = rows.reduce(len(names))
	f.held(m.level, r)
	return m, f.err()
}

// held refuses rods that do not hold the level seat. The determinant is compared with what unit rods could do at best:
// 1 for a translation, the seat ball's distance for an angle.
func (f *faults) held(level float64, r rods) {
	best := 1.0
	for _, a := range r.list {
		if a >= pose.Roll {
			most := 0.0
			for i := range r.list {
				most = max(most, r.seat[i].length())
			}
			best *= most
		}
	}
	if !(math.Abs(level) >= 1e-3*best) {
		f.add("the level seat is not held: it could move though nothing else does; spread the balls further apart, and do not set all feet straight under them")
	}
}

// Axes are those that the actuators move.
func (m *linear) Axes() pose.Axes { return m.axes }

// Actuators are the linear actuators; a position is m longer than with the seat level.
func (m *linear) Actuators() []Actuator { return m.actuators }

// Inverse gives the actuators' lengths of a pose, less those of the level seat. A pose beyond the travel of an actuator,
// beyond what a ball joint at either end may turn, or where the actuators together hold the seat less than a fifth as
// well as level, is refused.
func (m *linear) Inverse(p pose.Pose, out *Positions) error {
	var s placed
	if !m.place(p, &s) {
		return ErrUnreachable
	}
	var q Positions
	var rows matrix
	for i := range m.actuators {
		ball := s.turn(m.seat[i])
		rod := ball.plus(s.at).minus(m.foot[i])
		length := rod.length()
		q[i] = length - m.zero[i]
		if !(q[i] >= m.low[i] && q[i] <= m.high[i]) || // also where it is not a number
			rod.dot(m.rest[i]) < length*m.joint || rod.dot(s.turn(m.rest[i])) < length*m.joint {
			return ErrUnreachable
		}
		m.row(&rows, i, s.slopes(ball, rod.times(1/length)))
	}
	if !m.holds(&rows) {
		return ErrUnreachable
	}
	*out = q
	return nil
}

// Forward gives the pose of the actuators' positions by Newton's method on their lengths, from a pose near, and from
// level where that does not do. It also answers a little beyond the travel, as a measured position may be; it refuses
// where the search ends nowhere, and where the seat is past the actuators' common dead centre.
func (m *linear) Forward(a Positions, near pose.Pose) (pose.Pose, error) {
	var squared [MaxActuators]float64
	for i := range m.actuators {
		length := a[i] + m.zero[i]
		if !(length > 0 && length < 100) {
			return pose.Pose{}, ErrUnreachable
		}
		squared[i] = length * length
	}
	if p, ok := m.newton(&m.foot, &squared, near); ok {
		return p, nil
	}
	return pose.Pose{}, ErrUnreachable
}

// Jacobian gives, for each actuator, its speed for a speed of one in each axis, m/m and m/rad: speeds of the actuators
// are rows times speed of the pose, and forces and torques on the seat are the transposed rows times the forces of the
// actuators (virtual work). It refuses what Inverse refuses.
func (m *linear) Jacobian(p pose.Pose, out *[MaxActuators]pose.Pose) error {
	var q Positions
	if err := m.Inverse(p, &q); err != nil {
		return err
	}
	var s placed
	m.place(p, &s)
	*out = [MaxActuators]pose.Pose{}
	for i := range m.actuators {
		ball := s.turn(m.seat[i])
		rod := ball.plus(s.at).minus(m.foot[i])
		out[i] = s.slopes(ball, rod.times(1/rod.length())).Only(m.axes)
	}
	return nil
}
