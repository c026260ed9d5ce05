package guard

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"perch/host/guard/guardtest"
	"perch/host/mechanism"
	"perch/host/pose"
)

// proofTicks is how many ticks TestProof runs: few by default, a million with PERCH_LONG=1, or PERCH_GUARD_TICKS.
// PERCH_GUARD_SEED draws other cases, so that several runs add up; PERCH_GUARD_CASE begins with the case of a failure.
func proofTicks(t *testing.T) (ticks int, seed, first uint64) {
	ticks = 16_000
	if long {
		ticks = 1_000_000
	}
	for name, set := range map[string]func(int){
		"PERCH_GUARD_TICKS": func(n int) { ticks = n },
		"PERCH_GUARD_SEED":  func(n int) { seed = uint64(n) },
		"PERCH_GUARD_CASE":  func(n int) { first = uint64(n) },
	} {
		if v := os.Getenv(name); v != "" {
			n, err := strconv.Atoi(v)
			if err != nil || n < 0 {
				t.Fatalf("%s is %q: give a whole number", name, v)
			}
			set(n)
		}
	}
	return ticks, seed, first
}

// between draws a number whose logarithm is evenly spread.
func between(r *rand.Rand, lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }

// drawn is a set of limits for axes in m and rad, from slow and small to fast and large, and by turns with something
// odd about it: travel on one side only, none at all, speed that is never reached, jerk that is no limit.
func drawn(r *rand.Rand) (l Limits) {
	for a := range pose.Count {
		size := 20 * deg
		if a.Unit() == "m" {
			size = 0.15
		}
		l.Low[a], l.High[a] = -between(r, 0.01, 1)*size, between(r, 0.01, 1)*size
		l.Speed[a] = between(r, 0.15, 10) * size
		l.Acceleration[a] = between(r, 1.5, 150) * size
		l.Jerk[a] = between(r, 15, 3000) * size
		switch r.IntN(24) {
		case 0:
			l.Low[a] = 0
		case 1:
			l.Low[a], l.High[a] = 0, 0
		case 2:
			l.Low[a] = l.High[a] / 3
		case 3:
			l.Speed[a] = 100 * size
		case 4:
			l.Jerk[a] = 2000 * l.Acceleration[a]
		case 5:
			l.Jerk[a] = 2 * l.Acceleration[a]
		}
	}
	return l
}

// seats are all mechanisms there are: of one size, since limits vary.
func seats(t testing.TB) (names []string, all map[string]mechanism.Mechanism) {
	t.Helper()
	all = map[string]mechanism.Mechanism{
		"box of two": box(t, turn(-30, 30, 400, 4000, 90000), pose.Roll, pose.Pitch),
		"box, slow":  box(t, turn(-10, 12, 30, 200, 3000), pose.Roll, pose.Pitch),
		"box of six": box(t, six(), pose.Surge, pose.Sway, pose.Heave, pose.Roll, pose.Pitch, pose.Yaw),
		"two cranks": cranks(t),
		"diamond":    newCurved(),
	}
	put := func(name string, m mechanism.Mechanism, err error) {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		all[name] = m
	}
	back := mechanism.DefaultTwoCrank()
	back.TipBackward, back.CrankOutward, back.LeastTransmissionAngle = true, 0.03, 20*deg
	m, err := mechanism.NewTwoCrank(back)
	put("two cranks backward", m, err)
	two, err := mechanism.NewTwoLinear(mechanism.DefaultTwoLinear())
	put("two linear", two, err)
	three, err := mechanism.NewThreeLinear(mechanism.DefaultThreeLinear())
	put("three linear", three, err)
	sixLinear, err := mechanism.NewSixLinear(mechanism.DefaultSixLinear())
	put("six linear", sixLinear, err)
	sixCrank, err := mechanism.NewSixCrank(mechanism.DefaultSixCrank())
	put("six cranks", sixCrank, err)
	for n := range all {
		names = append(names, n)
	}
	sort.Strings(names)
	return names, all
}

// tally is what a proof went through.
type tally struct {
	ticks, free, stops, guards, adopted, rides int
	worst                                      guardtest.Worst
}

func (w *tally) add(j *judges) {
	for _, x := range []guardtest.Worst{j.pose.Worst, j.act.Worst} {
		w.worst.Beyond = max(w.worst.Beyond, x.Beyond)
		w.worst.Speed = max(w.worst.Speed, x.Speed)
		w.worst.Acceleration = max(w.worst.Acceleration, x.Acceleration)
		w.worst.Jerk = max(w.worst.Jerk, x.Jerk)
	}
}

