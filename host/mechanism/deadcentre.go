package mechanism

import (
	"math"

	"perch/host/pose"
)

// CrankAngles are the angles of the cranks at a pose, rad, whatever their travel and their transmission angle. It
// refuses only where a rod does not reach.
func (m *cranks) CrankAngles(p pose.Pose, out *Positions) error {
	return m.each(p, out, (*loop).angle)
}

// DeadCentre goes from level along a ray of poses, whatever the travel of the cranks, to where the first crank lines up
// with its rod. It gives the pose, and the angles of the cranks there, rad. It says false where none does before the
// seat lies on edge or is 5 m away.
func (m *cranks) DeadCentre(ray pose.Pose) (at pose.Pose, angles Positions, ok bool) {
	long := 0.0
	for a := range pose.Count {
		if m.axes.Has(a) {
			long = math.Hypot(long, ray[a])
		}
	}
	if !(long > 0) || math.IsInf(long, 0) {
		return pose.Pose{}, Positions{}, false
	}
	along := func(t float64) (p pose.Pose) {
		for a := range pose.Count {
			if m.axes.Has(a) {
				p[a] = ray[a] / long * t
			}
		}
		return p
	}
	const step, most = 0.004, 5 // rad and m; the loops close up to dead centre, and not beyond
	for low := 0.0; low < most; low += step {
		high := low + step
		if m.CrankAngles(along(high), &angles) == nil {
			continue
		}
		for range 50 {
			middle := (low + high) / 2
			if m.CrankAngles(along(middle), &angles) == nil {
				low = middle
			} else {
				high = middle
			}
		}
		at = along(low)
		var s placed
		if err := m.CrankAngles(at, &angles); err != nil || !m.place(along(high+step), &s) {
			return pose.Pose{}, Positions{}, false
		}
		return at, angles, true
	}
	return pose.Pose{}, Positions{}, false
}
