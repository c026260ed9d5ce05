package preview

import (
	"context"
	"errors"
	"fmt"
	"math"

	"perch/host/chain"
	"perch/host/cueing"
	"perch/host/estimate"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/perception"
	"perch/host/pose"
	"perch/host/source"
	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// Settings are what a flight is run with.
type Settings struct {
	Name  string         // for tables and pictures
	Chain chain.Settings // of one source
	Head  float64        // m, the rider's head above the joint
	Floor bool           // also find the least error that there could be
}

// DefaultHead is the head of a seated rider above the joint, m (common practice, no source).
const DefaultHead = 0.8

// Default is a seat that turns 12 deg either way about roll and pitch, at up to 40 deg/s, 300 deg/s² and 5000 deg/s³, with full
// cues in the mode Predictive; the class of vehicle counts for the other modes.
func Default(class string) (Settings, error) {
	const deg = math.Pi / 180
	axes := pose.Of(pose.Roll, pose.Pitch)
	var l guard.Limits
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		l.Low[a], l.High[a], l.Speed[a], l.Acceleration[a], l.Jerk[a] = -12*deg, 12*deg, 40*deg, 300*deg, 5000*deg
	}
	box, err := mechanism.NewBox(mechanism.BoxSettings{
		Axes: axes, Low: l.Low, High: l.High, Speed: l.Speed, Acceleration: l.Acceleration, Jerk: l.Jerk,
	})
	if err != nil {
		return Settings{}, err
	}
	cues := cueing.Preset(class)
	cues.Mode, cues.Intensity = cueing.Predictive, 1
	return Settings{
		Name: "default", Head: DefaultHead,
		Chain: chain.Settings{
			Rate: 500, Mechanism: box, Limits: l, Cueing: []cueing.Settings{cues}, Estimate: estimate.Settings{Delay: -1},
		},
	}, nil
}

// Result is what came of a run. Series are sampled at 50 Hz, at the times in Time.
type Result struct {
	Settings Settings
	Flight   *Flight
	Notes    []string

	Time              []float64 // s
	Roll, Pitch       Track
	Vehicle, Seat     perception.Series // perceived, thresholds
	Held              []guard.Held      // why the guard held the demand back, since the sample before
	Riding            []bool            // false: level, fading, or settled
	AttitudeRoll      []float64         // of the vehicle as estimated, rad; 0 where not known
	AttitudePitch     []float64
	Commanded, Wanted perception.Report // the seat's motion out of the guard, and out of cueing
	Floor             *perception.Least // nil where it was not asked for
	Derived           bool              // the vehicle's motion is as estimated, since the source does not give it

	Ticks  uint64
	Delay  float64 // s that estimation adds, at the end
	Axes   []AxisUse
	Guard  Holding
	Actual float64 // share of the ticks in which the seat rides with the whole demand
	Lost   uint64  // states that came in too great a burst
}

// Track is one axis at 50 Hz, rad.
type Track struct{ Wanted, Commanded []float64 }

// AxisUse is how much of an axis was used, in m or rad.
type AxisUse struct {
	Axis         pose.Axis
	Low, High    float64 // travel of the limits
	Least, Most  float64 // commanded
	Share        float64 // of the travel on the side where more of it was used
	Speed        float64 // fastest, per s
	SpeedLimit   float64
	Acceleration float64 // largest, per s²
}

// Holding is how long the guard held the demand back, as shares of the ticks.
type Holding struct {
	Share   float64
	Reasons []Reason
}

// Reason is one reason; several may hold at once.
type Reason struct {
	Held  guard.Held
	Share float64
}

// Run runs a flight, and measures it by truth's motion: what its source gave before some of it was taken away or made late. Nil
// is the flight's own. each is called with every row and its time, if it is not nil, and may end the run with an error; so is
// progress, a hundred times, with the share that is done.
func Run(ctx context.Context, f *Flight, truth *Flight, s Settings, each func(t float64, row *chain.Row) error, progress func(share float64)) (*Result, error) {
	if len(s.Chain.Cueing) != 1 {
		return nil, fmt.Errorf("preview: %d cueing settings; a flight has one source, give one", len(s.Chain.Cueing))
	}
	if !(s.Head >= 0 && s.Head <= 3) {
		return nil, fmt.Errorf("preview: the head is %g m above the joint; give 0 to 3 m", s.Head)
	}
	if progress == nil {
		progress = func(float64) {}
	}
	if each == nil {
		each = func(float64, *chain.Row) error { return nil }
	}
	c, err := chain.New(s.Chain)
	if err != nil {
		return nil, err
	}
	r := &run{flight: f, chain: c, seat: controller{Controller: guard.Controller{Present: true, Simulated: true, Supply: true, Ready: true}}}
	if err := r.arm(); err != nil {
		return nil, err
	}
	result := &Result{Settings: s, Flight: f, Notes: append([]string(nil), f.Notes...)}
	if err := r.ride(ctx, s, each, func(x float64) { progress(0.9 * x) }); err != nil {
		return nil, err
	}
	if err := r.finish(ctx, result, truth); err != nil {
		return nil, err
	}
	progress(1)
	return result, nil
}

