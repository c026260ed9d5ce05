package guard

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"perch/host/guard/guardtest"
	"perch/host/mechanism"
	"perch/host/pose"

	"pgregory.net/rapid"
)

const (
	dt  = 0.002
	deg = math.Pi / 180
)

// long says whether the long run was asked for.
var long = os.Getenv("PERCH_LONG") != ""

func ticks(short int) int {
	if long {
		return short * 20
	}
	return short
}

func turn(low, high, v, a, j float64) Limits {
	var l Limits
	for _, ax := range []pose.Axis{pose.Roll, pose.Pitch} {
		l.Low[ax], l.High[ax] = low*deg, high*deg
		l.Speed[ax], l.Acceleration[ax], l.Jerk[ax] = v*deg, a*deg, j*deg
	}
	return l
}

// ride is the set of limits that the expected numbers of the step test are worked out for.
var ride = turn(-15, 15, 40, 300, 5000)

func box(t testing.TB, l Limits, axes ...pose.Axis) mechanism.Mechanism {
	t.Helper()
	b, err := mechanism.NewBox(mechanism.BoxSettings{Axes: pose.Of(axes...), Low: l.Low, High: l.High, Speed: l.Speed, Acceleration: l.Acceleration, Jerk: l.Jerk})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func cranks(t testing.TB) mechanism.Mechanism {
	t.Helper()
	m, err := mechanism.NewTwoCrank(mechanism.DefaultTwoCrank())
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func six() Limits {
	var l Limits
	for ax := pose.Axis(0); ax < pose.Count; ax++ {
		l.Low[ax], l.High[ax] = -0.2, 0.25
		l.Speed[ax], l.Acceleration[ax], l.Jerk[ax] = 0.6, 5, 80
	}
	return l
}

// curved is a mechanism of the tests' own: a diamond of reach whose corners are far from those of the travel, with
// actuators that bend.
type curved struct{ acts []mechanism.Actuator }

func newCurved() curved {
	a := mechanism.Actuator{Unit: "rad", Low: -0.5, High: 0.5, Speed: 2, Acceleration: 12, Jerk: 220}
	return curved{[]mechanism.Actuator{a, a}}
}

func (curved) Axes() pose.Axes                   { return pose.Of(pose.Roll, pose.Pitch) }
func (c curved) Actuators() []mechanism.Actuator { return c.acts }
func (c curved) Inverse(p pose.Pose, out *mechanism.Positions) error {
	l, r := 2*p[pose.Pitch]+2.5*p[pose.Roll], 2*p[pose.Pitch]-2.5*p[pose.Roll]
	if math.Abs(l) > 0.6 || math.Abs(r) > 0.6 || math.IsNaN(l+r) {
		return mechanism.ErrUnreachable
	}
	*out = mechanism.Positions{math.Asin(l), math.Asin(r)}
	return nil
}
func (c curved) Forward(a mechanism.Positions, _ pose.Pose) (p pose.Pose, err error) {
	l, r := math.Sin(a[0]), math.Sin(a[1])
	p[pose.Pitch], p[pose.Roll] = (l+r)/4, (l-r)/5
	return p, nil
}

type rig struct {
	name   string
	m      mechanism.Mechanism
	limits Limits
}

// fresh gives guards at rest, all copies of one, since sampling six axes takes a while.
func (r rig) fresh(t testing.TB) func() *Limiter {
	first := mustLimiter(t, r.m, r.limits)
	return func() *Limiter { g := *first; return &g }
}

func rigs(t testing.TB) []rig {
	wide := turn(-30, 30, 400, 4000, 90000)
	return []rig{
		{"box", box(t, wide, pose.Roll, pose.Pitch), ride},
		{"box same", box(t, ride, pose.Roll, pose.Pitch), ride},
		{"box slow actuators", box(t, turn(-10, 12, 30, 200, 3000), pose.Roll, pose.Pitch), ride},
		{"cranks", cranks(t), turn(-8, 8, 40, 300, 5000)},
		{"cranks wide", cranks(t), turn(-15, 15, 60, 500, 8000)},
		{"diamond", newCurved(), turn(-15, 15, 40, 300, 5000)},
		{"six", box(t, six(), pose.Surge, pose.Sway, pose.Heave, pose.Roll, pose.Pitch, pose.Yaw), six()},
	}
}

// sets are limits with something odd about each.
var sets = []rig{
	{name: "speed never reached", limits: turn(-5, 5, 400, 200, 5000)},
	{name: "acceleration never reached", limits: turn(-15, 15, 40, 3000, 600)},
	{name: "jerk more than the acceleration in one tick", limits: turn(-15, 15, 40, 300, 400000)},
	{name: "travel of one degree", limits: turn(-0.5, 0.5, 40, 300, 5000)},
	{name: "asymmetric", limits: turn(-3, 14, 25, 300, 5000)},
	{name: "no travel", limits: turn(2, 2, 40, 300, 5000)},
	{name: "slow", limits: turn(-15, 15, 18, 60, 400)},
}

func mustLimiter(t testing.TB, m mechanism.Mechanism, l Limits) *Limiter {
	t.Helper()
	g, err := NewLimiter(m, l, dt)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func poseBounds(m mechanism.Mechanism, l Limits) (b []guardtest.Bound) {
	for ax := pose.Axis(0); ax < pose.Count; ax++ {
		if m.Axes().Has(ax) {
			b = append(b, guardtest.Bound{Name: ax.String(), Low: l.Low[ax], High: l.High[ax], Speed: l.Speed[ax], Acceleration: l.Acceleration[ax], Jerk: l.Jerk[ax]})
		}
	}
	return b
}

func actuatorBounds(m mechanism.Mechanism) (b []guardtest.Bound) {
	for _, a := range m.Actuators() {
		b = append(b, guardtest.Bound{Name: "actuator " + a.Name, Low: a.Low, High: a.High, Speed: a.Speed, Acceleration: a.Acceleration, Jerk: a.Jerk})
	}
	return b
}

// judges watches pose and actuators of one guard.
type judges struct {
	m         mechanism.Mechanism
	pose, act *guardtest.Judge
}

func newJudges(g *Limiter, l Limits) *judges {
	j := &judges{g.m, guardtest.NewJudge(dt, poseBounds(g.m, l)), guardtest.NewJudge(dt, actuatorBounds(g.m))}
	j.rest(g.Pose())
	return j
}

func (j *judges) rest(p pose.Pose) {
	var q mechanism.Positions
	_ = j.m.Inverse(p, &q)
	j.pose.Rest(j.moved(p))
	j.act.Rest(q[:])
}

func (j *judges) moved(p pose.Pose) (x []float64) {
	for ax := pose.Axis(0); ax < pose.Count; ax++ {
		if j.m.Axes().Has(ax) {
			x = append(x, p[ax])
		}
	}
	return x
}

func (j *judges) see(p pose.Pose) error {
	if err := j.pose.See(j.moved(p)); err != nil {
		return err
	}
	var q mechanism.Positions
	if err := j.m.Inverse(p, &q); err != nil {
		return fmt.Errorf("tick %d: %v: %w", j.pose.Ticks, p, err)
	}
	return j.act.See(q[:])
}

func inputsRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 11)) }

