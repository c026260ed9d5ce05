package mechanism

import "perch/host/pose"

// Reach says how much of the box ±half, in m and rad, a mechanism reaches in all combinations: the largest share from 0
// to 1 whose corners, edges and faces, by their middles, are all reachable. Axes often share their travel, so that each
// reaches far only while the others are near level; a box scaled by Reach is one in which they may be used together.
// It asks for some thousand inverses: for a configuration, not for a tick.
func Reach(m Mechanism, half pose.Pose) float64 {
	if reaches(m, half, 1) {
		return 1
	}
	low, high := 0.0, 1.0
	for range 40 {
		if middle := (low + high) / 2; reaches(m, half, middle) {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// reaches tries every combination of one way, the other and level on the axes of the mechanism.
func reaches(m Mechanism, half pose.Pose, share float64) bool {
	var list []pose.Axis
	combinations := 1
	for a := range pose.Count {
		if m.Axes().Has(a) {
			list = append(list, a)
			combinations *= 3
		}
	}
	var out Positions
	for n := range combinations {
		var p pose.Pose
		for _, a := range list {
			p[a] = float64(n%3-1) * share * half[a]
			n /= 3
		}
		if m.Inverse(p, &out) != nil {
			return false
		}
	}
	return true
}
