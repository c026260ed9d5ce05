package guard

import (
	"fmt"
	"math"

	"perch/host/mechanism"
	"perch/host/pose"
)

// How much more an obeying input may take, and how far inside the guard's own motion stays. Third differences
// amplify the rounding of a position by 8/dt³, 10⁹ at 500 Hz, so a limit cannot be kept to the last bit; and
// without the gap between the two, guarded motion would come back different from a second guard.
const (
	overSpeed        = 1e-9
	overAcceleration = 1e-7
	overJerk         = 1e-6
	overTravel       = 1e-11
	hair             = 1e-6
	hairTravel       = 1e-12
	hairReach        = 1e-9  // of the distance from level
	overReach        = 1e-12 // of it
	drift            = 5e-9  // of a stop's end by rounding: 1e-12 a tick, and a slow seat's stop has thousands
)

// work is what one Step may spend on roll-outs in search of the best choice, in axes and actuators of ticks, each 40 to
// 60 ns. When it is used up the best choice so far is taken; the brake needs none. The one roll-out that decides whether
// the target itself may be sent has longest, and leaves the search what is left of work: so a slow seat's obeying demand
// is never refused for it, while hardly any demand needs more than work.
const (
	work    = 1600
	longest = 4500
)

// set is one strictness of the limits: of the pose, by the place in Limiter.axes, and of the actuators.
type set struct {
	speed, acceleration, jerk    [pose.Count]float64
	qspeed, qacceleration, qjerk [mechanism.MaxActuators]float64
	travel                       float64 // beyond which the travel is left
}

// Limiter is the guard over pose and actuators. It belongs to one goroutine.
type Limiter struct {
	m    mechanism.Mechanism
	dt   float64
	axes []pose.Axis
	mask pose.Axes
	acts []mechanism.Actuator

	limits    Limits
	pending   Limits
	isPending bool

	law          [pose.Count]law
	qlaw         [mechanism.MaxActuators]law
	loose, tight set
	bounds       *bounds
	nextBounds   *bounds // of the pending limits
	neutral      [pose.Count]float64

	// travel in force; wider than the limits only while the seat was put outside them and has not come in
	low, high   [pose.Count]float64
	qlow, qhigh mechanism.Positions
	wide        bool

	x, v, a    [pose.Count]float64 // as sent, by backward differences
	q, qv, qa  mechanism.Positions
	wanted     [pose.Count]float64 // the last target, after the clamp, and its differences
	wv, wa     [pose.Count]float64
	at         [4]mechanism.Positions // where the mechanism writes: what goes through an interface would be allocated
	following  bool                   // the last output was the last target
	rollLeft   int
	trails     [mechanism.MaxActuators]trail
	bounded    bool   // there were bounds for the last stride
	slow       bool   // tests walk tick by tick only
	fullChecks uint64 // roll-outs made through the mechanism, for measurements
}

// NewLimiter makes a guard at rest at the pose nearest level inside the travel; dt is the loop's constant step in s.
func NewLimiter(m mechanism.Mechanism, limits Limits, dt float64) (*Limiter, error) {
	if !(dt > 0) || dt > 1 {
		return nil, fmt.Errorf("guard: time step is %g s: give the loop's step, such as 0.002", dt)
	}
	l := &Limiter{m: m, dt: dt, acts: m.Actuators(), mask: m.Axes()}
	if len(l.acts) == 0 || len(l.acts) > mechanism.MaxActuators {
		return nil, fmt.Errorf("guard: mechanism has %d actuators: 1 to %d are possible", len(l.acts), mechanism.MaxActuators)
	}
	for ax := pose.Axis(0); ax < pose.Count; ax++ {
		if l.mask.Has(ax) {
			l.axes = append(l.axes, ax)
		}
	}
	for _, c := range l.acts {
		for _, f := range [...]float64{c.Speed, c.Acceleration, c.Jerk} {
			if !(f > 0) || f > 1e12 {
				return nil, fmt.Errorf("guard: actuator %s has speed %g, acceleration %g, jerk %g: all must be above zero", c.Name, c.Speed, c.Acceleration, c.Jerk)
			}
		}
		if !(c.Low <= c.High) || math.IsInf(c.Low, 0) || math.IsInf(c.High, 0) {
			return nil, fmt.Errorf("guard: actuator %s has travel %g to %g %s: give a finite travel, low first", c.Name, c.Low, c.High, c.Unit)
		}
	}
	if err := limits.check(l.mask); err != nil {
		return nil, fmt.Errorf("guard: %w", err)
	}
	l.bounds = sample(l.m, l.axes, limits.Low, limits.High)
	l.adopt(limits)
	if err := l.Reset(l.full(&l.neutral)); err != nil {
		return nil, fmt.Errorf("%w; the travel must hold a pose the actuators can give", err)
	}
	return l, nil
}

