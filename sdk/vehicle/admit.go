package vehicle

import (
	"fmt"
	"math"
)

// The most that one state may hold of each.
const (
	MaximumExtra = 32  // further signals
	MaximumText  = 128 // bytes of a name, class or unit
)

// Bound is the largest magnitude of a signal that can be meant, in its own unit: far outside what any vehicle
// does, so that a wrong unit of a plausible value still passes, and only nonsense is refused.
func Bound(x Signal) float64 {
	switch x {
	case PositionN, PositionE, PositionD:
		return 1e8 // m: more than the earth's circumference
	case VelocityX, VelocityY, VelocityZ, VelocityN, VelocityE, VelocityD, Airspeed:
		return 1e5 // m/s
	case AttitudeW, AttitudeX, AttitudeY, AttitudeZ:
		return 1.1
	case AngularVelocityP, AngularVelocityQ, AngularVelocityR:
		return 1e4 // rad/s: also deg/s taken for rad/s, which conformance then names
	case SpecificForceX, SpecificForceY, SpecificForceZ:
		return 1e5 // m/s²
	case AngleOfAttack, Sideslip:
		return 1e3 // rad
	case OnGround:
		return 1
	}
	return 1e7
}

// Admit checks a state that came from outside: every value finite and within its Bound, the attitude a whole
// quaternion of a norm between 0.9 and 1.1, texts and further signals within their maxima. It says the first thing
// that is wrong. The attitude is normalised where its norm is off by more than 1e-9, so that admitting a state twice
// changes nothing the second time. Values that are not present are set to zero, an absent state loses its signals.
func (s *State) Admit() error {
	if s.Condition > Absent {
		return fmt.Errorf("condition %d is none of running, paused, absent", s.Condition)
	}
	if s.Condition == Absent {
		s.Present, s.Extra = 0, nil
	}
	s.Present &= 1<<SignalCount - 1
	for x := range SignalCount {
		if !s.Present.Has(x) {
			s.Values[x] = 0
			continue
		}
		v := s.Values[x]
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%v is %v: leave a signal absent that was not measured", x, v)
		}
		if b := Bound(x); math.Abs(v) > b {
			return fmt.Errorf("%v is %g, beyond ±%g: check its unit", x, v, b)
		}
	}
	if v, ok := s.Value(OnGround); ok && v != 0 && v != 1 {
		return fmt.Errorf("on_ground is %g: give 0 or 1", v)
	}
	if err := s.admitAttitude(); err != nil {
		return err
	}
	if len(s.Name) > MaximumText {
		return fmt.Errorf("vehicle_name has %d bytes: at most %d", len(s.Name), MaximumText)
	}
	if len(s.Class) > MaximumText {
		return fmt.Errorf("vehicle_class has %d bytes: at most %d", len(s.Class), MaximumText)
	}
	if len(s.Extra) > MaximumExtra {
		return fmt.Errorf("%d further signals: at most %d", len(s.Extra), MaximumExtra)
	}
	for i, e := range s.Extra {
		if len(e.Name) == 0 || len(e.Name) > MaximumText || len(e.Unit) > MaximumText {
			return fmt.Errorf("further signal %d has a name of %d bytes: from 1 to %d", i+1, len(e.Name), MaximumText)
		}
		if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
			return fmt.Errorf("further signal %q is %v: leave a signal absent that was not measured", e.Name, e.Value)
		}
	}
	return nil
}

func (s *State) admitAttitude() error {
	const all = Set(1<<AttitudeW | 1<<AttitudeX | 1<<AttitudeY | 1<<AttitudeZ)
	switch s.Present & all {
	case 0:
		return nil
	case all:
	default:
		return fmt.Errorf("the attitude is not whole: attitude_w, attitude_x, attitude_y and attitude_z are given together or not at all")
	}
	w, x, y, z := s.Values[AttitudeW], s.Values[AttitudeX], s.Values[AttitudeY], s.Values[AttitudeZ]
	n := math.Sqrt(w*w + x*x + y*y + z*z)
	if !(n > 0.9 && n < 1.1) {
		return fmt.Errorf("the attitude's norm is %.3g: a unit quaternion is meant, w first; leave it absent until the source has aligned", n)
	}
	if math.Abs(n-1) > 1e-9 {
		s.Values[AttitudeW], s.Values[AttitudeX], s.Values[AttitudeY], s.Values[AttitudeZ] = w/n, x/n, y/n, z/n
	}
	return nil
}

// Carry gives s what an older state holds and s does not, for when there is room for one state only: signals, further
// signals, texts and the mark of a discontinuity. The attitude moves as a whole. s keeps its time and its condition;
// a state of another condition, or from before a discontinuity, lends nothing but the mark.
func (s *State) Carry(older *State) {
	cut := s.Discontinuity
	s.Discontinuity = s.Discontinuity || older.Discontinuity
	if s.Condition != older.Condition || s.Condition == Absent || cut || older.SourceTime > s.SourceTime {
		return
	}
	missing := older.Present &^ s.Present
	const attitude = Set(1<<AttitudeW | 1<<AttitudeX | 1<<AttitudeY | 1<<AttitudeZ)
	if s.Present&attitude != 0 {
		missing &^= attitude
	}
	for x := range SignalCount {
		if missing.Has(x) {
			s.Values[x] = older.Values[x]
		}
	}
	s.Present |= missing
	if s.Name == "" {
		s.Name = older.Name
	}
	if s.Class == "" {
		s.Class = older.Class
	}
	s.carryExtra(older.Extra)
}

func (s *State) carryExtra(older []Extra) {
	var grown []Extra
next:
	for _, e := range older {
		for _, have := range s.Extra {
			if have.Name == e.Name {
				continue next
			}
		}
		if len(s.Extra)+len(grown) == MaximumExtra {
			break
		}
		grown = append(grown, e)
	}
	if grown != nil {
		s.Extra = append(append(make([]Extra, 0, len(s.Extra)+len(grown)), s.Extra...), grown...)
	}
}
