package cueing

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"perch/host/estimate"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/perception"
	"perch/host/pose"
	"perch/sdk/oracle"
)

func foreseeing(t testing.TB, intensity, travel float64) *Chain {
	t.Helper()
	s := Preset("aeroplane")
	s.Mode, s.Intensity = Predictive, intensity
	return chain(t, s, twoAxes, travel)
}

// box is a guard with these limits, and travel to either side.
func box(t testing.TB, r Limits) *guard.Limiter {
	t.Helper()
	travel := r.Travel[pose.Roll]
	l := guard.Limits{Low: all(-travel), High: r.Travel, Speed: r.Speed, Acceleration: r.Acceleration, Jerk: r.Jerk}
	m, err := mechanism.NewBox(mechanism.BoxSettings{Axes: twoAxes, Low: l.Low, High: l.High, Speed: l.Speed, Acceleration: l.Acceleration, Jerk: l.Jerk})
	if err != nil {
		t.Fatal(err)
	}
	g, err := guard.NewLimiter(m, l, dt)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// passes fails where the guard, which has seen all before, does not pass a pose bit for bit.
func passes(t interface{ Fatalf(string, ...any) }, g *guard.Limiter, n int, p pose.Pose) {
	got, held := g.Step(p)
	if got != p || held != 0 {
		t.Fatalf("tick %d: wanted %v, the guard gives %v, held by %v", n, p, got, held)
	}
}

// TestThePredictiveModePassesTheGuard: whatever the vehicle does, the guard has nothing to hold back.
func TestThePredictiveModePassesTheGuard(t *testing.T) {
	wholeTest := t
	rapid.Check(t, func(t *rapid.T) {
		travel := rapid.SampledFrom([]float64{1, 5, 12, 30}).Draw(t, "travel") * deg
		speed := rapid.Float64Range(0.1, 3).Draw(t, "speed")
		pace := rapid.Float64Range(0.2, 3).Draw(t, "pace")
		r := room(all(travel))
		for a := range r.Speed { // from a seat that creeps to one that jumps
			r.Speed[a] *= speed
			r.Acceleration[a] *= pace
			r.Jerk[a] *= pace
		}
		s := Preset("aeroplane")
		s.Mode, s.Intensity = Predictive, 1
		c, err := New(s, twoAxes, r, dt)
		if err != nil {
			t.Fatal(err)
		}
		g := box(wholeTest, r)
		dice := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		size := math.Pow(10, rapid.Float64Range(-1, 3).Draw(t, "size"))
		hold := rapid.IntRange(1, 900).Draw(t, "hold")
		m := level()
		for n := range 2000 {
			if dice.IntN(hold) == 0 {
				m.AngularVelocity = r3.Vec{X: size * dice.NormFloat64(), Y: size * dice.NormFloat64(), Z: dice.NormFloat64()}
				m.SpecificForce = r3.Vec{X: 2 * size * dice.NormFloat64(), Y: 2 * size * dice.NormFloat64(), Z: -9}
				m.Attitude = quat.Number{Real: dice.NormFloat64(), Imag: dice.NormFloat64(), Jmag: dice.NormFloat64()}
				switch dice.IntN(20) {
				case 0:
					m.AngularVelocity.X, m.SpecificForce.X = math.NaN(), math.Inf(1)
				case 1:
					without(&m, groups["force"])
				case 2:
					m.Present = level().Present
					m.Restarted = true
				case 3:
					c.SetIntensity(dice.Float64())
				}
			}
			passes(t, g, n, c.Step(&m))
			m.Restarted = false
		}
	})
}

type planned struct {
	Begin   beginning
	First   float64 // rad/s² at the first knot
	Limited int     // bounds that are reached
}

func TestRecordedPlans(t *testing.T) {
	oracle.Fresh[[]planned](t, "testdata/plan.json", "testdata/plan.py", 1e-6, 1e-6)
}

// TestPlanIsTheLeast: the solver comes to where an exact method ends that shares nothing with it (testdata/plan.py); the last
// digits would take it ten times as many sweeps.
func TestPlanIsTheLeast(t *testing.T) {
	h, err := newHorizon(perception.RollRate, perception.ForceY, 0.8, 12*deg, 40*deg, 300*deg, 5000*deg, dt)
	if err != nil {
		t.Fatal(err)
	}
	var plans []planned
	oracle.Recorded(t, "testdata/plan.json", &plans)
	for i, p := range plans {
		s := newSolver(h)
		if got := s.solve(h, &p.Begin, 20000); math.Abs(got-p.First) > 5e-3*(1+math.Abs(p.First)) {
			t.Errorf("%d, %d bounds reached: the first knot has %.6f rad/s², the least has %.6f", i, p.Limited, got, p.First)
		}
	}
}

// TestAForceThatLasts: the seat leans until gravity is the force, asin(a/g) for small angles (Groen & Bles 2004), forward
// nose up, to the right left side down; and one beyond its travel is shown as far as that goes.
func TestAForceThatLasts(t *testing.T) {
	for _, force := range []float64{-1.2, 0.6, 1, 9} {
		c := foreseeing(t, 1, 12*deg)
		m := level()
		m.SpecificForce.X, m.SpecificForce.Y = force, force
		var p, last pose.Pose
		fastest := 0.0
		for n := range 40000 {
			p = c.Step(&m)
			if n > 1500 {
				for a := range p {
					fastest = max(fastest, math.Abs(p[a]-last[a])/dt)
				}
			}
			last = p
		}
		want := min(max(force/estimate.Gravity, -12*deg), 12*deg)
		if d := cmp.Diff(pose.Pose{pose.Roll: -want, pose.Pitch: want}, p, cmpopts.EquateApprox(0.02, 0)); d != "" {
			t.Errorf("%g m/s² (-want +got):\n%s", force, d)
		}
		if fastest > 3*deg {
			t.Errorf("%g m/s²: 3 s after it came the seat still turns at %.2f deg/s", force, fastest/deg)
		}
	}
}

// TestATurnIsNoLean: in a coordinated level turn of 45 deg at 50 m/s nothing pushes sideways (p = 0, q = r = 7.9462 deg/s,
// f = (0, 0, -g/cos 45 deg)); once its pitch rate is no longer perceived the seat is level.
func TestATurnIsNoLean(t *testing.T) {
	c := foreseeing(t, 1, 12*deg)
	m := level()
	m.AngularVelocity = r3.Vec{Y: 7.9462 * deg, Z: 7.9462 * deg}
	m.SpecificForce.Z = -estimate.Gravity * math.Sqrt2
	m.Attitude = quat.Number{Real: math.Cos(22.5 * deg), Imag: math.Sin(22.5 * deg)}
	for n := range 60000 {
		p := c.Step(&m)
		if p[pose.Roll] != 0 {
			t.Fatalf("tick %d: roll is %g deg", n, p[pose.Roll]/deg)
		}
		if n > 30000 && math.Abs(p[pose.Pitch]) > 0.5*deg {
			t.Fatalf("tick %d: pitch is still %g deg", n, p[pose.Pitch]/deg)
		}
	}
}

// TestForesightInProportion: half the intensity gives half of everything while no limit is reached.
func TestForesightInProportion(t *testing.T) {
	full, half := foreseeing(t, 0.4, 12*deg), foreseeing(t, 0.2, 12*deg)
	for n := range 5000 {
		m := level()
		m.AngularVelocity.X, m.AngularVelocity.Y = 0.05*math.Sin(0.003*float64(n)), 0.05*math.Cos(0.005*float64(n))
		m.SpecificForce.X, m.SpecificForce.Y = 0.5*math.Sin(0.001*float64(n)), 0.5*math.Sin(0.002*float64(n))
		p, q := full.Step(&m), half.Step(&m)
		for a := range p {
			if math.Abs(p[a]-2*q[a]) > 1e-9 {
				t.Fatalf("tick %d, %v: %g at 0.4, %g at 0.2", n, pose.Axis(a), p[a], q[a])
			}
		}
	}
}

// TestForesightMirrors: the other way round gives the negative, bit for bit; so nothing leans to a side by itself.
func TestForesightMirrors(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, f := drawn(t, Predictive), ride(t)
		a, _ := New(s, twoAxes, room(all(0.2)), dt)
		b, _ := New(s, twoAxes, room(all(0.2)), dt)
		for n := range 250 {
			m := f(n)
			p := a.Step(&m)
			m.AngularVelocity = r3.Scale(-1, m.AngularVelocity)
			m.SpecificForce = r3.Vec{X: -m.SpecificForce.X, Y: -m.SpecificForce.Y, Z: -2*estimate.Gravity - m.SpecificForce.Z}
			m.Attitude.Imag, m.Attitude.Jmag = -m.Attitude.Imag, -m.Attitude.Jmag
			if q := b.Step(&m); p[pose.Roll] != -q[pose.Roll] || math.Abs(p[pose.Pitch]+q[pose.Pitch]) > 1e-6 {
				t.Fatalf("tick %d: %v mirrored is %v", n, p, q)
			}
		}
	})
}

