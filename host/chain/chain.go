// Package chain joins the stages from the sources to the seat into one value whose Step is one tick.
//
// It reads no clock and does no I/O, and a Step allocates nothing: the same states seen at the same ticks, with the
// same requests, give the same rows, bit for bit, on machines of one architecture. Each source has a lane of its
// own (freshness, estimation, cueing), and every lane runs at every tick, so that changing the live source is a
// crossfade between two poses and never a jump.
package chain

import (
	"fmt"

	"perch/host/cueing"
	"perch/host/estimate"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/source"
	"perch/sdk/vehicle"
)

// Fade is how long a crossfade between live sources takes, s.
const Fade = 1.5

// lowRate is where telemetry is so sparse that onsets show its steps, Hz (common practice, no source).
const lowRate = 10

// Settings describe a chain.
type Settings struct {
	Rate      float64 // ticks a second, Hz
	Mechanism mechanism.Mechanism
	Limits    guard.Limits
	Cueing    []cueing.Settings // one a source, in the order in which they are named
	Estimate  estimate.Settings
	Live      int // index of the source that is live at first
}

// Input is what a tick takes besides states.
type Input struct {
	Controller  guard.Controller
	Ask         guard.Ask
	OperatorAge float64 // s since whoever armed last gave a sign of life
}

// Row is what a tick made.
type Row struct {
	Tick       uint64
	Source     int   // the live one
	Seen       bool  // it has given a state
	SourceTime int64 // of its newest state, ns
	Liveness   source.Liveness
	Motion     estimate.Motion // of the live source
	Input      Input           // what the tick was told
	Wanted     pose.Pose       // out of cueing
	Guarded    guard.Output    // what the guard made of it
}

type lane struct {
	watch    *source.Watch
	estimate *estimate.Estimator
	cueing   *cueing.Chain
	newest   int64 // source time of the last state seen, ns
	started  bool
	liveness source.Liveness
	motion   estimate.Motion
}

// Chain is the stages of one ride.
type Chain struct {
	tick    uint64
	lanes   []lane
	poses   []pose.Pose // of each lane
	live    []bool      // which of them move
	choice  *source.Selector
	machine *guard.Machine
}

// New builds a chain at rest, or says what is wrong with its settings.
func New(s Settings) (*Chain, error) {
	if !(s.Rate >= 50 && s.Rate <= 2000) {
		return nil, fmt.Errorf("rate %g Hz: the loop runs at 50 to 2000 Hz", s.Rate)
	}
	dt := 1 / s.Rate
	machine, err := guard.NewMachine(s.Mechanism, s.Limits, dt)
	if err != nil {
		return nil, err
	}
	c := &Chain{choice: source.NewSelector(len(s.Cueing), dt, Fade), machine: machine}
	if err := c.choice.Choose(s.Live); err != nil {
		return nil, err
	}
	c.poses, c.live = make([]pose.Pose, len(s.Cueing)), make([]bool, len(s.Cueing))
	// Where axes share their travel, what each has is what is left when all of them use theirs.
	room := cueing.Limits{Travel: halfTravel(s.Limits), Speed: s.Limits.Speed, Acceleration: s.Limits.Acceleration, Jerk: s.Limits.Jerk}
	share := mechanism.Reach(s.Mechanism, room.Travel)
	for a := range room.Travel {
		room.Travel[a] *= share
	}
	for _, settings := range s.Cueing {
		cues, err := cueing.New(settings, s.Mechanism.Axes(), room, dt)
		if err != nil {
			return nil, err
		}
		c.lanes = append(c.lanes, lane{watch: source.NewWatch(dt), estimate: estimate.New(s.Estimate, dt), cueing: cues})
	}
	return c, nil
}

// halfTravel is the travel that is free on both sides of level.
func halfTravel(l guard.Limits) pose.Pose {
	var out pose.Pose
	for a := range out {
		out[a] = max(0, min(l.High[a], -l.Low[a]))
	}
	return out
}

// Tick is the number of the tick that the next Step makes.
func (c *Chain) Tick() uint64 { return c.tick }

// Delay is what estimation adds on the chosen source, s.
func (c *Chain) Delay() float64 { return c.lanes[c.choice.Chosen()].estimate.Delay() }

// See hands a state of one source to the next Step.
func (c *Chain) See(of int, s *vehicle.State) {
	l := &c.lanes[of]
	l.watch.Saw(s, c.tick)
	l.estimate.Push(s, c.tick)
	if s.Condition == vehicle.Running {
		l.newest, l.started = s.SourceTime, true
	}
}

// Choose makes another source the live one: by a crossfade between two that live, and through level from or to one
// that does not. One that does not exist changes nothing.
func (c *Chain) Choose(of int) error { return c.choice.Choose(of) }

// SetIntensity changes one source's intensity, 0 gentle to 1 hard, from the next Step on; it glides. A source that does
// not exist changes nothing.
func (c *Chain) SetIntensity(of int, x float64) {
	if of >= 0 && of < len(c.lanes) {
		c.lanes[of].cueing.SetIntensity(x)
	}
}

// Step makes one tick.
func (c *Chain) Step(in *Input, out *Row) {
	for i := range c.lanes {
		l := &c.lanes[i]
		l.liveness = l.watch.Step(c.tick)
		l.cueing.SetLowRate(l.liveness.Rate > 0 && l.liveness.Rate < lowRate)
		l.estimate.Step(c.tick, &l.motion)
		c.poses[i], c.live[i] = l.cueing.Step(&l.motion), l.liveness.Live()
	}
	selected := c.choice.Step(c.poses, c.live)
	l := &c.lanes[selected.Source]
	out.Tick, out.Source, out.Seen, out.SourceTime = c.tick, selected.Source, l.started, l.newest
	out.Liveness, out.Motion, out.Input = l.liveness, l.motion, *in
	out.Wanted = selected.Pose
	out.Guarded = c.machine.Step(guard.Input{
		Wanted:      out.Wanted,
		Live:        selected.Live,
		Controller:  in.Controller,
		Ask:         in.Ask,
		OperatorAge: in.OperatorAge,
	})
	c.tick++
}
