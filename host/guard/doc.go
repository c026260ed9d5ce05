// Package guard has the last word on where the seat goes.
//
// Limiter is one guard over pose and actuators together. Each tick it is given a wanted pose and gives the pose to
// send: the wanted one, bit for bit, if that obeys, and otherwise the nearest on the way to it that does. Machine holds
// the seat's states (off, homing, parked, riding, settling, stopping, held, fault) with a Limiter inside.
// Both are plain values with a constant time step: no clock, no I/O, no allocation in Step.
//
// # State
//
// With T the time step, the state s = (x, v, a) of each moved axis is what was sent, by backward differences, so that
// limits are checked on the numbers that leave:
//
//	v = (x - x₋₁)/T      a = (v - v₋₁)/T      j = (a - a₋₁)/T
//	next(s, a'):  v' = v + a'T,  x' = x + v'T
//
// The actuators' state is the same of Mechanism.Inverse of the poses sent.
//
// # Brake law
//
// B(v, a) is the acceleration of the next tick on the way to rest (type law): the largest deceleration from which
// releasing at the axis's jerk ends with v = a = 0, no more than the axis's acceleration, and no more than a jerk's tick
// away from a. On the release curve the next B is again on it, so v and a reach zero together. The acceleration and
// jerk that B uses are the axis's limits, lessened by one factor each (bounds.ease) where the actuators could not follow
// all axes braking at once anywhere in reach; the wanted motion may use the limits whole.
//
// # Invariant
//
// P(s): the roll-out of B from s, over all axes together until rest, stays inside travel, speed and acceleration of the
// pose (jerk by construction); each of its poses is reachable; and the positions, speeds, accelerations and jerks
// of every actuator along it, beginning with the differences from what was sent last, are inside that actuator's
// limits; and from each of these actuator states the same law, applied by the controller to that actuator alone with
// the actuator's own limits, comes to rest inside its travel and speed. The last is what a controller does when frames
// stop coming.
//
// Induction. At rest at a reachable pose inside the limits P holds: Reset. If P(s) holds then next(s, B(s)) is
// the tail of the roll-out that proved s, so P(next(s, B(s))): a choice always exists. Every other choice is
// only taken after P has been shown of the state it leads to. So every state sent satisfies P, which contains every
// limit, and from every state sent the seat can be brought to rest inside all of them. Nothing is assumed of how good B
// is, nor that the choices that pass lie in one piece: a search only decides how good the choice is, never whether it may
// be taken. If rounding alone makes the tail fail, B is taken all the same.
//
// Control theory knows B as a backup controller and the states with P as the set that it keeps invariant (backup control
// barrier functions, reference governors).
//
// P is shown by one of three means, the cheapest first. Limiter.plain bounds the actuators' motion over the whole
// roll-out by bounds of the mechanism's first, second and third derivatives over the box of poses that it covers.
// Limiter.stride does that for sixteen ticks at a time: the actuators' states at both ends are exact, and only how far the
// states between may leave the chord rests on the bound of the jerk. Limiter.walk is the roll-out itself, tick by tick
// through Mechanism.Inverse. The pose's own part is always exact: law.rollout sums the law's ramps in closed form.
//
// The bounds are sampled when limits are adopted and used with a margin of 15 %, raised besides by as much as they grew
// from the next smaller box of poses, since near dead centre they climb ever more steeply. For a mechanism that bends more
// between two samples than that they are an estimate and not a proof. Tests compare what they accept with the walk, and
// what is sent is judged apart from all of this (guardtest).
//
// # Step
//
//  1. A wanted pose with an axis that is no number: B.
//  2. Clamp it to the travel; if the actuators cannot hold it, pull it back along the line to level until they can.
//  3. If it obeys every limit this tick and P holds there, send it. While the seat is not yet on the target it also has to
//     be able to stay with it in the next two ticks; otherwise it would be taken in passing, and chattered about.
//  4. Otherwise, axis by axis, the acceleration from which B, applied to the motion relative to the target with the
//     target's own speed and acceleration, comes to rest on it; kept to what lets the pose stop inside its own limits.
//  5. If P fails there for reasons of the mechanism, the furthest on the line from B to it that passes, all axes by one
//     factor, so that the direction is kept; then each axis for itself, as far as that passes too.
//
// The work of a tick is bounded (work, longest), in units of 40 to 60 ns: when it is used up the best so far is taken, or
// B. The bound costs none of the proof.
//
// # Rounding
//
// Third differences amplify a position's rounding by 8/T³, 10⁹ at 500 Hz. What comes in is accepted with a relative
// tolerance of 1e-6 on jerk, 1e-7 on acceleration, 1e-9 on speed; what the guard makes itself stays 1e-6 inside; so a
// second guard behind the first changes nothing.
//
// # Swing
//
// A demand may obey every limit and still shake rider and frame for as long as it lasts. Machine watches with Swing how
// near the limits the seat moves, over 10 s, and lessens the demand of an axis that uses more than 0.6 of a limit in the
// mean square (common practice, no source) until it uses that; HeldSwing says so. It comes back slowly, and whole: then
// the demand passes bit for bit again.
//
// # Compared
//
// comparison.md shows the guard beside a rate limiter and a low-pass.
//
// # Outside
//
// Reset may put the seat outside the travel of the pose, where a person or a controller left it. The travel is then
// widened to what a stop from there covers, and narrows by itself as the seat comes in: inward motion is allowed,
// outward is not. New limits (SetLimits) come into force only once the present state satisfies P under them.
package guard
