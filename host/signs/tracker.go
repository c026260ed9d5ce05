package signs

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// Outcome is what became of a motion, in one group of signals or as a whole.
type Outcome string

// The outcomes.
const (
	Agrees   Outcome = "agrees"
	Opposite Outcome = "opposite" // the right axis, the wrong way
	Other    Outcome = "other"    // another axis moved
	NotShown Outcome = "not_shown"
	Unclear  Outcome = "unclear" // the person and the reading say different things
)

// Reading is what one group of signals made of a motion.
type Reading struct {
	Group   Group   `json:"group"`
	Outcome Outcome `json:"outcome"`
	Axis    int     `json:"axis"`   // that moved most: 0 roll or forward, 1 pitch or right, 2 yaw or down
	Amount  float64 `json:"amount"` // rad, m/s² or m/s, by our signs
	Words   string  `json:"words"`  // the same to a person
}

const (
	// StillTime is how long it has to be still before it is moved, s: a person's pause.
	StillTime = 1.0
	holdTime  = 0.3 // s that a motion has to last: longer than a knock
	otherTime = 1.5 // s that the slower groups may take after the first one has moved
	most      = 1.5 // times as far as every other axis: it moves alone
	gap       = 2.0 // s without a state: what came before says nothing any more
	// An angular velocity is integrated with a leak of this time, s: an offset of 0.5 deg/s then stays under 5 deg.
	leak = 10.0
	// Specific force is smoothed over this time, s, against the shaking of a hand and of an engine.
	smooth = 0.3
	// A force that is not a tilt has to be this large, m/s²: a tenth of gravity.
	push = 1.0
	// and is only looked at while the vehicle is this level, rad: gravity is then under 0.7 m/s² of it.
	level = 4 * degree
	// Level by eye, rad.
	back = 10 * degree
)

// track follows one group: where it was when the motion began, and where it is.
type track struct {
	group Group
	seen  bool
	at    int64   // source time of the newest value, ns
	start r3.Vec  // what it was
	now   r3.Vec  // rad, m/s or m/s²
	since float64 // s for which it has moved far enough
	done  bool
}

// Tracker finds one motion in the states of a source. It is a plain value: it reads no clock, and states are its time.
type Tracker struct {
	motion   Motion
	tracks   []track
	attitude quat.Number
	known    bool // the attitude
	began    bool
	last     int64
	ready    bool
	calm     float64 // s that it has been still
	from     [2]r3.Vec
	home     *r3.Vec // roll and pitch where the motion before began, rad
	shown    float64 // s since the first group had moved
	done     bool
	pushed   r3.Vec // the largest force of a motion that is no tilt, m/s²
}

// NewTracker waits for a motion.
func NewTracker(m Motion) *Tracker {
	t := &Tracker{motion: m, ready: m.Still == 0}
	for _, g := range []Group{Attitude, AngularVelocity, SpecificForce, Velocity} {
		t.tracks = append(t.tracks, track{group: g})
	}
	return t
}

// After has a model in the hand come back to where the motion before began, within 10 degrees, before it is still: it may be held
// tilted while a question is answered.
func (t *Tracker) After(before *Tracker) {
	if x := before.track(Attitude); x.seen && before.ready && t.motion.Way == InHand {
		at := x.start
		t.home = &at
	}
}

// away says whether it has not come back yet.
func (t *Tracker) away() bool {
	x := t.track(Attitude)
	return t.home != nil && x.seen && max(math.Abs(x.now.X-t.home.X), math.Abs(x.now.Y-t.home.Y)) > back
}

// Ready says that it was still long enough: what moves now is the motion.
func (t *Tracker) Ready() bool { return t.ready }

// Done says that the motion was seen, in every group that shows it or in the first of them a while ago.
func (t *Tracker) Done() bool { return t.done }

// See takes the next state. States of a source that is paused or absent say nothing; a discontinuity begins anew.
func (t *Tracker) See(s *vehicle.State) {
	if s.Condition != vehicle.Running || t.done {
		return
	}
	dt := float64(s.SourceTime-t.last) / 1e9
	if !t.began || s.Discontinuity || dt < 0 || dt > gap {
		home := t.home
		*t = *NewTracker(t.motion)
		t.home, t.began, dt = home, true, 0
	}
	t.last = s.SourceTime
	t.take(s)
	if !t.ready {
		if t.settle(dt); t.ready {
			t.begin()
		}
		return
	}
	t.watch(dt)
}

// take brings the groups up to a state.
func (t *Tracker) take(s *vehicle.State) {
	if q, ok := s.Attitude(); ok {
		t.attitude, t.known = q, true
		yaw, pitch, roll := axes.ToEuler(q)
		t.angles(s.SourceTime, r3.Vec{X: roll, Y: pitch, Z: yaw})
	}
	if w, ok := s.Vec(vehicle.AngularVelocityP); ok {
		t.rates(s.SourceTime, w)
	}
	if f, ok := s.Vec(vehicle.SpecificForceX); ok {
		t.force(s.SourceTime, f)
	}
	if v, ok := s.Vec(vehicle.VelocityX); ok {
		t.put(Velocity, s.SourceTime, v)
	} else if v, ok := s.Vec(vehicle.VelocityN); ok && t.known {
		t.put(Velocity, s.SourceTime, axes.ToBody(t.attitude, v))
	}
}