// TestProof is guard and mechanism together, with whatever may come, judged on what is sent. A case is drawn by its
// number: mechanism, limits, input (which may change on the way), a start outside the travel, limits changed in motion,
// or a machine with asks, faults and a controller that does as it likes.
func TestProof(t *testing.T) {
	most, seed, first := proofTicks(t)
	names, all := seats(t)
	tallies := map[string]*tally{}
	began := time.Now()
	length := 2000 // ticks of a case
	if long {
		length = 6000
	}
	total := 0
	for n := first; total < most; n++ {
		r := rand.New(rand.NewPCG(seed, n))
		name := names[r.IntN(len(names))]
		c := tallies[name]
		if c == nil {
			c = &tally{}
			tallies[name] = c
		}
		before := c.ticks
		where := fmt.Sprintf("seed %d, case %d, %s", seed, n, name)
		prove(t, r, all[name], c, min(length, most/8), where)
		total += c.ticks - before
	}
	var b strings.Builder
	sum := tally{}
	fmt.Fprintf(&b, "%-20s %9s %9s %7s %9s %7s %6s  worst speed, acceleration, jerk, each of its limit\n", "mechanism", "ticks", "free", "stops", "2nd guard", "limits", "rides")
	line := func(name string, c *tally) {
		fmt.Fprintf(&b, "%-20s %9d %9d %7d %9d %7d %6d  %.7f %.7f %.7f\n", name, c.ticks, c.free, c.stops, c.guards, c.adopted, c.rides, c.worst.Speed, c.worst.Acceleration, c.worst.Jerk)
	}
	for _, name := range names {
		if c := tallies[name]; c != nil {
			line(name, c)
			sum.ticks, sum.free, sum.stops = sum.ticks+c.ticks, sum.free+c.free, sum.stops+c.stops
			sum.guards, sum.adopted, sum.rides = sum.guards+c.guards, sum.adopted+c.adopted, sum.rides+c.rides
			sum.worst.Speed, sum.worst.Acceleration, sum.worst.Jerk = max(sum.worst.Speed, c.worst.Speed), max(sum.worst.Acceleration, c.worst.Acceleration), max(sum.worst.Jerk, c.worst.Jerk)
		}
	}
	line("all", &sum)
	t.Logf("no violation in %d ticks, %s\n%s", total, time.Since(began).Round(time.Second), b.String())
}

// TestBoundsNearDeadCentre is a case in which bounds of the mechanism's derivatives that were sampled inside a box, and not
// raised towards its edge, let an actuator's jerk through.
func TestBoundsNearDeadCentre(t *testing.T) {
	_, all := seats(t)
	r := rand.New(rand.NewPCG(43, 265))
	r.IntN(len(all)) // the mechanism, in TestProof
	prove(t, r, all["two cranks backward"], &tally{}, 2600, "near dead centre")
}

func prove(t *testing.T, r *rand.Rand, m mechanism.Mechanism, c *tally, ticks int, where string) {
	t.Helper()
	l := drawn(r)
	g, err := NewLimiter(m, l, dt)
	for err != nil { // the travel held no pose that can be reached
		l = drawn(r)
		for a := range pose.Count {
			l.Low[a], l.High[a] = min(l.Low[a], 0), max(l.High[a], 0)
		}
		g, err = NewLimiter(m, l, dt)
	}
	if r.IntN(4) == 0 {
		c.rides++
		proveRide(t, r, m, l, c, ticks, where)
		return
	}
	outside := r.IntN(6) == 0 && outside(r, g, &l)
	changes := !outside && r.IntN(4) == 0
	second := !outside && !changes && r.IntN(2) == 0
	switch {
	case changes:
		where += ", limits change"
	case outside:
		where += ", from outside"
	}
	behind := *g
	j := newJudges(g, l)
	ins := inputs(r.Uint64(), l)
	in := ins[r.IntN(len(ins))]
	rare := 400 // between changes of limits, which are dear to prepare for six axes
	if len(m.Actuators()) > 3 {
		rare = 1500
	}
	for k := range ticks {
		if r.IntN(700) == 0 {
			in = ins[r.IntN(len(ins))]
		}
		if changes && r.IntN(rare) == 0 {
			next := drawn(r)
			if g.SetLimits(next) == nil {
				c.adopted++
			}
		}
		if outside {
			j.pose.Rebound(around(g, l))
		}
		want := in.next(k, g)
		got, held := g.Step(want)
		if changes {
			j.pose.Rebound(poseBounds(m, g.Limits()))
		}
		c.ticks++
		if err := j.see(got); err != nil {
			t.Fatalf("%s, %s, tick %d: %v; limits %+v", where, in.name, k, err, l)
		}
		if held == 0 {
			c.free++
			if got != want.Only(m.Axes()) {
				t.Fatalf("%s, %s, tick %d: %v came out as %v, free", where, in.name, k, want, got)
			}
		}
		if second {
			c.guards++
			if again, why := behind.Step(got); again != got {
				t.Fatalf("%s, %s, tick %d: a second guard makes %v of %v (%v; the first: %v); limits %+v", where, in.name, k, again, got, why, held, l)
			}
		}
		if r.IntN(211) == 0 {
			c.stops++
			if outside {
				j.pose.Rebound(around(g, l))
			}
			stop(t, g, j, fmt.Sprintf("%s, %s, tick %d", where, in.name, k))
		}
	}
	c.stops++
	if outside {
		j.pose.Rebound(around(g, l))
	}
	stop(t, g, j, where+", end")
	c.add(j)
}

