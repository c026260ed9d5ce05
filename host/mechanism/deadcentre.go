package mechanism

import (
	"math"

	"perch/host/pose"
)

// CrankAngles are the angles of the left and the right crank at a pose, rad, whatever their travel and their transmission
// angle. It refuses only where a rod does not reach.
func (m *TwoCrank) CrankAngles(p pose.Pose) ([2]float64, error) {
	var out [2]float64
	for i := range out {
		l := m.solve(i, p)
		if !(l.s2 >= 0) {
			return [2]float64{}, ErrUnreachable
		}
		out[i] = l.angle
	}
	return out, nil
}

// DeadCentre goes from level along a ray of roll and pitch, whatever the travel of the cranks, to where the first crank
// lines up with its rod. It gives the pose, and the angles of both cranks there, rad. It says false where none does
// before the seat stands on edge.
func (m *TwoCrank) DeadCentre(ray pose.Pose) (pose.Pose, [2]float64, bool) {
	long := math.Hypot(ray[pose.Roll], ray[pose.Pitch])
	if !(long > 0) || math.IsInf(long, 0) {
		return pose.Pose{}, [2]float64{}, false
	}
	at := func(angle float64) (p pose.Pose) {
		p[pose.Roll], p[pose.Pitch] = ray[pose.Roll]/long*angle, ray[pose.Pitch]/long*angle
		return p
	}
	const step = 0.25 * math.Pi / 180 // the loop closes up to dead centre, and not beyond
	for low := 0.0; low < math.Pi/2; low += step {
		if _, err := m.CrankAngles(at(low + step)); err == nil {
			continue
		}
		high := low + step
		for range 50 {
			middle := (low + high) / 2
			if _, err := m.CrankAngles(at(middle)); err == nil {
				low = middle
			} else {
				high = middle
			}
		}
		cranks, err := m.CrankAngles(at(low))
		return at(low), cranks, err == nil
	}
	return pose.Pose{}, [2]float64{}, false
}
