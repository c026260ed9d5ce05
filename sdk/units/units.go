// Package units converts what sources give into SI, and back for a screen. Each function names the unit that is not
// SI; the factors are exact by definition, apart from those that hold π.
//
// Sources: the SI Brochure (BIPM, 9th edition, table 8) for degree, knot and nautical mile; NIST Special Publication
// 811 (2008), appendix B.8, for foot, mile and standard gravity.
package units

import "math"

// The units, in SI.
const (
	Degree          = math.Pi / 180    // rad
	Foot            = 0.3048           // m, the international foot
	Mile            = 1609.344         // m, the international mile: 5280 ft
	NauticalMile    = 1852.0           // m
	Knot            = 1852.0 / 3600    // m/s
	MilePerHour     = 0.44704          // m/s
	StandardGravity = 9.80665          // m/s²
	RPM             = 2 * math.Pi / 60 // rad/s
)

// FromDegrees gives rad. A heading of 0 to 360 degrees needs no wrapping: attitudes are quaternions.
func FromDegrees(deg float64) float64 { return deg * Degree }

// ToDegrees gives degrees from rad.
func ToDegrees(rad float64) float64 { return rad / Degree }

// FromDegreesPerSecond gives rad/s.
func FromDegreesPerSecond(degPerSecond float64) float64 { return degPerSecond * Degree }

// ToDegreesPerSecond gives deg/s from rad/s.
func ToDegreesPerSecond(radPerSecond float64) float64 { return radPerSecond / Degree }

// FromFeet gives m.
func FromFeet(ft float64) float64 { return ft * Foot }

// ToFeet gives ft from m.
func ToFeet(m float64) float64 { return m / Foot }

// FromMiles gives m from international miles.
func FromMiles(mi float64) float64 { return mi * Mile }

// FromNauticalMiles gives m.
func FromNauticalMiles(nmi float64) float64 { return nmi * NauticalMile }

// FromKilometres gives m.
func FromKilometres(km float64) float64 { return km * 1000 }

// FromMillimetres gives m.
func FromMillimetres(mm float64) float64 { return mm / 1000 }

// FromKnots gives m/s.
func FromKnots(kn float64) float64 { return kn * 1852 / 3600 }

// ToKnots gives kn from m/s.
func ToKnots(metresPerSecond float64) float64 { return metresPerSecond * 3600 / 1852 }

// FromFeetPerSecond gives m/s.
func FromFeetPerSecond(ftPerSecond float64) float64 { return ftPerSecond * Foot }

// FromFeetPerMinute gives m/s. A rate of climb is positive up: VelocityD is its negative.
func FromFeetPerMinute(ftPerMinute float64) float64 { return ftPerMinute * Foot / 60 }

// FromKilometresPerHour gives m/s.
func FromKilometresPerHour(kmPerHour float64) float64 { return kmPerHour / 3.6 }

// ToKilometresPerHour gives km/h from m/s.
func ToKilometresPerHour(metresPerSecond float64) float64 { return metresPerSecond * 3.6 }

// FromMilesPerHour gives m/s.
func FromMilesPerHour(miPerHour float64) float64 { return miPerHour * MilePerHour }

// FromCentimetresPerSecond gives m/s.
func FromCentimetresPerSecond(cmPerSecond float64) float64 { return cmPerSecond / 100 }

// FromFeetPerSecondSquared gives m/s².
func FromFeetPerSecondSquared(ftPerSecond2 float64) float64 { return ftPerSecond2 * Foot }

// FromStandardGravity gives m/s² from multiples of standard gravity.
func FromStandardGravity(g float64) float64 { return g * StandardGravity }

// ToStandardGravity gives multiples of standard gravity from m/s².
func ToStandardGravity(metresPerSecond2 float64) float64 { return metresPerSecond2 / StandardGravity }

// FromRPM gives rad/s from revolutions per minute.
func FromRPM(rpm float64) float64 { return rpm * RPM }

// ToRPM gives revolutions per minute, the unit of EngineRPM and RotorRPM, from rad/s.
func ToRPM(radPerSecond float64) float64 { return radPerSecond / RPM }

// FromHertzToRPM gives revolutions per minute from revolutions per second.
func FromHertzToRPM(hz float64) float64 { return hz * 60 }

// FromPercent gives a ratio, 1 for 100 %.
func FromPercent(percent float64) float64 { return percent / 100 }
