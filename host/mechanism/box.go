package mechanism

import (
	"perch/host/pose"
)

// BoxSettings are the limits of each axis in Axes: m or rad, /s, /s², /s³. The other axes' are not looked at.
type BoxSettings struct {
	Axes                                 pose.Axes
	Low, High, Speed, Acceleration, Jerk pose.Pose
}

// Box is an ideal seat whose axes move independently of each other, one actuator for each axis in the order of
// package pose: for work without a seat, for a platform whose controller takes poses, and as the plainest case in
// tests. It is made by NewBox and does not change.
type Box struct {
	axes      pose.Axes
	list      []pose.Axis
	actuators []Actuator
}

// NewBox makes the mechanism, or says everything that is wrong with its limits.
func NewBox(s BoxSettings) (*Box, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	b := &Box{axes: s.Axes}
	for a := range pose.Count {
		if !s.Axes.Has(a) {
			continue
		}
		b.list = append(b.list, a)
		b.actuators = append(b.actuators, Actuator{
			Name: a.String(), Unit: a.Unit(), Low: s.Low[a], High: s.High[a],
			Speed: s.Speed[a], Acceleration: s.Acceleration[a], Jerk: s.Jerk[a],
		})
	}
	return b, nil
}

// Axes are those of the settings.
func (b *Box) Axes() pose.Axes { return b.axes }

// Actuators are the axes.
func (b *Box) Actuators() []Actuator { return b.actuators }

// Inverse puts each axis in its actuator's place, and refuses a pose beyond an axis's travel.
func (b *Box) Inverse(p pose.Pose, out *Positions) error {
	var q Positions
	for i, a := range b.list {
		if v := p[a]; v >= b.actuators[i].Low && v <= b.actuators[i].High {
			q[i] = v
			continue
		}
		return ErrUnreachable
	}
	*out = q
	return nil
}

// Forward puts each actuator's position in its axis's place. It also answers a little beyond the travel, as a measured
// position may be; only what is no number is refused.
func (b *Box) Forward(q Positions, _ pose.Pose) (pose.Pose, error) {
	var p pose.Pose
	for i, a := range b.list {
		if q[i]-q[i] != 0 { // not finite
			return pose.Pose{}, ErrUnreachable
		}
		p[a] = q[i]
	}
	return p, nil
}

// Jacobian has a one where an actuator moves an axis. It refuses what Inverse refuses.
func (b *Box) Jacobian(p pose.Pose, out *[MaxActuators]pose.Pose) error {
	var q Positions
	if err := b.Inverse(p, &q); err != nil {
		return err
	}
	*out = [MaxActuators]pose.Pose{}
	for i, a := range b.list {
		out[i][a] = 1
	}
	return nil
}