func (t *Tracker) track(g Group) *track {
	for i := range t.tracks {
		if t.tracks[i].group == g {
			return &t.tracks[i]
		}
	}
	return nil // all four are there
}

func (t *Tracker) put(g Group, at int64, v r3.Vec) {
	x := t.track(g)
	if !x.seen {
		x.seen, x.start = true, v
	}
	x.now, x.at = v, at
}

// angles takes roll, pitch and yaw, unwrapped.
func (t *Tracker) angles(at int64, v r3.Vec) {
	if x := t.track(Attitude); x.seen {
		v.X, v.Z = x.now.X+math.Remainder(v.X-x.now.X, 2*math.Pi), x.now.Z+math.Remainder(v.Z-x.now.Z, 2*math.Pi)
	}
	t.put(Attitude, at, v)
}

// rates integrates an angular velocity, with a leak.
func (t *Tracker) rates(at int64, w r3.Vec) {
	x, v := t.track(AngularVelocity), r3.Vec{}
	if x.seen {
		dt := float64(at-x.at) / 1e9
		v = r3.Add(r3.Scale(1-min(dt/leak, 1), x.now), r3.Scale(dt, w))
	}
	t.put(AngularVelocity, at, v)
}

// force smooths a specific force.
func (t *Tracker) force(at int64, f r3.Vec) {
	if x := t.track(SpecificForce); x.seen {
		share := float64(at-x.at) / 1e9
		share /= smooth + share
		f = r3.Add(x.now, r3.Scale(share, r3.Sub(f, x.now)))
	}
	t.put(SpecificForce, at, f)
}

// settle waits until nothing turns.
func (t *Tracker) settle(dt float64) {
	t.calm += dt
	moved := false
	seen := false
	for i, g := range []Group{Attitude, AngularVelocity} {
		x := t.track(g)
		if !x.seen {
			continue
		}
		seen = true
		d := r3.Sub(x.now, t.from[i])
		far := max(math.Abs(d.X), math.Abs(d.Y))
		if t.motion.Way == InHand {
			far = max(far, math.Abs(d.Z))
		}
		moved = moved || far > t.motion.Still
	}
	if !seen { // a source with nothing but force: its tilt is what turns
		if x := t.track(SpecificForce); x.seen {
			d := r3.Sub(x.now, t.from[0])
			moved = r3.Norm(d)/axes.Gravity > t.motion.Still
			if moved {
				t.from[0] = x.now
			}
		}
	}
	if moved || t.away() {
		t.calm = 0
		for i, g := range []Group{Attitude, AngularVelocity} {
			if x := t.track(g); x.seen {
				t.from[i] = x.now
			}
		}
	}
	t.ready = t.calm >= StillTime
}

// begin takes where everything is as where the motion starts from.
func (t *Tracker) begin() {
	for i := range t.tracks {
		t.tracks[i].start = t.tracks[i].now
	}
	if x := t.track(AngularVelocity); x.seen {
		x.start, x.now = r3.Vec{}, r3.Vec{}
	}
}

// watch looks whether the motion was made.
func (t *Tracker) watch(dt float64) {
	if f := t.track(SpecificForce); f.seen && !t.tilts() && t.level() {
		for _, c := range [...]struct {
			to  *float64
			now float64
		}{{&t.pushed.X, f.now.X}, {&t.pushed.Y, f.now.Y}} {
			if math.Abs(c.now) > math.Abs(*c.to) {
				*c.to = c.now
			}
		}
	}
	any, all := false, true
	for i := range t.tracks {
		x := &t.tracks[i]
		if !x.seen || !t.leads(x.group) {
			continue
		}
		if r := t.read(x); r.Outcome != NotShown && math.Abs(t.moved(x)[r.Axis]) >= t.motion.Enough {
			x.since += dt
		} else {
			x.since = 0
		}
		x.done = x.done || x.since >= holdTime
		any, all = any || x.done, all && x.done
	}
	if any {
		t.shown += dt
	}
	t.done = any && (all || t.shown >= otherTime)
}

// Mixed says that it moves about several axes at once, so that it cannot be told which of them was meant.
func (t *Tracker) Mixed() bool {
	for i := range t.tracks {
		x := &t.tracks[i]
		if !t.ready || t.done || !x.seen || !t.leads(x.group) || t.read(x).Outcome != NotShown {
			continue
		}
		d := t.moved(x)
		if max(math.Abs(d[0]), math.Abs(d[1])) >= t.motion.Enough {
			return true
		}
	}
	return false
}

