package estimate

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// turn is the rotation vector (axis times angle, rad, at most π long) of a unit quaternion: 2 log q, on the
// shorter way round whichever of q and -q is given.
func turn(q quat.Number) r3.Vec {
	v := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	w := q.Real
	if w < 0 {
		w, v = -w, r3.Scale(-1, v)
	}
	n := math.Sqrt(r3.Dot(v, v))
	if n < 1e-9 {
		return r3.Scale(2, v)
	}
	return r3.Scale(2*math.Atan2(n, w)/n, v)
}

// unturn is the unit quaternion of a rotation vector.
func unturn(v r3.Vec) quat.Number {
	a := math.Sqrt(r3.Dot(v, v))
	k := 0.5
	if a > 1e-9 {
		k = math.Sin(a/2) / a
	}
	return quat.Number{Real: math.Cos(a / 2), Imag: k * v.X, Jmag: k * v.Y, Kmag: k * v.Z}
}

// between is the rotation vector, in the axes of a, that takes a to b.
func between(a, b quat.Number) r3.Vec { return turn(quat.Mul(quat.Conj(a), b)) }

// slerp is the attitude a share of the way from a to b at constant rate (Shoemake 1985).
func slerp(a, b quat.Number, share float64) quat.Number {
	return quat.Mul(a, unturn(r3.Scale(share, between(a, b))))
}

// unit scales a quaternion to length 1.
func unit(q quat.Number) quat.Number {
	n := math.Sqrt(q.Real*q.Real + q.Imag*q.Imag + q.Jmag*q.Jmag + q.Kmag*q.Kmag)
	return quat.Scale(1/n, q)
}

// toEarth turns a vector from body axes into earth axes.
func toEarth(q quat.Number, v r3.Vec) r3.Vec {
	u := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	t := r3.Scale(2, r3.Cross(u, v))
	return r3.Add(r3.Add(v, r3.Scale(q.Real, t)), r3.Cross(u, t))
}

// toBody turns a vector from earth axes into body axes.
func toBody(q quat.Number, v r3.Vec) r3.Vec { return toEarth(quat.Conj(q), v) }

// unroll is the time derivative of the rotation vector v where the body rate is w: the inverse right Jacobian of
// the rotation group to second order (Solà, Deray, Atchuthan 2018, eq. 144). Enough for the turn of one interval.
func unroll(v, w r3.Vec) r3.Vec {
	c := r3.Cross(v, w)
	return r3.Add(w, r3.Add(r3.Scale(0.5, c), r3.Scale(1.0/12, r3.Cross(v, c))))
}

func norm(v r3.Vec) float64 { return math.Sqrt(r3.Dot(v, v)) }

func finite(v r3.Vec) bool { return r3.Dot(v, v) < 1e30 } // false for NaN too
