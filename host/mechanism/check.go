package mechanism

import (
	"errors"
	"fmt"
	"math"

	"perch/host/pose"
)

// faults gathers what is wrong with a set of measures, so that all of it is said at once.
type faults struct {
	thing string
	list  []error
}

func (f *faults) add(format string, a ...any) {
	f.list = append(f.list, fmt.Errorf(f.thing+": "+format, a...))
}

func (f *faults) within(field string, v, low, high float64, unit, remedy string) {
	if !(v >= low && v <= high) {
		f.add("%s is %g %s, not from %g to %g %s: %s", field, v, unit, low, high, unit, remedy)
	}
}

func (f *faults) err() error { return errors.Join(f.list...) }

// motion checks limits of travel and of movement.
func (f *faults) motion(prefix, unit string, low, high, speed, acceleration, jerk float64) {
	if !(low < high) || math.IsInf(low, 0) || math.IsInf(high, 0) {
		f.add("%sLow is %g %s and %sHigh %g %s: give the lower one first, both in %s", prefix, low, unit, prefix, high, unit, unit)
	}
	f.movement(prefix, unit, speed, acceleration, jerk)
}

// movement checks limits of movement.
func (f *faults) movement(prefix, unit string, speed, acceleration, jerk float64) {
	remedy := "give it in " + unit
	f.within(prefix+"Speed", speed, 1e-6, 1e3, unit+"/s", remedy+"/s, over 0")
	f.within(prefix+"Acceleration", acceleration, 1e-6, 1e5, unit+"/s²", remedy+"/s², over 0")
	f.within(prefix+"Jerk", jerk, 1e-6, 1e8, unit+"/s³", remedy+"/s³, over 0")
}

func (s BoxSettings) check() error {
	f := faults{thing: "independent axes"}
	if s.Axes == 0 || s.Axes >= 1<<pose.Count {
		f.add("Axes is %#x, which names no axis or one that is none: give one to six of surge, sway, heave, roll, pitch and yaw", uint8(s.Axes))
	}
	for a := range pose.Count {
		if !s.Axes.Has(a) {
			continue
		}
		f.motion(a.String()+" ", a.Unit(), s.Low[a], s.High[a], s.Speed[a], s.Acceleration[a], s.Jerk[a])
		most := 5.0
		if a.Unit() == "rad" {
			most = math.Pi
		}
		f.within(a.String()+" Low", s.Low[a], -most, 0, a.Unit(), "level at mid travel is 0 and must be within the travel")
		f.within(a.String()+" High", s.High[a], 0, most, a.Unit(), "level at mid travel is 0 and must be within the travel")
	}
	return f.err()
}