// adopt puts limits in force; bounds must be sampled for them.
func (l *Limiter) adopt(limits Limits) {
	l.limits = limits
	easeA, easeJ := l.bounds.ease(l.axes, l.acts, &limits)
	for i, ax := range l.axes {
		l.low[i], l.high[i] = limits.Low[ax], limits.High[ax]
		l.neutral[i] = min(max(0, limits.Low[ax]), limits.High[ax])
		l.law[i] = newLaw(l.dt, easeA*limits.Acceleration[ax]*(1-2*hair), easeJ*limits.Jerk[ax]*(1-2*hair))
		l.loose.speed[i] = limits.Speed[ax] * (1 + overSpeed)
		l.loose.acceleration[i] = limits.Acceleration[ax] * (1 + overAcceleration)
		l.loose.jerk[i] = limits.Jerk[ax] * (1 + overJerk)
		l.tight.speed[i] = limits.Speed[ax] * (1 - hair)
		l.tight.acceleration[i] = limits.Acceleration[ax] * (1 - hair)
		l.tight.jerk[i] = limits.Jerk[ax] * (1 - hair)
	}
	for k, c := range l.acts {
		l.qlow[k], l.qhigh[k] = c.Low, c.High
		l.qlaw[k] = newLaw(l.dt, c.Acceleration, c.Jerk)
		l.loose.qspeed[k] = c.Speed * (1 + overSpeed)
		l.loose.qacceleration[k] = c.Acceleration * (1 + overAcceleration)
		l.loose.qjerk[k] = c.Jerk * (1 + overJerk)
		l.tight.qspeed[k] = c.Speed * (1 - hair)
		l.tight.qacceleration[k] = c.Acceleration * (1 - hair)
		l.tight.qjerk[k] = c.Jerk * (1 - hair)
	}
	l.loose.travel, l.tight.travel = overTravel, hairTravel
}

// Reset puts the guard at rest at a pose, which may lie outside the travel but must be reachable. It says nothing to
// the controller: call it with where the seat is.
func (l *Limiter) Reset(p pose.Pose) error {
	p = p.Only(l.mask)
	q := &l.at[0]
	for i, ax := range l.axes {
		if math.IsNaN(p[ax]) || math.Abs(p[ax]) > 1e3 {
			return fmt.Errorf("guard: reset to %s %g %s: give a finite pose", l.axes[i], p[ax], ax.Unit())
		}
	}
	if err := l.m.Inverse(p, q); err != nil {
		return fmt.Errorf("guard: reset to roll %.4g rad, pitch %.4g rad, heave %.4g m: %w: home the seat first", p[pose.Roll], p[pose.Pitch], p[pose.Heave], err)
	}
	if l.isPending {
		l.isPending = false
		l.bounds = l.nextBounds
		l.adopt(l.pending)
	}
	l.wide, l.following = false, true
	for i, ax := range l.axes {
		l.x[i], l.v[i], l.a[i] = p[ax], 0, 0
		l.wanted[i], l.wv[i], l.wa[i] = p[ax], 0, 0
	}
	l.q, l.qv, l.qa = *q, mechanism.Positions{}, mechanism.Positions{}
	l.widen()
	return nil
}

// widen sets the travel in force to the limits, or to what a stop from here covers beyond them.
func (l *Limiter) widen() {
	l.wide = false
	for i, ax := range l.axes {
		e := l.law[i].rollout(l.x[i], l.v[i], l.a[i])
		l.low[i], l.high[i] = min(l.limits.Low[ax], e.low), max(l.limits.High[ax], e.high)
		if e.low < l.limits.Low[ax]-overTravel || e.high > l.limits.High[ax]+overTravel {
			l.wide = true
		} else {
			l.low[i], l.high[i] = l.limits.Low[ax], l.limits.High[ax]
		}
	}
	for k, c := range l.acts {
		l.qlow[k], l.qhigh[k] = c.Low, c.High
		if l.q[k] < c.Low-overTravel || l.q[k] > c.High+overTravel {
			e := l.qlaw[k].rollout(l.q[k], l.qv[k], l.qa[k])
			l.qlow[k], l.qhigh[k] = min(c.Low, e.low), max(c.High, e.high)
			l.wide = true
		}
	}
}

