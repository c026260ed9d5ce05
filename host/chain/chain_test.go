package chain_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/host/chain"
	"perch/host/config"
	"perch/host/cueing"
	"perch/host/estimate"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/sdk/vehicle"
)

const rate = 500

func settings(t testing.TB, sources int) chain.Settings {
	t.Helper()
	m, err := mechanism.NewTwoCrank(mechanism.DefaultTwoCrank())
	if err != nil {
		t.Fatal(err)
	}
	s := chain.Settings{Rate: rate, Mechanism: m, Limits: config.DefaultSeat().Limits, Estimate: estimate.Settings{Delay: -1}}
	for range sources {
		c := cueing.Preset("aeroplane")
		c.Mode, c.Intensity = cueing.Follow, 1
		s.Cueing = append(s.Cueing, c)
	}
	return s
}

// seat is a controller that does at once what it is told.
type seat struct{ guard.Controller }

func (s *seat) obey(out *guard.Output) {
	switch out.Command {
	case guard.CommandHome:
		s.Homed, s.Ready = true, true
	case guard.CommandArm:
		s.Armed = true
	case guard.CommandDisarm, guard.CommandStop:
		s.Armed = false
	}
	if out.Setpoint {
		s.Position = out.Actuators
	}
}

// ride steps a chain for some seconds; sources give 100 states a second, rolled by the angle that roll gives them.
func ride(c *chain.Chain, s *seat, seconds float64, row *chain.Row, roll func(source int, t float64) (angle float64, alive bool), each func()) {
	first := c.Tick()
	for c.Tick() < first+uint64(seconds*rate) {
		tick := c.Tick()
		t := float64(tick) / rate
		if tick%5 == 0 {
			for i := range 2 {
				angle, alive := roll(i, t)
				if !alive {
					continue
				}
				state := vehicle.State{SourceTime: int64(t * 1e9), ObservedAt: int64(t * 1e9)}
				state.PutAttitude(quat.Number{Real: math.Cos(angle / 2), Imag: math.Sin(angle / 2)})
				state.PutVec(vehicle.AngularVelocityP, r3.Vec{})
				c.See(i, &state)
			}
		}
		in := chain.Input{Controller: s.Controller}
		switch {
		case row.Guarded.State == guard.Off && !s.Homed:
			in.Ask = guard.AskHome
		case row.Guarded.State == guard.Parked && row.Liveness.Live() && !s.Armed:
			in.Ask = guard.AskArm
		}
		c.Step(&in, row)
		s.obey(&row.Guarded)
		if each != nil {
			each()
		}
	}
}

func TestSameStatesGiveTheSameFrames(t *testing.T) {
	run := func() (out []mechanism.Positions) {
		c, err := chain.New(settings(t, 2))
		if err != nil {
			t.Fatal(err)
		}
		s, row := &seat{guard.Controller{Present: true, Commissioned: true, Supply: true, BootID: 1}}, new(chain.Row)
		ride(c, s, 10, row, func(source int, t float64) (float64, bool) {
			return 0.5 * math.Sin(t*float64(1+source)), true
		}, func() {
			if c.Tick() == 3000 {
				if err := c.Choose(1); err != nil {
					t.Fatal(err)
				}
			}
			out = append(out, row.Guarded.Actuators)
		})
		if row.Guarded.State != guard.Riding {
			t.Fatalf("after 10 s the seat is %v, want riding", row.Guarded.State)
		}
		return out
	}
	a, b := run(), run()
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("tick %d: %v and %v from the same states", i, a[i], b[i])
		}
	}
}