// controller does at once what it is told.
type controller struct{ guard.Controller }

func (c *controller) obey(out *guard.Output) {
	switch out.Command {
	case guard.CommandHome:
		c.Homed, c.Ready = true, true
	case guard.CommandArm:
		c.Armed = true
	case guard.CommandDisarm, guard.CommandStop:
		c.Armed = false
	}
	if out.Setpoint {
		c.Position = out.Actuators
	}
}

// run is a run under way.
type run struct {
	flight *Flight
	chain  *chain.Chain
	seat   controller
	row    chain.Row
	queue  *source.Queue
	lost   uint64

	time                 []float64 // of each tick
	wanted, commanded    [2][]float64
	attitude             [2][]float64
	held                 []guard.Held
	riding               []bool
	derived              [4]curve
	ticks, holding, full uint64
	reasons              [16]uint64
	use                  [pose.Count]AxisUse
	last, speed          pose.Pose
}

var seatAxes = [2]pose.Axis{pose.Roll, pose.Pitch}

func (r *run) step() {
	in := chain.Input{Controller: r.seat.Controller}
	switch g := &r.row.Guarded; {
	case g.State == guard.Off && !r.seat.Homed:
		in.Ask = guard.AskHome
	case g.State == guard.Parked && !r.seat.Armed: // at first, and after a long silence of the source
		in.Ask = guard.AskArm
	}
	r.chain.Step(&in, &r.row)
	r.seat.obey(&r.row.Guarded)
}

// arm homes and arms the seat, before there is a source.
func (r *run) arm() error {
	for range 1000 {
		r.step()
		if s := r.row.Guarded.State; s == guard.Riding || s == guard.Settling {
			return nil
		}
	}
	return fmt.Errorf("preview: the seat does not arm: it is %v (%v); check the mechanism and its limits", r.row.Guarded.State, r.row.Guarded.Cause)
}

func (r *run) ride(ctx context.Context, s Settings, each func(float64, *chain.Row) error, progress func(float64)) error {
	f, dt := r.flight, 1/s.Chain.Rate
	before, next := r.chain.Tick(), 0
	r.queue = source.NewQueue()
	n := int(math.Ceil(f.Seconds()/dt)) + 1
	for _, t := range []*[]float64{&r.time, &r.wanted[0], &r.wanted[1], &r.commanded[0], &r.commanded[1], &r.attitude[0], &r.attitude[1]} {
		*t = make([]float64, 0, n)
	}
	r.held, r.riding = make([]guard.Held, 0, n), make([]bool, 0, n)
	var state vehicle.State
	for k := range n {
		t := f.begin + float64(k)*dt
		for next < len(f.states) && f.arrivals[next] <= t+1e-9 {
			r.queue.Push(&f.states[next])
			next++
		}
		for r.queue.Pop(&state) {
			r.chain.See(0, &state)
		}
		r.step()
		r.row.Tick -= before
		r.note(t, dt, k == 0)
		if err := each(t, &r.row); err != nil {
			return err
		}
		if k%max(1, n/100) == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
			progress(float64(k) / float64(n))
		}
	}
	r.lost = r.queue.Dropped()
	return nil
}

func (r *run) note(t, dt float64, first bool) {
	row := &r.row
	g := &row.Guarded
	r.time = append(r.time, t)
	for i, a := range seatAxes {
		r.wanted[i] = append(r.wanted[i], row.Wanted[a])
		r.commanded[i] = append(r.commanded[i], g.Pose[a])
	}
	_, pitch, roll := axes.ToEuler(row.Motion.Attitude)
	r.attitude[0], r.attitude[1] = append(r.attitude[0], roll), append(r.attitude[1], pitch)
	r.held = append(r.held, g.Held)
	whole := g.State == guard.Riding && g.Fade >= 1
	r.riding = append(r.riding, whole)
	r.ticks++
	if whole {
		r.full++
	}
	if g.Held != 0 {
		r.holding++
		for i := range r.reasons {
			if g.Held&(1<<i) != 0 {
				r.reasons[i]++
			}
		}
	}
	at := t - r.chain.Delay()
	m := &row.Motion
	if m.Present.Has(vehicle.AngularVelocityP, vehicle.AngularVelocityQ) {
		r.derived[0].add(at, m.AngularVelocity.X)
		r.derived[1].add(at, m.AngularVelocity.Y)
	}
	if m.Present.Has(vehicle.SpecificForceX, vehicle.SpecificForceY) {
		r.derived[2].add(at, m.SpecificForce.X)
		r.derived[3].add(at, m.SpecificForce.Y)
	}
	for a := range r.use {
		u, x := &r.use[a], g.Pose[a]
		if first {
			u.Least, u.Most = x, x
		} else {
			v := (x - r.last[a]) / dt
			u.Least, u.Most = min(u.Least, x), max(u.Most, x)
			u.Speed = max(u.Speed, math.Abs(v))
			u.Acceleration = max(u.Acceleration, math.Abs(v-r.speed[a])/dt)
			r.speed[a] = v
		}
	}
	r.last = g.Pose
}