// tilts says whether the motion shows in the specific force as a tilt against gravity.
func (t *Tracker) tilts() bool { return t.motion.Way == InHand && t.motion.Kind != TurnRight }

// level says whether the vehicle is level, as far as it is known.
func (t *Tracker) level() bool {
	x := t.track(Attitude)
	return !x.seen || math.Abs(x.now.X) < level && math.Abs(x.now.Y) < level
}

// leads says whether a group decides that the motion was made.
func (t *Tracker) leads(g Group) bool {
	if !t.shows(g) {
		return false
	}
	if g == SpecificForce {
		return t.tilts() || t.motion.Kind == SpeedUp && !t.track(Velocity).seen
	}
	if g == AngularVelocity && t.motion.Way == OnScreen && t.track(Attitude).seen {
		return false // a banked turn has a pitch rate and lifts no nose
	}
	return (g == Velocity) == (t.motion.Kind == SpeedUp)
}

func (t *Tracker) shows(g Group) bool {
	for _, x := range t.motion.Groups {
		if x == g {
			return true
		}
	}
	return false
}

// moved is how far a group has moved on the three axes: rad of roll, pitch and yaw for what turns, else m/s or m/s².
// A tilt of the specific force is given as the angle that it takes: at rest f = -Rᵀg, so that a roll to the right lets
// f_y fall by g sin φ, and a nose that rises lets f_x grow by g sin θ.
func (t *Tracker) moved(x *track) [3]float64 {
	d := r3.Sub(x.now, x.start)
	if x.group != SpecificForce {
		return [3]float64{d.X, d.Y, d.Z}
	}
	if !t.tilts() {
		// In units of what has to be reached, so that it compares with Enough.
		k := t.motion.Enough / push
		return [3]float64{k * t.pushed.X, k * t.pushed.Y, 0}
	}
	angle := func(f float64) float64 { return math.Asin(min(1, max(-1, f/axes.Gravity))) }
	return [3]float64{-angle(d.Y), angle(d.X), 0}
}

// read says what a group has made of the motion until now.
func (t *Tracker) read(x *track) Reading {
	d := t.moved(x)
	want := t.motion.Kind.axis()
	if x.group == SpecificForce && t.motion.Kind == TurnRight {
		want = 1 // who turns right is pushed to the right
	}
	enough := t.motion.Enough
	beside, beyond := 0.0, want // the furthest of the axes that would have to keep still, and of all others
	for a := range d {
		if a == want {
			continue
		}
		turning := t.motion.Kind != SpeedUp
		if !turning || !t.motion.Banking && a != 2 {
			beside = max(beside, math.Abs(d[a]))
		}
		if turning && a == 2 && t.motion.Way == OnScreen {
			continue // whatever drives or flies may change its heading meanwhile
		}
		if beyond == want || math.Abs(d[a]) > math.Abs(d[beyond]) {
			beyond = a
		}
	}
	r := Reading{Group: x.group, Outcome: NotShown, Axis: want}
	switch {
	case math.Abs(d[want]) >= enough/2 && math.Abs(d[want]) >= most*beside:
		if r.Outcome = Agrees; d[want] < 0 {
			r.Outcome = Opposite
		}
	case math.Abs(d[want]) < enough/3 && math.Abs(d[beyond]) >= enough && !t.motion.Banking:
		r.Outcome, r.Axis = Other, beyond
	}
	r.Amount = d[r.Axis]
	if x.group == SpecificForce {
		f := r3.Sub(x.now, x.start)
		if !t.tilts() {
			f = t.pushed
		}
		of := [3]float64{f.X, f.Y, f.Z}
		axis := r.Axis
		if t.tilts() { // a tilt about x shows along y, and the other way round
			axis = [3]int{1, 0, 2}[r.Axis]
		}
		r.Amount = of[axis]
		r.Words = words(x.group, axis, r.Amount)
		return r
	}
	r.Words = words(x.group, r.Axis, r.Amount)
	return r
}

// Readings are what each group that the motion can show in made of it, until now.
func (t *Tracker) Readings() []Reading {
	var out []Reading
	for i := range t.tracks {
		if x := &t.tracks[i]; x.seen && t.shows(x.group) {
			out = append(out, t.read(x))
		}
	}
	return out
}

// Angles are roll, pitch and yaw to draw, rad: as the source gives them, or derived, as its angular velocity has turned or
// its specific force has tilted since the motion began. ok is false where none of them is known.
func (t *Tracker) Angles() (angles r3.Vec, derived, ok bool) {
	for _, g := range []Group{Attitude, AngularVelocity, SpecificForce} {
		x := t.track(g)
		switch {
		case !x.seen:
		case g == Attitude:
			return x.now, false, true
		case g == AngularVelocity:
			return x.now, true, true
		case t.motion.Way == InHand:
			d := t.moved(x)
			return r3.Vec{X: d[0], Y: d[1]}, true, true
		}
	}
	return r3.Vec{}, false, false
}