func TestASwapBetweenLiveSourcesMakesNoJump(t *testing.T) {
	c, err := chain.New(settings(t, 2))
	if err != nil {
		t.Fatal(err)
	}
	s, row := &seat{guard.Controller{Present: true, Commissioned: true, Supply: true, BootID: 1}}, new(chain.Row)
	steady := func(source int, _ float64) (float64, bool) { return []float64{0.5, -0.5}[source], true }
	ride(c, s, 8, row, steady, nil)
	before := row.Wanted[pose.Roll]
	if row.Guarded.State != guard.Riding || before < 0.02 {
		t.Fatalf("before the swap: %v at roll %.4f rad, want riding and rolled right", row.Guarded.State, before)
	}
	if err := c.Choose(1); err != nil {
		t.Fatal(err)
	}
	last, worst := row.Wanted, 0.0
	ride(c, s, 4, row, steady, func() {
		worst = max(worst, math.Abs(row.Wanted[pose.Roll]-last[pose.Roll]))
		last = row.Wanted
	})
	if after := row.Wanted[pose.Roll]; math.Abs(after+before) > 1e-3 {
		t.Errorf("after the swap roll %.4f rad, want %.4f", after, -before)
	}
	// The quintic fade's peak slope is 1.875 times the mean (by differentiation of 10x³-15x⁴+6x⁵ at ½).
	if limit := 1.01 * 1.875 * 2 * before / chain.Fade / rate; worst > limit {
		t.Errorf("largest step of wanted roll %.6f rad, want at most %.6f", worst, limit)
	}
}

func TestASilentSourceSettlesTheSeatAndNoOtherTakesItsPlace(t *testing.T) {
	c, err := chain.New(settings(t, 2))
	if err != nil {
		t.Fatal(err)
	}
	s, row := &seat{guard.Controller{Present: true, Commissioned: true, Supply: true, BootID: 1}}, new(chain.Row)
	ride(c, s, 8, row, func(int, float64) (float64, bool) { return 0.5, true }, nil)
	if row.Guarded.State != guard.Riding {
		t.Fatalf("the seat is %v, want riding", row.Guarded.State)
	}
	ride(c, s, 6, row, func(source int, _ float64) (float64, bool) { return 0.5, source == 1 }, nil)
	if row.Guarded.State != guard.Settling || row.Source != 0 {
		t.Errorf("6 s after its source fell silent the seat is %v on source %d, want settling on 0", row.Guarded.State, row.Source)
	}
	if roll := row.Guarded.Pose[pose.Roll]; math.Abs(roll) > 1e-4 {
		t.Errorf("settled at roll %.5f rad, want level", roll)
	}
}

func TestNothingMovesUnasked(t *testing.T) {
	c, err := chain.New(settings(t, 2))
	if err != nil {
		t.Fatal(err)
	}
	var row chain.Row
	var first mechanism.Positions
	in := chain.Input{Controller: guard.Controller{Present: true, Commissioned: true, Supply: true, Homed: true, Ready: true, BootID: 1}}
	for c.Tick() < 5*rate {
		var state vehicle.State
		state.SourceTime = int64(float64(c.Tick()) / rate * 1e9)
		state.PutAttitude(quat.Number{Real: math.Cos(0.3), Imag: math.Sin(0.3)})
		c.See(0, &state)
		c.Step(&in, &row)
		if row.Tick == 0 {
			first = row.Guarded.Actuators
		}
		if row.Guarded.Command != guard.CommandNone || row.Guarded.Actuators != first {
			t.Fatalf("tick %d: command %v at %v though nobody asked", row.Tick, row.Guarded.Command, row.Guarded.Actuators)
		}
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	step := stepper(t)
	if n := testing.AllocsPerRun(2000, step); n != 0 {
		t.Errorf("a tick allocates %v times", n)
	}
}

func BenchmarkStep(b *testing.B) {
	step := stepper(b)
	b.ReportAllocs()
	for b.Loop() {
		step()
	}
}

// stepper gives a function that makes one tick of a ride under way.
func stepper(t testing.TB) func() {
	c, err := chain.New(settings(t, 2))
	if err != nil {
		t.Fatal(err)
	}
	s, row := &seat{guard.Controller{Present: true, Commissioned: true, Supply: true, BootID: 1}}, new(chain.Row)
	roll := func(_ int, t float64) (float64, bool) { return 0.5 * math.Sin(t), true }
	ride(c, s, 5, row, roll, nil)
	return func() { ride(c, s, 1.0/rate, row, roll, nil) }
}
