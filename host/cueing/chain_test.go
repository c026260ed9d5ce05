package cueing

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"perch/host/estimate"
	"perch/host/pose"
	"perch/sdk/oracle"
	"perch/sdk/vehicle"
)

const (
	deg = math.Pi / 180
	dt  = 0.002
)

var twoAxes = pose.Of(pose.Roll, pose.Pitch)

// worked holds what testdata/cueing.py prints: the continuous systems, solved with SciPy.
type worked struct {
	Coefficients []struct {
		Filter                string
		Corner, Damping, Step float64
		A, B                  [3]float64
	}
	Times             []float64
	RatePulse         []float64 `json:"rate_pulse"`
	RateDoublet       []float64 `json:"rate_doublet"`
	RateStep          []float64 `json:"rate_step"`
	ForceStep         []float64 `json:"force_step"`
	ForcePulse        []float64 `json:"force_pulse"`
	ForceStepLimited  []float64 `json:"force_step_limited"`
	ForcePulseLimited []float64 `json:"force_pulse_limited"`
	PushTimes         []float64 `json:"push_times"`
	Push              []float64
	Frequency         [][5]float64
	Follow            [][6]float64
	Lean              [][2]float64
	RateStepPeak      [2]float64 `json:"rate_step_peak"`
}

func recorded(t *testing.T) (w worked) {
	t.Helper()
	oracle.Recorded(t, "testdata/cueing.json", &w)
	return w
}

// TestRecordedNumbers runs the script again where PERCH_TEST_SCIPY is set, and compares with what it printed before.
func TestRecordedNumbers(t *testing.T) {
	oracle.Fresh[worked](t, "testdata/cueing.json", "testdata/cueing.py", 1e-9, 1e-7)
}

// level is a motion that has everything and stands still.
func level() estimate.Motion {
	m := estimate.Motion{Attitude: quat.Number{Real: 1}, SpecificForce: r3.Vec{Z: -estimate.Gravity}}
	m.Present = m.Present.With(
		vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ,
		vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR,
		vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ)
	return m
}

// plain is the chain of the worked signals: pitch and roll alike, nothing compressed, nothing followed.
func plain() Settings {
	s := Preset("aeroplane")
	s.Intensity = 1
	s.Roll, s.Pitch = Onset{0.5, 0.5, 100}, Onset{0.5, 0.5, 100}
	s.TiltX, s.TiltY = Tilt{0.6, 2, 3, 10}, Tilt{0.6, 2, 3, 10}
	s.Follow = Share{}
	s.Reference = pose.Pose{}
	return s
}

// room is that travel, and what the seat of the previews may do.
func room(travel pose.Pose) Limits {
	return Limits{travel, all(40 * deg), all(300 * deg), all(5000 * deg)}
}

func all(v float64) (p pose.Pose) {
	for a := range p {
		p[a] = v
	}
	return p
}

// chain makes a chain that has stood level for longer than the blend from its start.
func chain(t testing.TB, s Settings, axes pose.Axes, travel float64) *Chain {
	t.Helper()
	c, err := New(s, axes, room(all(travel)), dt)
	if err != nil {
		t.Fatal(err)
	}
	m := level()
	for range 400 {
		c.Step(&m)
	}
	return c
}

// run drives the chain from t = 0 and gives one axis at the times, in deg or m.
func run(c *Chain, axis pose.Axis, times []float64, drive func(t float64, m *estimate.Motion)) []float64 {
	var out []float64
	for n := 0; len(out) < len(times); n++ {
		m := level()
		drive(float64(n)*dt, &m)
		v := c.Step(&m)[axis]
		if axis.Unit() == "rad" {
			v /= deg
		}
		if n == int(math.Round(times[len(out)]/dt)) {
			out = append(out, v)
		}
	}
	return out
}

func before(t, end, v float64) float64 {
	if t < end-dt/2 {
		return v
	}
	return 0
}

