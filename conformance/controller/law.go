package controller

import (
	"math"

	"perch/proto/seatlink"
)

// limits are those of one axis in rad or m, and s.
type limits struct{ low, high, park, speed, reduced, acceleration, jerk float64 }

func limitsOf(l *seatlink.AxisLimits) limits {
	return limits{float64(l.Low) * 1e-9, float64(l.High) * 1e-9, float64(l.Park) * 1e-9, float64(l.Speed) * 1e-6, float64(l.ReducedSpeed) * 1e-6,
		float64(l.Acceleration) * 1e-3, float64(l.Jerk) * 1e-3}
}

// brakes rolls the brake law of proto/seatlink out from speed v and acceleration a, in steps of dt, and gives the
// distance gone after each step. The last one is where the axis is at rest.
func (l *limits) brakes(v, a, dt float64) []float64 {
	d := l.jerk * dt
	a = min(max(a, -l.acceleration), l.acceleration)
	var x float64
	var path []float64
	const most = 1 << 16
	for range most {
		n := math.Floor((math.Sqrt(1+8*math.Abs(v)/(dt*d)) - 1) / 2)
		u := (math.Abs(v)/dt + d*n*(n+1)/2) / (n + 1)
		b := min(max(-math.Copysign(u, v), -l.acceleration), l.acceleration)
		a = min(max(b, a-d), a+d)
		v += a * dt
		if math.Abs(v) < 1e-9 && math.Abs(a) <= d {
			return append(path, x)
		}
		x += v * dt
		path = append(path, x)
	}
	return path
}

// share is how much of its limits the suite itself uses when it moves an axis.
const share = 0.5

// smooth gives the positions of a move of one axis from rest to rest in n steps: the quintic 10τ³ - 15τ⁴ + 6τ⁵, whose
// peaks are 1.875/t in speed, 5.774/t² in acceleration and 60/t³ in jerk.
func smooth(from, to float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		τ := float64(i+1) / float64(n)
		out[i] = from + (to-from)*τ*τ*τ*(10+τ*(6*τ-15))
	}
	return out
}

// smoothTime is how long a move over the distance takes inside the suite's share of the limits.
func (l *limits) smoothTime(distance float64) float64 {
	distance = math.Abs(distance)
	return max(1.875*distance/(share*l.speed), math.Sqrt(5.774*distance/(share*l.acceleration)), math.Cbrt(60*distance/(share*l.jerk)))
}

// rampTime is how long it takes to get from rest to speed v along v(3τ² - 2τ³), whose peaks are 1.5v/t and 6v/t².
func (l *limits) rampTime(v float64) float64 {
	v = math.Abs(v)
	return max(1.5*v/(share*l.acceleration), math.Sqrt(6*v/(share*l.jerk)))
}

// rampUp gives the positions of a start from rest at from to speed v in n steps of dt, and cruise steps at v.
func rampUp(from, v float64, n, cruise int, dt float64) []float64 {
	out := make([]float64, 0, n+cruise)
	t := float64(n) * dt
	for i := range n {
		τ := float64(i+1) / float64(n)
		out = append(out, from+v*t*(τ*τ*τ-τ*τ*τ*τ/2))
	}
	for i := range cruise {
		out = append(out, from+v*t/2+v*dt*float64(i+1))
	}
	return out
}