// input is one way to treat a guard: the wanted pose of tick k, given the last one sent.
type input struct {
	name string
	next func(k int, g *Limiter) pose.Pose
}

func inputs(seed uint64, l Limits) []input {
	r := rand.New(rand.NewPCG(seed, 7))
	mid, half := func(a int) float64 { return (l.Low[a] + l.High[a]) / 2 }, func(a int) float64 { return (l.High[a]-l.Low[a])/2 + 1e-3 }
	each := func(f func(a int) float64) (p pose.Pose) {
		for a := range p {
			p[a] = f(a)
		}
		return p
	}
	wave := func(scale float64, f func(t float64, a int) float64) func(int, *Limiter) pose.Pose {
		return func(k int, _ *Limiter) pose.Pose {
			return each(func(a int) float64 { return mid(a) + scale*half(a)*f(float64(k)*dt, a) })
		}
	}
	var in []input
	for _, n := range []int{1, 2, 3, 7, 20, 40, 61, 100, 173, 400} {
		for _, scale := range []float64{0.6, 1.4} {
			in = append(in, input{fmt.Sprintf("square %d ticks, %g travel", n, scale), wave(scale, func(t float64, a int) float64 {
				return float64(2*((int(t/dt+0.5)/n+a/2)&1) - 1)
			})})
		}
	}
	side := each(func(int) float64 { return 1 })
	var hold pose.Pose
	return append(in,
		input{"noise", func(int, *Limiter) pose.Pose {
			return each(func(a int) float64 { return mid(a) + half(a)*r.NormFloat64() })
		}},
		input{"huge and tiny", func(int, *Limiter) pose.Pose {
			return each(func(int) float64 { return math.Ldexp(r.Float64()-0.5, r.IntN(2000)-1000) })
		}},
		input{"not finite", func(k int, _ *Limiter) pose.Pose {
			return each(func(a int) float64 {
				switch r.IntN(7 * 6) {
				case 0:
					return math.NaN()
				case 1:
					return math.Inf(1)
				case 2:
					return math.Inf(-1)
				}
				return mid(a) + half(a)*math.Sin(2*float64(k)*dt)
			})
		}},
		input{"sine of three travels", wave(3, func(t float64, a int) float64 { return math.Sin(4*t + float64(a)) })},
		input{"slow sine that touches", wave(1, func(t float64, a int) float64 { return math.Sin(1.1*t + float64(a)) })},
		input{"gentle sine", wave(0.3, func(t float64, a int) float64 { return math.Sin(2*t + float64(a)) })},
		input{"chirp", wave(0.8, func(t float64, a int) float64 { return math.Sin(t*t*2 + float64(a)) })},
		input{"saw", func(k int, _ *Limiter) pose.Pose {
			return each(func(a int) float64 {
				s := math.Mod(float64(k)*dt*1.2*l.Speed[a]/(2*half(a)+1e-6)+float64(a)*0.3, 1)
				return mid(a) + half(a)*(2*s-1)
			})
		}},
		input{"teleports with a sine", func(k int, _ *Limiter) pose.Pose {
			if r.IntN(150) == 0 {
				hold = each(func(a int) float64 { return mid(a) + half(a)*(2.4*r.Float64()-1.2) })
			}
			p := hold
			for a := range p {
				p[a] += 0.1 * half(a) * math.Sin(6*float64(k)*dt)
			}
			return p
		}},
		input{"adversary", func(k int, g *Limiter) pose.Pose {
			x := g.Pose()
			for a := range side {
				if r.IntN(90) == 0 {
					side[a] = -side[a]
				}
			}
			var p pose.Pose
			for i, ax := range g.axes {
				s := side[ax]
				if g.v[i] != 0 && r.IntN(3) > 0 {
					s = math.Copysign(1, g.v[i])
				}
				p[ax] = x[ax] + s*half(int(ax))*3
			}
			return p
		}},
		input{"top", func(int, *Limiter) pose.Pose { return l.High }},
		input{"one ulp above the top", func(int, *Limiter) pose.Pose {
			return each(func(a int) float64 { return math.Nextafter(l.High[a], 10) })
		}},
		input{"corners at random", func(k int, _ *Limiter) pose.Pose {
			if k%250 == 0 {
				hold = each(func(a int) float64 { return mid(a) + half(a)*float64(2*r.IntN(2)-1)*1.5 })
			}
			return hold
		}},
	)
}