// Pose is the pose sent last.
func (l *Limiter) Pose() pose.Pose { return l.full(&l.x) }

// Rest says whether what was sent last had neither speed nor acceleration.
func (l *Limiter) Rest() bool {
	return l.v == [pose.Count]float64{} && l.a == [pose.Count]float64{}
}

// Actuators is what the last pose asks of each actuator: position, and its backward differences, in the actuator's
// unit, per s and s².
func (l *Limiter) Actuators() (position, speed, acceleration mechanism.Positions) {
	return l.q, l.qv, l.qa
}

// Limits are the limits in force.
func (l *Limiter) Limits() Limits { return l.limits }

// Ease is how much of the pose's acceleration and jerk the brake uses, 0 to 1: under 1 where the actuators could not
// follow all axes at once. Slower limits, or stronger actuators, bring it to 1.
func (l *Limiter) Ease() (acceleration, jerk float64) {
	return l.bounds.ease(l.axes, l.acts, &l.limits)
}

// Pending says whether limits given to SetLimits still wait.
func (l *Limiter) Pending() bool { return l.isPending }

// SetLimits asks for other limits. They come into force at the first tick at which the seat can keep them, stop
// included; until then it brakes, and then walks into the new travel, under the old ones. It allocates: do not call
// it every tick.
func (l *Limiter) SetLimits(limits Limits) error {
	if err := limits.check(l.mask); err != nil {
		return fmt.Errorf("guard: %w", err)
	}
	var neutral pose.Pose
	for _, ax := range l.axes {
		if limits.Low[ax] > l.limits.High[ax] || limits.High[ax] < l.limits.Low[ax] {
			return fmt.Errorf("guard: new travel of %s, %g to %g %s, does not meet the present %g to %g: park, then reset there",
				ax, limits.Low[ax], limits.High[ax], ax.Unit(), l.limits.Low[ax], l.limits.High[ax])
		}
		neutral[ax] = min(max(0, limits.Low[ax]), limits.High[ax])
	}
	var q mechanism.Positions
	if err := l.m.Inverse(neutral, &q); err != nil {
		return fmt.Errorf("guard: new travel: %w: it must hold a pose the actuators can give", err)
	}
	l.nextBounds = sample(l.m, l.axes, limits.Low, limits.High)
	l.pending, l.isPending = limits, true
	l.tryPending()
	return nil
}

// tryPending adopts the pending limits if the present state can keep them.
func (l *Limiter) tryPending() {
	if l.wide {
		return
	}
	old, keep := l.limits, l.bounds
	l.bounds = l.nextBounds
	l.adopt(l.pending)
	l.rollLeft = longest
	if l.passes(&l.x, &l.v, &l.a, &l.tight) && l.proves(&l.x, &l.v, &l.a, &l.q, &l.qv, &l.qa, &l.tight) == 0 {
		l.isPending = false
		return
	}
	l.bounds = keep
	l.adopt(old)
}

// price of one tick of a roll-out.
func (l *Limiter) price() int { return len(l.axes) + len(l.acts) + 2 }

// passes says whether a present state is inside speed and acceleration.
func (l *Limiter) passes(x, v, a *[pose.Count]float64, s *set) bool {
	for i := range l.axes {
		if math.Abs(v[i]) > s.speed[i] || math.Abs(a[i]) > s.acceleration[i] ||
			x[i] < l.low[i]-s.travel || x[i] > l.high[i]+s.travel {
			return false
		}
	}
	return true
}

func (l *Limiter) full(x *[pose.Count]float64) (p pose.Pose) {
	for i, ax := range l.axes {
		p[ax] = x[i]
	}
	return p
}

// Brake sends the next pose on the way to rest.
func (l *Limiter) Brake() pose.Pose {
	if l.isPending {
		l.tryPending()
	}
	return l.brake()
}

func (l *Limiter) brake() pose.Pose {
	var x [pose.Count]float64
	for i := range l.axes {
		x[i] = l.ahead(i, l.law[i].brake(l.v[i], l.a[i]))
		l.wanted[i], l.wv[i], l.wa[i] = x[i], 0, 0
	}
	l.send(&x, nil)
	l.following = false
	return l.full(&l.x)
}

