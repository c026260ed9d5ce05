package travel

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

const deg = math.Pi / 180

// planar is the seat of the worked loop: balls 0.40 m out, cranks of 0.10 m, rods of 0.40 m upright with the seat level.
func planar(t testing.TB) Seat {
	t.Helper()
	s := mechanism.DefaultTwoCrank()
	s.CrankDrop, s.CrankForward, s.TipBackward, s.RodLength = 0.40, 0.10, true, 0.40
	s.Low, s.High, s.LeastTransmissionAngle = -60*deg, 60*deg, 10*deg
	m, err := mechanism.NewTwoCrank(s)
	if err != nil {
		t.Fatal(err)
	}
	var l guard.Limits
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		l.Low[a], l.High[a] = -8*deg, 8*deg
	}
	return Seat{m, l}
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6f, want %.6f", what, got, want)
	}
}

// TestAxes: a crank of ±60 deg moves this seat to -12.799 and 12.195 deg, and dead centre is at 13.29 deg; exact planar
// loop, recomputed for the dead centre in package sizing's testdata/rig.py. Tail up is nose down.
func TestAxes(t *testing.T) {
	axes := planar(t).Axes()
	if len(axes) != 2 || axes[0].Axis != pose.Roll || axes[1].Axis != pose.Pitch {
		t.Fatalf("axes %+v", axes)
	}
	p := axes[1]
	near(t, "nose down", p.Low.Reach/deg, -12.195, 6e-4)
	near(t, "nose up", p.High.Reach/deg, 12.799, 6e-4)
	near(t, "dead centre, nose down", p.Low.DeadCentre/deg, -13.291719, 1e-5)
	if p.Low.Actuators[0] != p.Low.Actuators[1] || p.Low.Actuators[0] < 0 {
		t.Errorf("cranks at nose down: %v; want both alike, tips up", p.Low.Actuators)
	}
	r := axes[0]
	near(t, "roll is alike on both sides", r.High.Reach, -r.Low.Reach, 1e-9)
	near(t, "dead centre too", r.High.DeadCentre, -r.Low.DeadCentre, 1e-9)
}

// TestBoundary: just inside it the mechanism reaches, just outside it does not, in every direction; dead centre lies beyond.
func TestBoundary(t *testing.T) {
	s := planar(t)
	edge, dead := s.Boundary(pose.Roll, pose.Pitch, pose.Pose{}), s.DeadCentres(pose.Roll, pose.Pitch)
	if len(edge) != rays || len(dead) != rays {
		t.Fatalf("%d and %d points", len(edge), len(dead))
	}
	var q mechanism.Positions
	for i, p := range edge {
		at := func(share float64) pose.Pose { return pose.Pose{pose.Roll: p.X * share, pose.Pitch: p.Y * share} }
		if s.Mechanism.Inverse(at(1-1e-6), &q) != nil || s.Mechanism.Inverse(at(1+1e-6), &q) == nil {
			t.Fatalf("direction %d: the edge is not at %v", i, p)
		}
		if math.Hypot(dead[i].X, dead[i].Y) <= math.Hypot(p.X, p.Y) {
			t.Fatalf("direction %d: dead centre %v is within reach %v", i, dead[i], p)
		}
		if s.transmission(pose.Pose{pose.Roll: dead[i].X * (1 - 1e-9), pose.Pitch: dead[i].Y * (1 - 1e-9)}) > 0.01 {
			t.Fatalf("direction %d: rod and crank do not line up at dead centre", i)
		}
	}
	for _, p := range s.Transmission(pose.Roll, pose.Pitch, 45*deg) {
		near(t, "transmission angle, deg", s.transmission(pose.Pose{pose.Roll: p.X, pose.Pitch: p.Y})/deg, 45, 1e-6)
	}
}

// TestEveryKindIsDrawn: the picture is well-formed, has its words, and no number that is none.
func TestEveryKindIsDrawn(t *testing.T) {
	seats := map[string]Seat{"two cranks": planar(t)}
	limits := func(l guard.Limits, axes pose.Axes) guard.Limits {
		for a := range pose.Count {
			if axes.Has(a) {
				l.Low[a], l.High[a] = -0.05, 0.05
			}
		}
		return l
	}
	add := func(name string, m mechanism.Mechanism, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		seats[name] = Seat{m, limits(guard.Limits{}, m.Axes())}
	}
	three, err := mechanism.NewThreeLinear(mechanism.DefaultThreeLinear())
	add("three actuators", three, err)
	six, err := mechanism.NewSixCrank(mechanism.DefaultSixCrank())
	add("six cranks", six, err)
	box := mechanism.BoxSettings{Axes: pose.Of(pose.Heave)}
	box.Low[pose.Heave], box.High[pose.Heave], box.Speed[pose.Heave], box.Acceleration[pose.Heave], box.Jerk[pose.Heave] = -0.05, 0.05, 1, 1, 1
	lift, err := mechanism.NewBox(box)
	add("one axis", lift, err)
	for name, s := range seats {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := s.WriteSVG(&b); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(b.String(), "NaN") || strings.Contains(b.String(), "Inf") {
				t.Error("a number that is none")
			}
			words := ""
			for d := xml.NewDecoder(&b); ; {
				token, err := d.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if c, ok := token.(xml.CharData); ok {
					words += string(c)
				}
			}
			wanted := []string{"limits of the guard", "travel of the actuator", s.Mechanism.Actuators()[0].Name}
			if _, _, two := s.Pair(); two {
				wanted = append(wanted, "edge of reach", "reach together")
			}
			if _, ok := s.Mechanism.(cranks); ok {
				wanted = append(wanted, "dead centre", "least transmission angle")
			}
			for _, w := range wanted {
				if !strings.Contains(words, w) {
					t.Errorf("it does not say %q", w)
				}
			}
		})
	}
}
