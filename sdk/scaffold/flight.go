package scaffold

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/axes"
	"perch/sdk/capture"
	"perch/sdk/units"
)

// The sample: how long it lasts and how often it says something.
const (
	sampleLength   = 20 * time.Second
	sampleInterval = 20 * time.Millisecond
)

// moment is what the sample holds of one moment, in SI.
type moment struct {
	roll, pitch, yaw      float64
	rate, force, velocity r3.Vec // body, body, earth
}

// flight is an invented aeroplane that swings from turn to turn, climbs and dives, skids, speeds up and brakes. It moves
// where its nose points, so that all follows from roll, pitch, speed and the sideways force over time: with velocity
// (V, 0, 0) along the body, f = (V', 0, 0) + ω × (V, 0, 0) - Rᵀg, whose y gives the yaw rate.
func flight(take func(at time.Duration, m moment) error) error {
	const (
		step     = time.Millisecond // of the integral of the heading
		bank     = 45 * units.Degree
		climb    = 20 * units.Degree
		bankTurn = 2 * math.Pi / 10 // rad/s: how often it swings
		climbs   = 2 * math.Pi / 6.3
		surges   = 2 * math.Pi / 12
		skids    = 2 * math.Pi / 8
	)
	yaw, yawRate := 75*units.Degree, 0.0
	for at := time.Duration(0); at < sampleLength; at += step {
		t := at.Seconds()
		speed, thrust := 16+4*math.Sin(surges*t), 4*surges*math.Cos(surges*t)
		roll, rollRate := bank*math.Sin(bankTurn*t), bank*bankTurn*math.Cos(bankTurn*t)
		pitch, pitchRate := climb*math.Sin(climbs*t), climb*climbs*math.Cos(climbs*t)
		before := yawRate
		yawRate = yawRateOf(roll, pitch, pitchRate, speed, 5*math.Sin(skids*t))
		if at > 0 {
			yaw += (before + yawRate) / 2 * step.Seconds() // the trapezoidal rule
		}
		if at%sampleInterval != 0 {
			continue
		}
		q := axes.FromEuler(yaw, pitch, roll)
		rate := axes.BodyRates(yawRate, pitchRate, rollRate, pitch, roll)
		along := r3.Vec{X: speed}
		force := axes.KinematicToSpecificForce(r3.Add(r3.Vec{X: thrust}, r3.Cross(rate, along)), q)
		err := take(at, moment{roll: roll, pitch: pitch, yaw: yaw, rate: rate, force: force, velocity: axes.ToEarth(q, along)})
		if err != nil {
			return err
		}
	}
	return nil
}

// yawRateOf is the yaw rate at which the sideways force is as wanted, m/s²:
// f_y = r V - g sin(roll) cos(pitch), with r = -pitch' sin(roll) + yaw' cos(roll) cos(pitch).
func yawRateOf(roll, pitch, pitchRate, speed, sideways float64) float64 {
	sinRoll, cosRoll := math.Sincos(roll)
	cosPitch := math.Cos(pitch)
	r := (axes.Gravity*sinRoll*cosPitch + sideways) / speed
	return (r + pitchRate*sinRoll) / (cosRoll * cosPitch)
}

// writeSample writes the flight as timed lines, in the feed that the templates read.
func writeSample(w io.Writer) error {
	lines := capture.NewLineWriter(w)
	return flight(func(at time.Duration, m moment) error {
		return lines.Write(capture.Packet{Time: int64(at), Data: []byte(feedLine(at, m))})
	})
}

// feedLine is one line of the invented feed: s, deg, deg/s, g, m/s.
func feedLine(at time.Duration, m moment) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%.3f", at.Seconds())
	put := func(decimals int, values ...float64) {
		for _, v := range values {
			scale := math.Pow10(decimals)
			fmt.Fprintf(&b, ",%.*f", decimals, math.Round(v*scale)/scale+0) // no minus before a zero
		}
	}
	put(3, units.ToDegrees(m.roll), units.ToDegrees(m.pitch), math.Mod(units.ToDegrees(m.yaw)+720, 360))
	put(3, units.ToDegreesPerSecond(m.rate.X), units.ToDegreesPerSecond(m.rate.Y), units.ToDegreesPerSecond(m.rate.Z))
	put(4, units.ToStandardGravity(m.force.X), units.ToStandardGravity(m.force.Y), units.ToStandardGravity(m.force.Z))
	put(3, m.velocity.X, m.velocity.Y, m.velocity.Z)
	b.WriteByte('\n')
	return b.String()
}
