// Package estimate turns the partial, late and uneven states of one source into one motion a tick.
//
// An Estimator joins states by signal on the source's own clock, brings them to the loop's time with a stated
// delay, and completes what can be derived: body rates from attitude, specific force from velocity and attitude,
// body velocity from earth velocity. Between samples it goes along cubics that meet measured rates, beyond the newest one
// it carries on what is known for a while, and what a packet changes fades in. What that gains over holding and over straight
// lines, and what it costs in delay, is measured in comparison.md. Axes, units and signs are those of package vehicle (ISO 1151-1). The tick
// number is the only clock: the same pushes at the same ticks give the same motion, bit for bit.
package estimate

import (
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// Gravity is the standard acceleration of free fall in m/s², exact by definition (ISO 80000-3).
const Gravity = 9.80665

// Motion is what the vehicle does at one tick. A component is meaningful where its signal is in Present and zero
// elsewhere; an attitude that is not present stays the last one known, at first the identity.
//
// With attitude alone there is no specific force. Taking the vehicle to be unaccelerated would give every
// coordinated turn a side force that its rider does not feel, so the signal stays absent.
type Motion struct {
	Attitude        quat.Number // unit; turns body axes into earth axes
	AngularVelocity r3.Vec      // p, q, r about body axes, rad/s
	SpecificForce   r3.Vec      // body axes, m/s²; at rest and level (0, 0, -9.80665)
	Velocity        r3.Vec      // relative to the ground, body axes, m/s
	EarthVelocity   r3.Vec      // the same as north, east, down, m/s
	OnGround        bool        // meaningful where Present has it
	Present         vehicle.Set // signals that are known, measured or derived
	Derived         vehicle.Set // those of Present that the source did not give
	Restarted       bool        // for one tick: what came before does not continue; start filters from this motion
}
