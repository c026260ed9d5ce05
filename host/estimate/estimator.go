package estimate

import (
	"gonum.org/v1/gonum/num/quat"

	"perch/sdk/vehicle"
)

// Settings of an Estimator.
type Settings struct {
	Delay float64 // how far the motion is behind the source, s; below 0: chosen by the source's rate
}

// Estimator estimates the motion of one source.
type Estimator struct {
	s Settings
}

// New makes an estimator for a loop of tick dt, s.
func New(s Settings, dt float64) *Estimator { return &Estimator{s: s} }

// Push takes a state that arrived before this tick.
func (e *Estimator) Push(s *vehicle.State, tick uint64) {}

// Step gives the motion at this tick.
func (e *Estimator) Step(tick uint64, out *Motion) {
	*out = Motion{Attitude: quat.Number{Real: 1}}
}

// Delay is the present delay of the motion behind the source, s.
func (e *Estimator) Delay() float64 { return e.s.Delay }