func TestSignals(t *testing.T) {
	w := recorded(t)
	limited := plain()
	limited.TiltX.Rate = 3 * deg
	pushed := plain()
	pushed.Surge = Shift{1, 2.5, 0.25, 6}
	turn := func(f func(float64) float64) func(float64, *estimate.Motion) {
		return func(t float64, m *estimate.Motion) { m.AngularVelocity.Y = f(t) * deg }
	}
	push := func(f func(float64) float64) func(float64, *estimate.Motion) {
		return func(t float64, m *estimate.Motion) { m.SpecificForce.X = f(t) }
	}
	for _, c := range []struct {
		name      string
		s         Settings
		axis      pose.Axis
		times     []float64
		want      []float64
		tolerance float64 // half a tick of the input's jump
		drive     func(float64, *estimate.Motion)
	}{
		{"rate pulse", plain(), pose.Pitch, w.Times, w.RatePulse, 0.01, turn(func(t float64) float64 { return before(t, 1, 10) })},
		{"rate doublet", plain(), pose.Pitch, w.Times, w.RateDoublet, 0.01,
			turn(func(t float64) float64 { return before(t, 1, 20) - before(t, 2, 10) })},
		{"rate step", plain(), pose.Pitch, w.Times, w.RateStep, 0.01, turn(func(float64) float64 { return 10 })},
		{"force step", plain(), pose.Pitch, w.Times, w.ForceStep, 0.01, push(func(float64) float64 { return 2 })},
		{"force pulse", plain(), pose.Pitch, w.Times, w.ForcePulse, 0.01, push(func(t float64) float64 { return before(t, 2, 2) })},
		{"force step, 3 deg/s", limited, pose.Pitch, w.Times, w.ForceStepLimited, 0.01, push(func(float64) float64 { return 2 })},
		{"force pulse, 3 deg/s", limited, pose.Pitch, w.Times, w.ForcePulseLimited, 0.01, push(func(t float64) float64 { return before(t, 2, 2) })},
		{"push, m", pushed, pose.Surge, w.PushTimes, w.Push, 3e-4, push(func(float64) float64 { return 2 })},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := run(chain(t, c.s, twoAxes|pose.Of(pose.Surge), 10), c.axis, c.times, c.drive)
			if d := cmp.Diff(c.want, got, cmpopts.EquateApprox(0, c.tolerance)); d != "" {
				t.Errorf("at %v s (-want +got):\n%s", c.times, d)
			}
		})
	}
}

// TestFrequencyResponse measures gain and phase as the objective motion cueing test does (Hosman & Advani 2016): one
// sine at a time, settled, correlated over whole periods.
func TestFrequencyResponse(t *testing.T) {
	for _, r := range recorded(t).Frequency {
		w := r[0]
		ticks := int(math.Round(2 * math.Pi / w / dt))
		w = 2 * math.Pi / (float64(ticks) * dt) // a whole number of ticks
		for _, c := range []struct {
			name        string
			gain, phase float64
			drive       func(*estimate.Motion, float64)
			size        float64 // of the output, for an input of one
		}{
			// Vehicle to seat angular acceleration is vehicle rate to seat angle, times s.
			{"turning", r[1], r[2] - 90, func(m *estimate.Motion, v float64) { m.AngularVelocity.Y = v * 0.01 }, 0.01 / w},
			{"force", r[3], r[4], func(m *estimate.Motion, v float64) { m.SpecificForce.X = v * 0.01 }, 0.01 / estimate.Gravity},
		} {
			s := plain()
			k := chain(t, s, twoAxes, 10)
			settle := 3*ticks + int(20/(s.Pitch.Corner*dt))/ticks*ticks
			var inPhase, quadrature float64
			for n := range settle + ticks {
				sin, cos := math.Sincos(w * dt * float64(n))
				m := level()
				c.drive(&m, sin)
				if v := k.Step(&m)[pose.Pitch]; n >= settle {
					inPhase += v * sin
					quadrature += v * cos
				}
			}
			gain := math.Hypot(inPhase, quadrature) * 2 / float64(ticks) / c.size
			phase := math.Atan2(quadrature, inPhase) / deg
			if math.Abs(gain/c.gain-1) > 0.01 || math.Abs(math.Remainder(phase-c.phase, 360)) > 1 {
				t.Errorf("%s at %.3f rad/s: gain %.5f, phase %.2f deg; want %.5f, %.2f", c.name, r[0], gain, phase, c.gain, c.phase)
			}
		}
	}
}

