package cueing

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

func foreseeing(t testing.TB, intensity, travel float64) *Chain {
	t.Helper()
	s := Preset("aeroplane")
	s.Mode, s.Intensity = Predictive, intensity
	return chain(t, s, twoAxes, travel)
}

// box is a guard with the limits of room.
func box(t testing.TB, travel float64) *guard.Limiter {
	t.Helper()
	r := room(all(travel))
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
		c, g := foreseeing(wholeTest, 1, travel), box(wholeTest, travel)
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		size := math.Pow(10, rapid.Float64Range(-1, 3).Draw(t, "size"))
		hold := rapid.IntRange(1, 900).Draw(t, "hold")
		m := level()
		for n := range 4000 {
			if r.IntN(hold) == 0 {
				m.AngularVelocity = r3.Vec{X: size * r.NormFloat64(), Y: size * r.NormFloat64(), Z: r.NormFloat64()}
				m.SpecificForce = r3.Vec{X: 2 * size * r.NormFloat64(), Y: 2 * size * r.NormFloat64(), Z: -9}
				m.Attitude = quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64()}
				switch r.IntN(20) {
				case 0:
					m.AngularVelocity.X, m.SpecificForce.X = math.NaN(), math.Inf(1)
				case 1:
					without(&m, groups["force"])
				case 2:
					m.Present = level().Present
					m.Restarted = true
				case 3:
					c.SetIntensity(r.Float64())
				}
			}
			passes(t, g, n, c.Step(&m))
			m.Restarted = false
		}
	})
}
