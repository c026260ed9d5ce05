package source

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"perch/host/pose"
)

func at(pitch float64) pose.Pose {
	var p pose.Pose
	p[pose.Pitch] = pitch
	return p
}

// The quintic from level: 10τ³ - 15τ⁴ + 6τ⁵ at a tenth, a quarter, a half: 0.00856, 0.103515625, 0.5 (arithmetic).
func TestBlendQuintic(t *testing.T) {
	b := NewBlend(0.01, 1)
	for i := 1; i <= 100; i++ {
		got := b.Step(at(1), false)[pose.Pitch]
		want := map[int]float64{10: 0.00856, 25: 0.103515625, 50: 0.5, 75: 1 - 0.103515625, 90: 1 - 0.00856, 100: 1}
		if w, ok := want[i]; ok && math.Abs(got-w) > 1e-9 {
			t.Errorf("τ = %v: %v, want %v", float64(i)/100, got, w)
		}
	}
	if b.Fading() {
		t.Error("still fading after its time")
	}
	p := pose.Pose{0.1, 1 / 3.0, -0.7, 1e-300, 0.2, -0.3}
	if got := b.Step(p, false); got != p {
		t.Errorf("outside a fade: %v, want the target", cmp.Diff(p, got))
	}
}

// Peak slope 1.875/t_f and peak curvature 5.774/t_f² of the quintic (its derivatives at τ = 1/2 and (3-√3)/6).
func TestBlendSlopes(t *testing.T) {
	const dt, fade = 0.002, 1.5
	b := NewBlend(dt, fade)
	var p, v, peakV, peakA float64
	for range 1000 {
		x := b.Step(at(1), false)[pose.Pitch]
		nv := (x - p) / dt
		peakV, peakA = max(peakV, math.Abs(nv)), max(peakA, math.Abs(nv-v)/dt)
		p, v = x, nv
	}
	if peakV > 1.875/fade*1.0001 || peakA > 5.7736/(fade*fade)*1.001 {
		t.Errorf("slope %v, curvature %v", peakV, peakA)
	}
}

func TestBlendDeadAndBack(t *testing.T) {
	b := NewBlend(0.002, 0.5)
	for range 300 {
		b.Step(at(0.2), false)
	}
	var x pose.Pose
	for range 300 {
		x = b.Step(at(math.NaN()), false) // not finite is dead
	}
	if x != (pose.Pose{}) || b.Fading() {
		t.Errorf("dead: %v", x)
	}
	x = b.Step(at(0.2), true)
	if x != (pose.Pose{}) {
		t.Errorf("dead and level does not stay: %v", x)
	}
	x = b.Step(at(0.2), false)
	if x[pose.Pitch] > 1e-6 || !b.Fading() {
		t.Errorf("back at once: %v", x)
	}
}

// Whatever is switched when, on moving targets, the output has no step in position or speed.
func TestBlendIsSmooth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const dt = 0.002
		b := NewBlend(dt, 1)
		w := rapid.SliceOfN(rapid.Float64Range(0.2, 4), 2, 2).Draw(t, "rad/s")
		pull := func(i int, n int) pose.Pose { return at(0.2 * math.Sin(w[i]*float64(n)*dt+float64(i))) }
		now, leaving, dead := 0, -1, false
		var p, v float64
		for n := range 3000 {
			if n%50 == 0 {
				switch rapid.IntRange(0, 11).Draw(t, "do") {
				case 0:
					dead = !dead
					leaving = -1
				case 1:
					leaving, now = now, 1-now
					b.Switch()
				case 2:
					leaving, now = -1, 1-now
					b.Switch()
				case 3:
					leaving = -1
				}
			}
			var x float64
			if leaving >= 0 && !dead {
				x = b.StepFrom(pull(leaving, n), pull(now, n), dead)[pose.Pitch]
			} else {
				x = b.Step(pull(now, n), dead)[pose.Pitch]
			}
			if !(math.Abs(x) < 1.5) {
				t.Fatalf("tick %d: %v", n, x)
			}
			nv := (x - p) / dt
			// Curvature of the sources 3.2 rad/s², of the fade 5.774 of at most 1.5 rad, of coasting 2·speed/0.3 s; a
			// source that is left unfollowed in a fade steps in speed by at most its own 0.8 rad/s.
			if math.Abs(nv-v) > 0.9 {
				t.Fatalf("tick %d: speed from %v to %v", n, v, nv)
			}
			p, v = x, nv
		}
	})
}

// A revival fades in from level, whatever pose is said to be left.
func TestBlendRevivalFollowsNothing(t *testing.T) {
	b := NewBlend(0.002, 1)
	if x := b.StepFrom(at(0.3), at(0.2), false); x[pose.Pitch] > 1e-6 {
		t.Errorf("first output %v, want near level", x)
	}
}