func TestFollow(t *testing.T) {
	s := Preset("aeroplane")
	s.Mode, s.Intensity, s.FollowOnly, s.Reference = Follow, 1, Share{12 * deg, 12 * deg}, pose.Pose{}
	for _, r := range recorded(t).Follow {
		c, err := New(s, twoAxes, room(all(10)), dt)
		if err != nil {
			t.Fatal(err)
		}
		m := level()
		m.Attitude = quat.Number{Real: r[0], Imag: r[1], Jmag: r[2], Kmag: r[3]}
		m.AngularVelocity, m.SpecificForce = r3.Vec{X: 1, Y: 2, Z: 3}, r3.Vec{X: 4, Y: 5, Z: 6} // must not count
		var p pose.Pose
		for range 500 {
			p = c.Step(&m)
		}
		got := [2]float64{p[pose.Pitch] / deg, p[pose.Roll] / deg}
		if d := cmp.Diff([2]float64{r[4], r[5]}, got, cmpopts.EquateApprox(0, 1e-6)); d != "" {
			t.Errorf("attitude %v: pitch, roll (-want +got):\n%s", r[:4], d)
		}
	}
}

// TestLean: the lean that gives the force, asin(a/g); forward is nose up, to the right is left side down.
func TestLean(t *testing.T) {
	s := plain()
	s.TiltX.Gain, s.TiltY.Gain = 1, 1
	for _, r := range recorded(t).Lean {
		for _, sign := range []float64{1, -1} {
			c := chain(t, s, twoAxes, 10)
			m := level()
			m.SpecificForce.X, m.SpecificForce.Y = sign*r[0], sign*r[0]
			var p pose.Pose
			for range 10000 {
				p = c.Step(&m)
			}
			want := pose.Pose{pose.Pitch: sign * r[1] * deg, pose.Roll: -sign * r[1] * deg}
			if d := cmp.Diff(want, p, cmpopts.EquateApprox(0, 1e-7)); d != "" { // the compression's rest
				t.Errorf("%g m/s² (-want +got):\n%s", sign*r[0], d)
			}
		}
	}
}

func everyPreset(t *testing.T, f func(t *testing.T, s Settings)) {
	for _, class := range append(Classes(), "") {
		for mode := range modes {
			s := Preset(class)
			s.Mode = mode
			t.Run(class+" "+mode.String(), func(t *testing.T) { f(t, s) })
		}
	}
}

func TestLevelIsExactlyZero(t *testing.T) {
	everyPreset(t, func(t *testing.T, s Settings) {
		c := chain(t, s, 1<<pose.Count-1, 0.2)
		for n := range 2000 {
			m := level()
			sin, cos := math.Sincos(float64(n) * 0.01) // any heading
			m.Attitude = quat.Number{Real: cos, Kmag: sin}
			m.Restarted = n%700 == 3
			if n == 1000 {
				c.SetIntensity(1)
			}
			for a, v := range c.Step(&m) {
				if math.Float64bits(v) != 0 {
					t.Fatalf("tick %d: %v is %g", n, pose.Axis(a), v)
				}
			}
		}
	})
}

// TestComesHome: three minutes after a manoeuvre the seat is not nearly level but level.
func TestComesHome(t *testing.T) {
	c := chain(t, Preset("aeroplane"), 1<<pose.Count-1, 0.2)
	var p pose.Pose
	for n := range 110000 {
		m := level()
		if n < 1000 {
			m.AngularVelocity, m.SpecificForce = r3.Vec{X: 0.5, Y: -0.4, Z: 0.3}, r3.Vec{X: 1, Y: 2, Z: -20}
		}
		p = c.Step(&m)
	}
	if p != (pose.Pose{}) {
		t.Errorf("at the end: %v", p)
	}
}

// ride is a drawn motion that changes smoothly, with every signal on the move.
func ride(t *rapid.T) func(n int) estimate.Motion {
	var size, pace [9]float64
	for i := range size {
		size[i] = rapid.Float64Range(-1, 1).Draw(t, "size")
		pace[i] = rapid.Float64Range(0.1, 6).Draw(t, "pace")
	}
	return func(n int) estimate.Motion {
		at := func(i int) float64 { return size[i] * math.Sin(pace[i]*dt*float64(n)) }
		m := level()
		m.AngularVelocity = r3.Vec{X: 2 * at(0), Y: 2 * at(1), Z: 2 * at(2)}
		m.SpecificForce = r3.Add(m.SpecificForce, r3.Vec{X: 5 * at(3), Y: 5 * at(4), Z: 9 * at(5)})
		q := quat.Number{Real: 1, Imag: at(6), Jmag: at(7), Kmag: at(8)}
		m.Attitude = quat.Scale(1/quat.Abs(q), q)
		return m
	}
}

