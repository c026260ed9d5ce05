package mechanism

import (
	_ "embed" // the drawing
	"fmt"
	"math"

	"perch/host/pose"
)

// RingSettings say where the six balls of the seat and the six of the base are: m. Both sets lie on a circle, in three
// pairs a third of a turn apart; one is above the other with the pairs of one over the gaps of the other. Seen from
// above, with a pair of the seat in front:
//
//	      6 1          o  seat ball: SeatRadius from the middle, SeatSpacing from the other of its pair
//	      o o          x  base ball: BaseRadius from the middle, BaseSpacing from the other of its pair
//	 6 x       x 1
//	5 x    +    x 2
//	  5 o     o 2
//	   4 o   o 3
//	      x x
//	      4 3
//
// Forward is up. A leg joins the two balls of one number; they are counted clockwise from the first base ball right of
// the front.
type RingSettings struct {
	SeatRadius   float64 // m, from the middle of the seat's circle to each seat ball
	SeatSpacing  float64 // m, between the two seat balls of a pair
	BaseRadius   float64 // m, from the middle of the base's circle to each base ball, a foot or a crank's centre
	BaseSpacing  float64 // m, between the two base balls of a pair
	Height       float64 // m, of the seat balls above the base's, the seat level at mid travel
	SeatPairBack bool    // a pair of the seat is at the back and one of the base in front: all turned by half a turn
}

func (s RingSettings) check(f *faults) {
	const metres = "measure it in metres"
	f.within("SeatRadius", s.SeatRadius, 0.05, 3, "m", metres+", from the middle to one upper ball")
	f.within("SeatSpacing", s.SeatSpacing, 0, 3, "m", metres+", between the two upper balls of a pair")
	f.within("BaseRadius", s.BaseRadius, 0.05, 3, "m", metres+", from the middle to one lower ball or crank centre")
	f.within("BaseSpacing", s.BaseSpacing, 0, 3, "m", metres+", between the two lower balls or crank centres of a pair")
	f.within("Height", s.Height, 0.05, 3, "m", metres+", of the upper balls' plane above the lower one")
	for _, c := range []struct {
		name            string
		radius, spacing float64
	}{{"Seat", s.SeatRadius, s.SeatSpacing}, {"Base", s.BaseRadius, s.BaseSpacing}} {
		if c.spacing > c.radius {
			f.add("%sSpacing is %g m, over %sRadius %g m: the balls of one pair are then further apart than those of two neighbouring pairs; measure it within a pair",
				c.name, c.spacing, c.name, c.radius)
		}
	}
}

// ring is the legs' geometry, in base axes.
type ring struct {
	names      []string
	seat, base []vector
	azimuth    [MaxActuators]float64 // of the base balls, rad from x towards y
	apart      [MaxActuators]float64 // +1: away from the other of its pair is towards a larger azimuth, or -1
}

func (s RingSettings) balls() (r ring) {
	half := func(radius, spacing float64) float64 { return math.Asin(spacing / 2 / radius) }
	seat, base := half(s.SeatRadius, s.SeatSpacing), half(s.BaseRadius, s.BaseSpacing)
	const third = 2 * math.Pi / 3
	for leg := range MaxActuators {
		// Round the base ball by ball, two to a pair; the front is in a gap of the base's pairs, or in the middle of one.
		n, first := leg, third/2
		if s.SeatPairBack {
			n, first = leg+1, 0
		}
		pair, side := first+float64(n/2)*third, float64(2*(n%2)-1)
		r.azimuth[leg], r.apart[leg] = pair+side*base, side
		r.base = append(r.base, polar(s.BaseRadius, r.azimuth[leg], s.Height))
		r.seat = append(r.seat, polar(s.SeatRadius, pair+side*(third/2-seat), 0)) // the near one of the next pair
		r.names = append(r.names, fmt.Sprintf("leg %d", leg+1))
	}
	return r
}

// SixLinearSettings are the measures of a seat on six linear actuators, which move it in all axes: m, rad and s. Base
// axes are the seat's at neutral, with their origin in the middle of the seat balls, about which the seat turns: x
// forward, y right, z down.
type SixLinearSettings struct {
	RingSettings
	ActuatorSettings
}

// DefaultSixLinear is a seat of ordinary size. Its limits are starting points, to be replaced by those of the motors.
func DefaultSixLinear() SixLinearSettings {
	return SixLinearSettings{
		RingSettings:     RingSettings{SeatRadius: 0.40, SeatSpacing: 0.12, BaseRadius: 0.50, BaseSpacing: 0.15, Height: 0.60},
		ActuatorSettings: ordinaryActuator(0.59, 0.79),
	}
}

//go:embed sixlinear.svg
var sixLinearDrawing string

// Drawing is an SVG of the seat that shows which length is which.
func (SixLinearSettings) Drawing() string { return sixLinearDrawing }

func (s SixLinearSettings) check() error {
	f := faults{thing: "six-linear seat"}
	s.RingSettings.check(&f)
	s.ActuatorSettings.check(&f)
	return f.err()
}

// SixLinear is a seat on six linear actuators, moved in all axes. Its actuators are the legs, clockwise seen from above
// from the first right of the front, in m longer than with the seat level. Heave, which is down, shortens all. It is
// made by NewSixLinear and does not change.
type SixLinear struct{ linear }

// NewSixLinear makes the mechanism, or says everything that is wrong with its measures.
func NewSixLinear(s SixLinearSettings) (*SixLinear, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	r := s.balls()
	l, err := newLinear("six-linear seat", s.ActuatorSettings, newRods(1<<pose.Count-1, r.seat...), r.names, r.base)
	if err != nil {
		return nil, err
	}
	return &SixLinear{l}, nil
}
