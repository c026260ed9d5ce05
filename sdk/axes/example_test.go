package axes_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/axes"
)

// In a left-handed source a turn to the right is positive about "up". Mapping the rates like a vector would give a turn
// to the left: AngularVelocity knows that rates are axial.
func ExampleConvention_AngularVelocity() {
	source := axes.GraphicsLeftHanded() // x right, y up, z forward
	rates := r3.Vec{Y: 0.5}             // rad/s, to the right
	fmt.Println("r =", source.AngularVelocity(rates).Z)
	fmt.Println("as a vector, wrongly:", source.Vector(rates).Z)
	// Output:
	// r = 0.5
	// as a vector, wrongly: -0.5
}

// Attitudes are converted as rotations, never by signs on angles: signs are right while only one angle is large, and
// fail in a climbing turn. Here the source's earth axes begin with east, so its heading is 90° off as well.
func ExampleConvention_Attitude() {
	source := axes.Robot() // forward, left, up; east, north, up
	level := quat.Number{Real: 1}
	yaw, pitch, roll := axes.ToEuler(source.Attitude(level))
	fmt.Printf("%.0f %.0f %.0f\n", yaw*180/math.Pi, pitch*180/math.Pi, roll*180/math.Pi)
	// Output: 90 0 0
}

// "Acceleration" without gravity is zero at rest; an accelerometer shows one g upwards. Sent as it is, the seat would
// feel weightless.
func ExampleKinematicToSpecificForce() {
	rest := axes.KinematicToSpecificForce(r3.Vec{}, quat.Number{Real: 1})
	fmt.Println(rest.X, rest.Y, rest.Z)
	// Output: 0 0 -9.80665
}

// The rate of the heading is not r: at 60° of bank in a level turn it is twice as much.
func ExampleBodyRates() {
	heading := 0.2 // rad/s
	w := axes.BodyRates(heading, 0, 0, 0, math.Pi/3)
	fmt.Printf("p %.2f q %.2f r %.2f\n", w.X, w.Y, w.Z)
	// Output: p 0.00 q 0.17 r 0.10
}
