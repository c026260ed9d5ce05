package jog

import (
	"math"

	"perch/host/commissioning"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

// Speed of an actuator whose rods are off: slow enough to see which way it turns (common practice, no source).
const (
	ownTurn  = 20 * math.Pi / 180 // rad/s
	ownShift = 0.02               // m/s
	rampTime = 0.3                // s, to that speed
	jerkTime = 0.15               // s, to the acceleration for that
)

// own is a seat whose rods are off: each actuator moves by itself, and axis n of the pose, in the order of package
// pose, stands for actuator n, in the actuator's own unit.
type own struct {
	axes pose.Axes
	list []mechanism.Actuator
}

// Own gives each actuator of m an axis of its own, in m's order, for a seat whose rods are off. most are the speeds that
// the controller takes at reduced speed, rad/s or m/s; nil: as the actuators' own.
func Own(m mechanism.Mechanism, most []float64) (mechanism.Mechanism, guard.Limits) {
	o := &own{}
	var l guard.Limits
	for i, a := range m.Actuators() {
		speed := ownTurn
		if a.Unit == "m" {
			speed = ownShift
		}
		if i < len(most) {
			speed = min(speed, most[i])
		}
		a.Speed = min(a.Speed, speed)
		a.Acceleration = min(a.Acceleration, a.Speed/rampTime)
		a.Jerk = min(a.Jerk, a.Acceleration/jerkTime)
		o.axes |= pose.Of(pose.Axis(i))
		l.Low[i], l.High[i], l.Speed[i], l.Acceleration[i], l.Jerk[i] = a.Low, a.High, a.Speed, a.Acceleration, a.Jerk
		o.list = append(o.list, a)
	}
	return o, l
}

// Axes are as many as there are actuators.
func (o *own) Axes() pose.Axes { return o.axes }

// Actuators are those of the seat, slowed.
func (o *own) Actuators() []mechanism.Actuator { return o.list }

// Inverse refuses what is beyond an actuator's travel.
func (o *own) Inverse(p pose.Pose, out *mechanism.Positions) error {
	var q mechanism.Positions
	for i, a := range o.list {
		if !(p[i] >= a.Low && p[i] <= a.High) {
			return mechanism.ErrUnreachable
		}
		q[i] = p[i]
	}
	*out = q
	return nil
}

// Forward refuses only what is no number.
func (o *own) Forward(q mechanism.Positions, _ pose.Pose) (p pose.Pose, err error) {
	for i := range o.list {
		if q[i]-q[i] != 0 {
			return pose.Pose{}, mechanism.ErrUnreachable
		}
		p[i] = q[i]
	}
	return p, nil
}

// slowed is a mechanism whose actuators may not be asked for more than some speed.
type slowed struct {
	mechanism.Mechanism
	list []mechanism.Actuator
}

// Actuators are those of the mechanism, slowed.
func (s slowed) Actuators() []mechanism.Actuator { return s.list }

// Slowed gives the seat as it is moved while somebody looks: limits at reduced speed (ISO 10218-1's 250 mm/s at the
// rider's head, all axes together), and actuators no faster than most, the speeds that the controller takes at reduced speed.
func Slowed(m mechanism.Mechanism, l guard.Limits, r commissioning.Reduced, most []float64) (mechanism.Mechanism, guard.Limits) {
	s := slowed{Mechanism: m, list: append([]mechanism.Actuator(nil), m.Actuators()...)}
	for i := range s.list {
		if i < len(most) {
			s.list[i].Speed = min(s.list[i].Speed, most[i])
		}
	}
	return s, r.Limits(l, m.Axes())
}

// Share gives the limits with speed, acceleration and jerk at a share of theirs, 0 to 1; travel stays.
func Share(l guard.Limits, share float64) guard.Limits {
	for a := range pose.Count {
		l.Speed[a] *= share
		l.Acceleration[a] *= share
		l.Jerk[a] *= share
	}
	return l
}