// run treats a guard with an input; a second guard must pass on what the first sent, and from every n-th state the
// seat must come to rest inside the limits.
func run(t *testing.T, r rig, fresh func() *Limiter, in input, ticks, every int) {
	t.Helper()
	g, second := fresh(), fresh()
	j := newJudges(g, r.limits)
	for k := range ticks {
		want := in.next(k, g)
		got, held := g.Step(want)
		if err := j.see(got); err != nil {
			t.Fatalf("%s, %s: %v", r.name, in.name, err)
		}
		if held == 0 && got != want.Only(r.m.Axes()) {
			t.Fatalf("%s, %s, tick %d: %v came out as %v, free", r.name, in.name, k, want, got)
		}
		again, held2 := second.Step(got)
		if again != got {
			t.Fatalf("%s, %s, tick %d: a second guard makes %v of %v (%v; the first: %v)", r.name, in.name, k, again, got, held2, held)
		}
		if k%every == every-1 {
			stop(t, g, j, fmt.Sprintf("%s, %s, tick %d", r.name, in.name, k))
		}
	}
}

// stop brakes a copy of the guard, and each actuator by itself, to rest.
func stop(t *testing.T, g *Limiter, j *judges, where string) {
	t.Helper()
	c := *g
	jp, ja := *j.pose, *j.act
	jp, ja = jp.Copy(), ja.Copy()
	jc := judges{j.m, &jp, &ja}
	for n := 0; !c.Rest(); n++ {
		p := c.Brake()
		if c.limits != g.limits { // new ones came into force on the way
			jc.pose.Rebound(poseBounds(j.m, c.limits))
		}
		if err := jc.see(p); err != nil {
			t.Fatalf("%s: braking: %v", where, err)
		}
		if n > 20000 {
			t.Fatalf("%s: braking: no rest: v %v a %v", where, c.v, c.a)
		}
	}
	// what the controller does when frames stop
	for k, a := range g.acts {
		b := newLaw(dt, a.Acceleration, a.Jerk)
		x, v, acc := g.q[k], g.qv[k], g.qa[k]
		for n := 0; math.Abs(v) > 1e-12 || math.Abs(acc) > 1e-9; n++ {
			acc = b.brake(v, acc)
			v += acc * dt
			x += v * dt
			if x < a.Low-1e-10 || x > a.High+1e-10 {
				t.Fatalf("%s: the controller's own stop takes actuator %d to %g, travel %g to %g", where, k, x, a.Low, a.High)
			}
			if n > 20000 {
				t.Fatalf("%s: the controller's own stop does not end", where)
			}
		}
	}
}

