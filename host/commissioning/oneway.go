package commissioning

import (
	"perch/host/config"
	"perch/host/guard"
	"perch/host/pose"
)

// oneWayTravel is the share of the travel that a seat has while nobody has seen its controller stop by itself (common
// practice, no source).
const oneWayTravel = 0.5

// StopsByItself says whether the seat's controller is known to stop when setpoints end: one that speaks the seat link
// must; of one that a text driver tells, the record has to show it, and must not have lapsed.
func StopsByItself(s config.Seat) bool {
	return s.Driver != config.TextDriver || len(changes(s)) == 0 && Passed(s.Record, Stops)
}

// RideLimits are the guard's limits for a ride: the seat's own, or, while its controller is not known to stop by itself,
// reduced speed and half the travel.
func RideLimits(s config.Seat, axes pose.Axes) guard.Limits {
	if StopsByItself(s) {
		return s.Limits
	}
	l := ReducedOf(s).Limits(s.Limits, axes)
	for a := range l.Low {
		l.Low[a] *= oneWayTravel
		l.High[a] *= oneWayTravel
	}
	return l
}
