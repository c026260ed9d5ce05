package mechanism

import (
	_ "embed" // the drawing
	"fmt"
	"math"

	"perch/host/pose"
)

// SixCrankSettings are the measures of a seat on six cranks with rods, which move it in all axes: m, rad and s. Base
// axes are the seat's at neutral, with their origin in the middle of the seat balls, about which the seat turns: x
// forward, y right, z down. A base ball of the ring is here a crank's centre, the middle of the circle of its tip; each
// crank turns in the upright plane that touches the base's circle there.
type SixCrankSettings struct {
	RingSettings
	CrankSettings
	TipsTogether   bool    // the tips of a pair's level cranks face each other, not away from each other
	MostJointAngle float64 // rad, by which a rod may lean out of its crank's plane, and its seat ball turn from where it is with the seat level
}

// DefaultSixCrank is a seat of ordinary size. Its limits are starting points, to be replaced by those of the motors.
func DefaultSixCrank() SixCrankSettings {
	const deg = math.Pi / 180
	s := SixCrankSettings{
		RingSettings: RingSettings{SeatRadius: 0.40, SeatSpacing: 0.12, BaseRadius: 0.40, BaseSpacing: 0.14, Height: 0.55},
		CrankSettings: CrankSettings{
			CrankRadius:            0.12,
			LeastTransmissionAngle: 30 * deg,
			Low:                    -60 * deg,
			High:                   60 * deg,
			Speed:                  360 * deg,
			Acceleration:           4000 * deg,
			Jerk:                   60000 * deg,
		},
		MostJointAngle: 30 * deg,
	}
	s.RodLength = s.LevelRod()
	return s
}

// LevelRod is the rod length at which the cranks are level when the seat is, m.
func (s SixCrankSettings) LevelRod() float64 {
	r := s.balls()
	return r.seat[0].minus(r.base[0].plus(s.arms(r)[0].times(s.CrankRadius))).length()
}

// arms are where the level tips face.
func (s SixCrankSettings) arms(r ring) (out []vector) {
	way := 1.0
	if s.TipsTogether {
		way = -1
	}
	for i := range r.names {
		out = append(out, polar(1, r.azimuth[i]+way*r.apart[i]*math.Pi/2, 0))
	}
	return out
}

//go:embed sixcrank.svg
var sixCrankDrawing string

// Drawing is an SVG of the seat that shows which length is which.
func (SixCrankSettings) Drawing() string { return sixCrankDrawing }

func (s SixCrankSettings) check() error {
	f := faults{thing: "six-crank seat"}
	s.RingSettings.check(&f)
	s.CrankSettings.check(&f)
	f.joint(s.MostJointAngle)
	return f.err()
}

// SixCrank is a seat on six cranks and rods, moved in all axes. Its actuators are the cranks, clockwise seen from above
// from the first right of the front, in rad. Heave, which is down, lowers all tips. It is made by NewSixCrank and does
// not change.
type SixCrank struct{ cranks }

// NewSixCrank makes the mechanism, or says everything that is wrong with its measures.
func NewSixCrank(s SixCrankSettings) (*SixCrank, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	r := s.balls()
	c, err := newCranks("six-crank seat", s.CrankSettings, newRods(1<<pose.Count-1, r.seat...), r.names, r.base, s.arms(r),
		s.MostJointAngle, fmt.Sprintf("Height %g m and the radii and spacings", s.Height))
	if err != nil {
		return nil, err
	}
	return &SixCrank{c}, nil
}