// outside puts the seat at rest outside its travel, where that can be reached.
func outside(r *rand.Rand, g *Limiter, l *Limits) bool {
	var p pose.Pose
	for a := range p {
		p[a] = l.High[a] + r.Float64()*(l.High[a]-l.Low[a])
		if r.IntN(2) == 0 {
			p[a] = l.Low[a] - r.Float64()*(l.High[a]-l.Low[a])
		}
	}
	if g.Reset(p) != nil {
		return false
	}
	for k, a := range g.acts {
		if g.q[k] < a.Low || g.q[k] > a.High { // a mechanism may answer beyond its actuators' travel
			return g.Reset(g.full(&g.neutral)) != nil
		}
	}
	return true
}

// around is the bounds where the travel reaches as far as the brake takes the seat from where it is, tick by tick.
func around(g *Limiter, l Limits) []guardtest.Bound {
	for i, ax := range g.axes {
		x, v, a := g.x[i], g.v[i], g.a[i]
		for {
			l.Low[ax], l.High[ax] = min(l.Low[ax], x), max(l.High[ax], x)
			if math.Abs(v) < 1e-12 && math.Abs(a) < 1e-9 {
				break
			}
			a = g.law[i].brake(v, a)
			v += a * dt
			x += v * dt
		}
	}
	return poseBounds(g.m, l)
}

// proveRide is a whole machine, whose controller and operator do as they like.
func proveRide(t *testing.T, r *rand.Rand, m mechanism.Mechanism, l Limits, c *tally, ticks int, where string) {
	t.Helper()
	s := sceneOf(t, m, l)
	ins := inputs(r.Uint64(), l)
	in := ins[r.IntN(len(ins))]
	s.where = where + ", ride"
	begin := [...]Ask{AskHome, AskArm}
	for k := range ticks {
		var ask Ask
		switch {
		case k == 1 || k == 150:
			ask = begin[k/150]
		case r.IntN(300) != 0:
		default:
			switch r.IntN(14) {
			case 0:
				ask = Ask(r.IntN(64))
			case 1, 2:
				ask = AskArm
			case 3:
				ask = AskPark
			case 4:
				ask = AskStop
			case 5, 6:
				ask = AskReset
				s.f.Fault, s.f.Supply, s.f.Present = false, true, true
			case 7:
				s.in.Live = !s.in.Live
			case 8:
				s.in.OperatorAge = [...]float64{0, 0, 0, 0.3, 0.6, 1.9, 2.5}[r.IntN(7)]
			case 9:
				s.f.Fault, s.f.Armed = true, false
			case 10:
				s.f.Stopped, s.f.Armed = true, false
			case 11:
				s.f.Supply = !s.f.Supply
			case 12:
				s.f.lag = 1 + r.IntN(60)
			case 13:
				in = ins[r.IntN(len(ins))]
			}
		}
		s.in.Wanted, s.in.Ask, s.in.Controller = in.next(k, s.m.l), ask&^AskEnd, s.f.Controller
		o := s.step()
		c.ticks++
		if o.State == Riding && o.Held == 0 {
			c.free++
		}
		if r.IntN(211) == 0 && moving(o.State) {
			c.stops++
			stop(t, s.m.l, s.j, fmt.Sprintf("%s, %s, tick %d", s.where, in.name, k))
		}
	}
	c.add(s.j)
}