func drawn(t *rapid.T, of ...Mode) Settings {
	s := Preset(rapid.SampledFrom(Classes()).Draw(t, "class"))
	s.Mode = rapid.SampledFrom(of).Draw(t, "mode")
	s.Intensity = rapid.Float64Range(0, 1).Draw(t, "intensity")
	return s
}

// TestMirror: the other way round gives the negative, bit for bit.
func TestMirror(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, f := drawn(t, Washout, Follow), ride(t)
		a, _ := New(s, twoAxes, room(all(0.2)), dt)
		b, _ := New(s, twoAxes, room(all(0.2)), dt)
		for n := range 500 {
			m := f(n)
			p := a.Step(&m)
			m.AngularVelocity = r3.Scale(-1, m.AngularVelocity)
			m.SpecificForce.X, m.SpecificForce.Y = -m.SpecificForce.X, -m.SpecificForce.Y
			m.Attitude.Imag, m.Attitude.Jmag = -m.Attitude.Imag, -m.Attitude.Jmag
			q := b.Step(&m)
			for x := range p {
				if p[x] != -q[x] {
					t.Fatalf("tick %d: %v mirrored is %v", n, p, q)
				}
			}
		}
	})
}

// TestRollIsAsPitch: roll from (p, -f_y) gives the same numbers as pitch from (q, f_x).
func TestRollIsAsPitch(t *testing.T) {
	s := plain()
	a, b := chain(t, s, twoAxes, 0.2), chain(t, s, twoAxes, 0.2)
	for n := range 3000 {
		x, y := math.Sin(0.004*float64(n)), 3*math.Cos(0.007*float64(n))
		m, k := level(), level()
		m.AngularVelocity.Y, m.SpecificForce.X = x, y
		k.AngularVelocity.X, k.SpecificForce.Y = x, -y
		if p, q := a.Step(&m), b.Step(&k); p[pose.Pitch] != q[pose.Roll] || q[pose.Pitch] != 0 || p[pose.Roll] != 0 {
			t.Fatalf("tick %d: %v and %v", n, p, q)
		}
	}
}

// TestProportion: the intensity and the travel scale every cue alike.
func TestProportion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, f := drawn(t, Washout, Follow), ride(t)
		s.Intensity = 1
		full, _ := New(s, 1<<pose.Count-1, room(all(9)), dt)
		share := rapid.Float64Range(0, 1).Draw(t, "share")
		s.Intensity = share
		part, _ := New(s, 1<<pose.Count-1, room(all(9)), dt)
		for n := range 300 {
			m := f(n)
			p, q := full.Step(&m), part.Step(&m)
			for a := range p {
				// Compression undone: x = y / (1-(y/travel)⁴)^¼.
				undo := func(y float64) float64 { return y / math.Pow(1-math.Pow(y/9, 4), 0.25) }
				if x, y := undo(p[a]), undo(q[a]); math.Abs(share*x-y) > 1e-9*(1+math.Abs(x)) {
					t.Fatalf("tick %d, %v: %g at %g, %g at full", n, pose.Axis(a), y, share, x)
				}
			}
		}
	})
}

// still fails where the output moves at more than most (rad/s or m/s) or its speed changes by more than change.
type still struct {
	most, change float64
	last, speed  pose.Pose
	begun        int
}

func (s *still) see(t interface{ Fatalf(string, ...any) }, n int, p pose.Pose) {
	for a := range p {
		v := (p[a] - s.last[a]) / dt
		if s.begun > 0 && math.Abs(v) > s.most {
			t.Fatalf("tick %d: %v moves at %g from %g to %g", n, pose.Axis(a), v, s.last[a], p[a])
		}
		if s.begun > 1 && math.Abs(v-s.speed[a]) > s.change {
			t.Fatalf("tick %d: the speed of %v jumps from %g to %g", n, pose.Axis(a), s.speed[a], v)
		}
		s.speed[a] = v
	}
	s.last = p
	s.begun++
}

