// Package sizing judges on paper whether motors, gears, cranks and stops are enough for a seat and its rider.
//
// The seat and its rider are one rigid body that turns about the joint, which is the origin of the mechanism's poses.
// Loads come from the principle of virtual work: with the pose q, the body's mass matrix M(q) and its potential
// energy V(q), the actuators must give the generalised force
//
//	Q = M(q) α + ∂V/∂q         V = m g × (height of the centre of mass)
//
// and with J(q) = ∂(actuators)/∂q, which is Mechanism's Jacobian, the actuators' torques or forces τ are those with
// Jᵀ τ = Q. All of it is taken at the corners, edges and faces of the pose box and inside it, with the accelerations of all
// axes in every combination of signs, so that what axes ask of one motor together is seen. Forces that grow with the
// square of the speed (centrifugal, Coriolis) and friction other than the gearbox's are left out.
//
// The verdicts are about numbers, not about anybody's safety: local codes and licensed practice decide that.
package sizing
