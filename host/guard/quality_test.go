package guard

import (
	"math"
	"runtime"
	"testing"
	"time"

	"perch/host/mechanism"
	"perch/host/pose"
)

// From rest to rest over D with the speed and the acceleration limit both reached, a double-S profile takes
// D/V + V/A + A/J (Biagiotti and Melchiorri, Trajectory Planning for Automatic Machines and Robots, 2008, chapter 3);
// with the speed limit not reached, A/J + sqrt((A/J)² + 4D/A) (A reached).
func TestStepTakesTheTimeOfADoubleS(t *testing.T) {
	for _, c := range []struct {
		name          string
		d, v, a, j, s float64
	}{
		{"speed and acceleration reached", 10, 40, 300, 5000, 10./40 + 40./300 + 300./5000},
		{"acceleration reached", 3, 40, 300, 5000, 300./5000 + math.Sqrt(300./5000*300/5000+4*3./300)},
		{"jerk only", 0.5, 40, 300, 5000, 4 * math.Cbrt(0.5/2/5000)},
		{"reduced", 10, 18, 60, 400, 10./18 + 18./60 + 60./400},
	} {
		l := turn(-15, 15, c.v, c.a, c.j)
		g := mustLimiter(t, box(t, turn(-30, 30, 400, 4000, 90000), pose.Roll, pose.Pitch), l)
		target := pose.Pose{pose.Roll: c.d * deg, pose.Pitch: -c.d * deg}
		n, top := 0, 0.0
		for ; n < 5000; n++ {
			p, held := g.Step(target)
			top = max(top, p[pose.Roll])
			if held == 0 && g.Rest() {
				break
			}
		}
		// the discrete law may lose up to one tick in each of the phases' joints
		if took := float64(n) * dt; took < c.s-8*dt || took > c.s+8*dt {
			t.Errorf("%s: %.3f s, closed form %.3f s", c.name, took, c.s)
		}
		if top > target[pose.Roll]+1e-12 {
			t.Errorf("%s: overshoot by %g deg", c.name, (top-target[pose.Roll])/deg)
		}
		t.Logf("%s: %.3f s, closed form %.3f s", c.name, float64(n)*dt, c.s)
	}
}

func TestObeyingInputIsPassedBitForBit(t *testing.T) {
	for _, r := range rigs(t) {
		g := mustLimiter(t, r.m, r.limits)
		var amp pose.Pose
		for ax := range amp {
			// the largest that keeps half of every limit at 0.7 Hz, and a corner that all reach
			w := 2 * math.Pi * 0.7
			amp[ax] = 0.3 * min(r.limits.High[ax], r.limits.Speed[ax]/w, r.limits.Acceleration[ax]/w/w, r.limits.Jerk[ax]/w/w/w)
		}
		checks := g.fullChecks
		for k := range 5000 {
			s := float64(k) * dt
			ramp := min(1, s/2)
			ramp = ramp * ramp * ramp * (10 + ramp*(6*ramp-15))
			var p pose.Pose
			for ax := range p {
				p[ax] = ramp * amp[ax] * math.Sin(2*math.Pi*0.7*s+float64(ax))
			}
			got, held := g.Step(p)
			if held != 0 || got != p.Only(r.m.Axes()) {
				t.Fatalf("%s: tick %d: %v came out as %v: %v", r.name, k, p, got, held)
			}
		}
		t.Logf("%s: %d roll-outs tick by tick of 5000", r.name, g.fullChecks-checks)
	}
}

func TestMovingTargetIsJoinedForGood(t *testing.T) {
	for _, off := range []float64{2, 5, 9} {
		g := mustLimiter(t, box(t, turn(-30, 30, 400, 4000, 90000), pose.Roll, pose.Pitch), ride)
		if err := g.Reset(pose.Pose{pose.Roll: -off * deg, pose.Pitch: off * deg}); err != nil {
			t.Fatal(err)
		}
		last := 0
		for k := range 3000 {
			s := 3 * deg * math.Sin(2*math.Pi*0.5*float64(k)*dt)
			if _, held := g.Step(pose.Pose{pose.Roll: s, pose.Pitch: s}); held != 0 {
				last = k
			}
		}
		if took := float64(last) * dt; took > 0.8 {
			t.Errorf("from %g deg off: joined after %.3f s", off, took)
		} else {
			t.Logf("from %g deg off: joined after %.3f s", off, took)
		}
	}
}