// finish makes the result of what was noted.
func (r *run) finish(ctx context.Context, out *Result, truth *Flight) error {
	s := &out.Settings
	if truth == nil {
		truth = r.flight
	} else if d := float64(truth.first-r.flight.first) / 1e9; math.Abs(d) > 60 {
		return fmt.Errorf("%s: begins %g s of source time from where the flight does, so it is no other record of it; both need one clock", truth.Name, d)
	}
	reference := truth.given
	if !truth.measured() {
		reference, out.Derived = r.derived, true
		out.Notes = append(out.Notes, "the source gives no angular velocity or no specific force: the vehicle's motion is as the program estimates it")
		for i := range reference {
			if len(reference[i].t) < 2 {
				return errors.New("the states give neither specific force nor enough to derive it (velocity with attitude), so nothing can be said of how it feels; " +
					"record a source that does")
			}
		}
	}
	shift := float64(truth.first-r.flight.first) / 1e9
	if out.Derived {
		shift = 0
	}
	from, to := r.time[0], r.time[len(r.time)-1]
	for i := range reference {
		t := reference[i].t
		from, to = max(from, t[0]+shift), min(to, t[len(t)-1]+shift)
	}
	out.Time = perception.Grid(from, to)
	if len(out.Time) < 2 {
		return errors.New("seat and vehicle have no time in common to compare; check the times of the states")
	}
	moved := make([]float64, len(out.Time)) // the grid on the reference's clock
	for i, t := range out.Time {
		moved[i] = t - shift
	}
	var motion perception.Series
	for i := range reference {
		motion[i] = perception.Sample(reference[i].t, reference[i].v, moved)
	}
	for i, track := range []*Track{&out.Roll, &out.Pitch} {
		track.Wanted = perception.Sample(r.time, r.wanted[i], out.Time)
		track.Commanded = perception.Sample(r.time, r.commanded[i], out.Time)
	}
	out.AttitudeRoll, out.AttitudePitch = nearest(r.time, r.attitude[0], out.Time), nearest(r.time, r.attitude[1], out.Time)
	out.Vehicle = perception.Perceive(&motion)
	felt := perception.Seat(out.Roll.Commanded, out.Pitch.Commanded, s.Head)
	out.Seat = perception.Perceive(&felt)
	out.Commanded = perception.Judge(&out.Vehicle, &out.Seat)
	felt = perception.Seat(out.Roll.Wanted, out.Pitch.Wanted, s.Head)
	wanted := perception.Perceive(&felt)
	out.Wanted = perception.Judge(&out.Vehicle, &wanted)

	out.Held, out.Riding = make([]guard.Held, len(out.Time)), make([]bool, len(out.Time))
	k := 0
	for i, t := range out.Time {
		out.Riding[i] = true
		for ; k < len(r.time) && r.time[k] <= t+1e-9; k++ {
			out.Held[i] |= r.held[k]
			out.Riding[i] = out.Riding[i] && r.riding[k]
		}
	}
	share := func(n uint64) float64 { return float64(n) / float64(r.ticks) }
	out.Ticks, out.Delay, out.Actual, out.Lost = r.ticks, r.chain.Delay(), share(r.full), r.lost
	out.Guard.Share = share(r.holding)
	for i, n := range r.reasons {
		if n > 0 {
			out.Guard.Reasons = append(out.Guard.Reasons, Reason{Held: 1 << i, Share: share(n)})
		}
	}
	limits := &s.Chain.Limits
	for a := range pose.Count {
		if !s.Chain.Mechanism.Axes().Has(a) {
			continue
		}
		u := r.use[a]
		u.Axis, u.Low, u.High, u.SpeedLimit = a, limits.Low[a], limits.High[a], limits.Speed[a]
		if u.High > 0 {
			u.Share = max(0, u.Most) / u.High
		}
		if u.Low < 0 {
			u.Share = max(u.Share, min(0, u.Least)/u.Low)
		}
		out.Axes = append(out.Axes, u)
	}
	if out.Lost > 0 {
		out.Notes = append(out.Notes, fmt.Sprintf("%d states came in bursts of more than the loop takes in a tick and were dropped, as in a ride", out.Lost))
	}
	if s.Floor {
		if err := ctx.Err(); err != nil {
			return err
		}
		least := perception.Floor(&out.Vehicle, perception.Reach{
			RollLow: limits.Low[pose.Roll], RollHigh: limits.High[pose.Roll], PitchLow: limits.Low[pose.Pitch], PitchHigh: limits.High[pose.Pitch],
		}, s.Head)
		out.Floor = &least
	}
	return nil
}

// nearest reads a curve at the point before each time: angles that wrap must not be mixed.
func nearest(t, v, at []float64) []float64 {
	out := make([]float64, len(at))
	k := 0
	for i, x := range at {
		for k+1 < len(t) && t[k+1] <= x+1e-9 {
			k++
		}
		out[i] = v[k]
	}
	return out
}
