// Package pose holds the six axes of a seat.
//
// Seat axes are the vehicle's: surge forward, sway right, heave down, in m; roll right side down, pitch nose
// up, yaw nose right, in rad (ISO 1151-1; angles intrinsic z-y-x). The zero Pose is level at mid travel.
package pose

// Axis is one of the six.
type Axis uint8

// The axes, in the order of every table and file.
const (
	Surge Axis = iota
	Sway
	Heave
	Roll
	Pitch
	Yaw
	Count // not an axis: how many there are
)

var names = [Count]string{"surge", "sway", "heave", "roll", "pitch", "yaw"}

// String is the axis's name.
func (a Axis) String() string {
	if a < Count {
		return names[a]
	}
	return "unknown"
}

// Unit is "m" for the first three axes and "rad" for the others.
func (a Axis) Unit() string {
	if a < Roll {
		return "m"
	}
	return "rad"
}

// Pose is a seat pose, or its speed, acceleration or jerk: m and rad, per s, s² or s³.
type Pose [Count]float64

// Axes is a set of axes.
type Axes uint8

// Of makes a set.
func Of(axes ...Axis) Axes {
	var s Axes
	for _, a := range axes {
		s |= 1 << a
	}
	return s
}

// Has says whether the axis is in the set.
func (s Axes) Has(a Axis) bool { return s&(1<<a) != 0 }

// Only is the pose with every axis that is not in the set at zero.
func (p Pose) Only(s Axes) Pose {
	for a := range p {
		if !s.Has(Axis(a)) {
			p[a] = 0
		}
	}
	return p
}