// A demand beyond what the cranks can give ends at rest at the edge, whatever the order of the corners.
func TestUnreachableTargetEndsAtRestAtTheEdge(t *testing.T) {
	for _, r := range rigs(t) {
		corners := 5
		if long {
			corners = 40
		}
		g := mustLimiter(t, r.m, r.limits)
		j := newJudges(g, r.limits)
		for c := range corners {
			var want pose.Pose
			for ax := range want {
				if (c*c+c*7)>>ax&1 == 0 {
					want[ax] = r.limits.High[ax] * 1.3
				} else {
					want[ax] = r.limits.Low[ax] * 1.3
				}
				if c%5 == ax {
					want[ax] = 0
				}
			}
			var edge [pose.Count]float64
			for i, ax := range g.axes {
				edge[i] = min(max(want[ax], r.limits.Low[ax]), r.limits.High[ax])
			}
			var q mechanism.Positions
			g.pull(&edge, &q)
			for range 1500 {
				p, _ := g.Step(want)
				if err := j.see(p); err != nil {
					t.Fatalf("%s: corner %d: %v", r.name, c, err)
				}
			}
			p := g.Pose()
			for range 50 {
				if q, _ := g.Step(want); q != p || !g.Rest() {
					t.Fatalf("%s: corner %d: not at rest: %v then %v", r.name, c, p, q)
				}
			}
			for i, ax := range g.axes {
				if math.Abs(p[ax]-edge[i]) > 0.002*deg {
					t.Errorf("%s: corner %d, %v: rests at %v, edge %v", r.name, c, want, p, g.full(&edge))
					break
				}
			}
		}
	}
}

func TestDisarmAtEveryPhaseEndsAtRest(t *testing.T) {
	l := turn(-8, 8, 40, 300, 5000)
	g := mustLimiter(t, cranks(t), l)
	j := newJudges(g, l)
	most := 0
	for k := range 400 {
		s := 6 * deg
		if k/100%2 == 1 {
			s = -s
		}
		if _, held := g.Step(pose.Pose{pose.Roll: s, pose.Pitch: -s}); held&HeldNotFinite != 0 {
			t.Fatal(held)
		}
		_ = j.see(g.Pose())
		c := *g
		n := 0
		for ; !c.Rest(); n++ {
			c.Brake()
		}
		most = max(most, n)
	}
	// V/A + A/J, and A/J more to turn the acceleration round, with what of A and J the brake uses
	easeA, easeJ := g.Ease()
	t.Logf("brake uses %.2f of acceleration, %.2f of jerk; longest stop %.3f s", easeA, easeJ, float64(most)*dt)
	if s := float64(most) * dt; s > 40/(300*easeA)+2*300*easeA/(5000*easeJ)+0.02 {
		t.Errorf("longest stop %.3f s", s)
	}
}

func TestLimitsChangedWhileMoving(t *testing.T) {
	all := []Limits{
		turn(-8, 8, 40, 300, 5000), turn(-3, 5, 20, 100, 1000), turn(-8, 2, 40, 100, 5000), turn(-1, 1, 40, 300, 500),
		turn(-7, 7, 5, 300, 5000), turn(-8, 8, 60, 600, 9000), turn(1, 6, 30, 200, 2000),
	}
	m := cranks(t)
	for _, in := range inputs(3, all[0]) {
		g := mustLimiter(t, m, all[0])
		j := newJudges(g, all[0])
		next, which, waiting, longest := 37, 0, 0, 0
		for k := range ticks(600) {
			if k == next {
				which = (which*5 + k) % len(all)
				if err := g.SetLimits(all[which]); err != nil {
					t.Fatal(err)
				}
				next += 37 + (k*k)%513
				waiting = 0
			}
			p, _ := g.Step(in.next(k, g))
			j.pose.Rebound(poseBounds(m, g.Limits()))
			if err := j.see(p); err != nil {
				t.Fatalf("%s: %v", in.name, err)
			}
			if g.Pending() {
				waiting++
				longest = max(longest, waiting)
			}
		}
		// 8 deg at the slowest set's 5 deg/s, and the stop before
		if s := float64(longest) * dt; s > 3 {
			t.Errorf("%s: new limits waited %.3f s", in.name, s)
		}
	}
	g := mustLimiter(t, m, turn(-8, 2, 40, 300, 5000))
	if err := g.SetLimits(turn(3, 5, 40, 300, 5000)); err == nil {
		t.Error("a travel that does not meet the present one was taken")
	}
}

