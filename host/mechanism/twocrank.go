package mechanism

import (
	_ "embed" // the drawing
	"fmt"
	"math"

	"perch/host/pose"
)

// TwoCrankSettings are the measures of a two-crank seat: m, rad and s. Base axes are the seat's at neutral, with
// their origin at the universal joint: x forward, y right, z down. Drawing shows the same lengths to scale.
//
//	                             forward →
//	         JointToSeatPointBack
//	       |<--------------------->|
//	rear   o-----------------------U  universal joint, fixed to the base
//	seat   |\                          (o is SeatPointHeight above U, here 0)
//	point  | \
//	       |  \ RodLength
//	       |   \                       seen from above:
//	       |    \                          o left      -
//	       |     \                         |           | HalfWidth
//	  CrankDrop   \                        +-------U   -
//	       |       \                       |
//	       |        \                      o right
//	       |         \
//	       C----------* crank tip
//	  crank centre
//	       |<-------->|
//	        CrankRadius
//
// At crank angle zero the crank is level and its tip faces forward (or backward, TipBackward); a positive angle
// lifts the tip. Crank axes are parallel to y. Both ends of a rod are ball joints.
type TwoCrankSettings struct {
	JointToSeatPointBack float64 // m, from the universal joint back to the seat points, level
	HalfWidth            float64 // m, from the middle plane out to each seat point
	SeatPointHeight      float64 // m, of the seat points above the universal joint, at neutral; below is negative
	CrankDrop            float64 // m, of the crank centres below the universal joint
	CrankForward         float64 // m, of the crank centres forward of the seat points at neutral; 0 where one is under the other
	CrankOutward         float64 // m, of the crank centres further out than the seat points; 0 where one is under the other
	TipBackward          bool    // the cranks are mounted mirror-wise: level, their tips face backward

	CrankSettings
}

// DefaultTwoCrank is a seat of ordinary size. Its limits are starting points, to be replaced by those of the motors.
func DefaultTwoCrank() TwoCrankSettings {
	const deg = math.Pi / 180
	return TwoCrankSettings{
		JointToSeatPointBack: 0.40,
		HalfWidth:            0.30,
		CrankDrop:            0.60,
		CrankSettings: CrankSettings{
			CrankRadius:            0.10,
			RodLength:              math.Sqrt(0.37), // crank level at neutral
			LeastTransmissionAngle: 30 * deg,
			Low:                    -60 * deg,
			High:                   60 * deg,
			Speed:                  240 * deg,
			Acceleration:           2000 * deg,
			Jerk:                   30000 * deg,
		},
	}
}

//go:embed twocrank.svg
var twoCrankDrawing string

// Drawing is an SVG of the seat from the side and from above, that shows which length is which.
func (TwoCrankSettings) Drawing() string { return twoCrankDrawing }

func (s TwoCrankSettings) check() error {
	f := faults{thing: "two-crank seat"}
	const metres = "measure it in metres"
	f.within("JointToSeatPointBack", s.JointToSeatPointBack, 0.02, 3, "m", metres+", from the joint straight back to the rods' upper balls")
	f.within("HalfWidth", s.HalfWidth, 0.02, 3, "m", metres+", from the middle out to one rod's upper ball")
	f.within("SeatPointHeight", s.SeatPointHeight, -3, 3, "m", metres+", of the rods' upper balls above the joint")
	f.within("CrankDrop", s.CrankDrop, -3, 3, "m", metres+", of the cranks' axes below the joint")
	f.within("CrankForward", s.CrankForward, -3, 3, "m", metres+", of the cranks' axes forward of the rods' upper balls")
	f.within("CrankOutward", s.CrankOutward, -3, 3, "m", metres+", of the cranks' middle planes outward of the rods' upper balls")
	if !(s.CrankDrop+s.SeatPointHeight >= 0.02) {
		f.add("CrankDrop is %g m with SeatPointHeight %g m: the cranks must be below the rods' upper balls; measure both from the joint", s.CrankDrop, s.SeatPointHeight)
	}
	s.CrankSettings.check(&f)
	return f.err()
}

// TwoCrank is a seat on a universal joint, moved in roll and pitch by two cranks behind it. Its actuators are the
// left and the right crank, in rad. Nose up lowers both tips; right side down lowers the right one and lifts the left.
// It is made by NewTwoCrank and does not change.
type TwoCrank struct{ cranks }

// NewTwoCrank makes the mechanism, or says everything that is wrong with its measures.
func NewTwoCrank(s TwoCrankSettings) (*TwoCrank, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	arm := vector{x: 1}
	if s.TipBackward {
		arm.x = -1
	}
	var seat, centres []vector
	for _, side := range []float64{-1, 1} {
		seat = append(seat, vector{-s.JointToSeatPointBack, side * s.HalfWidth, -s.SeatPointHeight})
		centres = append(centres, vector{-s.JointToSeatPointBack + s.CrankForward, side * (s.HalfWidth + s.CrankOutward), s.CrankDrop})
	}
	c, err := newCranks("two-crank seat", s.CrankSettings, newRods(pose.Of(pose.Roll, pose.Pitch), seat...), []string{"left", "right"},
		centres, []vector{arm, arm}, 0, fmt.Sprintf("CrankDrop %g m and CrankForward %g m", s.CrankDrop, s.CrankForward))
	if err != nil {
		return nil, err
	}
	return &TwoCrank{c}, nil
}