func settleAll(s *Selector, poses []pose.Pose, live []bool, n int) (last Selection, step float64) {
	prev := s.Step(poses, live)
	for range n {
		last = s.Step(poses, live)
		for a := range last.Pose {
			step = max(step, math.Abs(last.Pose[a]-prev.Pose[a]))
		}
		prev = last
	}
	return last, step
}

func TestSelector(t *testing.T) {
	const dt, fade = 0.002, 1.0
	poses := []pose.Pose{at(0.1), at(-0.1), at(0.05)}
	s := NewSelector(3, dt, fade)
	want := func(name string, got Selection, source int, live bool, pitch float64) {
		t.Helper()
		if got.Source != source || got.Live != live || got.Pose != at(pitch) {
			t.Errorf("%s: source %d live %v pose %v, want %d %v %v", name, got.Source, got.Live, got.Pose, source, live, pitch)
		}
	}
	if err := s.Choose(3); err == nil {
		t.Error("a source that is not there was chosen")
	}
	all := []bool{true, true, true}
	got, _ := settleAll(s, poses, all, 600)
	want("none chosen", got, None, false, 0)

	_ = s.Choose(0)
	got, step := settleAll(s, poses, all, 600)
	want("first", got, 0, true, 0.1)

	_ = s.Choose(1)
	got, step2 := settleAll(s, poses, all, 600)
	want("live to live", got, 1, true, -0.1)
	if limit := 0.2 * 1.875 / fade * dt * 1.001; step > limit || step2 > limit {
		t.Errorf("steps of %v, %v, want at most %v", step, step2, limit)
	}

	got, _ = settleAll(s, poses, []bool{true, false, true}, 600)
	want("the chosen one is gone", got, 1, false, 0)
	got, _ = settleAll(s, poses, []bool{true, false, true}, 5000)
	want("and no other takes over", got, 1, false, 0)

	got, _ = settleAll(s, poses, all, 600)
	want("it is back", got, 1, true, -0.1)

	_ = s.Choose(2)
	dead := []bool{true, true, false}
	got, _ = settleAll(s, poses, dead, 600)
	want("to a dead one", got, 2, false, 0)
	got, _ = settleAll(s, poses, all, 600)
	want("it lives", got, 2, true, 0.05)

	_ = s.Choose(0)
	got, _ = settleAll(s, poses, []bool{true, true, false}, 100)
	if !(got.Pose[pose.Pitch] > 0 && got.Pose[pose.Pitch] < 0.05) || got.Live {
		t.Errorf("from a dead one: %+v, want it settling first", got)
	}
	got, _ = settleAll(s, poses, []bool{true, true, false}, 1100)
	want("from a dead one", got, 0, true, 0.1)

	s.Jumped(0)
	poses[0] = at(-0.2)
	if got = s.Step(poses, all); math.Abs(got.Pose[pose.Pitch]-0.1) > 1e-3 {
		t.Errorf("a jump shows: %v", got.Pose)
	}
	_ = s.Choose(None)
	got, _ = settleAll(s, poses, all, 600)
	want("none again", got, None, false, 0)
}

// Whatever lives and dies and is chosen, the source shown was chosen once, and the pose never steps.
func TestSelectorProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := NewSelector(3, 0.002, 0.6)
		live := []bool{false, true, false}
		poses := []pose.Pose{at(0.1), at(-0.1), at(0.05)}
		chosen := map[int]bool{None: true}
		var last float64
		for n := range 2000 {
			if n%20 == 0 {
				switch k := rapid.IntRange(0, 40).Draw(t, "do"); {
				case k < 3:
					live[k] = !live[k]
				case k < 7:
					_ = s.Choose(k - 4)
					chosen[k-4] = true
				}
			}
			got := s.Step(poses, live)
			if !chosen[got.Source] {
				t.Fatalf("source %d was never chosen", got.Source)
			}
			if got.Live && !live[got.Source] {
				t.Fatalf("source %d is shown as live", got.Source)
			}
			if d := math.Abs(got.Pose[pose.Pitch] - last); d > 0.003 {
				t.Fatalf("step of %v", d)
			}
			last = got.Pose[pose.Pitch]
		}
	})
}

func TestSelectorAllocatesNothing(t *testing.T) {
	s := NewSelector(2, 0.002, 1)
	poses, live := []pose.Pose{at(0.1), at(-0.1)}, []bool{true, true}
	i := 0
	if n := testing.AllocsPerRun(500, func() {
		i++
		_ = s.Choose(i / 50 % 2)
		s.Step(poses, live)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkSelector(b *testing.B) {
	s := NewSelector(2, 0.002, 1)
	poses, live := []pose.Pose{at(0.1), at(-0.1)}, []bool{true, true}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		_ = s.Choose(i / 500 % 2)
		s.Step(poses, live)
	}
}