// ahead is where axis i is after a tick at acceleration a, inside the travel.
func (l *Limiter) ahead(i int, a float64) float64 {
	x := l.x[i] + (l.v[i]+a*l.dt)*l.dt
	// the roll-out that proved this pose may end a rounding beyond the travel
	if x > l.high[i] && x < l.high[i]+drift {
		x = l.high[i]
	}
	if x < l.low[i] && x > l.low[i]-drift {
		x = l.low[i]
	}
	return x
}

// send makes x the present state; q is its actuators' position, or nil.
func (l *Limiter) send(x *[pose.Count]float64, q *mechanism.Positions) {
	if q == nil {
		q = &l.at[1]
		if l.m.Inverse(l.full(x), q) != nil {
			// only rounding leads here, since the roll-out of the last pose went through this one
			for k := range l.acts {
				qa := l.qlaw[k].brake(l.qv[k], l.qa[k])
				q[k] = l.q[k] + (l.qv[k]+qa*l.dt)*l.dt
			}
		}
	}
	for i := range l.axes {
		v := (x[i] - l.x[i]) / l.dt
		l.a[i] = (v - l.v[i]) / l.dt
		l.x[i], l.v[i] = x[i], v
	}
	for k := range l.acts {
		v := (q[k] - l.q[k]) / l.dt
		l.qa[k] = (v - l.qv[k]) / l.dt
		l.q[k], l.qv[k] = q[k], v
	}
	if l.wide {
		l.widen()
	}
}

// Step sends the wanted pose if it obeys, and otherwise the pose on the way to it that does; it says why.
func (l *Limiter) Step(target pose.Pose) (pose.Pose, Held) {
	var held Held
	var r [pose.Count]float64
	for i, ax := range l.axes {
		if math.IsNaN(target[ax]) || math.IsInf(target[ax], 0) {
			held |= HeldNotFinite
		}
		r[i] = target[ax]
	}
	if l.isPending {
		l.tryPending()
	}
	if held != 0 {
		return l.brake(), held
	}
	if l.isPending {
		held |= HeldLimits
		if !l.Rest() && !l.inward() {
			return l.brake(), held
		}
		for i, ax := range l.axes {
			r[i] = min(max(l.x[i], l.pending.Low[ax]), l.pending.High[ax])
		}
	}
	for i, ax := range l.axes {
		if c := min(max(r[i], l.limits.Low[ax]), l.limits.High[ax]); c != r[i] {
			r[i] = c
			held |= HeldTravel
		}
	}
	q := &l.at[0]
	held |= l.pull(&r, q)

	var vr, ar [pose.Count]float64
	for i := range l.axes {
		v := (r[i] - l.wanted[i]) / l.dt
		a := (v - l.wv[i]) / l.dt
		l.wanted[i], l.wv[i], l.wa[i] = r[i], v, a
		if math.Abs(v) <= l.loose.speed[i] {
			vr[i] = v
			if math.Abs(a) <= l.loose.acceleration[i] {
				ar[i] = a
			}
		}
	}

	l.rollLeft = longest
	why := l.exact(&r, &vr, &ar, q)
	l.following = why == 0
	if why == 0 {
		return l.full(&l.x), held
	}
	held |= why
	l.rollLeft -= longest - work

	// the wanted acceleration, axis by axis, kept to where the pose's own limits allow a stop
	var b, w [pose.Count]float64
	for i := range l.axes {
		b[i] = l.law[i].brake(l.v[i], l.a[i])
		w[i] = l.permit(i, b[i], l.rejoin(i, r[i], vr[i], ar[i]))
	}
	var x [pose.Count]float64
	if l.try(&w, &x, q) {
		l.send(&x, q)
		return l.full(&l.x), held
	}
	// the furthest along the line from the brake to there
	best, found := b, false
	var bestX [pose.Count]float64
	bestQ := &l.at[3]
	lo, hi := 0.0, 1.0
	for range 8 {
		mid := (lo + hi) / 2
		var c [pose.Count]float64
		for i := range l.axes {
			c[i] = b[i] + mid*(w[i]-b[i])
		}
		if l.try(&c, &x, q) {
			lo, best, found, bestX, *bestQ = mid, c, true, x, *q
		} else {
			hi = mid
		}
		if l.rollLeft <= 0 {
			break
		}
	}
	// what the others need not share: without this two axes can hold each other at an edge for ever
	for i := range l.axes {
		if best[i] == w[i] || l.rollLeft <= 0 {
			continue
		}
		c := best
		f := 1.0
		for range 3 {
			c[i] = best[i] + f*(w[i]-best[i])
			if l.try(&c, &x, q) {
				best, found, bestX, *bestQ = c, true, x, *q
				break
			}
			f /= 4
		}
	}
	if !found {
		p := l.brakeKeeping()
		return p, held
	}
	l.send(&bestX, bestQ)
	return l.full(&l.x), held
}

