package mavlink

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	wire "perch/sdk/mavlink"
	"perch/sdk/vehicle"
)

// Encoder writes states as a vehicle would send them: for trying things without one.
type Encoder struct {
	Header wire.Header // Sequence is counted on; Version 0 is 2, System and Component 0 are 1
	Kind   uint8       // MAV_TYPE of the heartbeat
	Origin [3]float64  // latitude and longitude in deg, height in m, of the states' origin

	beaten bool
	beat   int64
}

// AttitudeMessage is a state's attitude and body rates as ATTITUDE; rates that are absent are NaN. ok is false where
// the state has no attitude.
func AttitudeMessage(s *vehicle.State) (m wire.Attitude, ok bool) {
	q, ok := s.Attitude()
	if !ok {
		return m, false
	}
	roll, pitch, yaw := angles(q)
	m = wire.Attitude{TimeBootMs: uint32(s.SourceTime / 1e6), Roll: float32(roll), Pitch: float32(pitch), Yaw: float32(yaw)}
	w, rates := s.Vec(vehicle.AngularVelocityP)
	if !rates {
		w = r3.Vec{X: math.NaN(), Y: math.NaN(), Z: math.NaN()}
	}
	m.RollSpeed, m.PitchSpeed, m.YawSpeed = float32(w.X), float32(w.Y), float32(w.Z)
	return m, true
}

// angles are the intrinsic z-y-x angles of a unit quaternion, rad (ISO 1151-1).
func angles(q quat.Number) (roll, pitch, yaw float64) {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	roll = math.Atan2(2*(w*x+y*z), 1-2*(x*x+y*y))
	pitch = math.Asin(max(-1, min(1, 2*(w*y-z*x))))
	yaw = math.Atan2(2*(w*z+x*y), 1-2*(y*y+z*z))
	return roll, pitch, yaw
}

// Append writes all that the state holds and MAVLink can say, and once a second, by source time, a heartbeat before it.
func (e *Encoder) Append(dst []byte, s *vehicle.State) []byte {
	if !e.beaten || s.SourceTime-e.beat >= 1e9 || s.SourceTime < e.beat {
		e.beaten, e.beat = true, s.SourceTime
		dst = e.add(dst, &wire.Heartbeat{Type: e.Kind, SystemStatus: 4, MAVLinkVersion: 3})
	}
	ms := uint32(s.SourceTime / 1e6)
	if m, ok := AttitudeMessage(s); ok {
		dst = e.add(dst, &m)
	}
	p, place := s.Vec(vehicle.PositionN)
	v, moves := s.Vec(vehicle.VelocityN)
	if place && moves {
		const rad = math.Pi / 180
		o := fix{lat: e.Origin[0] * rad, lon: e.Origin[1] * rad, alt: e.Origin[2]}
		at := o.at(p)
		m := wire.GlobalPositionInt{
			TimeBootMs: ms, Heading: math.MaxUint16,
			Lat: int32(math.Round(at.lat / rad * 1e7)), Lon: int32(math.Round(at.lon / rad * 1e7)),
			Alt: int32(math.Round(at.alt * 1000)), RelativeAlt: int32(math.Round(-p.Z * 1000)),
			Velocity: [3]int16{hundredths(v.X), hundredths(v.Y), hundredths(v.Z)},
		}
		dst = e.add(dst, &m)
	}
	if f, ok := s.Vec(vehicle.SpecificForceX); ok {
		dst = e.add(dst, &wire.HighresIMU{
			TimeUsec: uint64(s.SourceTime / 1000), FieldsUpdated: 7,
			Acc: [3]float32{float32(f.X), float32(f.Y), float32(f.Z)},
		})
	}
	if u, ok := s.Value(vehicle.Airspeed); ok {
		ground := math.Hypot(v.X, v.Y)
		dst = e.add(dst, &wire.VFRHUD{Airspeed: float32(u), GroundSpeed: float32(ground), Climb: float32(-v.Z)})
	}
	if on, ok := s.Value(vehicle.OnGround); ok {
		m := wire.ExtendedSysState{LandedState: 2}
		if on != 0 {
			m.LandedState = 1
		}
		dst = e.add(dst, &m)
	}
	for _, shaft := range []vehicle.Signal{vehicle.EngineRPM, vehicle.RotorRPM} {
		if speed, ok := s.Value(shaft); ok {
			dst = e.add(dst, &wire.RPM{RPM1: float32(speed)})
		}
	}
	return dst
}

func hundredths(v float64) int16 {
	return int16(max(math.MinInt16, min(math.MaxInt16, math.Round(v*100))))
}

func (e *Encoder) add(dst []byte, m wire.Message) []byte {
	h := e.Header
	if h.Version == 0 {
		h.Version = 2
	}
	h.System, h.Component = max(h.System, 1), max(h.Component, 1)
	e.Header.Sequence++
	return wire.Append(dst, h, m)
}
