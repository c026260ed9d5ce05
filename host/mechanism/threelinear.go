package mechanism

import (
	_ "embed" // the drawing

	"perch/host/pose"
)

// ThreeLinearSettings are the measures of a seat that heaves, rolls and pitches on three linear actuators: m, rad and s.
//
// The seat sits on a universal joint at the top of an upright column. The column slides straight up and down in the
// base and cannot turn in it, as a square tube in another or a splined shaft: so the seat does not surge, sway or yaw,
// and the actuators carry none of that. One actuator stands in front of the column in the middle plane, two behind it,
// left and right. Base axes are the seat's at neutral, with their origin at the universal joint, the column at mid
// travel: x forward, y right, z down. The column must slide as far as the actuators can move it.
type ThreeLinearSettings struct {
	JointToFrontPoint    float64 // m, from the universal joint forward to the front seat point, level
	JointToRearPointBack float64 // m, from the universal joint back to the rear seat points, level
	HalfWidth            float64 // m, from the middle plane out to each rear seat point
	SeatPointHeight      float64 // m, of the seat points above the universal joint, at neutral; below is negative
	FootDrop             float64 // m, of all three feet below the universal joint, the column at mid travel
	FrontFootForward     float64 // m, of the front foot forward of its seat point; 0 where one is under the other
	RearFootForward      float64 // m, of the rear feet forward of their seat points; 0 where one is under the other
	RearFootOutward      float64 // m, of the rear feet further out than their seat points; 0 where one is under the other

	ActuatorSettings
}

// DefaultThreeLinear is a seat of ordinary size. Its limits are starting points, to be replaced by those of the motors.
func DefaultThreeLinear() ThreeLinearSettings {
	return ThreeLinearSettings{
		JointToFrontPoint:    0.40,
		JointToRearPointBack: 0.40,
		HalfWidth:            0.30,
		FootDrop:             0.60,
		ActuatorSettings:     ordinaryActuator(0.49, 0.71),
	}
}

//go:embed threelinear.svg
var threeLinearDrawing string

// Drawing is an SVG of the seat that shows which length is which.
func (ThreeLinearSettings) Drawing() string { return threeLinearDrawing }

func (s ThreeLinearSettings) check() error {
	f := faults{thing: "three-linear seat"}
	const metres = "measure it in metres"
	f.within("JointToFrontPoint", s.JointToFrontPoint, 0.02, 3, "m", metres+", from the joint straight forward to the front actuator's upper ball")
	f.within("JointToRearPointBack", s.JointToRearPointBack, 0.02, 3, "m", metres+", from the joint straight back to the rear actuators' upper balls")
	f.within("HalfWidth", s.HalfWidth, 0.02, 3, "m", metres+", from the middle out to one rear actuator's upper ball")
	f.within("SeatPointHeight", s.SeatPointHeight, -3, 3, "m", metres+", of the actuators' upper balls above the joint")
	f.within("FootDrop", s.FootDrop, -3, 3, "m", metres+", of the actuators' lower balls below the joint, the column at mid travel")
	f.within("FrontFootForward", s.FrontFootForward, -3, 3, "m", metres+", of the front actuator's lower ball forward of its upper one")
	f.within("RearFootForward", s.RearFootForward, -3, 3, "m", metres+", of the rear actuators' lower balls forward of their upper ones")
	f.within("RearFootOutward", s.RearFootOutward, -3, 3, "m", metres+", of the rear actuators' lower balls outward of their upper ones")
	s.ActuatorSettings.check(&f)
	return f.err()
}

// ThreeLinear is a seat on a sliding column and three linear actuators, moved in heave, roll and pitch. Its actuators
// are the front, the left and the right one, in m longer than with the seat level. Heave, which is down, shortens all;
// nose up lengthens the front and shortens the rear ones; right side down shortens the right and lengthens the left one.
// It is made by NewThreeLinear and does not change.
type ThreeLinear struct{ linear }

// NewThreeLinear makes the mechanism, or says everything that is wrong with its measures.
func NewThreeLinear(s ThreeLinearSettings) (*ThreeLinear, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	seat := []vector{{s.JointToFrontPoint, 0, -s.SeatPointHeight}}
	feet := []vector{{s.JointToFrontPoint + s.FrontFootForward, 0, s.FootDrop}}
	for _, side := range []float64{-1, 1} {
		seat = append(seat, vector{-s.JointToRearPointBack, side * s.HalfWidth, -s.SeatPointHeight})
		feet = append(feet, vector{-s.JointToRearPointBack + s.RearFootForward, side * (s.HalfWidth + s.RearFootOutward), s.FootDrop})
	}
	l, err := newLinear("three-linear seat", s.ActuatorSettings, newRods(pose.Of(pose.Heave, pose.Roll, pose.Pitch), seat...),
		[]string{"front", "left", "right"}, feet)
	if err != nil {
		return nil, err
	}
	return &ThreeLinear{l}, nil
}
