package commissioning

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"perch/host/guard"
	"perch/host/pose"
)

const deg = math.Pi / 180

// TestReducedSpeed: ω = v/h with v = 250 mm/s (ISO 10218-1).
func TestReducedSpeed(t *testing.T) {
	for _, c := range []struct {
		name string
		r    Reduced
		want float64 // deg/s
	}{
		{"default head height", Reduced{}, 17.9049}, // 0.25/0.80 rad/s
		{"tall rider", Reduced{HeadHeight: 1}, 14.3239},
		{"set lower", Reduced{Lower: 10 * deg}, 10},
		{"set higher", Reduced{Lower: 90 * deg}, 17.9049},
		{"not a number", Reduced{HeadHeight: math.NaN(), Lower: math.NaN()}, 17.9049},
	} {
		if got := c.r.AngularSpeed() / deg; math.Abs(got-c.want) > 1e-3 {
			t.Errorf("%s: %.4f deg/s, want %.4f", c.name, got, c.want)
		}
	}
	if got := (Reduced{HeadHeight: 0.5, Lower: 14.32394487827 * deg}).LinearSpeed(); math.Abs(got-0.125) > 1e-9 {
		t.Errorf("linear %g m/s, want half of 0.25 since half of the angular speed was asked for", got)
	}
}

// TestReducedHead: whatever moves together, the head, straight above the joint of a level seat, keeps to the speed.
func TestReducedHead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var l guard.Limits
		for a := range pose.Count {
			l.Speed[a] = rapid.Float64Range(0.01, 3).Draw(t, "speed")
			l.Acceleration[a], l.Jerk[a] = 10, 100
		}
		together := pose.Axes(rapid.IntRange(1, 63).Draw(t, "together"))
		r := Reduced{HeadHeight: rapid.Float64Range(0.3, 2).Draw(t, "height")}
		got := r.Limits(l, together)
		v := got.Speed.Only(together)
		// velocity + angular velocity × (0, 0, -h); out sideways as far as h, yaw adds along x
		h := r.HeadHeight
		x, y, z := v[pose.Surge]+v[pose.Pitch]*h, v[pose.Sway]+v[pose.Roll]*h, v[pose.Heave]
		if speed := math.Hypot(math.Hypot(x, y), z); speed > ReducedHeadSpeed*(1+1e-12) {
			t.Fatalf("the head moves at %g m/s", speed)
		}
		for a := range pose.Count {
			if got.Speed[a] > l.Speed[a] || got.Acceleration[a] > l.Acceleration[a] || got.Jerk[a] > l.Jerk[a] {
				t.Fatalf("%v: a limit rose", a)
			}
			if !together.Has(a) && got.Speed[a] != l.Speed[a] {
				t.Fatalf("%v does not move and changed", a)
			}
		}
	})
	var l guard.Limits
	for a := range pose.Count {
		l.Speed[a], l.Acceleration[a], l.Jerk[a] = 9, 9, 900
	}
	one := Reduced{}.Limits(l, pose.Of(pose.Pitch))
	if got := one.Speed[pose.Pitch] / deg; math.Abs(got-17.9049) > 1e-3 {
		t.Errorf("pitch alone: %g deg/s", got)
	}
}
