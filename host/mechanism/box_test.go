package mechanism

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"perch/host/pose"
)

func cube(axes pose.Axes, travel float64) BoxSettings {
	s := BoxSettings{Axes: axes}
	for a := range s.Low {
		s.Low[a], s.High[a], s.Speed[a], s.Acceleration[a], s.Jerk[a] = -travel, travel, 1, 10, 100
	}
	return s
}

func TestBox(t *testing.T) {
	b, err := NewBox(cube(pose.Of(pose.Heave, pose.Roll), 0.2))
	if err != nil {
		t.Fatal(err)
	}
	if a := b.Actuators(); len(a) != 2 || a[0].Name != "heave" || a[0].Unit != "m" || a[1].Name != "roll" || a[1].Unit != "rad" {
		t.Errorf("actuators %+v", a)
	}
	q := Positions{7}
	if err := b.Inverse(pose.Pose{9, 9, 0.1, -0.2, 9, 9}, &q); err != nil || q != (Positions{0.1, -0.2}) {
		t.Errorf("%v, %v: the axes that it has not must not count", q, err)
	}
	for _, p := range []pose.Pose{{0, 0, 0.21}, {0, 0, 0, math.NaN()}, {0, 0, math.Inf(-1)}} {
		was := q
		if err := b.Inverse(p, &q); !errors.Is(err, ErrUnreachable) || q != was {
			t.Errorf("%v: %v, %v", p, err, q)
		}
	}
	if _, err := b.Forward(Positions{math.NaN()}, pose.Pose{}); !errors.Is(err, ErrUnreachable) {
		t.Errorf("not a number: %v", err)
	}
}

func TestBoxThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		axes := pose.Axes(rapid.IntRange(1, 63).Draw(t, "axes"))
		b, err := NewBox(cube(axes, 0.2))
		if err != nil {
			t.Fatal(err)
		}
		var p pose.Pose
		for a := range p {
			p[a] = rapid.Float64Range(-0.2, 0.2).Draw(t, "axis")
		}
		var q Positions
		if err := b.Inverse(p, &q); err != nil {
			t.Fatal(err)
		}
		back, err := b.Forward(q, pose.Pose{})
		if err != nil || back != p.Only(axes) {
			t.Fatalf("%v comes back as %v, %v", p, back, err)
		}
	})
}

func TestRefusedBox(t *testing.T) {
	for _, c := range []struct {
		name string
		s    BoxSettings
		says []string
	}{
		{"no axes", BoxSettings{}, []string{"names no axis"}},
		{"not an axis", BoxSettings{Axes: 1 << 7}, []string{"one that is none"}},
		{"empty", BoxSettings{Axes: pose.Of(pose.Yaw)}, []string{"yaw Low is 0 rad and yaw High 0 rad", "yaw Speed", "yaw Jerk"}},
		{"degrees", cube(pose.Of(pose.Roll), 12), []string{"roll Low is -12 rad", "roll High is 12 rad"}},
		{"level outside", func() BoxSettings {
			s := cube(pose.Of(pose.Heave), 0.1)
			s.Low[pose.Heave] = 0.05
			return s
		}(), []string{"heave Low is 0.05 m", "level at mid travel"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewBox(c.s)
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
