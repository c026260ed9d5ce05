package demo

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk"
	"perch/sdk/vehicle"
)

const g = 9.80665 // m/s², NIST SP 811

func vec(t *testing.T, s *vehicle.State, x vehicle.Signal) r3.Vec {
	t.Helper()
	v, ok := s.Vec(x)
	if !ok {
		t.Fatalf("%v is absent", x)
	}
	return v
}

// rotation is the matrix of a quaternion written out, so that the test shares no arithmetic with the flight.
func rotation(q quat.Number) [3][3]float64 {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	return [3][3]float64{
		{w*w + x*x - y*y - z*z, 2 * (x*y - w*z), 2 * (x*z + w*y)},
		{2 * (x*y + w*z), w*w - x*x + y*y - z*z, 2 * (y*z - w*x)},
		{2 * (x*z - w*y), 2 * (y*z + w*x), w*w - x*x - y*y + z*z},
	}
}

func apply(m [3][3]float64, v r3.Vec) r3.Vec {
	row := func(i int) float64 { return m[i][0]*v.X + m[i][1]*v.Y + m[i][2]*v.Z }
	return r3.Vec{X: row(0), Y: row(1), Z: row(2)}
}

// Over windows of a second: the attitude turns by the integral of the rates, ground velocity changes by that of
// R·f + g, position by that of velocity. Nothing but kinematics, by the trapezoid rule.
func TestFlightAgreesWithItself(t *testing.T) {
	const dt = 0.001
	flight := NewFlight(1)
	var s vehicle.State
	type sample struct {
		attitude                     quat.Number
		rates, pull, velocity, place r3.Vec
	}
	take := func(ms int) sample {
		flight.At(time.Duration(ms)*time.Millisecond, &s)
		q, ok := s.Attitude()
		if !ok {
			t.Fatal("no attitude")
		}
		m := rotation(q)
		return sample{
			attitude: q,
			rates:    vec(t, &s, vehicle.AngularVelocityP),
			pull:     r3.Add(apply(m, vec(t, &s, vehicle.SpecificForceX)), r3.Vec{Z: g}),
			velocity: apply(m, vec(t, &s, vehicle.VelocityX)),
			place:    vec(t, &s, vehicle.PositionN),
		}
	}
	var worst [3]float64
	last := take(0)
	for second := range int(Period/time.Second) - 1 {
		first := last
		turned := quat.Number{Real: 1}
		var pulled, gone r3.Vec
		for ms := 1; ms <= 1000; ms++ {
			now := take(second*1000 + ms)
			half := r3.Scale(dt/4, r3.Add(last.rates, now.rates))
			turned = quat.Mul(turned, quat.Exp(quat.Number{Imag: half.X, Jmag: half.Y, Kmag: half.Z}))
			pulled = r3.Add(pulled, r3.Scale(dt/2, r3.Add(last.pull, now.pull)))
			gone = r3.Add(gone, r3.Scale(dt/2, r3.Add(last.velocity, now.velocity)))
			last = now
		}
		rest := quat.Mul(quat.Conj(quat.Mul(first.attitude, turned)), last.attitude)
		for i, residual := range [3]float64{
			2 * math.Atan2(math.Sqrt(rest.Imag*rest.Imag+rest.Jmag*rest.Jmag+rest.Kmag*rest.Kmag), math.Abs(rest.Real)),
			r3.Norm(r3.Sub(r3.Sub(last.velocity, first.velocity), pulled)),
			r3.Norm(r3.Sub(r3.Sub(last.place, first.place), gone)),
		} {
			worst[i] = max(worst[i], residual)
			// A step of 1 ms integrates to about half a step times the change of what is integrated: 1 rad/s, 60 m/s².
			if limit := [3]float64{1e-3, 0.03, 1e-6}[i]; residual > limit {
				t.Errorf("second %d: residual %c is %.2g, over %g", second, 'A'+rune(i), residual, limit)
			}
		}
	}
	t.Logf("worst residuals: attitude %.2g rad, velocity %.2g m/s, position %.2g m", worst[0], worst[1], worst[2])
}

func TestFlightRestsLevel(t *testing.T) {
	flight := NewFlight(1)
	var s vehicle.State
	for _, at := range []time.Duration{0, time.Second, 2900 * time.Millisecond, 175 * time.Second, 179999 * time.Millisecond} {
		flight.At(at, &s)
		f := vec(t, &s, vehicle.SpecificForceX)
		if r3.Norm(r3.Sub(f, r3.Vec{Z: -g})) > 1e-6 || r3.Norm(vec(t, &s, vehicle.AngularVelocityP)) > 1e-6 ||
			r3.Norm(vec(t, &s, vehicle.VelocityX)) > 1e-6 || s.Values[vehicle.OnGround] != 1 {
			t.Errorf("at %v it does not rest: %v", at, s.Values)
		}
	}
}

