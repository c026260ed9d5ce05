package source

import (
	"math"

	"perch/sdk/vehicle"
)

// Condition is what the loop makes of a source.
type Condition uint8

// The conditions. Only a source that is fresh or late moves the seat.
const (
	Absent Condition = iota // says that there is no vehicle, or has said nothing yet
	Paused                  // says that its time stands
	Fresh
	Late  // 2.5 of its usual intervals without progress: flagged
	Stale // 5 of them
)

// String is the condition as the trace and the screens show it.
func (c Condition) String() string {
	switch c {
	case Absent:
		return "absent"
	case Paused:
		return "paused"
	case Fresh:
		return "fresh"
	case Late:
		return "late"
	case Stale:
		return "stale"
	}
	return "unknown"
}

// Liveness is the state of a source at one tick.
type Liveness struct {
	Condition Condition
	Age       float64 // s since it arrived with something new; infinite where it never did
	Rate      float64 // Hz, of what moves the seat; 0 where not known
}

// Live says whether the source may move the seat.
func (l Liveness) Live() bool { return l.Condition == Fresh || l.Condition == Late }

const (
	flagAfter   = 2.5 // median intervals
	staleAfter  = 5.0
	leastAge    = 0.1 // s; neither flagged nor stale before
	mostAge     = 2.0 // s; stale by then, whatever the rhythm
	unknownGap  = 0.2 // s; the interval taken before two states came
	otherRun    = 1.0 // s; source time further back than this began anew
	leastSpeed  = 0.05
	remembered  = 15
	silentAfter = 2.0 // s; a pause or absence that is no longer said
)

// moving are the signals of which at least one must go on for the seat to follow: others may come on their own
// while these have stopped.
var moving = vehicle.Set(0).With(
	vehicle.AttitudeW, vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR,
	vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ)

// Watch judges whether a source is fresh, by its own rhythm. Its age is counted from the last state whose source
// time went on, so that a frozen sender, which repeats its last state, ages as a silent one does. What it says of
// itself while absent or paused never counts as fresh.
type Watch struct {
	dt        float64
	condition Condition // Absent, Paused, or Fresh for running
	known     bool
	moves     bool   // has given a signal of moving
	newest    int64  // source time that counted last
	progress  uint64 // its tick
	heard     uint64 // tick of the last state of any kind

	source, arrival intervals
	rate            float64
	flag, stale     float64 // s
}

type intervals struct {
	last  [remembered]float64
	n, at int
}

func (r *intervals) add(d float64) float64 {
	r.last[r.at] = d
	r.at = (r.at + 1) % remembered
	r.n = min(r.n+1, remembered)
	s := r.last
	for i := 1; i < r.n; i++ {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
	return s[r.n/2]
}

// NewWatch makes a watch for a loop of tick dt, s.
func NewWatch(dt float64) *Watch {
	w := &Watch{dt: dt}
	w.rhythm(unknownGap)
	return w
}

func (w *Watch) rhythm(interval float64) {
	w.flag = min(max(flagAfter*interval, leastAge), mostAge)
	w.stale = min(max(staleAfter*interval, leastAge), mostAge)
}

// Saw takes a state that arrived before the step of this tick.
func (w *Watch) Saw(s *vehicle.State, tick uint64) {
	w.heard = tick
	switch s.Condition {
	case vehicle.Absent:
		w.condition = Absent
		return
	case vehicle.Paused:
		w.condition = Paused
		return
	}
	if s.Present&moving != 0 {
		w.moves = true
	} else if s.Present == 0 || w.moves {
		return
	}
	if !w.known {
		w.count(s.SourceTime, tick)
		return
	}
	if s.SourceTime == w.newest {
		return
	}
	d := (float64(s.SourceTime) - float64(w.newest)) * 1e-9
	passed := float64(tick-w.progress) * w.dt
	switch {
	case s.Discontinuity, d < -otherRun, w.condition == Absent && d < 0:
		w.count(s.SourceTime, tick)
	case d < 0: // out of order
	case w.condition != Fresh: // after a pause; how long it was is no interval
		w.count(s.SourceTime, tick)
	case d < leastSpeed*min(passed, mostAge): // creeps: as good as frozen
	default:
		// The slower of both rhythms: clumps make arrival look quick, slow motion the source's clock.
		interval := max(w.source.add(d), w.arrival.add(passed))
		w.rhythm(interval)
		w.rate = 1 / interval
		w.count(s.SourceTime, tick)
	}
}

func (w *Watch) count(source int64, tick uint64) {
	w.known, w.condition = true, Fresh
	w.newest, w.progress = source, tick
}

// Step judges the source at this tick.
func (w *Watch) Step(tick uint64) Liveness {
	l := Liveness{Condition: w.condition, Age: math.Inf(1), Rate: w.rate}
	if w.known {
		l.Age = float64(tick-w.progress) * w.dt
	}
	switch {
	case w.condition != Fresh:
		if w.condition == Paused && float64(tick-w.heard)*w.dt > silentAfter {
			l.Condition = Stale
		}
	case l.Age > w.stale:
		l.Condition = Stale
	case l.Age > w.flag:
		l.Condition = Late
	}
	return l
}