func TestEveryInputKeepsEveryLimit(t *testing.T) {
	n := 90
	if long {
		n = 1500
	}
	for _, r := range rigs(t) {
		t.Run(r.name, func(t *testing.T) {
			fresh := r.fresh(t)
			for _, in := range inputs(1, r.limits) {
				run(t, r, fresh, in, n, 59)
			}
		})
	}
	for _, r := range sets {
		t.Run(r.name, func(t *testing.T) {
			r.m = cranks(t)
			fresh := r.fresh(t)
			for _, in := range inputs(2, r.limits) {
				run(t, r, fresh, in, n, 59)
			}
		})
	}
}

func TestRandomLimitsAndInputs(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := func(name string, lo, hi float64) float64 {
			return math.Exp(rapid.Float64Range(math.Log(lo), math.Log(hi)).Draw(rt, name))
		}
		var l Limits
		for _, ax := range []pose.Axis{pose.Roll, pose.Pitch} {
			l.Low[ax], l.High[ax] = -f("low", 0.1, 20)*deg, f("high", 0.1, 20)*deg
			l.Speed[ax], l.Acceleration[ax], l.Jerk[ax] = f("v", 3, 200)*deg, f("a", 30, 3000)*deg, f("j", 300, 60000)*deg
		}
		r := rig{"random", cranks(t), l}
		if rapid.Bool().Draw(rt, "diamond") {
			r.m = newCurved()
		}
		ins := inputs(rapid.Uint64().Draw(rt, "seed"), l)
		run(t, r, r.fresh(t), ins[rapid.IntRange(0, len(ins)-1).Draw(rt, "input")], 200, 97)
	})
}
