package axes

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// FromEuler is the attitude of yaw, pitch and roll in rad, intrinsic z-y-x: yaw nose right, then pitch nose up, then
// roll right side down (ISO 1151-1). Angles of a source with other axes or another order go through Intrinsic and a
// Convention: never by signs on angles.
func FromEuler(yaw, pitch, roll float64) quat.Number {
	sy, cy := math.Sincos(yaw / 2)
	sp, cp := math.Sincos(pitch / 2)
	sr, cr := math.Sincos(roll / 2)
	return quat.Number{
		Real: cr*cp*cy + sr*sp*sy,
		Imag: sr*cp*cy - cr*sp*sy,
		Jmag: cr*sp*cy + sr*cp*sy,
		Kmag: cr*cp*sy - sr*sp*cy,
	}
}

// ToEuler is yaw, pitch and roll in rad of an attitude: yaw and roll within ±π, pitch within ±π/2. Near the vertical
// only one combination of yaw and roll is defined.
func ToEuler(q quat.Number) (yaw, pitch, roll float64) {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	yaw = math.Atan2(2*(w*z+x*y), 1-2*(y*y+z*z))
	pitch = math.Asin(min(max(2*(w*y-x*z), -1), 1))
	roll = math.Atan2(2*(w*x+y*z), 1-2*(x*x+y*y))
	return yaw, pitch, roll
}

// Intrinsic is the attitude of three turns, each about an axis of the body as the turns before it left it. order names
// the axes, such as "zyx" or "yxz"; angles are in rad, in the same order, in the source's own axes and by its own hand:
// Convention.Attitude takes the result to ours.
func Intrinsic(order string, first, second, third float64) (quat.Number, error) {
	if len(order) != 3 || order[0] == order[1] || order[1] == order[2] {
		return quat.Number{}, fmt.Errorf("order of turns %q: three axes such as zyx, none twice in a row", order)
	}
	q := quat.Number{Real: 1}
	for i, angle := range [3]float64{first, second, third} {
		s, c := math.Sincos(angle / 2)
		turn := quat.Number{Real: c}
		switch order[i] {
		case 'x':
			turn.Imag = s
		case 'y':
			turn.Jmag = s
		case 'z':
			turn.Kmag = s
		default:
			return quat.Number{}, fmt.Errorf("order of turns %q: %q is none of x, y, z", order, order[i])
		}
		q = quat.Mul(q, turn)
	}
	return q, nil
}

// ToEarth turns a vector from body axes into earth axes.
func ToEarth(attitude quat.Number, body r3.Vec) r3.Vec {
	return r3.Rotation(attitude).Rotate(body)
}

// ToBody turns a vector from earth axes into body axes.
func ToBody(attitude quat.Number, earth r3.Vec) r3.Vec {
	return r3.Rotation(quat.Conj(attitude)).Rotate(earth)
}

// BodyRates is p, q, r in rad/s from the rates of yaw, pitch and roll in rad/s, at a pitch and roll in rad: what to do
// with a source whose "yaw rate" is the change of its heading (ISO 1151-1; p = φ̇ - ψ̇ sinθ and so on).
func BodyRates(yawRate, pitchRate, rollRate, pitch, roll float64) r3.Vec {
	sp, cp := math.Sincos(pitch)
	sr, cr := math.Sincos(roll)
	return r3.Vec{
		X: rollRate - yawRate*sp,
		Y: pitchRate*cr + yawRate*sr*cp,
		Z: -pitchRate*sr + yawRate*cr*cp,
	}
}

// KinematicToSpecificForce is the specific force, body axes, of an acceleration without gravity, the change of velocity,
// in body axes, m/s²: f = a - Rᵀg. An accelerometer, and a source that says so, gives specific force already: at rest
// and level that is (0, 0, -9.80665).
func KinematicToSpecificForce(acceleration r3.Vec, attitude quat.Number) r3.Vec {
	return r3.Sub(acceleration, ToBody(attitude, r3.Vec{Z: Gravity}))
}

// EarthKinematicToSpecificForce is the same from an acceleration in earth axes: f = Rᵀ(a - g).
func EarthKinematicToSpecificForce(acceleration r3.Vec, attitude quat.Number) r3.Vec {
	return ToBody(attitude, r3.Sub(acceleration, r3.Vec{Z: Gravity}))
}

// LoadFactorToSpecificForce is f_z in m/s² from the load factor n_z of a cockpit instrument, which is +1 at rest and
// grows when the occupant is pressed into the seat.
func LoadFactorToSpecificForce(nz float64) float64 { return -Gravity * nz }

// ForceAt is the specific force at a point offset from the one where force was measured, all in body axes: offset in m,
// rate in rad/s, angularAcceleration in rad/s². f + ω̇×r + ω×(ω×r), the acceleration of a point of a rigid body.
func ForceAt(force, rate, angularAcceleration, offset r3.Vec) r3.Vec {
	return r3.Add(force, r3.Add(r3.Cross(angularAcceleration, offset), r3.Cross(rate, r3.Cross(rate, offset))))
}