func TestStartOutsideComesInAndNeverFurtherOut(t *testing.T) {
	m := box(t, turn(-30, 30, 400, 4000, 90000), pose.Roll, pose.Pitch)
	for _, at := range []float64{15.001, 17, 20, 29.9, -16, -29} {
		for _, in := range inputs(4, ride) {
			g := mustLimiter(t, m, ride)
			if err := g.Reset(pose.Pose{pose.Roll: at * deg}); err != nil {
				t.Fatal(err)
			}
			last := math.Abs(at) * deg
			for k := range 150 {
				p, _ := g.Step(in.next(k, g))
				x := math.Abs(p[pose.Roll])
				if x > max(last, 15*deg)+1e-9 {
					t.Fatalf("%g, %s: tick %d: further out: %g after %g deg", at, in.name, k, x/deg, last/deg)
				}
				last = max(x, 15*deg)
				if x < 15*deg {
					last = 15 * deg
				}
			}
		}
		g := mustLimiter(t, m, ride)
		_ = g.Reset(pose.Pose{pose.Roll: at * deg})
		for range 1500 {
			g.Step(pose.Pose{})
		}
		if (g.Pose() != pose.Pose{}) || !g.Rest() {
			t.Errorf("%g: ends at %v", at, g.Pose())
		}
	}
}

// The sums of the ramps and the closed bound have to say what the law does tick by tick.
func TestRolloutIsTheLawTickByTick(t *testing.T) {
	r := inputsRand(9)
	worst := 0.0
	for range ticks(4000) {
		e := func(lo, hi float64) float64 { return math.Exp(math.Log(lo) + r.Float64()*math.Log(hi/lo)) }
		A, J := e(0.1, 50), e(5, 3000)
		V := e(0.05, 5)
		b := newLaw(dt, A, J)
		v, a := V*(2*r.Float64()-1), A*(2*r.Float64()-1)
		if r.IntN(20) == 0 {
			v = 0
		}
		if r.IntN(20) == 0 {
			a = 0
		}
		x := r.Float64() - 0.5
		got := b.rollout(x, v, a)
		near := b.near(&span{x, x, v, v, a, a}, -0.6, 0.6, V)
		want := extent{low: x, high: x, speed: math.Abs(v), acceleration: math.Abs(a)}
		n := 0
		for y, w, c := x, v, a; math.Abs(w) > 1e-12 || math.Abs(c) > 1e-8; n++ {
			c = b.brake(w, c)
			w += c * dt
			y += w * dt
			want.low, want.high = min(want.low, y), max(want.high, y)
			want.speed, want.acceleration = max(want.speed, math.Abs(w)), max(want.acceleration, math.Abs(c))
			want.rest = y
			if n > 1000000 {
				t.Fatalf("no rest: %v %v", b, []float64{v, a})
			}
		}
		if n == 0 {
			want.rest = x
		}
		d := max(math.Abs(got.low-want.low), math.Abs(got.high-want.high), math.Abs(got.rest-want.rest), math.Abs(got.speed-want.speed))
		worst = max(worst, d)
		if !got.ok || d > 1e-10*float64(n)*(1+want.high-want.low) || math.Abs(got.acceleration-want.acceleration) > 1e-6 || got.ticks < float64(n)-2 || got.ticks > float64(n)+3 {
			t.Fatalf("A %g J %g: from %g %g %g: %+v in %d, tick by tick %+v", A, J, x, v, a, got, n, want)
		}
		if near && (want.low < -0.6 || want.high > 0.6 || want.speed > V) {
			t.Fatalf("A %g J %g: from %g %g %g: near says yes, tick by tick %+v", A, J, x, v, a, want)
		}
	}
	t.Logf("worst difference %.3g", worst)
}

