package estimate

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"perch/sdk/vehicle"
)

// drawn is a state of which any value may be anything that the wire lets through: finite.
func drawn(t *rapid.T, near int64) vehicle.State {
	s := vehicle.State{
		SourceTime:    near,
		Discontinuity: rapid.IntRange(0, 60).Draw(t, "jump") == 0,
		Condition:     vehicle.Condition(max(0, rapid.IntRange(-40, 2).Draw(t, "condition"))),
	}
	switch rapid.IntRange(0, 20).Draw(t, "stamp") {
	case 0:
		s.SourceTime = rapid.Int64().Draw(t, "any stamp")
	case 1, 2, 3:
		s.SourceTime += rapid.Int64Range(-2e9, 2e9).Draw(t, "off by")
	case 4, 5:
		s.SourceTime += rapid.Int64Range(-2000, 2000).Draw(t, "hardly off by")
	}
	for x := range vehicle.SignalCount {
		if rapid.IntRange(0, 2).Draw(t, "has") > 0 {
			most := 30.0
			if rapid.IntRange(0, 80).Draw(t, "huge") == 0 {
				most = math.MaxFloat64
			}
			s.Put(x, rapid.Float64Range(-most, most).Draw(t, "value"))
		}
	}
	if rapid.Bool().Draw(t, "unit") {
		s.PutAttitude(unit(quat.Number{
			Real: rapid.Float64Range(-1, 1).Draw(t, "w"), Imag: rapid.Float64Range(-1, 1).Draw(t, "x"),
			Jmag: rapid.Float64Range(-1, 1).Draw(t, "y"), Kmag: 0.1 + rapid.Float64Range(0, 1).Draw(t, "z")}))
	}
	return s
}

// Whatever is sent, whenever: the motion is finite, the attitude a unit quaternion that moves no faster than
// corrections and rates may together unless the motion is marked as begun anew, and what is derived is present.
func TestAnythingFinite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := New(Settings{Delay: rapid.SampledFrom([]float64{-1, 0, 0.1}).Draw(t, "delay")}, dt)
		every := rapid.IntRange(1, 60).Draw(t, "every")
		var m Motion
		last := quat.Number{Real: 1}
		for n := uint64(0); n < 1500; n++ {
			if n%uint64(every) == 0 && n < uint64(every*40) {
				s := drawn(t, int64(n)*2e6)
				e.Push(&s, n)
				if rapid.IntRange(0, 9).Draw(t, "again") == 0 {
					e.Push(&s, n)
				}
			}
			e.Step(n, &m)
			for _, v := range []r3.Vec{m.AngularVelocity, m.SpecificForce, m.Velocity, m.EarthVelocity} {
				if !finite(v) {
					t.Fatalf("tick %d: %+v", n, m)
				}
			}
			if d := math.Abs(quat.Abs(m.Attitude) - 1); !(d < 1e-9) {
				t.Fatalf("tick %d: attitude of length 1%+v", n, d)
			}
			if m.Derived&^m.Present != 0 {
				t.Fatalf("tick %d: derived but not present", n)
			}
			// Corrections of at most π at 80 rad/s: π·80/e = 93 rad/s, with a rate of 40; and twice 20 carried on.
			if d := apart(last, m.Attitude); !m.Restarted && d > 180*dt {
				t.Fatalf("tick %d: moved by %v rad", n, d)
			}
			last = m.Attitude
		}
	})
}

