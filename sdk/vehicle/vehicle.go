// Package vehicle holds the normalised vehicle state: what a source measured at one moment.
//
// Everything is SI. Body axes are right-handed, x forward, y right, z down; earth axes are local level,
// x north, y east, z down (ISO 1151-1). The attitude is a unit quaternion w, x, y, z that turns body axes
// into earth axes. Specific force is what an accelerometer feels: (0, 0, -9.80665) m/s² at rest and level.
//
// A State holds what was measured at its SourceTime and nothing else. A signal that the source does not
// give is absent: never zero, never a guess. State is a plain value; copying one copies all but Extra, whose
// elements are shared and must not be changed once the State has been handed on.
package vehicle

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Signal is one column of the states table that holds a number.
type Signal uint8

// The signals, in the order of the states table.
const (
	PositionN Signal = iota
	PositionE
	PositionD
	VelocityX
	VelocityY
	VelocityZ
	VelocityN
	VelocityE
	VelocityD
	AttitudeW
	AttitudeX
	AttitudeY
	AttitudeZ
	AngularVelocityP
	AngularVelocityQ
	AngularVelocityR
	SpecificForceX
	SpecificForceY
	SpecificForceZ
	Airspeed
	AngleOfAttack
	Sideslip
	OnGround // 0 or 1
	EngineRPM
	RotorRPM
	GearRatio
	FlapRatio
	SignalCount // not a signal: how many there are
)

var names = [SignalCount]string{
	"position_n_m", "position_e_m", "position_d_m",
	"velocity_x_m_s", "velocity_y_m_s", "velocity_z_m_s",
	"velocity_n_m_s", "velocity_e_m_s", "velocity_d_m_s",
	"attitude_w", "attitude_x", "attitude_y", "attitude_z",
	"angular_velocity_p_rad_s", "angular_velocity_q_rad_s", "angular_velocity_r_rad_s",
	"specific_force_x_m_s2", "specific_force_y_m_s2", "specific_force_z_m_s2",
	"airspeed_m_s", "angle_of_attack_rad", "sideslip_rad", "on_ground",
	"engine_rpm", "rotor_rpm", "gear_ratio", "flap_ratio",
}

// String is the signal's name in the states table, which ends in its unit.
func (s Signal) String() string {
	if s < SignalCount {
		return names[s]
	}
	return "unknown"
}

// SignalNamed finds a signal by its name in the states table.
func SignalNamed(name string) (Signal, bool) {
	for i, n := range names {
		if n == name {
			return Signal(i), true
		}
	}
	return SignalCount, false
}

// Set is a set of signals.
type Set uint64

// With is the set and these signals.
func (s Set) With(signals ...Signal) Set {
	for _, x := range signals {
		s |= 1 << x
	}
	return s
}

// Has says whether every one of these signals is in the set.
func (s Set) Has(signals ...Signal) bool {
	for _, x := range signals {
		if s&(1<<x) == 0 {
			return false
		}
	}
	return true
}

// Condition is the source's own condition.
type Condition uint8

// The conditions. The zero value is running, so that a State that only sets signals is a live one.
const (
	Running Condition = iota
	Paused
	Absent
)

// String is the condition's name in the states table.
func (c Condition) String() string {
	switch c {
	case Running:
		return "running"
	case Paused:
		return "paused"
	case Absent:
		return "absent"
	}
	return "unknown"
}

// Extra is a further signal, for what the states table has no column for. Name ends in the unit.
type Extra struct {
	Name  string
	Unit  string
	Value float64
}

// State is what was measured at one source time.
type State struct {
	SourceTime    int64 // the source's own clock, ns, monotonic within a run
	ObservedAt    int64 // when the bytes reached the adapter, unix ns; 0: not known
	Condition     Condition
	Discontinuity bool // what follows does not continue what came before
	Present       Set
	Values        [SignalCount]float64 // SI; meaningful where Present
	Name          string               // vehicle name, "" where not known
	Class         string               // vehicle class, "" where not known
	Extra         []Extra
}

// Put sets one signal, in SI units. A value that is not finite leaves the signal absent.
func (s *State) Put(x Signal, v float64) {
	if x >= SignalCount || math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	s.Values[x] = v
	s.Present |= 1 << x
}

// Value is a signal's value and whether it is present.
func (s *State) Value(x Signal) (float64, bool) {
	return s.Values[x], s.Present.Has(x)
}

// PutVec sets three signals that follow each other, such as VelocityX, from a vector.
func (s *State) PutVec(first Signal, v r3.Vec) {
	s.Put(first, v.X)
	s.Put(first+1, v.Y)
	s.Put(first+2, v.Z)
}

// Vec is the vector of three signals that follow each other, and whether all three are present.
func (s *State) Vec(first Signal) (r3.Vec, bool) {
	return r3.Vec{X: s.Values[first], Y: s.Values[first+1], Z: s.Values[first+2]},
		s.Present.Has(first, first+1, first+2)
}

// PutAttitude sets the attitude from a quaternion that turns body axes into earth axes. It is normalised; one whose
// norm is not within a tenth of 1 is no attitude and leaves the signal absent.
func (s *State) PutAttitude(q quat.Number) {
	n := quat.Abs(q)
	if !(n > 0.9 && n < 1.1) {
		return
	}
	q = quat.Scale(1/n, q)
	s.Put(AttitudeW, q.Real)
	s.Put(AttitudeX, q.Imag)
	s.Put(AttitudeY, q.Jmag)
	s.Put(AttitudeZ, q.Kmag)
}

// Attitude is the quaternion that turns body axes into earth axes, and whether it is present.
func (s *State) Attitude() (quat.Number, bool) {
	return quat.Number{Real: s.Values[AttitudeW], Imag: s.Values[AttitudeX], Jmag: s.Values[AttitudeY], Kmag: s.Values[AttitudeZ]},
		s.Present.Has(AttitudeW, AttitudeX, AttitudeY, AttitudeZ)
}
