package commissioning

import (
	"math"

	"perch/host/config"
	"perch/host/guard"
	"perch/host/pose"
)

const (
	// ReducedHeadSpeed is the most that the rider's head moves at while a seat is commissioned, m/s: the "manual
	// reduced speed" of ISO 10218-1, 250 mm/s, there for a robot's tool. The head is what moves fastest in a rider.
	ReducedHeadSpeed = 0.25
	// DefaultHeadHeight is the top of a seated head above the joint where the seat file has no head_height, m
	// (common practice, no source: measure it).
	DefaultHeadHeight = 0.80

	// Reduced speed is reached in rampTime, and the acceleration for that in jerkTime, s (common practice, no source).
	// At the default height that is about 18 deg/s, 60 deg/s² and 400 deg/s³.
	rampTime = 0.3
	jerkTime = 0.15
)

// Reduced is how slow commissioning and jog move the seat.
type Reduced struct {
	HeadHeight float64 // m, of the rider's head above the joint; 0: DefaultHeadHeight
	Lower      float64 // rad/s, a lower speed that the builder chose; 0: none
}

// ReducedOf is how slow a seat's file has it.
func ReducedOf(s config.Seat) Reduced {
	return Reduced{HeadHeight: s.Load.HeadHeight, Lower: s.Load.Reduced}
}

// AngularSpeed is the most for one axis that turns alone, rad/s: ReducedHeadSpeed over the head's height, or Lower
// where that is less.
func (r Reduced) AngularSpeed() float64 {
	height := r.HeadHeight
	if !(height > 0) {
		height = DefaultHeadHeight
	}
	speed := ReducedHeadSpeed / height
	if r.Lower > 0 {
		speed = min(speed, r.Lower)
	}
	return speed
}

// LinearSpeed is the most for one axis that slides alone, m/s. Lower lessens it in the same share.
func (r Reduced) LinearSpeed() float64 {
	height := r.HeadHeight
	if !(height > 0) {
		height = DefaultHeadHeight
	}
	return min(ReducedHeadSpeed, r.AngularSpeed()*height)
}

// Limits are the limits with speed, acceleration and jerk brought down so that the head keeps to ReducedHeadSpeed while
// all the axes given move together; travel stays. Give one axis for a seat that moves one at a time. No limit rises.
//
// Surge and pitch move the head along x, sway and roll along y, heave along z; yaw turns what is out as far as the head
// is high. Axes of one direction add, directions add squared.
func (r Reduced) Limits(l guard.Limits, together pose.Axes) guard.Limits {
	var in [len(directions)]float64 // how many of the axes move the head in each direction
	used := 0.
	for d, axes := range directions {
		for a := range pose.Count {
			if together.Has(a) && axes.Has(a) {
				in[d]++
			}
		}
		used += min(1, in[d])
	}
	for d, axes := range directions {
		for a := range pose.Count {
			if !together.Has(a) || !axes.Has(a) {
				continue
			}
			alone := r.AngularSpeed()
			if a.Unit() == "m" {
				alone = r.LinearSpeed()
			}
			speed := alone / in[d] / math.Sqrt(used)
			l.Speed[a] = min(l.Speed[a], speed)
			l.Acceleration[a] = min(l.Acceleration[a], speed/rampTime)
			l.Jerk[a] = min(l.Jerk[a], speed/rampTime/jerkTime)
		}
	}
	return l
}

// directions in which axes move the rider's head.
var directions = [...]pose.Axes{
	pose.Of(pose.Surge, pose.Pitch), pose.Of(pose.Sway, pose.Roll), pose.Of(pose.Heave), pose.Of(pose.Yaw),
}
