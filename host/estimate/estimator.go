package estimate

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

const (
	forget      = 2.0  // s without a sample, after which a signal is absent and a source that returns begins anew
	back        = 1.0  // s; source time further back than this is another run, or a wrong stamp
	jumpAngle   = 0.5  // rad; an attitude that steps further than this and jumpRate allow is not motion
	jumpRate    = 20.0 // rad/s
	jumpLength  = 20.0 // m; the same for the position
	longestLag  = 0.5  // s
	quickest    = 0.02 // s; sources of this interval or less are carried on, not delayed
	slowest     = 0.025
	closeBy     = 0.05 // s; from this interval on body rates follow also from the attitudes,
	sparse      = 0.15 // and from this one on from both together alone
	handoverLag = 0.1  // s
	fadeFrom    = 0.3  // s of gap after which a specific force begins to go to rest
	fadeOver    = 1.0  // s that it takes
)

const (
	attitude = vehicle.Set(1)<<vehicle.AttitudeW | 1<<vehicle.AttitudeX | 1<<vehicle.AttitudeY | 1<<vehicle.AttitudeZ
	rates    = vehicle.Set(7) << vehicle.AngularVelocityP
	force    = vehicle.Set(7) << vehicle.SpecificForceX
	body     = vehicle.Set(7) << vehicle.VelocityX
	earth    = vehicle.Set(7) << vehicle.VelocityN
	position = vehicle.Set(7) << vehicle.PositionN
	ground   = vehicle.Set(1) << vehicle.OnGround
	used     = attitude | rates | force | body | earth | position | ground
)

// Settings of an Estimator.
type Settings struct {
	// Delay is how far the motion is behind the source, s, at most 0.5. Below 0 it is chosen by the source's rate:
	// about one interval and what all but a tenth of its packets are late, under 40 Hz, so that motion is interpolated;
	// none from 50 Hz on, where what is known is carried on with its rates for the short time to the present.
	Delay float64

	// Smoothness moves a delay that is chosen by rate: -1 is soonest, none; 0 is as chosen; 1 is smoothest, half as
	// much again, so that specific force that follows from a slow velocity is interpolated too and late packets hardly
	// show. Sources of 50 Hz and more are not delayed anywhere on it.
	Smoothness float64
}

// Estimator estimates the motion of one source. It is used by one goroutine.
//
// Where a new sample changes what was known, the output goes over to it critically damped: at the very next tick it
// begins to move, without a step in value or in its first derivative. In a gap measured rates are carried on for the
// length of 0.3 s, others for 0.15 s, or for an interval more of a slow source up to 0.3 s, coming to rest smoothly; specific
// force then goes to that of rest within another second; after 2 s a signal is absent, and a source that comes back begins anew.
type Estimator struct {
	settings Settings
	dt       float64

	begun     bool
	restarted bool // to be told at the next step
	broken    bool // the next running state begins anew
	base      int64
	newest    int64   // newest source time
	arrived   float64 // when it arrived
	stepped   uint64
	moving    bool // stepped is valid
	runs      int  // samples since the run began
	clock     clock
	delay     float64

	oddTime     int64 // a source time that does not fit
	oddArrived  float64
	odd         bool
	oddTurn     quat.Number // an attitude that does not fit
	oddTurnTime float64
	turned      bool
	place       r3.Vec
	placeTime   float64
	placed      bool
	oddPlace    r3.Vec
	moved       bool

	heading  heading
	rates    track
	force    track
	body     track
	earth    track
	onGround track
	along    track // earth velocity from body velocity and the attitude of the same time
	felt     felt

	speeding                        twoLags // dV/dt in body axes
	shown                           vehicle.Set
	ratesOut, forceOut, velocityOut handover
}

// twoLags smooths a vector through two equal first-order lags, so that neither it nor its rate steps.
type twoLags struct {
	way      int
	one, two r3.Vec
}

func (l *twoLags) step(way int, v r3.Vec, w, h float64) r3.Vec {
	if way != l.way {
		l.way, l.one, l.two = way, v, v
	}
	g := min(w*h, 1)
	l.one = r3.Add(l.one, r3.Scale(g, r3.Sub(v, l.one)))
	l.two = r3.Add(l.two, r3.Scale(g, r3.Sub(l.one, l.two)))
	return l.two
}

// handover hides the step where one way to know a vector takes over from another.
type handover struct {
	way   int
	out   r3.Vec
	extra r3.Vec
}

func (o *handover) step(way int, v r3.Vec, h float64) r3.Vec {
	if way != o.way && way != 0 && o.way != 0 {
		o.extra = r3.Sub(o.out, v)
	} else if o.way == 0 {
		o.extra = r3.Vec{}
	}
	o.way = way
	o.extra = r3.Scale(max(0, 1-h/handoverLag), o.extra)
	o.out = r3.Add(v, o.extra)
	return o.out
}

