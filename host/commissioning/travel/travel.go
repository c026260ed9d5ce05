// Package travel maps how far a seat reaches: each axis alone, two axes together, and how its cranks stand there.
package travel

import (
	"math"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

// Seat is what is mapped.
type Seat struct {
	Mechanism mechanism.Mechanism
	Limits    guard.Limits // of the pose
}

// cranks is a mechanism whose cranks have a dead centre.
type cranks interface {
	CrankAngles(p pose.Pose, out *mechanism.Positions) error
	TransmissionAngles(p pose.Pose, out *mechanism.Positions) error
	DeadCentre(ray pose.Pose) (pose.Pose, mechanism.Positions, bool)
}

// End is one end of one axis, the others level. Values are m or rad, as Axis.Unit says.
type End struct {
	Limit        float64   // of the pose
	Reach        float64   // how far the mechanism goes: the least of its actuators' travel and its transmission angle
	Actuators    []float64 // at the limit, or at the reach where that comes first; m or rad
	Transmission float64   // the least there, rad; 0 where it has no cranks
	DeadCentre   float64   // of the axis; 0 where there is none
}

// Axis is one axis of a seat.
type Axis struct {
	Axis      pose.Axis
	Low, High End
}

// Axes maps each axis alone.
func (s Seat) Axes() []Axis {
	var out []Axis
	for a := range pose.Count {
		if s.Mechanism.Axes().Has(a) {
			out = append(out, Axis{a, s.end(a, s.Limits.Low[a], -1), s.end(a, s.Limits.High[a], 1)})
		}
	}
	return out
}

func (s Seat) end(a pose.Axis, limit, way float64) End {
	var ray pose.Pose
	ray[a] = way
	e := End{Limit: limit, Reach: s.reach(pose.Pose{}, ray)[a]}
	at := pose.Pose{}
	at[a] = way * min(math.Abs(limit), math.Abs(e.Reach))
	var q mechanism.Positions
	if s.Mechanism.Inverse(at, &q) == nil {
		e.Actuators = q[:len(s.Mechanism.Actuators())]
	}
	if m, ok := s.Mechanism.(cranks); ok {
		e.Transmission = s.transmission(at)
		if p, _, ok := m.DeadCentre(ray); ok {
			e.DeadCentre = p[a]
		}
	}
	return e
}

// transmission is the least of all cranks at a pose, rad; 0 at dead centre and beyond.
func (s Seat) transmission(p pose.Pose) float64 {
	m, ok := s.Mechanism.(cranks)
	var q mechanism.Positions
	if !ok || m.TransmissionAngles(p, &q) != nil {
		return 0
	}
	least := math.Pi / 2
	for i := range s.Mechanism.Actuators() {
		least = min(least, q[i])
	}
	return least
}

// Together is the largest share, 0 to 1, of the limits that all axes have at once.
func (s Seat) Together() float64 {
	var half pose.Pose
	for a := range pose.Count {
		half[a] = min(-s.Limits.Low[a], s.Limits.High[a])
	}
	return mechanism.Reach(s.Mechanism, half)
}

// reach goes from a pose along a ray to the last pose that is reached without a gap. A ray's length is of no matter.
func (s Seat) reach(from, ray pose.Pose) pose.Pose {
	return last(from, ray, func(p pose.Pose) bool {
		var out mechanism.Positions
		return s.Mechanism.Inverse(p, &out) == nil
	})
}

// last is the last pose along a ray, without a gap from its start, for which ok holds, within 5 m or rad.
func last(from, ray pose.Pose, ok func(pose.Pose) bool) pose.Pose {
	long := 0.0
	for a := range ray {
		long = math.Hypot(long, ray[a])
	}
	at := func(t float64) (p pose.Pose) {
		for a := range p {
			p[a] = from[a] + ray[a]/long*t
		}
		return p
	}
	const step, most = 0.004, 5
	for low := 0.0; low < most; low += step {
		high := low + step
		if ok(at(high)) {
			continue
		}
		for range 40 {
			if middle := (low + high) / 2; ok(at(middle)) {
				low = middle
			} else {
				high = middle
			}
		}
		return at(low)
	}
	return at(most)
}

// Point is a place in a map of two axes, m or rad each.
type Point struct{ X, Y float64 }

// rays are how many directions a boundary is looked for in.
const rays = 360

// Boundary is the edge of what is reached in two axes, from a pose of the others outwards, point by point round. It has
// no point where that pose itself is out of reach.
func (s Seat) Boundary(x, y pose.Axis, from pose.Pose) []Point {
	var out mechanism.Positions
	if s.Mechanism.Inverse(from, &out) != nil {
		return nil
	}
	return round(x, y, func(ray pose.Pose) (pose.Pose, bool) { return s.reach(from, ray), true })
}

// DeadCentres is the line of the first dead centre in two axes, from level outwards; nil where there are no cranks.
func (s Seat) DeadCentres(x, y pose.Axis) []Point {
	m, ok := s.Mechanism.(cranks)
	if !ok {
		return nil
	}
	return round(x, y, func(ray pose.Pose) (pose.Pose, bool) {
		p, _, ok := m.DeadCentre(ray)
		return p, ok
	})
}

// Transmission is the line at which the least transmission angle of all cranks has fallen to an angle, rad, from level
// outwards; nil where it is less already at level.
func (s Seat) Transmission(x, y pose.Axis, angle float64) []Point {
	if s.transmission(pose.Pose{}) <= angle {
		return nil
	}
	return round(x, y, func(ray pose.Pose) (pose.Pose, bool) {
		return last(pose.Pose{}, ray, func(p pose.Pose) bool { return s.transmission(p) > angle }), true
	})
}

// round asks in every direction of two axes.
func round(x, y pose.Axis, edge func(ray pose.Pose) (pose.Pose, bool)) []Point {
	var out []Point
	for n := range rays {
		sin, cos := math.Sincos(2 * math.Pi * float64(n) / rays)
		ray := pose.Pose{}
		ray[x], ray[y] = cos, sin
		if p, ok := edge(ray); ok {
			out = append(out, Point{p[x], p[y]})
		}
	}
	return out
}

// Pair is the two axes that a map shows first: roll and pitch where the seat has both, else the first two. ok is false
// where it has one only.
func (s Seat) Pair() (x, y pose.Axis, ok bool) {
	axes := s.Mechanism.Axes()
	if axes.Has(pose.Roll) && axes.Has(pose.Pitch) {
		return pose.Roll, pose.Pitch, true
	}
	var list []pose.Axis
	for a := range pose.Count {
		if axes.Has(a) {
			list = append(list, a)
		}
	}
	if len(list) < 2 {
		return list[0], list[0], false
	}
	return list[0], list[1], true
}

// Third is a further axis that changes what the pair reaches: heave where the seat has it.
func (s Seat) Third(x, y pose.Axis) (pose.Axis, bool) {
	for _, a := range []pose.Axis{pose.Heave, pose.Yaw, pose.Surge, pose.Sway, pose.Roll, pose.Pitch} {
		if s.Mechanism.Axes().Has(a) && a != x && a != y {
			return a, true
		}
	}
	return 0, false
}
