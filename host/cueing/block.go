package cueing

import (
	"math"

	"perch/host/estimate"
)

// onset is Onset at work.
type onset struct {
	filter
	gain, most float64
}

func newOnset(s Onset, dt float64) onset { return onset{band(s.Corner, dt), s.Gain, s.Clip} }

func (o *onset) step(rate float64, settle bool) float64 {
	u := o.gain * clip(rate, o.most)
	if settle {
		o.settle(u)
	}
	return o.filter.step(u)
}

// tilt is Tilt at work: the lean that feels like a force forward, nose up.
type tilt struct {
	filter
	slew       slew
	gain, most float64
}

func newTilt(s Tilt, dt float64) tilt {
	return tilt{lowPass2(s.Corner, 1, dt), slew{most: s.Rate * dt}, s.Gain / estimate.Gravity, s.Clip}
}

func (t *tilt) step(force float64, settle bool) float64 {
	u := clip(force, t.most)
	if settle {
		t.settle(u)
	}
	a := math.Asin(clip(t.gain*t.filter.step(u), 1))
	if settle {
		t.slew.y = a
	}
	return t.slew.step(a)
}

// shift is Shift at work. The high-pass that brings the seat home comes last, on the position.
type shift struct {
	place, home filter
	gain, most  float64
}

func newShift(s Shift, dt float64) shift {
	return shift{bilinear(0, 0, 1, 2*s.Corner, s.Corner*s.Corner, dt), highPass1(s.Home, dt), s.Gain, s.Clip}
}

func (x *shift) step(acceleration float64, settle bool) float64 {
	u := x.gain * clip(acceleration, x.most)
	if settle {
		x.place.settle(u)
	}
	y := x.place.step(u)
	if settle {
		x.home.settle(y)
	}
	return x.home.step(y)
}