// brakeKeeping brakes without forgetting the target's own motion.
func (l *Limiter) brakeKeeping() pose.Pose {
	w, wv, wa := l.wanted, l.wv, l.wa
	p := l.brake()
	l.wanted, l.wv, l.wa = w, wv, wa
	return p
}

// inward says whether the walk into new limits is under way, rather than the brake before it.
func (l *Limiter) inward() bool {
	for i, ax := range l.axes {
		x := l.x[i]
		switch {
		case x > l.pending.High[ax] && l.v[i] <= 0, x < l.pending.Low[ax] && l.v[i] >= 0:
		case l.v[i] == 0 && l.a[i] == 0:
		default:
			return false
		}
	}
	return true
}

// room says whether the actuators can hold a pose, and gives their positions.
func (l *Limiter) room(r *[pose.Count]float64, q *mechanism.Positions) Held {
	if l.m.Inverse(l.full(r), q) != nil {
		return HeldReach
	}
	for k := range l.acts {
		if q[k] < l.qlow[k] || q[k] > l.qhigh[k] {
			return HeldActuator
		}
	}
	return 0
}

// pull moves a pose that the actuators cannot hold back along the line from level to the edge.
func (l *Limiter) pull(r *[pose.Count]float64, q *mechanism.Positions) Held {
	held := l.room(r, q)
	if held == 0 {
		return 0
	}
	lo, hi := 0.0, 1.0
	c := l.neutral
	for range 36 {
		mid := (lo + hi) / 2
		for i := range l.axes {
			c[i] = l.neutral[i] + mid*(r[i]-l.neutral[i])
		}
		if l.room(&c, q) == 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	// a hair inside, so that the way to it need not touch the edge
	lo *= 1 - 1e-7
	for i := range l.axes {
		r[i] = l.neutral[i] + lo*(r[i]-l.neutral[i])
	}
	_ = l.room(r, q)
	return held
}

// exact sends r if that obeys. While the seat is on its way to the target, meeting it is not enough: it has to be able
// to stay with it, else it would take it in passing and chatter about it.
func (l *Limiter) exact(r, vr, ar *[pose.Count]float64, q *mechanism.Positions) Held {
	var held Held
	var v, a [pose.Count]float64
	for i := range l.axes {
		v[i] = (r[i] - l.x[i]) / l.dt
		a[i] = (v[i] - l.v[i]) / l.dt
		j := (a[i] - l.a[i]) / l.dt
		if math.Abs(v[i]) > l.loose.speed[i] {
			held |= HeldSpeed
		}
		if math.Abs(a[i]) > l.loose.acceleration[i] {
			held |= HeldAcceleration
		}
		if math.Abs(j) > l.loose.jerk[i] {
			held |= HeldJerk
		}
		if !l.following {
			// what the next two ticks on the target change the acceleration by
			d := l.limits.Jerk[l.axes[i]] * l.dt
			dv, da := (v[i]-vr[i])/l.dt, a[i]-ar[i]
			if math.Abs(dv+da) > d || math.Abs(dv) > d || math.Abs(da) > d {
				held |= HeldJerk
			}
		}
	}
	if held != 0 {
		return held
	}
	var qv, qa mechanism.Positions
	if !l.first(q, &qv, &qa, &l.loose) {
		return HeldActuator
	}
	if held = l.proves(r, &v, &a, q, &qv, &qa, &l.loose); held == 0 {
		l.send(r, q)
	}
	return held
}

// try works out the pose of a choice of accelerations and says whether it may be taken.
func (l *Limiter) try(c, x *[pose.Count]float64, q *mechanism.Positions) bool {
	var v, a [pose.Count]float64
	for i := range l.axes {
		x[i] = l.ahead(i, c[i])
		v[i] = (x[i] - l.x[i]) / l.dt
		a[i] = (v[i] - l.v[i]) / l.dt
	}
	// what fails mostly fails because of where it ends: ask that first, rather than walk there
	var end [pose.Count]float64
	for i := range l.axes {
		end[i] = min(max(l.law[i].rollout(x[i], v[i], a[i]).rest, l.low[i]), l.high[i])
		// a hair further out, so that rounding on the way does not decide whether the seat may stop there
		end[i] = min(max(l.neutral[i]+(end[i]-l.neutral[i])*(1+hairReach), l.low[i]), l.high[i])
	}
	l.rollLeft -= 2 * l.price()
	if l.room(&end, q) != 0 {
		return false
	}
	var qv, qa mechanism.Positions
	return l.m.Inverse(l.full(x), q) == nil &&
		l.first(q, &qv, &qa, &l.tight) &&
		l.proves(x, &v, &a, q, &qv, &qa, &l.tight) == 0
}

// first differences the actuators' next positions and says whether they are inside the limits.
func (l *Limiter) first(q, qv, qa *mechanism.Positions, s *set) bool {
	for k := range l.acts {
		qv[k] = (q[k] - l.q[k]) / l.dt
		qa[k] = (qv[k] - l.qv[k]) / l.dt
		if math.Abs(qa[k]-l.qa[k]) > s.qjerk[k]*l.dt {
			return false
		}
	}
	return true
}

// actuator says whether actuator k may be in a state: inside its limits, and able to stop there by its own brake law,
// which is what the controller does when frames stop.
func (l *Limiter) actuator(k int, q, qv, qa float64, s *set) bool {
	if math.Abs(qv) > s.qspeed[k] || math.Abs(qa) > s.qacceleration[k] {
		return false
	}
	low, high := l.qlow[k]-s.travel, l.qhigh[k]+s.travel
	if l.qlaw[k].near(&span{q, q, qv, qv, qa, qa}, low, high, s.qspeed[k]) {
		return true
	}
	e := l.qlaw[k].rollout(q, qv, qa)
	return e.ok && e.low >= low && e.high <= high && e.speed <= s.qspeed[k]
}

// proves is the condition of the invariant for a state: its brake roll-out, over all axes together, stays inside
// every limit until rest.
func (l *Limiter) proves(x, v, a *[pose.Count]float64, q, qv, qa *mechanism.Positions, s *set) Held {
	var e [pose.Count]extent
	var held Held
	ticks := 0.0
	for i := range l.axes {
		e[i] = l.law[i].rollout(x[i], v[i], a[i])
		if !e[i].ok || e[i].low < l.low[i]-s.travel || e[i].high > l.high[i]+s.travel {
			held |= HeldTravel
		}
		if e[i].speed > s.speed[i] {
			held |= HeldSpeed
		}
		ticks = max(ticks, e[i].ticks)
	}
	if held != 0 {
		return held
	}
	for k := range l.acts {
		if !l.actuator(k, q[k], qv[k], qa[k], s) {
			return HeldActuator
		}
	}
	if l.plain(x, &l.v, &l.a, q, &e, s) {
		return 0
	}
	return l.walk(&roll{*x, *v, *a, *q, *qv, *qa}, int(ticks)+4, s)
}

// plain proves a roll-out from x by the bounds of the mechanism's derivatives over the box that it covers. v and a are
// the speeds and accelerations of the states before, to which the actuators' first differences reach back.
func (l *Limiter) plain(x, v, a *[pose.Count]float64, q *mechanism.Positions, e *[pose.Count]extent, s *set) bool {
	n := len(l.axes)
	g := l.bounds.find(e, n)
	if g == nil {
		return false
	}
	var vm, am, jm, dm [pose.Count]float64
	for i := range n {
		jm[i] = l.law[i].d / l.dt
		am[i] = max(e[i].acceleration, math.Abs(a[i]))
		vm[i] = max(e[i].speed, math.Abs(v[i]))
		dm[i] = max(e[i].high-x[i], x[i]-e[i].low)
	}
	for k := range l.acts {
		f := &g[k]
		var dq, vq float64
		for i := range n {
			dq += f.first[i] * dm[i]
			vq += f.first[i] * vm[i]
		}
		aq := f.acceleration(n, &vm, &am, l.dt)
		jq := f.jerk(n, &vm, &am, &jm, l.dt)
		if vq > s.qspeed[k] || aq > s.qacceleration[k] || jq > s.qjerk[k] {
			return false
		}
		b := &l.qlaw[k]
		peak := vq + aq*aq*b.t/(2*b.d) + aq*b.t
		stop := b.reach(peak) + peak*aq*b.t/b.d
		if peak > s.qspeed[k] || q[k]+dq+stop > l.qhigh[k] || q[k]-dq-stop < l.qlow[k] {
			return false
		}
	}
	return true
}

// block is how many ticks of a walk have their actuators' own stops judged together, and stride how many are passed in
// one where the mechanism is smooth.
const (
	block  = 8
	stride = 16
)

// trail is a block of an actuator's states on a walk, and all that they lie between.
type trail struct {
	q, v, a [block]float64
	span    span
}

// add puts a state at place n of the block.
func (t *trail) add(n int, q, v, a float64) {
	if n == 0 {
		t.span = span{q, q, v, v, a, a}
	}
	t.q[n], t.v[n], t.a[n] = q, v, a
	p := &t.span
	p.x0, p.x1 = min(p.x0, q), max(p.x1, q)
	p.v0, p.v1 = min(p.v0, v), max(p.v1, v)
	p.a0, p.a1 = min(p.a0, a), max(p.a1, a)
}

// stops says whether actuator k can stop by its own law from every state of a span. False says nothing.
func (l *Limiter) stops(k int, p *span, s *set) bool {
	return max(p.a1, -p.a0) <= s.qacceleration[k] &&
		l.qlaw[k].near(p, l.qlow[k]-s.travel, l.qhigh[k]+s.travel, s.qspeed[k])
}

// roll is a brake roll-out under way: the pose's state and its actuators'.
type roll struct {
	x, v, a   [pose.Count]float64
	q, qv, qa mechanism.Positions
}

// tick brakes the pose by one tick and says whether that is at rest.
func (r *roll) tick(l *Limiter) (rest bool) {
	rest = true
	for i := range l.axes {
		if r.v[i] == 0 && r.a[i] == 0 {
			continue
		}
		a := l.law[i].brake(r.v[i], r.a[i])
		v := r.v[i] + a*l.dt
		if math.Abs(v) < 1e-13 && math.Abs(a) < l.law[i].d {
			v = 0
			if math.Abs(a) < 1e-11 {
				a = 0
			}
		}
		r.v[i], r.a[i] = v, a
		r.x[i] = min(max(r.x[i]+v*l.dt, l.low[i]), l.high[i]) // beyond by rounding at most: see proves
		rest = rest && v == 0 && a == 0
	}
	return rest
}

// follow takes the actuators' next positions from the pose.
func (r *roll) follow(l *Limiter, s *set) bool {
	next := &l.at[2]
	if l.m.Inverse(l.full(&r.x), next) != nil {
		if s != &l.loose {
			return false
		}
		var in [pose.Count]float64
		for i := range l.axes {
			in[i] = r.x[i] - (r.x[i]-l.neutral[i])*overReach
		}
		if l.m.Inverse(l.full(&in), next) != nil {
			return false
		}
	}
	for k := range l.acts {
		v := (next[k] - r.q[k]) / l.dt
		r.qa[k] = (v - r.qv[k]) / l.dt
		r.q[k], r.qv[k] = next[k], v
	}
	return true
}

// stride goes on by several ticks, if the mechanism's derivatives over the poses there bound the actuators' jerk: the
// states between the ends then differ from the chord between them by what that jerk can do. The roll is only changed
// where that proves them.
func (l *Limiter) stride(r *roll, s *set) (proven, rest bool) {
	n := len(l.axes)
	to := *r
	var e [pose.Count]extent
	var vm, am, jm [pose.Count]float64
	for i := range n {
		e[i].low, e[i].high = r.x[i], r.x[i]
		vm[i], am[i] = math.Abs(r.v[i]), math.Abs(r.a[i])
	}
	for t := range stride {
		before := to.a
		rest = to.tick(l)
		for i := range n {
			e[i].low, e[i].high = min(e[i].low, to.x[i]), max(e[i].high, to.x[i])
			vm[i], am[i] = max(vm[i], math.Abs(to.v[i])), max(am[i], math.Abs(to.a[i]))
			jm[i] = max(jm[i], math.Abs(to.a[i]-before[i]))
		}
		if t >= stride-3 && !to.follow(l, s) {
			return false, false
		}
	}
	g := l.bounds.find(&e, n)
	l.bounded = g != nil // mostly a roll-out that leaves the bounds is on its way to an edge
	if g == nil {
		return false, false
	}
	reach := vm // of the differences, by two ticks before
	for i := range n {
		reach[i] += 2 * l.dt * (am[i] + l.law[i].d)
		jm[i] /= l.dt
	}
	for k := range l.acts {
		j := g[k].jerk(n, &reach, &am, &jm, l.dt)
		if j > s.qjerk[k] {
			return false, false
		}
		t := stride * l.dt
		var p span
		most := g[k].acceleration(n, &reach, &am, l.dt)
		p.a0, p.a1 = max((r.qa[k]+to.qa[k]-j*t)/2, -most), min((r.qa[k]+to.qa[k]+j*t)/2, most)
		p.v0, p.v1 = min(r.qv[k], to.qv[k])-j*t*t/8, max(r.qv[k], to.qv[k])+j*t*t/8
		p.x0, p.x1 = min(r.q[k], to.q[k])-max(p.a1, 0)*t*t/8, max(r.q[k], to.q[k])+max(-p.a0, 0)*t*t/8
		if !l.stops(k, &p, s) {
			return false, false
		}
		rest = rest && to.qv[k] == 0 && to.qa[k] == 0
	}
	*r = to
	return true, rest
}

// walk is the roll-out through the mechanism: in strides where those can be proven, and else tick by tick.
func (l *Limiter) walk(r *roll, ticks int, s *set) Held {
	l.fullChecks++
	price := l.price()
	strides := 2*price + stride*len(l.axes)/2
	trails := &l.trails
	smooth := !l.slow
	for t := 0; t < ticks; {
		if smooth {
			if l.rollLeft -= strides; l.rollLeft < 0 {
				return HeldActuator
			}
			if proven, rest := l.stride(r, s); proven {
				t += stride
				if rest || t >= ticks {
					return 0
				}
				continue
			}
			smooth = l.bounded
		}
		n := 0
		rest := false
		for ; n < block && t < ticks && !rest; n++ {
			t++
			if l.rollLeft -= price; l.rollLeft < 0 {
				return HeldActuator
			}
			before := r.qa
			rest = r.tick(l)
			if !r.follow(l, s) {
				return HeldReach
			}
			for k := range l.acts {
				v, a := r.qv[k], r.qa[k]
				if math.Abs(a-before[k]) > s.qjerk[k]*l.dt || math.Abs(v) > s.qspeed[k] || math.Abs(a) > s.qacceleration[k] {
					return HeldActuator
				}
				trails[k].add(n, r.q[k], v, a)
				rest = rest && v == 0 && a == 0
			}
		}
		for k := range l.acts {
			t := &trails[k]
			if l.stops(k, &t.span, s) {
				continue
			}
			for i := range n {
				if !l.actuator(k, t.q[i], t.v[i], t.a[i], s) {
					return HeldActuator
				}
			}
		}
		if rest {
			return 0
		}
		if l.slow {
			continue
		}
		// the rest of it may be plain by now
		var e [pose.Count]extent
		var pv, pa [pose.Count]float64
		for i := range l.axes {
			e[i] = l.law[i].rollout(r.x[i], r.v[i], r.a[i])
			pa[i] = math.Abs(r.a[i]) + 2*l.law[i].d
			pv[i] = math.Abs(r.v[i]) + 2*l.dt*pa[i]
		}
		if l.plain(&r.x, &pv, &pa, &r.q, &e, s) {
			return 0
		}
	}
	return 0
}

// rejoin is the acceleration of axis i from which the brake law, applied to the motion relative to a target at r with
// speed vr and acceleration ar, comes to rest on it.
func (l *Limiter) rejoin(i int, r, vr, ar float64) float64 {
	b := &l.law[i]
	lo, hi := max(l.a[i]-b.d, -b.a), min(l.a[i]+b.d, b.a)
	if lo > hi {
		return b.brake(l.v[i], l.a[i])
	}
	miss := func(a float64) float64 {
		v := l.v[i] + a*l.dt
		return b.rollout(l.x[i]+v*l.dt-r, v-vr, a-ar).rest
	}
	if miss(hi) <= 0 {
		return hi
	}
	if miss(lo) >= 0 {
		return lo
	}
	for range 30 {
		mid := (lo + hi) / 2
		if miss(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}

// permit is the acceleration nearest to w, from the brake's b, after which axis i can still stop inside its own limits.
func (l *Limiter) permit(i int, b, w float64) float64 {
	may := func(a float64) bool {
		v := l.v[i] + a*l.dt
		e := l.law[i].rollout(l.x[i]+v*l.dt, v, a)
		return e.ok && e.low >= l.low[i]-hairTravel && e.high <= l.high[i]+hairTravel && e.speed <= l.tight.speed[i]
	}
	if may(w) {
		return w
	}
	for range 26 {
		mid := (b + w) / 2
		if mid == b || mid == w {
			break
		}
		if may(mid) {
			b = mid
		} else {
			w = mid
		}
	}
	return b
}
