// Package mechanism turns seat poses into actuator positions and back.
//
// A Mechanism is immutable and does no I/O; its methods neither allocate nor block, so the loop calls them.
// Poses are as in package pose; actuator positions are rad or m, as Actuator.Unit says.
package mechanism

import (
	"errors"

	"perch/host/pose"
)

// MaxActuators is the most that any mechanism has.
const MaxActuators = 6

// ErrUnreachable says that no actuator position gives the pose, or only one too near dead centre or beyond what a joint
// may turn.
var ErrUnreachable = errors.New("pose is outside the reachable set")

// Positions holds one number for each actuator, in the mechanism's order; the rest are zero.
type Positions [MaxActuators]float64

// Actuator is one motor's end of the mechanism. Limits are those of the motion that may be asked of it.
type Actuator struct {
	Name         string  // such as "left"
	Unit         string  // "rad" or "m"
	Low, High    float64 // travel, Unit
	Speed        float64 // Unit/s
	Acceleration float64 // Unit/s²
	Jerk         float64 // Unit/s³
}

// Mechanism is the geometry between seat and actuators.
type Mechanism interface {
	// Axes are the axes that it can move; the others of a pose are ignored and come back as zero.
	Axes() pose.Axes
	// Actuators describes them, in order. The caller must not change the slice.
	Actuators() []Actuator
	// Inverse gives the actuator positions of a pose, or ErrUnreachable; out is then unchanged.
	Inverse(p pose.Pose, out *Positions) error
	// Forward gives the pose of actuator positions, searching from a pose near it, or ErrUnreachable.
	Forward(a Positions, near pose.Pose) (pose.Pose, error)
}