func TestIntensityGlides(t *testing.T) {
	s := plain()
	s.Intensity = 0.2
	c := chain(t, s, twoAxes, 10)
	m := level()
	m.SpecificForce.X, m.SpecificForce.Y = 2, 2
	var p pose.Pose
	for range 5000 {
		p = c.Step(&m)
	}
	was := p[pose.Pitch]
	c.SetIntensity(math.NaN())
	c.SetIntensity(7)
	if c.Intensity() != 1 {
		t.Errorf("7 became %g", c.Intensity())
	}
	jump := still{most: 0.5, change: 0.01}
	for n := range 5000 {
		p = c.Step(&m)
		jump.see(t, n, p)
		if n == int(1/dt) {
			if share := (p[pose.Pitch] - was) / (4 * was); share < 0.95 || share > 1 {
				t.Errorf("after 1 s %.3f of the way", share)
			}
		}
		if n == int(0.1/dt) {
			c.SetIntensity(0) // changes its mind
		}
		if n == int(0.2/dt) {
			c.SetIntensity(1)
		}
	}
	if math.Abs(p[pose.Pitch]/was-5) > 1e-6 {
		t.Errorf("intensity 0.2 leaned %g, 1 leans %g", was, p[pose.Pitch])
	}
}

func TestLowRateHalvesOnsets(t *testing.T) {
	w := recorded(t)
	s := plain()
	s.LowRate = true
	drive := func(t float64, m *estimate.Motion) { m.AngularVelocity.Y = 10 * deg }
	got := run(chain(t, s, twoAxes, 10), pose.Pitch, w.Times, drive)
	for i := range got {
		got[i] *= 2
	}
	if d := cmp.Diff(w.RateStep, got, cmpopts.EquateApprox(0, 0.01)); d != "" {
		t.Errorf("twice the output (-want +got):\n%s", d)
	}
	c := chain(t, plain(), twoAxes, 10)
	jump := still{most: 1, change: 0.1}
	for n := range 1000 {
		m := level()
		m.AngularVelocity.Y = 10 * deg
		c.SetLowRate(n/100%2 == 1)
		jump.see(t, n, c.Step(&m))
	}
}

func without(m *estimate.Motion, signals vehicle.Set) {
	m.Present &^= signals
	if signals.Has(vehicle.AngularVelocityP) {
		m.AngularVelocity = r3.Vec{}
	}
	if signals.Has(vehicle.SpecificForceX) {
		m.SpecificForce = r3.Vec{}
	}
	if signals.Has(vehicle.AttitudeW) {
		m.Attitude = quat.Number{Real: 1}
	}
}

var groups = map[string]vehicle.Set{
	"rate":     vehicle.Set(0).With(vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR),
	"force":    vehicle.Set(0).With(vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ),
	"attitude": vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ),
}

func TestAbsentFades(t *testing.T) {
	moving := level()
	moving.AngularVelocity = r3.Vec{X: 0.5, Y: 0.5, Z: 0.5}
	moving.SpecificForce = r3.Vec{X: 2, Y: -2, Z: -12}
	moving.Attitude = quat.Number{Real: math.Cos(0.4), Imag: math.Sin(0.4) * 0.6, Jmag: math.Sin(0.4) * 0.8}
	s := Preset("helicopter")
	var gone vehicle.Set
	for name, g := range groups {
		gone |= g
		t.Run(name, func(t *testing.T) {
			// Without the signal from the start: as a chain whose vehicle stands level in that respect.
			never, quiet := chain(t, s, 1<<pose.Count-1, 0.2), chain(t, s, 1<<pose.Count-1, 0.2)
			lost := chain(t, s, 1<<pose.Count-1, 0.2)
			jump := still{most: 2, change: 0.12}
			for n := range 25000 {
				m, k := moving, moving
				without(&m, g)
				without(&k, g)
				k.Present = moving.Present
				if g.Has(vehicle.SpecificForceX) {
					k.SpecificForce.Z = -estimate.Gravity
				}
				m.Restarted, k.Restarted = n == 0, n == 0
				p, q := never.Step(&m), quiet.Step(&k)
				if p != q {
					t.Fatalf("tick %d: %v without the signal, %v with none of it", n, p, q)
				}
				// On for 1 s, off for 5 s, on again and off once more.
				m = moving
				if n > 500 && n < 3000 || n > 3500 {
					without(&m, g)
				}
				r := lost.Step(&m)
				jump.see(t, n, r)
				if n == 24999 {
					if d := cmp.Diff(q, r, cmpopts.EquateApprox(0, 1e-6)); d != "" {
						t.Errorf("at the end, with none (-) and lost (+):\n%s", d)
					}
				}
			}
		})
	}
	c := chain(t, s, 1<<pose.Count-1, 0.2)
	for n := range 10000 {
		m := moving
		if n > 1000 {
			without(&m, gone)
		}
		if p := c.Step(&m); n > 9000 && p != (pose.Pose{}) {
			t.Fatalf("tick %d: nothing is known, and the seat is asked for %v", n, p)
		}
	}
}

