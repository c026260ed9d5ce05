package cueing

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"perch/host/pose"
)

func TestCoefficients(t *testing.T) {
	for _, c := range recorded(t).Coefficients {
		var f filter
		switch c.Filter {
		case "highPass1":
			f = highPass1(c.Corner, c.Step)
		case "highPass2":
			f = highPass2(c.Corner, c.Damping, c.Step)
		case "lowPass2":
			f = lowPass2(c.Corner, c.Damping, c.Step)
		case "band":
			f = band(c.Corner, c.Step)
		default:
			t.Fatalf("no filter %q", c.Filter)
		}
		want := append(c.B[:], c.A[:]...)
		got := []float64{f.b0, f.b1, f.b2, 1, f.a1, f.a2}
		if d := cmp.Diff(want, got, cmpopts.EquateApprox(0, 1e-9)); d != "" {
			t.Errorf("%s, corner %g, step %g (-want +got):\n%s", c.Filter, c.Corner, c.Step, d)
		}
	}
}

func TestSettleIsWhereAConstantLeads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := rapid.Float64Range(0.2, 20).Draw(t, "corner")
		u := rapid.Float64Range(-10, 10).Draw(t, "input")
		for name, f := range map[string]filter{
			"highPass1": highPass1(w, dt), "highPass2": highPass2(w, 1, dt), "lowPass2": lowPass2(w, 1, dt), "band": band(w, dt),
		} {
			want := 0.0
			if name == "lowPass2" {
				want = u
			}
			f.settle(u)
			for range 100 {
				if y := f.step(u); math.Abs(y-want) > 1e-7 {
					t.Fatalf("%s at %g: %g, want %g", name, u, y, want)
				}
			}
		}
	})
}

func TestCompress(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		travel := rapid.Float64Range(0.01, 1).Draw(t, "travel")
		x := rapid.Float64Range(-10, 10).Draw(t, "x")
		h := rapid.Float64Range(0, 0.1).Draw(t, "further")
		y, z := compress(x, travel), compress(x+h, travel)
		if compress(-x, travel) != -y {
			t.Fatal("not odd")
		}
		if !(math.Abs(y) <= travel) || math.Abs(y) > math.Abs(x) {
			t.Fatalf("%g becomes %g with %g of travel", x, y, travel)
		}
		if z < y-1e-12 || z-y > h+1e-12 {
			t.Fatalf("from %g to %g at %g further", y, z, h)
		}
	})
	for _, huge := range []float64{1e6, -1e6} {
		if y := compress(huge, 0.2); !(math.Abs(y) <= 0.2) {
			t.Errorf("%g becomes %g", huge, y)
		}
	}
	if y := compress(6, 12); math.Abs(y/6-math.Pow(1+1.0/16, -0.25)) > 1e-15 { // the definition
		t.Errorf("half the travel becomes %g of itself", y/6)
	}
}

func TestClip(t *testing.T) {
	for in, want := range map[float64]float64{0: 0, 1.5: 1.5, 3: 2, -3: -2, math.Inf(1): 2, math.Inf(-1): -2, math.NaN(): 0} {
		if got := clip(in, 2); got != want {
			t.Errorf("%g becomes %g, want %g", in, got, want)
		}
	}
}

// TestBlend: place and speed go on at the break, and both are the target's at the end.
func TestBlend(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBlend(0.7, dt)
		was := rapid.Float64Range(-1, 1).Draw(t, "was")
		change := rapid.Float64Range(-1, 1).Draw(t, "speed") * dt
		target := pose.Pose{rapid.Float64Range(-1, 1).Draw(t, "target")}
		b.start(pose.Pose{was}, pose.Pose{change})
		last, speed := was, change/dt
		for range 351 {
			y := b.apply(target)[0]
			if v := (y - last) / dt; math.Abs(v-speed) > 0.15 {
				t.Fatalf("speed jumps from %g to %g", speed, v)
			} else {
				last, speed = y, v
			}
		}
		if last != target[0] {
			t.Fatalf("ends at %g, not %g", last, target[0])
		}
	})
}