// TestForesightComesHome: minutes after a manoeuvre the seat is not nearly level but level.
func TestForesightComesHome(t *testing.T) {
	c := foreseeing(t, 1, 12*deg)
	var p pose.Pose
	for n := range 400000 {
		m := level()
		if n < 1000 {
			m.AngularVelocity, m.SpecificForce = r3.Vec{X: 0.5, Y: -0.4, Z: 0.3}, r3.Vec{X: 1, Y: 2, Z: -20}
		}
		p = c.Step(&m)
		if n > 200000 && p == (pose.Pose{}) {
			return
		}
	}
	t.Errorf("at the end: %v", p)
}

// TestForecastsAreLearnt: of a swing that the plain decay knows nothing of, what comes in 0.4 s is foreseen after a minute.
func TestForecastsAreLearnt(t *testing.T) {
	o := newOutlook(dt)
	at := func(n int) float64 { return 2 * math.Sin(3*dt*float64(n)) }
	const node = 3 // 0.4 s
	var wrong, plain, n float64
	for i := range 40000 {
		o.see([sights]float64{ofForce: at(i)})
		if i > 30000 && i%20 == 0 {
			f, _ := o.at(node)
			later := at(i + 200)
			wrong += (f - later) * (f - later)
			f = 0
			for k, x := range o.now {
				f += o.plain[node][0][k] * x
			}
			plain += (f - later) * (f - later)
			n++
		}
	}
	if wrong, plain = math.Sqrt(wrong/n), math.Sqrt(plain/n); wrong > 0.05 || plain < 1 {
		t.Errorf("RMS error %.3f m/s², that of the plain decay %.3f", wrong, plain)
	}
}
