package faults

import (
	"fmt"
	"math"

	"perch/sdk/vehicle"
)

// send sends a state as the fault makes it.
func (r *run) send(s *vehicle.State) {
	late := s.SourceTime > r.first+30e9 // in the middle of a capture, where short trials do not come
	twice := false
	switch r.fault {
	case "chatters":
		r.out.Log().Info("a packet", "number", r.n)
	case "prints":
		if r.n%3 == 0 {
			fmt.Println("state", r.n)
		}
	case "gathers":
		if r.waiting = append(r.waiting, *s); len(r.waiting) == 15 {
			for i := range r.waiting {
				r.out.Send(&r.waiting[i])
			}
			r.waiting = r.waiting[:0]
		}
		return
	case "copies_time":
		s.ObservedAt = s.SourceTime
	case "time_goes_back":
		if r.n%2 == 0 {
			s.ObservedAt -= 45e6
		}
	case "undeclared":
		s.Put(vehicle.GearRatio, 1)
	case "capital_class":
		s.Class = "Aeroplane"
	case "not_finite":
		if late && r.n%10 == 0 {
			s.Values[vehicle.Airspeed] = math.NaN()
		}
	case "overtakes":
		if r.n%20 == 0 {
			s.SourceTime -= 100e6
		}
	case "drops":
		if r.n%200 < 25 && r.n > 150 {
			return
		}
	case "doubles":
		twice = true
	case "repeats":
		if r.n%5 == 0 || r.held == 0 {
			r.held, _ = s.Value(vehicle.Airspeed)
		}
		s.Put(vehicle.Airspeed, r.held)
	case "zeros":
		for _, x := range []vehicle.Signal{vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD, vehicle.Sideslip} {
			s.Put(x, 0)
		}
	case "unscaled":
		for x := vehicle.AttitudeW; x <= vehicle.AttitudeZ; x++ {
			s.Values[x] *= 0.95
		}
	case "percent":
		s.Put(vehicle.FlapRatio, 50+float64(r.n%40))
	case "unmarked_jump":
		if late && r.n%400 == 0 {
			w, z := s.Values[vehicle.AttitudeW], s.Values[vehicle.AttitudeZ]
			x, y := s.Values[vehicle.AttitudeX], s.Values[vehicle.AttitudeY]
			// Turned by a quarter about earth's down.
			c := math.Sqrt(0.5)
			s.Values[vehicle.AttitudeW], s.Values[vehicle.AttitudeX], s.Values[vehicle.AttitudeY], s.Values[vehicle.AttitudeZ] = c*(w-z), c*(x-y), c*(y+x), c*(z+w)
		}
	case "pitch_rate_sign":
		s.Values[vehicle.AngularVelocityQ] *= -1
	case "force_sign":
		s.Values[vehicle.SpecificForceZ] *= -1
	case "knots":
		s.Values[vehicle.Airspeed] /= 0.514444 // m/s in a knot
	case "clock_ms":
		s.SourceTime /= 10
	}
	r.out.Send(s)
	if twice {
		r.out.Send(s)
	}
}
