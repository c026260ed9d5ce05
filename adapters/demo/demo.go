// Package demo is an adapter without a source: a light aeroplane that flies from the airstrip of Alder Flats, so that
// everything behind it can be seen working before there is anything to connect.
package demo

import (
	"context"
	"time"

	"perch/sdk"
	"perch/sdk/vehicle"
)

// Adapter is the demo adapter.
func Adapter() sdk.Adapter {
	least, most, never := 1.0, 1000.0, 0.0
	return sdk.Adapter{
		Description: sdk.Description{
			Name:    "demo",
			Version: "1.0.0",
			Summary: "flies an invented aeroplane; needs nothing",
			Signals: []vehicle.Signal{
				vehicle.PositionN, vehicle.PositionE, vehicle.PositionD,
				vehicle.VelocityX, vehicle.VelocityY, vehicle.VelocityZ,
				vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ,
				vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR,
				vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ,
				vehicle.Airspeed, vehicle.OnGround, vehicle.EngineRPM,
			},
			Never: []vehicle.Signal{
				vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD, vehicle.AngleOfAttack, vehicle.Sideslip,
				vehicle.RotorRPM, vehicle.GearRatio, vehicle.FlapRatio,
			},
			NominalRate: 100,
			Settings: []sdk.Setting{
				{Key: "rate", Type: sdk.Number, Unit: "Hz", Default: "100", Minimum: &least, Maximum: &most,
					Help: "How many states a second."},
				{Key: "start", Type: sdk.Number, Unit: "s", Default: "0", Minimum: &never, Maximum: new(Period.Seconds()),
					Help: "Where in the flight of 180 s to begin: 45 is in a turn, 90 in a loop."},
				{Key: "signals", Type: sdk.Choice, Default: "all", Choices: []string{"all", "attitude"},
					Help: "What to send: attitude alone shows what the host makes of a poor source."},
				{Key: "seed", Type: sdk.Integer, Default: "1", Minimum: &never,
					Help: "Another number gives other gusts."},
			},
		},
		Stream: stream,
	}
}

func stream(ctx context.Context, set sdk.Settings, out *sdk.Sender) error {
	flight := NewFlight(uint64(set.Integer("seed")))
	begin := time.Duration(set.Number("start") * float64(time.Second))
	interval := time.Duration(float64(time.Second) / set.Number("rate"))
	attitudeOnly := set.String("signals") == "attitude"
	var s vehicle.State
	flight.At(begin, &s) // flying there is not part of the stream: the first state says no discontinuity
	started := time.Now()
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for last := time.Duration(-1); ; {
		// The flight keeps to the clock: after a pause of this program states are missing, not late.
		at := time.Since(started).Truncate(interval)
		if at <= last {
			at = last + interval
		}
		last = at
		flight.At(begin+at, &s)
		if attitudeOnly {
			s.Present &= vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)
		}
		out.Send(&s)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}