// New makes an estimator for a loop of tick dt, s.
func New(s Settings, dt float64) *Estimator {
	e := &Estimator{settings: s, dt: dt}
	e.heading.out = quat.Number{Real: 1}
	e.body.long, e.earth.long = true, true
	e.rates.hurry = 2
	e.felt.turned.hurry, e.felt.fixed.hurry = 2, 2 // half an interval old when it comes
	if s.Delay > 0 {
		e.delay = min(s.Delay, longestLag)
	}
	return e
}

// Delay is how far the motion is behind the source at present, s.
func (e *Estimator) Delay() float64 { return e.delay }

// Push takes a state that arrived before the step of this tick. States may be partial, late, doubled or out of
// order; what is not finite or is beyond any vehicle is left out.
func (e *Estimator) Push(s *vehicle.State, tick uint64) {
	if s.Condition != vehicle.Running {
		e.broken = true
		return
	}
	if s.Present&used == 0 && !s.Discontinuity {
		return
	}
	now := float64(tick) * e.dt
	switch {
	case !e.begun:
		e.begin(s.SourceTime, now)
	case s.SourceTime == e.newest:
		// Joins what arrived before, or repeats it.
	case s.Discontinuity || e.broken || now-e.arrived > forget:
		e.begin(s.SourceTime, now)
	default:
		d := (float64(s.SourceTime) - float64(e.newest)) * 1e-9
		if d < -back || d > now-e.arrived+forget {
			if s.SourceTime == e.oddTime && e.odd {
				return
			}
			o := (float64(s.SourceTime) - float64(e.oddTime)) * 1e-9
			if !e.odd || o < 0 || o > now-e.oddArrived+back {
				e.odd, e.oddTime, e.oddArrived = true, s.SourceTime, now
				return
			}
			e.begin(s.SourceTime, now) // two that agree with each other: another run
		}
		e.odd = false
	}
	t := float64(s.SourceTime-e.base) * 1e-9
	if t < 0 {
		return // belongs to what came before the run
	}
	if s.SourceTime > e.newest || e.runs == 0 {
		e.newest, e.arrived = s.SourceTime, now
		e.clock.saw(t, now)
		e.runs++
	}
	if q, ok := s.Attitude(); ok {
		if t, ok = e.fits(s, q, t, now); !ok {
			return
		}
	}
	if s.Present&position == position && !e.near(s, t) {
		e.begin(s.SourceTime, now)
		t = 0
		e.runs++
		e.clock.saw(t, now)
		e.placed = false
		e.near(s, t)
	}
	e.join(s, t)
}

// begin starts a new run at this source time.
func (e *Estimator) begin(source int64, now float64) {
	e.begun, e.broken, e.restarted = true, false, true
	e.odd, e.turned, e.moved, e.placed = false, false, false, false
	e.base, e.newest, e.arrived, e.runs = source, source, now, 0
	e.clock.reset(now, now)
	e.heading.clear()
	for _, k := range [...]*track{&e.rates, &e.force, &e.body, &e.earth, &e.onGround, &e.felt.turned, &e.felt.fixed, &e.along} {
		k.clear()
	}
}

// fits says whether the attitude may be taken, and at which time of the run, which may be a new one. One that is
// further off than a vehicle turns waits for a second one to agree: a single one is an outlier, two are a jump.
func (e *Estimator) fits(s *vehicle.State, q quat.Number, t, now float64) (float64, bool) {
	n := norm(r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag})
	if n = math.Sqrt(n*n + q.Real*q.Real); !(n > 0.5 && n < 1.5) {
		return t, true // join leaves it out
	}
	q = quat.Scale(1/n, q)
	if e.heading.n == 0 || e.heading.newest().t >= t {
		return t, true
	}
	last := e.heading.newest()
	if norm(between(last.q, q)) <= jumpAngle+jumpRate*(t-last.t) {
		e.turned = false
		return t, true
	}
	if !e.turned || t <= e.oddTurnTime || norm(between(e.oddTurn, q)) > jumpAngle+jumpRate*(t-e.oddTurnTime) {
		if !e.turned || t > e.oddTurnTime {
			e.turned, e.oddTurn, e.oddTurnTime = true, q, t
		}
		return t, false
	}
	e.begin(s.SourceTime, now)
	e.runs++
	e.clock.saw(0, now)
	return 0, true
}