func TestRestartGlides(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, f, g := drawn(t, Washout, Follow), ride(t), ride(t)
		s.TiltX.Rate, s.TiltY.Rate = 10, 10 // a rate limit starts and stops at once, which is no jump of the restart's
		c, _ := New(s, 1<<pose.Count-1, room(all(0.2)), dt)
		anew, _ := New(s, 1<<pose.Count-1, room(all(0.2)), dt)
		jump := still{most: 4, change: 0.15} // m and rad/s a tick: what the ride itself may do
		at := rapid.IntRange(0, 600).Draw(t, "at")
		for n := range at + 800 {
			m := f(n)
			if n >= at {
				m = g(n + 777)
				m.Restarted = n == at
			}
			p := c.Step(&m)
			jump.see(t, n, p)
			if n >= at {
				if q := anew.Step(&m); n > at+360 && p != q {
					t.Fatalf("%d ticks after the restart: %v, a new chain gives %v", n-at, p, q)
				}
			}
		}
	})
}

func TestRestartAtEveryTick(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, f := drawn(t, Washout, Follow), ride(t)
		s.TiltX.Rate, s.TiltY.Rate = 10, 10
		every := rapid.IntRange(1, 30).Draw(t, "every")
		c, _ := New(s, 1<<pose.Count-1, room(all(0.2)), dt)
		jump := still{most: 4, change: 0.15}
		for n := range 1500 {
			m := f(n)
			m.Restarted = n > 500 && n%every == 0
			p := c.Step(&m)
			jump.see(t, n, p)
			for a := range c.last {
				if math.Abs(c.last[a]) > 2 {
					t.Fatalf("tick %d: %v runs away: %g", n, pose.Axis(a), c.last[a])
				}
			}
		}
	})
}

// FuzzStepStaysInTravel: whatever comes, the pose is finite, within the travel, and zero on axes that are not there.
func FuzzStepStaysInTravel(f *testing.F) {
	f.Add(uint8(63), 1.0, 2.0, 3.0, -4.0, 5.0, 0.5, true)
	f.Add(uint8(24), math.NaN(), math.Inf(1), math.Inf(-1), 1e308, -1e308, math.NaN(), false)
	f.Fuzz(func(t *testing.T, axes uint8, a, b, c, d, e, q float64, restart bool) {
		if axes %= 64; axes == 0 {
			return
		}
		for mode := range modes {
			s := Preset("ground")
			s.Mode, s.Intensity = mode, 1
			k, err := New(s, pose.Axes(axes), room(all(0.2)), dt)
			if err != nil {
				t.Fatal(err)
			}
			for n := range 400 {
				m := level()
				if n%200 > 50 {
					m.AngularVelocity, m.SpecificForce = r3.Vec{X: a, Y: b, Z: c}, r3.Vec{X: c, Y: d, Z: e}
					m.Attitude = quat.Number{Real: q, Imag: a, Jmag: b, Kmag: c}
				}
				m.Restarted = restart && n%90 == 80
				for x, v := range k.Step(&m) {
					if !(math.Abs(v) <= 0.2) || v != 0 && !pose.Axes(axes).Has(pose.Axis(x)) {
						t.Fatalf("tick %d: %v is %g", n, pose.Axis(x), v)
					}
				}
			}
		}
	})
}