// Whatever the bounds of the derivatives accept, whole or in strides, the roll-out tick by tick through the mechanism has
// to accept, every mechanism's.
func TestBoundsNeverAcceptWhatTheRolloutRefuses(t *testing.T) {
	all := rigs(t)
	names, mechanisms := seats(t)
	r := inputsRand(12)
	for _, name := range names {
		l := drawn(r)
		for _, err := NewLimiter(mechanisms[name], l, dt); err != nil; _, err = NewLimiter(mechanisms[name], l, dt) {
			l = drawn(r)
		}
		all = append(all, rig{name, mechanisms[name], l})
	}
	for _, r := range all {
		fresh := r.fresh(t)
		both, plain, strides := 0, 0, 0
		for i, in := range inputs(5, r.limits) {
			if !long && i%4 != 0 {
				continue
			}
			g := fresh()
			n := 50
			if long {
				n = 300
			}
			for k := range n {
				back := *g
				g.Step(in.next(k, g))
				var e [pose.Count]extent
				n := 0.0
				for i := range g.axes {
					e[i] = g.law[i].rollout(g.x[i], g.v[i], g.a[i])
					n = max(n, e[i].ticks)
				}
				both++
				c := *g
				c.rollLeft = 1 << 40
				isPlain := c.plain(&g.x, &back.v, &back.a, &g.q, &e, &g.tight)
				isStrides := c.walk(&roll{g.x, g.v, g.a, g.q, g.qv, g.qa}, int(n)+4, &c.tight) == 0
				if !isPlain && !isStrides {
					continue
				}
				if isPlain {
					plain++
				}
				if isStrides {
					strides++
				}
				c.slow = true
				for k := range c.loose.qjerk { // a roll-out that ends at the end of the travel is kept there, against rounding
					c.loose.qjerk[k] *= 1 + 1e-6
				}
				if h := c.walk(&roll{g.x, g.v, g.a, g.q, g.qv, g.qa}, int(n)+4, &c.loose); h != 0 {
					t.Fatalf("%s, %s, tick %d: accepted (plain %v, strides %v), the roll-out says %v", r.name, in.name, k, isPlain, isStrides, h)
				}
			}
		}
		t.Logf("%s: of %d the bounds accept %d whole, %d in strides", r.name, both, plain, strides)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	for _, r := range rigs(t) {
		fresh := r.fresh(t)
		for _, in := range inputs(6, r.limits) {
			g := fresh()
			k := 0
			if n := testing.AllocsPerRun(60, func() { g.Step(in.next(k, g)); k++ }); n != 0 {
				t.Errorf("%s, %s: %g allocations a step", r.name, in.name, n)
			}
		}
	}
}

// spentWork is what the last Step spent of its work.
func spentWork(g *Limiter) int {
	if g.following {
		return longest - g.rollLeft
	}
	return max(0, work-g.rollLeft) // a brake at the door spends nothing and leaves the last count
}

// The longest tick is bounded by work, whatever comes: a machine's noise has no say in it.
func TestWorkOfATickIsBounded(t *testing.T) {
	for _, r := range rigs(t) {
		fresh := r.fresh(t)
		most, where := 0, ""
		for _, in := range inputs(8, r.limits) {
			g := fresh()
			for k := range ticks(60) {
				g.Step(in.next(k, g))
				if n := spentWork(g); n > most {
					most, where = n, in.name
				}
			}
		}
		// what was begun with work left is ended
		if most > longest+10*(len(r.m.Actuators())+int(pose.Count)) {
			t.Errorf("%s: %d of work in a tick: %s", r.name, most, where)
		}
		t.Logf("%s: at most %d of work in a tick: %s", r.name, most, where)
	}
}

func TestRefusedAtTheDoor(t *testing.T) {
	m := cranks(t)
	bad := func(f func(*Limits)) Limits { l := ride; f(&l); return l }
	for _, l := range []Limits{
		bad(func(l *Limits) { l.Low[pose.Roll] = math.NaN() }),
		bad(func(l *Limits) { l.Low[pose.Roll], l.High[pose.Roll] = 1, -1 }),
		bad(func(l *Limits) { l.Speed[pose.Pitch] = 0 }),
		bad(func(l *Limits) { l.Jerk[pose.Pitch] = math.Inf(1) }),
		bad(func(l *Limits) { l.Acceleration[pose.Pitch] = -1 }),
		bad(func(l *Limits) { l.Low[pose.Roll], l.High[pose.Roll] = 1, 1.2 }),
	} {
		if _, err := NewLimiter(m, l, dt); err == nil {
			t.Errorf("%+v was taken", l)
		}
	}
	if _, err := NewLimiter(m, ride, 0); err == nil {
		t.Error("a step of nothing was taken")
	}
	g := mustLimiter(t, m, ride)
	for _, p := range []pose.Pose{{pose.Roll: math.NaN()}, {pose.Roll: 1.5}} {
		if err := g.Reset(p); err == nil {
			t.Errorf("reset to %v", p)
		}
	}
}

func BenchmarkStep(b *testing.B) {
	for _, r := range rigs(b) {
		ins := inputs(8, r.limits)
		for _, which := range []string{"gentle sine", "square 100 ticks, 1.4 travel", "adversary", "noise", "corners at random", "chirp"} {
			for _, in := range ins {
				if in.name != which {
					continue
				}
				b.Run(r.name+"/"+in.name, func(b *testing.B) {
					runtime.LockOSThread()
					defer runtime.UnlockOSThread()
					g := mustLimiter(b, r.m, r.limits)
					b.ReportAllocs()
					var worst, sum time.Duration
					held, k, most := 0, 0, 0
					for b.Loop() {
						want := in.next(k, g)
						k++
						at := spent()
						_, h := g.Step(want)
						d := spent() - at
						sum += d
						if k > 100 {
							worst = max(worst, d)
						}
						if h != 0 {
							held++
						}
						most = max(most, spentWork(g))
					}
					b.ReportMetric(float64(sum.Nanoseconds())/float64(k), "cpu-ns/op")
					b.ReportMetric(float64(worst.Nanoseconds())/1000, "worst-cpu-µs")
					b.ReportMetric(float64(held)/float64(k), "held/op")
					b.ReportMetric(float64(most), "worst-work")
					b.ReportMetric(float64(g.fullChecks)/float64(k), "rollouts/op")
				})
			}
		}
	}
}

// BenchmarkObeying is what the guard costs on a demand that obeys, six axes, beside the least that a host could do in its
// place: a rate limiter on each axis, and the mechanism's inverse.
func BenchmarkObeying(b *testing.B) {
	_, all := seats(b)
	l := six()
	demand := func(k int) (p pose.Pose) {
		for a := range p {
			p[a] = 0.3 * min(l.High[a], l.Speed[a]/4, l.Acceleration[a]/16, l.Jerk[a]/64) * math.Sin(4*float64(k)*dt)
		}
		return p
	}
	for a := range pose.Count { // that six legs of ordinary size follow
		size := 0.1
		if a.Unit() == "rad" {
			size = 12 * deg
		}
		l.Low[a], l.High[a], l.Speed[a], l.Acceleration[a], l.Jerk[a] = -size, size, 2*size, 10*size, 150*size
	}
	for _, name := range []string{"box of six", "six linear", "six cranks", "two cranks"} {
		m := all[name]
		b.Run(name+"/guard", func(b *testing.B) {
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			g := mustLimiter(b, m, l)
			b.ReportAllocs()
			k, held, began := 0, 0, spent()
			for b.Loop() {
				if _, h := g.Step(demand(k)); h != 0 && k > 500 { // it begins at a speed
					held++
				}
				k++
			}
			b.ReportMetric(float64((spent()-began).Nanoseconds())/float64(k), "cpu-ns/op")
			b.ReportMetric(float64(held)/float64(k), "held/op")
			b.ReportMetric(float64(g.fullChecks)/float64(k), "rollouts/op")
		})
		b.Run(name+"/rate limiter", func(b *testing.B) {
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			var x pose.Pose
			var q mechanism.Positions
			b.ReportAllocs()
			k, began := 0, spent()
			for b.Loop() {
				want := demand(k)
				for a := range x {
					x[a] += min(max(want[a]-x[a], -l.Speed[a]*dt), l.Speed[a]*dt)
				}
				_ = m.Inverse(x, &q)
				k++
			}
			b.ReportMetric(float64((spent()-began).Nanoseconds())/float64(k), "cpu-ns/op")
		})
	}
}

func BenchmarkNewLimiter(b *testing.B) {
	for _, r := range rigs(b) {
		b.Run(r.name, func(b *testing.B) {
			for b.Loop() {
				mustLimiter(b, r.m, r.limits)
			}
		})
	}
}

// A controller stops from what the link carries: positions in nrad, speeds in µrad/s, accelerations in 4 mrad/s². How
// far past the travel that takes an actuator is what its builder has to leave beside the hard stop, and no more.
func TestControllersStopFromWhatTheLinkCarries(t *testing.T) {
	m := cranks(t)
	l := turn(-15, 15, 60, 500, 8000)
	worst, longest := 0.0, 0
	for _, in := range inputs(10, l) {
		g := mustLimiter(t, m, l)
		for k := range ticks(150) {
			g.Step(in.next(k, g))
			if k%7 != 0 {
				continue
			}
			for i, c := range g.acts {
				b := newLaw(dt, c.Acceleration, c.Jerk)
				x := math.Round(g.q[i]*1e9) / 1e9
				v := math.Round(g.qv[i]*1e6) / 1e6
				a := math.Round(g.qa[i]/4e-3) * 4e-3
				n := 0
				for ; math.Abs(v) > 1e-12 || math.Abs(a) > 1e-9; n++ {
					a = b.brake(v, a)
					v += a * dt
					x += v * dt
					worst = max(worst, c.Low-x, x-c.High)
				}
				longest = max(longest, n)
			}
		}
	}
	t.Logf("at most %.2g rad past the travel, %.3f s", worst, float64(longest)*dt)
	if worst > 5e-5 {
		t.Errorf("a controller's stop goes %g rad past the travel", worst)
	}
}
