package mechanism

import (
	_ "embed" // the drawing

	"perch/host/pose"
)

// TwoLinearSettings are the measures of a seat on two linear actuators: m, rad and s. Base axes are the seat's at
// neutral, with their origin at the universal joint under the seat: x forward, y right, z down. Drawing shows the same
// lengths to scale. An actuator goes from its foot, a ball joint in the base, to its seat point, a ball joint behind
// the universal joint.
type TwoLinearSettings struct {
	JointToSeatPointBack float64 // m, from the universal joint back to the seat points, level
	HalfWidth            float64 // m, from the middle plane out to each seat point
	SeatPointHeight      float64 // m, of the seat points above the universal joint, at neutral; below is negative
	FootDrop             float64 // m, of the feet below the universal joint
	FootForward          float64 // m, of the feet forward of the seat points at neutral; 0 where one is under the other
	FootOutward          float64 // m, of the feet further out than the seat points; 0 where one is under the other

	ActuatorSettings
}

// DefaultTwoLinear is a seat of ordinary size. Its limits are starting points, to be replaced by those of the motors.
func DefaultTwoLinear() TwoLinearSettings {
	return TwoLinearSettings{
		JointToSeatPointBack: 0.40,
		HalfWidth:            0.30,
		FootDrop:             0.55,
		ActuatorSettings:     ordinaryActuator(0.45, 0.65),
	}
}

//go:embed twolinear.svg
var twoLinearDrawing string

// Drawing is an SVG of the seat that shows which length is which.
func (TwoLinearSettings) Drawing() string { return twoLinearDrawing }

func (s TwoLinearSettings) check() error {
	f := faults{thing: "two-linear seat"}
	const metres = "measure it in metres"
	f.within("JointToSeatPointBack", s.JointToSeatPointBack, 0.02, 3, "m", metres+", from the joint straight back to the actuators' upper balls")
	f.within("HalfWidth", s.HalfWidth, 0.02, 3, "m", metres+", from the middle out to one actuator's upper ball")
	f.within("SeatPointHeight", s.SeatPointHeight, -3, 3, "m", metres+", of the actuators' upper balls above the joint")
	f.within("FootDrop", s.FootDrop, -3, 3, "m", metres+", of the actuators' lower balls below the joint")
	f.within("FootForward", s.FootForward, -3, 3, "m", metres+", of the actuators' lower balls forward of their upper ones")
	f.within("FootOutward", s.FootOutward, -3, 3, "m", metres+", of the actuators' lower balls outward of their upper ones")
	s.ActuatorSettings.check(&f)
	return f.err()
}

// TwoLinear is a seat on a universal joint, moved in roll and pitch by two linear actuators behind it. Its actuators
// are the left and the right one, in m longer than with the seat level. Nose up shortens both; right side down shortens
// the right one and lengthens the left. It is made by NewTwoLinear and does not change.
type TwoLinear struct{ linear }

// NewTwoLinear makes the mechanism, or says everything that is wrong with its measures.
func NewTwoLinear(s TwoLinearSettings) (*TwoLinear, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	var seat, feet []vector
	for _, side := range []float64{-1, 1} {
		seat = append(seat, vector{-s.JointToSeatPointBack, side * s.HalfWidth, -s.SeatPointHeight})
		feet = append(feet, vector{-s.JointToSeatPointBack + s.FootForward, side * (s.HalfWidth + s.FootOutward), s.FootDrop})
	}
	l, err := newLinear("two-linear seat", s.ActuatorSettings, newRods(pose.Of(pose.Roll, pose.Pitch), seat...), []string{"left", "right"}, feet)
	if err != nil {
		return nil, err
	}
	return &TwoLinear{l}, nil
}
