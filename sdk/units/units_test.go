package units_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"perch/sdk/units"
)

// Expected values: NIST Special Publication 811 (2008), appendix B.8, conversion factors as printed there, and the SI
// Brochure, 9th edition, table 8 (degree, nautical mile, knot). Printed digits bound the tolerance.
func TestFactors(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want float64
		digits    float64 // relative
	}{
		{"degree (angle)", units.FromDegrees(1), 1.745329e-2, 1e-6},
		{"degree per second", units.FromDegreesPerSecond(1), 1.745329e-2, 1e-6},
		{"foot", units.FromFeet(1), 0.3048, 0},
		{"mile", units.FromMiles(1), 1.609344e3, 0},
		{"nautical mile", units.FromNauticalMiles(1), 1852, 0},
		{"knot", units.FromKnots(1), 5.144444e-1, 1e-6},
		{"knots, exactly", units.FromKnots(3600), 1852, 0},
		{"foot per second", units.FromFeetPerSecond(1), 0.3048, 0},
		{"foot per minute", units.FromFeetPerMinute(1), 5.08e-3, 1e-15},
		{"kilometre per hour", units.FromKilometresPerHour(1), 2.777778e-1, 1e-6},
		{"mile per hour", units.FromMilesPerHour(1), 4.4704e-1, 0},
		{"foot per second squared", units.FromFeetPerSecondSquared(1), 0.3048, 0},
		{"standard gravity", units.FromStandardGravity(1), 9.80665, 0},
		{"revolution per minute", units.FromRPM(1), 1.047198e-1, 1e-6},
		{"revolution per second", units.FromRPM(units.FromHertzToRPM(1)), 6.283185, 1e-6},
	} {
		if math.Abs(c.got-c.want) > c.digits*c.want {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
}

func TestThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-1e6, 1e6).Draw(t, "x")
		if x != 0 && math.Abs(x) < 1e-300 {
			t.Skip("about there floating-point numbers lose the digits that are asked for: IEEE 754, subnormal numbers")
		}
		for name, y := range map[string]float64{
			"degrees":            units.ToDegrees(units.FromDegrees(x)),
			"degrees per second": units.ToDegreesPerSecond(units.FromDegreesPerSecond(x)),
			"feet":               units.ToFeet(units.FromFeet(x)),
			"knots":              units.ToKnots(units.FromKnots(x)),
			"km/h":               units.ToKilometresPerHour(units.FromKilometresPerHour(x)),
			"g":                  units.ToStandardGravity(units.FromStandardGravity(x)),
			"rpm":                units.ToRPM(units.FromRPM(x)),
		} {
			if math.Abs(x-y) > 1e-15*math.Abs(x)*4 {
				t.Errorf("%s: %v became %v", name, x, y)
			}
		}
	})
}

// A climb is positive up, VelocityD positive down: mind the sign.
func ExampleFromFeetPerMinute() {
	climb := 500.0 // ft/min, from the source
	fmt.Printf("velocity_d_m_s = %.2f\n", -units.FromFeetPerMinute(climb))
	// Output: velocity_d_m_s = -2.54
}

// A load factor "in g" is not yet specific force: it is +1 at rest, and f_z is negative there.
func ExampleFromStandardGravity() {
	nz := 1.0
	fmt.Printf("specific_force_z_m_s2 = %.5f\n", -units.FromStandardGravity(nz))
	// Output: specific_force_z_m_s2 = -9.80665
}