// near says whether the position continues the last one; the second that does not is a jump.
func (e *Estimator) near(s *vehicle.State, t float64) bool {
	p, _ := s.Vec(vehicle.PositionN)
	if !finite(p) || e.placed && t <= e.placeTime {
		return true
	}
	if e.placed {
		speed := 300.0
		if e.body.n > 0 {
			speed = norm(e.body.newest().v)
		} else if e.earth.n > 0 {
			speed = norm(e.earth.newest().v)
		}
		if norm(r3.Sub(p, e.place)) > jumpLength+2*speed*(t-e.placeTime) {
			if e.moved && norm(r3.Sub(p, e.oddPlace)) < jumpLength+2*speed*(t-e.placeTime) {
				return false
			}
			e.moved, e.oddPlace = true, p
			return true
		}
	}
	e.placed, e.moved, e.place, e.placeTime = true, false, p, t
	return true
}

// join puts each signal that the state has into its own history.
func (e *Estimator) join(s *vehicle.State, t float64) {
	w, wm := components(s, vehicle.AngularVelocityP, 100)
	if q, ok := s.Attitude(); ok {
		n2 := q.Real*q.Real + q.Imag*q.Imag + q.Jmag*q.Jmag + q.Kmag*q.Kmag
		if n2 > 0.25 && n2 < 2.25 {
			e.heading.put(bearing{t: t, q: unit(q)})
			if r := &e.rates; r.n > 0 {
				if m := r.at(max(r.pick(t), 0)); m.t == t && m.mask == 7 {
					e.heading.measured(t, m.v)
				}
			}
		}
	}
	if wm != 0 {
		e.rates.put(t, w, wm)
		if wm == 7 {
			e.heading.measured(t, w)
		}
	}
	if v, m := components(s, vehicle.SpecificForceX, 1e4); m != 0 {
		e.force.put(t, v, m)
	}
	if v, m := components(s, vehicle.VelocityX, 1e5); m != 0 {
		e.body.put(t, v, m)
	}
	if v, m := components(s, vehicle.VelocityN, 1e5); m != 0 {
		e.earth.put(t, v, m)
		e.felt.add(t, &e.earth, &e.heading)
	}
	// Velocity in body axes says the same, where the attitude of that time is known and not only estimated.
	if i, j := e.heading.pick(t), e.body.pick(t); e.earth.n == 0 && i >= 0 && j >= 0 && e.heading.at(i).t == t && e.body.at(j).t == t &&
		e.body.at(j).mask == 7 && (e.along.n == 0 || e.along.newest().t < t) {
		e.along.put(t, toEarth(e.heading.at(i).q, e.body.at(j).v), 7)
		e.felt.add(t, &e.along, &e.heading)
	}
	if v, ok := s.Value(vehicle.OnGround); ok && v >= 0 && v <= 1 {
		e.onGround.put(t, r3.Vec{X: v}, 1)
	}
}

// components are those of three signals in a row that the state has and that are not beyond most.
func components(s *vehicle.State, first vehicle.Signal, most float64) (v r3.Vec, mask uint8) {
	if x, ok := s.Value(first); ok && math.Abs(x) <= most {
		v.X, mask = x, 1
	}
	if x, ok := s.Value(first + 1); ok && math.Abs(x) <= most {
		v.Y, mask = x, mask|2
	}
	if x, ok := s.Value(first + 2); ok && math.Abs(x) <= most {
		v.Z, mask = x, mask|4
	}
	return v, mask
}

// choose moves the delay to what the source's rate asks for.
func (e *Estimator) choose(h float64) {
	want := e.settings.Delay
	if want < 0 {
		m := e.heading.rhythm.median
		if m == 0 {
			for _, k := range [...]*track{&e.force, &e.rates, &e.body, &e.earth} {
				if m = k.rhythm.median; m > 0 {
					break
				}
			}
		}
		if m <= quickest {
			want = 0
		} else {
			want = (m + min(2.3*e.clock.late, m, 0.25)) * min(1, (m-quickest)/(slowest-quickest))
			if x := min(max(e.settings.Smoothness, -1), 1); x < 0 {
				want *= 1 + x
			} else {
				want *= 1 + x/2
			}
		}
	}
	want = min(want, longestLag)
	if e.runs < 8 {
		e.delay = want
		return
	}
	e.delay += min(max(want-e.delay, -0.05*h), 0.05*h)
}

