package guard

import (
	"math"

	"perch/host/pose"
)

// A demand that keeps swinging near the limits obeys every one of them, and still is a ride that nobody meant: a
// control loop in the source, or a sign the wrong way round, shakes rider and frame for as long as it lasts.
const (
	swingWindow = 10.0 // s, over which the root of the mean square is taken
	swingBlock  = 0.5  // s
	swingBlocks = 20   // swingWindow / swingBlock
	// swingMost is the share of an axis's speed, acceleration or jerk that may be used in the mean square over the
	// window: a sine that touches its limit has 0.71, one at half the limit 0.35. Common practice, no source.
	swingMost  = 0.6
	swingLeast = 0.01 // of the demand is let through, whatever comes
	swingRise  = 0.02 // most that comes back in a block: from half to all takes 12 s
	swingRate  = 0.7  // rad/s, of the critically damped glide of the share
)

// Swing watches how near the limits each axis moves, over 10 s, and says what share of the demand brings that down to
// swingMost. It sees what was commanded, not what was wanted: a single jump of the demand is a short motion then, and
// a demand far outside the limits counts as what the guard made of it. Memory and cost of a tick are constant.
type Swing struct {
	dt    float64
	ticks int // in a block
	n     int // in the present one
	at    int // block
	axis  [pose.Count]swing
}

// swing is one axis's.
type swing struct {
	sums     [swingBlocks][3]float64 // of squares: speed, acceleration, jerk, each of its limit and at the whole demand
	now      [3]float64
	past     float64 // acceleration of the tick before
	goal     float64 // share that is let through when the glide is over
	share    float64
	rate     float64 // of share, per s
	measured float64 // root of the mean square, at the whole demand, of the last whole window
}

// NewSwing makes a watch that has seen a seat at rest; dt is the loop's constant step in s.
func NewSwing(dt float64) *Swing {
	s := &Swing{dt: dt, ticks: max(1, int(swingBlock/dt+0.5))}
	for i := range s.axis {
		s.axis[i].goal, s.axis[i].share = 1, 1
	}
	return s
}

// Apply lessens the demand towards level by the share of each axis; where that is whole the axis stays as it is, bit
// for bit. What is outside the travel is clamped to it before. It says whether it changed anything.
func (s *Swing) Apply(p *pose.Pose, level *pose.Pose, l *Limits) bool {
	faded := false
	for a := range p {
		g := s.axis[a].share
		if g == 1 || p[a] != p[a] {
			continue
		}
		faded = true
		x := min(max(p[a], l.Low[a]), l.High[a])
		p[a] = level[a] + g*(x-level[a])
	}
	return faded
}

// see takes an axis's commanded speed and acceleration of this tick, with what is the most of speed, acceleration and
// jerk there.
func (s *Swing) see(a pose.Axis, speed, acceleration float64, most [3]float64) {
	w := &s.axis[a]
	jerk := (acceleration - w.past) / s.dt
	w.past = acceleration
	for i, r := range [3]float64{speed, acceleration, jerk} {
		r /= most[i] * w.share
		w.now[i] += r * r
	}
	// a damped glide, so that the share changes without a jump of its speed
	w.rate += s.dt * swingRate * (swingRate*(w.goal-w.share) - 2*w.rate)
	w.share += s.dt * w.rate
	if w.goal == 1 && math.Abs(1-w.share) < 1e-10 && math.Abs(w.rate) < 1e-10 {
		w.share, w.rate = 1, 0
	}
}

// tick ends a tick in which every axis was seen.
func (s *Swing) tick() {
	if s.n++; s.n < s.ticks {
		return
	}
	s.n = 0
	for a := range s.axis {
		w := &s.axis[a]
		w.sums[s.at], w.now = w.now, [3]float64{}
		var sum [3]float64
		for _, b := range w.sums {
			for i := range sum {
				sum[i] += b[i]
			}
		}
		w.measured = math.Sqrt(max(sum[0], sum[1], sum[2]) / float64(swingBlocks*s.ticks))
		goal := 1.0
		if w.measured > swingMost {
			goal = max(swingLeast, swingMost/w.measured)
		}
		w.goal = min(goal, w.goal+swingRise, 1)
	}
	s.at = (s.at + 1) % swingBlocks
}