// A smooth motion, sent late, in clumps, doubled, out of order, with losses and gaps, partly split into states of
// one signal: no step larger than motion and correction explain.
func TestSmoothStaysSmooth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		every := rapid.IntRange(2, 120).Draw(t, "every") // ticks: 250 to 4 Hz
		w := r3.Vec{X: rapid.Float64Range(-1, 1).Draw(t, "p"), Y: rapid.Float64Range(-1, 1).Draw(t, "q"), Z: rapid.Float64Range(-1, 1).Draw(t, "r")}
		rates := rapid.Bool().Draw(t, "with rates")
		jitter := rapid.IntRange(0, 60).Draw(t, "jitter") // ticks
		e := New(Settings{Delay: -1}, dt)
		due := map[uint64][]vehicle.State{}
		for n := uint64(0); n < 3000; n += uint64(every) {
			a := vehicle.State{SourceTime: int64(n) * 2e6}
			a.PutAttitude(unturn(r3.Scale(float64(n)*dt, w)))
			b := a
			if rates {
				b = vehicle.State{SourceTime: a.SourceTime}
				b.PutVec(vehicle.AngularVelocityP, w)
			}
			for _, s := range []vehicle.State{a, b} {
				if rapid.IntRange(0, 15).Draw(t, "lost") < 15 {
					at := n + uint64(rapid.IntRange(0, jitter).Draw(t, "late"))
					due[at] = append(due[at], s)
				}
			}
		}
		var m Motion
		last, lastRate := quat.Number{Real: 1}, r3.Vec{}
		anew := uint64(0)
		for n := range uint64(3000) {
			for _, s := range due[n] {
				e.Push(&s, n)
			}
			e.Step(n, &m)
			rate := r3.Scale(1/dt, between(last, m.Attitude))
			if m.Restarted {
				anew = n
			}
			if n > 1000 && n > anew+1 {
				if norm(rate) > 3*norm(w)+0.2 {
					t.Fatalf("tick %d: %v rad/s, true %v", n, rate, w)
				}
				// An error of 40 ms of the motion, corrected at 80 rad/s, changes the rate by 80² · 0.04 · dt of it.
				if !near(rate, lastRate, 0.5*norm(w)+0.01) {
					t.Fatalf("tick %d: rate from %v to %v", n, lastRate, rate)
				}
			}
			last, lastRate = m.Attitude, rate
		}
	})
}

func TestDeterministic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := New(Settings{Delay: -1}, dt), New(Settings{Delay: -1}, dt)
		var x, y Motion
		for n := range uint64(300) {
			if n%7 == 0 {
				s := drawn(t, int64(n)*2e6)
				a.Push(&s, n)
				b.Push(&s, n)
			}
			a.Step(n, &x)
			b.Step(n, &y)
			if x != y {
				t.Fatal(cmp.Diff(x, y))
			}
		}
	})
}

func full(n uint64, s *vehicle.State) {
	t := float64(n) * dt
	*s = vehicle.State{SourceTime: int64(n) * 2e6}
	q := unturn(r3.Vec{X: 0.2 * math.Sin(t), Z: 0.3 * t})
	s.PutAttitude(q)
	s.PutVec(vehicle.AngularVelocityP, r3.Vec{X: 0.2 * math.Cos(t), Z: 0.3})
	s.PutVec(vehicle.SpecificForceX, r3.Vec{Z: -Gravity})
	s.PutVec(vehicle.VelocityN, toEarth(q, r3.Vec{X: 30}))
	s.PutVec(vehicle.PositionN, r3.Vec{X: t})
	s.Put(vehicle.OnGround, 0)
}

func TestAllocatesNothing(t *testing.T) {
	e := New(Settings{Delay: -1}, dt)
	var m Motion
	var s vehicle.State
	n := uint64(0)
	if a := testing.AllocsPerRun(2000, func() {
		if n%5 == 0 {
			full(n, &s)
			e.Push(&s, n)
		}
		e.Step(n, &m)
		n++
	}); a != 0 {
		t.Errorf("%v allocations", a)
	}
}

func BenchmarkStep(b *testing.B) {
	for name, every := range map[string]uint64{"100Hz": 5, "10Hz": 50} {
		b.Run(name, func(b *testing.B) {
			e := New(Settings{Delay: -1}, dt)
			var m Motion
			var s vehicle.State
			b.ReportAllocs()
			for n := uint64(0); b.Loop(); n++ {
				if n%every == 0 {
					full(n, &s)
					e.Push(&s, n)
				}
				e.Step(n, &m)
			}
		})
	}
}