// Step gives the motion at this tick.
func (e *Estimator) Step(tick uint64, out *Motion) {
	*out = Motion{Attitude: e.heading.out}
	h := e.dt
	if e.moving && tick > e.stepped {
		h = min(float64(tick-e.stepped)*e.dt, 0.1)
	}
	e.stepped, e.moving = tick, true
	if !e.begun {
		return
	}
	now := float64(tick) * e.dt
	e.clock.step(now, h)
	e.choose(h)
	t := now - e.clock.offset - e.delay

	e.rates.step(t, h)
	e.force.step(t, h)
	e.body.step(t, h)
	e.earth.step(t, h)
	ratesLive := e.rates.live(t)
	turning := ratesLive && e.rates.seen == 7
	var latest r3.Vec
	if turning {
		latest = e.rates.newest().v
		e.heading.gaining = r3.Vec{}
		if r := e.rates.newest(); e.heading.n > 0 && r.t == e.heading.newest().t && r.mask == 7 {
			e.heading.gaining = e.rates.slope
		}
	}
	e.heading.step(t, h, latest, turning)
	e.felt.step(t, h)
	e.complete(t, h, out)

	told := out.Present & (attitude | force)
	out.Restarted = e.restarted || told != e.shown
	e.restarted, e.shown = false, told
}

// complete fills the motion from what the source gives and from what follows from it.
func (e *Estimator) complete(t, h float64, out *Motion) {
	haveQ := e.heading.live(t)
	q := e.heading.out
	out.Attitude = q
	if haveQ {
		out.Present |= attitude
	}

	// Body rates: measured, coming to rest in a gap as the attitude does; else those of the attitude.
	way := 0
	var w r3.Vec
	switch {
	case e.rates.live(t):
		left, _ := measured.carry(e.rates.age(t) + fadeFrom - gap(&e.rates))
		way, w = 1, r3.Scale(left, e.rates.out)
		if haveQ && e.heading.newest().hasW {
			// Between samples far apart attitudes tell what the rates did, between near ones their noise tells more.
			share := ease((e.heading.rhythm.median - closeBy) / (sparse - closeBy))
			w = r3.Add(w, r3.Scale(share, r3.Sub(e.heading.spin.out, w)))
		}
		out.Present |= shifted(e.rates.seen, vehicle.AngularVelocityP)
	case haveQ && e.heading.n > 1:
		way, w = 2, e.heading.spin.out
		out.Present |= rates
		out.Derived |= rates
	}
	out.AngularVelocity = e.ratesOut.step(way, w, h)

	// Velocity: measured in body axes, else turned from earth axes; and back.
	way = 0
	var v r3.Vec
	haveB, haveE := e.body.live(t), e.earth.live(t)
	switch {
	case haveB:
		way, v = 1, e.body.out
		out.Present |= shifted(e.body.seen, vehicle.VelocityX)
	case haveE && haveQ && e.earth.seen == 7:
		way, v = 2, toBody(q, e.earth.out)
		out.Present |= body
		out.Derived |= body
	}
	out.Velocity = e.velocityOut.step(way, v, h)
	switch {
	case haveE:
		out.EarthVelocity = e.earth.out
		out.Present |= shifted(e.earth.seen, vehicle.VelocityN)
	case haveB && haveQ && e.body.seen == 7:
		out.EarthVelocity = toEarth(q, e.body.out)
		out.Present |= earth
		out.Derived |= earth
	}

	// Specific force: measured, else f = dV/dt - g, in body axes f = dV/dt + ω×V - Rᵀg.
	rest := r3.Vec{Z: -Gravity}
	if haveQ {
		rest = toBody(q, rest)
	}
	way = 0
	var f r3.Vec
	switch {
	case e.force.live(t):
		way = 1
		part := ease((e.force.age(t) - gap(&e.force)) / fadeOver)
		f = r3.Add(e.force.out, r3.Scale(part, r3.Sub(rest, e.force.out)))
		f = merge(r3.Vec{}, f, e.force.seen)
		out.Present |= shifted(e.force.seen, vehicle.SpecificForceX)
	case haveQ && (haveE || haveB && e.along.live(t)) && e.felt.turned.n > 0:
		way = 2
		f = e.felt.at(t, q, rest)
	case haveQ && haveB && e.body.seen == 7 && e.body.n > 1 && out.Present.Has(vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR):
		way = 3
		a := e.speeding.step(way, e.body.now, e.body.rhythm.smoothing(), h)
		f = r3.Add(r3.Add(a, r3.Cross(out.AngularVelocity, e.body.out)), rest)
	}
	if way > 1 {
		out.Present |= force
		out.Derived |= force
	} else {
		e.speeding.way = way
	}
	out.SpecificForce = e.forceOut.step(way, f, h)

	if e.onGround.n > 0 {
		b := e.onGround.at(max(e.onGround.pick(t), 0))
		out.OnGround = b.v.X >= 0.5
		out.Present |= ground
	}
}

// gap is how long a signal may be silent before its silence counts, beyond what its own rhythm explains, s.
func gap(k *track) float64 { return max(fadeFrom, 1.5*k.rhythm.median) }

func shifted(mask uint8, first vehicle.Signal) vehicle.Set { return vehicle.Set(mask) << first }