// n = 1/cos(bank): load factors of level turns as handbooks print them (30° 1.154, 45° 1.414), and the turn's rate
// g·tan(bank)/V. Nobody is pushed to the side.
func TestFlightTurnsCoordinated(t *testing.T) {
	for _, c := range []struct {
		at   time.Duration
		bank float64
	}{{58 * time.Second, 30}, {78 * time.Second, -45}} {
		flight := NewFlight(1)
		var s vehicle.State
		flight.At(c.at, &s)
		f, w, v := vec(t, &s, vehicle.SpecificForceX), vec(t, &s, vehicle.AngularVelocityP), vec(t, &s, vehicle.VelocityX)
		bank := c.bank * math.Pi / 180
		if math.Abs(f.Y) > 1e-3 {
			t.Errorf("bank %v: f_y is %g", c.bank, f.Y)
		}
		if n := -f.Z / g; math.Abs(n-1/math.Cos(bank)) > 2e-3 {
			t.Errorf("bank %v: load factor %g, not %g", c.bank, n, 1/math.Cos(bank))
		}
		rate := g * math.Tan(bank) / v.X
		if math.Abs(w.Y-rate*math.Sin(bank)) > 1e-3 || math.Abs(w.Z-rate*math.Cos(bank)) > 1e-3 || math.Abs(w.X) > 1e-3 {
			t.Errorf("bank %v: rates %v for a turn of %g rad/s", c.bank, w, rate)
		}
	}
}

// In a loop at constant speed q = V/R and n = V²/(R·g) + cos(angle turned).
func TestFlightLoops(t *testing.T) {
	flight := NewFlight(1)
	var s vehicle.State
	inverted := false
	for ms := 92000; ms < 101000; ms += 10 {
		flight.At(time.Duration(ms)*time.Millisecond, &s)
		q, _ := s.Attitude()
		m := rotation(q)
		f, w, v := vec(t, &s, vehicle.SpecificForceX), vec(t, &s, vehicle.AngularVelocityP), vec(t, &s, vehicle.VelocityX)
		if math.Abs(w.Y-v.X/loopRadius) > 1e-3 {
			t.Fatalf("at %d ms q is %g, not %g", ms, w.Y, v.X/loopRadius)
		}
		if n, want := -f.Z/g, v.X*v.X/(loopRadius*g)+m[2][2]; math.Abs(n-want) > 5e-3 {
			t.Fatalf("at %d ms the load factor is %g, not %g", ms, n, want)
		}
		inverted = inverted || m[2][2] < -0.999
	}
	if !inverted {
		t.Error("it never flies inverted")
	}
}

func TestFlightIsAFunctionOfTimeAndSeed(t *testing.T) {
	small, large, other := NewFlight(7), NewFlight(7), NewFlight(8)
	var a, b, c vehicle.State
	for ms := 0; ms <= 110_000; ms += 7 {
		small.At(time.Duration(ms)*time.Millisecond, &a)
	}
	at := time.Duration(a.SourceTime)
	large.At(at, &b)
	other.At(at, &c)
	if d := cmp.Diff(a, b); d != "" {
		t.Errorf("small steps and one large one differ: %s", d)
	}
	if cmp.Equal(a, c) {
		t.Error("another seed gives the same rough air")
	}
	large.At(Period+at, &b)
	if !b.Discontinuity {
		t.Error("the second flight does not begin with a discontinuity")
	}
	b.Discontinuity, b.SourceTime = false, a.SourceTime
	if d := cmp.Diff(a, b); d != "" {
		t.Errorf("the second flight differs from the first: %s", d)
	}
}

func TestAdapter(t *testing.T) {
	a := Adapter()
	if f := a.Faults(); len(f) > 0 {
		t.Fatal(f)
	}
	var declared vehicle.Set
	declared = declared.With(a.Signals...)
	for _, c := range []struct {
		signals string
		want    vehicle.Set
	}{
		{"all", declared},
		{"attitude", vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		count := 0
		var last int64
		err := sdk.Run(ctx, a, map[string]string{"start": "55", "rate": "200", "signals": c.signals}, func(s *vehicle.State) {
			if s.Condition != vehicle.Running {
				return // the source is absent until its first state
			}
			if s.Present != c.want {
				t.Errorf("signals %s: present %b, want %b", c.signals, s.Present, c.want)
			}
			if s.SourceTime <= last && count > 0 || s.SourceTime < int64(55*time.Second) || s.Discontinuity {
				t.Errorf("signals %s: time %d after %d, discontinuity %v", c.signals, s.SourceTime, last, s.Discontinuity)
			}
			last = s.SourceTime
			if err := s.Admit(); err != nil {
				t.Error(err)
			}
			if count++; count == 10 {
				cancel()
			}
		})
		cancel()
		if err != nil || count < 10 {
			t.Errorf("signals %s: %d states, %v", c.signals, count, err)
		}
	}
	if len(a.Signals)+len(a.Never) != int(vehicle.SignalCount) {
		t.Errorf("%d signals given, %d never: %d in all", len(a.Signals), len(a.Never), vehicle.SignalCount)
	}
}

func BenchmarkFlight(b *testing.B) {
	b.ReportAllocs()
	flight := NewFlight(1)
	var s vehicle.State
	var t time.Duration
	for b.Loop() {
		t += 10 * time.Millisecond
		flight.At(t, &s)
	}
}