// TestSingleCuesStayWithin12deg: each cue alone, uncompressed, at full intensity. A pulse of rate of length T peaks at
// gain·rate·t·exp(-corner·t), t = min(T, 1/corner); a lasting force leans by asin(gain·clip/g).
func TestSingleCuesStayWithin12deg(t *testing.T) {
	for class, pulse := range map[string][4]float64{ // roll deg/s, s; pitch deg/s, s
		"aeroplane": {60, 1, 20, 1}, "glider": {25, 1, 10, 1}, "helicopter": {40, 0.8, 30, 0.8}, "multirotor": {40, 0.8, 30, 0.8},
		"ground": {10, 0.5, 10, 0.5},
	} {
		s := Preset(class)
		for i, o := range []Onset{s.Roll, s.Pitch} {
			at := min(pulse[2*i+1], 1/o.Corner)
			if peak := o.Gain * pulse[2*i] * at * math.Exp(-o.Corner*at); peak > 12 {
				t.Errorf("%s: onset %d peaks at %.2f deg", class, i, peak)
			}
		}
		for i, l := range []Tilt{s.TiltX, s.TiltY} {
			if lean := math.Asin(l.Gain*l.Clip/estimate.Gravity) / deg; lean > 12 {
				t.Errorf("%s: tilt %d leans %.2f deg", class, i, lean)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	everyPreset(t, func(t *testing.T, s Settings) {
		if _, err := New(s, 1<<pose.Count-1, room(all(0.2)), dt); err != nil {
			t.Error(err)
		}
	})
	for _, c := range []struct {
		name   string
		axes   pose.Axes
		travel pose.Pose
		dt     float64
		change func(*Settings)
		says   []string
	}{
		{"no axes", 0, all(0.2), dt, func(*Settings) {}, []string{"name no axis"}},
		{"no travel", twoAxes, pose.Pose{pose.Roll: math.NaN()}, dt, func(*Settings) {}, []string{"roll travel is NaN", "pitch travel is 0"}},
		{"time step", twoAxes, all(0.2), 500, func(*Settings) {}, []string{"the time step is 500"}},
		{"several", twoAxes, all(0.2), dt, func(s *Settings) {
			s.Mode, s.Intensity, s.Roll.Gain, s.Pitch.Corner, s.TiltX.Gain, s.TiltY.Rate, s.Follow.Pitch = 9, 60, -1, 0, 9, math.Inf(1), 12
		}, []string{"Mode is 9", "Intensity is 60", "Roll.Gain is -1", "Pitch.Corner is 0", "TiltX.Gain 9 times", "TiltY.Rate is +Inf", "Follow.Pitch is 12"}},
		{"heave", pose.Of(pose.Heave), all(0.2), dt, func(s *Settings) { s.Heave.Clip, s.Heave.Home = 0, math.NaN() },
			[]string{"Heave.Clip is 0", "Heave.Home is NaN"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := Preset("aeroplane")
			c.change(&s)
			_, err := New(s, c.axes, room(c.travel), c.dt)
			if err == nil {
				t.Fatal("accepted")
			}
			for _, say := range c.says {
				if !strings.Contains(err.Error(), say) {
					t.Errorf("does not say %q:\n%v", say, err)
				}
			}
		})
	}
}

func TestNoAllocations(t *testing.T) {
	for mode := range modes {
		s := Preset("aeroplane")
		s.Mode = mode
		c := chain(t, s, 1<<pose.Count-1, 0.2)
		m := level()
		m.AngularVelocity.X = 1
		if n := testing.AllocsPerRun(100, func() {
			m.Restarted = !m.Restarted
			c.SetIntensity(0.3)
			c.Step(&m)
		}); n != 0 {
			t.Errorf("%v: %g allocations", mode, n)
		}
	}
}

func BenchmarkStepTwoAxes(b *testing.B) { benchmark(b, Preset("aeroplane"), twoAxes) }
func BenchmarkStepSixAxes(b *testing.B) { benchmark(b, Preset("aeroplane"), 1<<pose.Count-1) }

func BenchmarkStepPredictive(b *testing.B) {
	s := Preset("aeroplane")
	s.Mode = Predictive
	benchmark(b, s, twoAxes)
}

func benchmark(b *testing.B, s Settings, axes pose.Axes) {
	c := chain(b, s, axes, 0.2)
	m := level()
	m.AngularVelocity, m.SpecificForce = r3.Vec{X: 0.1, Y: 0.2, Z: 0.3}, r3.Vec{X: 1, Y: 0.5, Z: -11}
	m.Attitude = quat.Number{Real: 0.8, Imag: 0.6}
	b.ReportAllocs()
	for b.Loop() {
		c.Step(&m)
	}
}
