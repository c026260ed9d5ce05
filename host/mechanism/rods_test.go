package mechanism

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"perch/host/pose"
	"perch/sdk/oracle"
)

// workedRods holds what testdata/rods.py prints, in m and deg. The script solves each seat by root finding and least
// squares in SciPy, from lists of balls.
type workedRods struct {
	Seats map[string][]struct {
		Pose, Forward pose.Pose
		Actuators     []float64 // lengths, or crank angles
		Slopes        []pose.Pose
	}
	Joints []struct {
		Seat string
		Ray  pose.Pose
		At   float64 // of the ray, where a ball joint has turned by 12 deg
	}
	Planar, Dead []struct{ Rod, Crank, Arm float64 }
}

func recordedRods(t *testing.T) (w workedRods) {
	t.Helper()
	oracle.Recorded(t, "testdata/rods.json", &w)
	return w
}

// TestRecordedRods runs the script again where PERCH_TEST_SCIPY is set, and compares with what it printed before.
func TestRecordedRods(t *testing.T) {
	oracle.Fresh[workedRods](t, "testdata/rods.json", "testdata/rods.py", 0, 1e-6)
}

// seat is a mechanism with what the tests need to know of it.
type seat interface {
	Mechanism
	Jacobian(p pose.Pose, out *[MaxActuators]pose.Pose) error
}

// wideActuator has limits that only geometry sets.
func wideActuator(level float64) ActuatorSettings {
	s := ordinaryActuator(0.51*level, 1.01*level)
	s.MostJointAngle = 80 * deg
	return s
}

// scriptRing is the ring of balls of the script, which gives their azimuths.
func scriptRing(seatRadius, seatHalf, baseRadius, baseHalf, height float64) RingSettings {
	return RingSettings{
		SeatRadius: seatRadius, SeatSpacing: 2 * seatRadius * math.Sin(seatHalf*deg),
		BaseRadius: baseRadius, BaseSpacing: 2 * baseRadius * math.Sin(baseHalf*deg), Height: height,
	}
}

// scriptSeats are the seats of the script, with ball joints that turn by joint where it is an angle that matters there.
func scriptSeats(t testing.TB, joint float64) map[string]seat {
	t.Helper()
	out := map[string]seat{}
	add := func(name string, m seat, err error) {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = m
	}
	two := TwoLinearSettings{JointToSeatPointBack: 0.40, HalfWidth: 0.30, SeatPointHeight: 0.03, FootDrop: 0.55, FootForward: 0.05, FootOutward: 0.04}
	two.ActuatorSettings = ordinaryActuator(0.4, 0.79)
	two.MostJointAngle = joint
	m2, err := NewTwoLinear(two)
	add("two-linear", m2, err)
	three := ThreeLinearSettings{JointToFrontPoint: 0.42, JointToRearPointBack: 0.36, HalfWidth: 0.30, SeatPointHeight: 0.02,
		FootDrop: 0.60, FrontFootForward: -0.04, RearFootForward: 0.03, RearFootOutward: 0.05}
	three.ActuatorSettings = ordinaryActuator(0.45, 0.85)
	three.MostJointAngle = joint
	m3, err := NewThreeLinear(three)
	add("three-linear", m3, err)
	six := SixLinearSettings{RingSettings: scriptRing(0.35, 10, 0.50, 10, 0.60), ActuatorSettings: ordinaryActuator(0.45, 0.89)}
	six.MostJointAngle = joint
	m6, err := NewSixLinear(six)
	add("six-linear", m6, err)
	six.SeatPairBack = true
	m6, err = NewSixLinear(six)
	add("six-linear turned", m6, err)
	crank := DefaultSixCrank()
	crank.Low, crank.High, crank.LeastTransmissionAngle, crank.MostJointAngle = -175*deg, 175*deg, 5*deg, 80*deg
	crank.RingSettings, crank.CrankRadius, crank.RodLength = scriptRing(0.35, 10, 0.50, 10, 0.60), 0.15, 0.65
	c6, err := NewSixCrank(crank)
	add("six-crank", c6, err)
	crank.RingSettings, crank.CrankRadius, crank.RodLength = scriptRing(0.40, 8, 0.40, 10, 0.55), 0.12, 0.68
	crank.TipsTogether = true
	c6, err = NewSixCrank(crank)
	add("six-crank together", c6, err)
	return out
}

// radians turns the angles of a pose in m and deg.
func radians(p pose.Pose) pose.Pose {
	for a := range pose.Count {
		if a.Unit() == "rad" {
			p[a] *= deg
		}
	}
	return p
}

func TestSeatsOnRods(t *testing.T) {
	seats := scriptSeats(t, 80*deg)
	for name, rows := range recordedRods(t).Seats {
		m := seats[name]
		for n, r := range rows {
			p := radians(r.Pose)
			var q Positions
			if err := m.Inverse(p, &q); err != nil {
				t.Fatalf("%s: %v: %v", name, r.Pose, err)
			}
			for i, a := range m.Actuators() {
				switch got := q[i]; a.Unit {
				case "m": // less the level length, which is row 0
					near(t, fmt.Sprintf("%s row %d %s", name, n, a.Name), got, r.Actuators[i]-rows[0].Actuators[i], 2e-9)
				case "rad":
					near(t, fmt.Sprintf("%s row %d %s", name, n, a.Name), got/deg, r.Actuators[i], 1e-6)
				}
			}
			var j [MaxActuators]pose.Pose
			if err := m.Jacobian(p, &j); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(r.Slopes, j[:len(r.Slopes)], cmpopts.EquateApprox(0, 1e-6)); d != "" {
				t.Errorf("%s row %d slopes:\n%s", name, n, d)
			}
			off := p
			for a := range off {
				off[a] += 0.02
			}
			for _, from := range []pose.Pose{{}, p, off, {math.NaN(), 0, 900, -900, 0, math.Inf(1)}} {
				back, err := m.Forward(q, from)
				if err != nil {
					t.Fatalf("%s row %d forward from %v: %v", name, n, from, err)
				}
				if d := cmp.Diff(radians(r.Forward), back, cmpopts.EquateApprox(0, 1e-7)); d != "" {
					t.Errorf("%s row %d forward from %v:\n%s", name, n, from, d)
				}
			}
		}
	}
}

func TestJointAngleLimit(t *testing.T) {
	seats := scriptSeats(t, 12*deg)
	for _, r := range recordedRods(t).Joints {
		for _, c := range []struct {
			off  float64
			want error
		}{{-1e-6, nil}, {1e-6, ErrUnreachable}} {
			p := radians(r.Ray)
			for a := range p {
				p[a] *= r.At + c.off
			}
			var q Positions
			if err := seats[r.Seat].Inverse(p, &q); !errors.Is(err, c.want) {
				t.Errorf("%s along %v at %g%+g: %v, want %v", r.Seat, r.Ray, r.At, c.off, err, c.want)
			}
		}
	}
}

// TestPlanarLoop is a pair of cranks under the rear of the seat whose rods are upright at mid: the exact planar loop.
func TestPlanarLoop(t *testing.T) {
	under := func(rod float64) *TwoCrank {
		s := DefaultTwoCrank()
		s.CrankForward, s.TipBackward, s.CrankDrop, s.RodLength = s.CrankRadius, true, rod, rod
		s.Low, s.High, s.LeastTransmissionAngle = -175*deg, 175*deg, 5*deg
		m, err := NewTwoCrank(s)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	w := recordedRods(t)
	for _, r := range w.Planar {
		p, err := under(r.Rod).Forward(Positions{r.Crank * deg, r.Crank * deg}, pose.Pose{})
		if err != nil {
			t.Fatalf("rod %g crank %g: %v", r.Rod, r.Crank, err)
		}
		near(t, "roll", p[pose.Roll], 0, 1e-12)
		near(t, fmt.Sprintf("rod %g crank %g: nose down", r.Rod, r.Crank), -p[pose.Pitch]/deg, r.Arm, 1e-7)
	}
	for _, r := range w.Dead {
		p, q, ok := under(r.Rod).DeadCentre(tilted(0, -1))
		if !ok {
			t.Fatalf("rod %g: no dead centre", r.Rod)
		}
		near(t, fmt.Sprintf("rod %g: nose down at dead centre", r.Rod), -p[pose.Pitch]/deg, r.Arm, 1e-6)
		near(t, fmt.Sprintf("rod %g: crank at dead centre", r.Rod), q[0]/deg, r.Crank, 0.02) // flat there
	}
}

// TestPureHeave: straight up or down every leg of a ring has the length √(d² + h²), d its own horizontal part.
func TestPureHeave(t *testing.T) {
	s := DefaultSixLinear()
	s.ActuatorSettings = wideActuator(0.8)
	m, err := NewSixLinear(s)
	if err != nil {
		t.Fatal(err)
	}
	half := func(radius, spacing float64) float64 { return math.Asin(spacing / 2 / radius) }
	turn := math.Pi/3 - half(s.BaseRadius, s.BaseSpacing) - half(s.SeatRadius, s.SeatSpacing)
	// the cosine rule between the two radii
	d2 := s.SeatRadius*s.SeatRadius + s.BaseRadius*s.BaseRadius - 2*s.SeatRadius*s.BaseRadius*math.Cos(turn)
	for _, z := range []float64{-0.05, -0.01, 0.02, 0.06} {
		var q Positions
		if err := m.Inverse(pose.Pose{pose.Heave: z}, &q); err != nil {
			t.Fatal(err)
		}
		for i := range q {
			near(t, "leg", q[i], math.Sqrt(d2+(s.Height-z)*(s.Height-z))-math.Sqrt(d2+s.Height*s.Height), 1e-12)
		}
	}
}

// TestSigns is what the doc comments say in words.
func TestSigns(t *testing.T) {
	for _, c := range []struct {
		seat  string
		axis  pose.Axis
		signs []int
	}{
		{"two-linear", pose.Pitch, []int{-1, -1}},
		{"two-linear", pose.Roll, []int{1, -1}},
		{"three-linear", pose.Heave, []int{-1, -1, -1}},
		{"three-linear", pose.Pitch, []int{1, -1, -1}},
		{"three-linear", pose.Roll, []int{0, 1, -1}},
		{"six-linear", pose.Heave, []int{-1, -1, -1, -1, -1, -1}},
		{"six-linear", pose.Roll, []int{-1, -1, -1, 1, 1, 1}},
		{"six-linear", pose.Pitch, []int{1, -1, -1, -1, -1, 1}},
		{"six-crank", pose.Heave, []int{-1, -1, -1, -1, -1, -1}},
		{"six-crank", pose.Roll, []int{-1, -1, -1, 1, 1, 1}},
		{"six-crank", pose.Pitch, []int{1, -1, -1, -1, -1, 1}},
	} {
		m := scriptSeats(t, 80*deg)[c.seat]
		var p pose.Pose
		var level, q Positions
		p[c.axis] = 0.02 // m or rad
		if m.Inverse(pose.Pose{}, &level) != nil || m.Inverse(p, &q) != nil {
			t.Fatal(c.seat)
		}
		for i, want := range c.signs {
			got := 0
			if d := q[i] - level[i]; math.Abs(d) > 1e-3 {
				got = int(math.Copysign(1, d))
			}
			if got != want {
				t.Errorf("%s: %s moves %s by %g, want sign %d", c.seat, c.axis, m.Actuators()[i].Name, q[i]-level[i], want)
			}
		}
	}
}

// TestHold: turned by a quarter a ring's legs lose hold of the seat together (their common dead centre), and a pose is
// refused from where a fifth of the level seat's hold is left. The determinant is gonum's.
func TestHold(t *testing.T) {
	s := DefaultSixLinear()
	s.Shortest, s.Longest, s.MostJointAngle = 0.55, 1.05, 80*deg
	m, err := NewSixLinear(s)
	if err != nil {
		t.Fatal(err)
	}
	hold := func(yaw float64) float64 {
		var j [MaxActuators]pose.Pose
		if err := m.Jacobian(pose.Pose{pose.Yaw: yaw}, &j); err != nil {
			return 0
		}
		d := mat.NewDense(6, 6, nil)
		for i := range j {
			d.SetRow(i, j[i][:])
		}
		return mat.Det(d)
	}
	last := 0.0
	for yaw := 0.0; yaw < math.Pi/2; yaw += 1e-4 {
		if hold(yaw) == 0 {
			break
		}
		last = yaw
	}
	if last == 0 || last > 85*deg {
		t.Fatalf("reaches to %g deg", last/deg)
	}
	near(t, "share of the hold at the limit", hold(last)/hold(0), 0.2, 1e-3)
}

// anyRods draws a buildable seat of any of the kinds.
func anyRods(t *rapid.T) seat {
	length := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	ring := func() RingSettings {
		return RingSettings{
			SeatRadius: length("seat radius", 0.25, 0.6), SeatSpacing: length("seat spacing", 0.02, 0.2),
			BaseRadius: length("base radius", 0.25, 0.6), BaseSpacing: length("base spacing", 0.02, 0.2),
			Height: length("height", 0.3, 0.9), SeatPairBack: rapid.Bool().Draw(t, "back"),
		}
	}
	actuator := func(level float64) ActuatorSettings {
		s := ordinaryActuator(level*0.7, level*1.3)
		s.MostJointAngle = length("joint", 10, 60) * deg
		return s
	}
	var m seat
	var err error
	switch rapid.SampledFrom([]string{"two-linear", "three-linear", "six-linear", "six-crank"}).Draw(t, "kind") {
	case "two-linear":
		s := TwoLinearSettings{JointToSeatPointBack: length("back", 0.2, 0.8), HalfWidth: length("half width", 0.1, 0.5),
			SeatPointHeight: length("height", -0.1, 0.2), FootDrop: length("drop", 0.3, 0.9),
			FootForward: length("forward", -0.1, 0.1), FootOutward: length("outward", -0.05, 0.05)}
		s.ActuatorSettings = actuator(s.FootDrop + s.SeatPointHeight)
		m, err = NewTwoLinear(s)
	case "three-linear":
		s := ThreeLinearSettings{JointToFrontPoint: length("front", 0.2, 0.8), JointToRearPointBack: length("back", 0.2, 0.8),
			HalfWidth: length("half width", 0.1, 0.5), SeatPointHeight: length("height", -0.1, 0.2), FootDrop: length("drop", 0.3, 0.9),
			FrontFootForward: length("front foot", -0.1, 0.1), RearFootForward: length("rear foot", -0.1, 0.1), RearFootOutward: length("outward", -0.05, 0.05)}
		s.ActuatorSettings = actuator(s.FootDrop + s.SeatPointHeight)
		m, err = NewThreeLinear(s)
	case "six-linear":
		s := SixLinearSettings{RingSettings: ring()}
		s.ActuatorSettings = actuator(s.Height * 1.1)
		m, err = NewSixLinear(s)
	case "six-crank":
		s := DefaultSixCrank()
		s.RingSettings, s.CrankRadius = ring(), length("radius", 0.05, 0.15)
		s.TipsTogether, s.MostJointAngle = rapid.Bool().Draw(t, "together"), length("joint", 20, 60)*deg
		s.RodLength = s.LevelRod()
		m, err = NewSixCrank(s)
	}
	if err != nil {
		t.Skip(err.Error())
	}
	return m
}

// mirrored is the place of an actuator's mirror image about the middle plane.
func mirrored(m seat, i int) int {
	switch n := len(m.Actuators()); n {
	case 2:
		return 1 - i
	case 3:
		return []int{0, 2, 1}[i]
	default:
		return n - 1 - i
	}
}

func TestRodsThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyRods(t)
		var p, closeBy pose.Pose
		for a := range p {
			if m.Axes().Has(pose.Axis(a)) {
				p[a] = rapid.Float64Range(-0.15, 0.15).Draw(t, pose.Axis(a).String())
				closeBy[a] = p[a] + rapid.Float64Range(-0.01, 0.01).Draw(t, "off")
			}
		}
		var q Positions
		if m.Inverse(p, &q) != nil {
			return
		}
		for i, a := range m.Actuators() {
			if !(q[i] >= a.Low && q[i] <= a.High) {
				t.Fatalf("%s at %g, outside %g to %g", a.Name, q[i], a.Low, a.High)
			}
		}
		back, err := m.Forward(q, closeBy)
		if err != nil {
			t.Fatalf("%v: %v", p, err)
		}
		if d := cmp.Diff(p, back, cmpopts.EquateApprox(0, 1e-9)); d != "" {
			t.Fatalf("there and back:\n%s", d)
		}
		var r Positions
		mirror := p
		for _, a := range []pose.Axis{pose.Sway, pose.Roll, pose.Yaw} {
			mirror[a] = -p[a]
		}
		if err := m.Inverse(mirror, &r); err != nil {
			t.Fatal(err)
		}
		for i := range m.Actuators() {
			if math.Abs(r[mirrored(m, i)]-q[i]) > 1e-11 {
				t.Fatalf("mirrored: %v is not the image of %v", r, q)
			}
		}
		var j [MaxActuators]pose.Pose
		if err := m.Jacobian(p, &j); err != nil {
			t.Fatal(err)
		}
		const h = 1e-5
		for a := range pose.Count {
			up, down := p, p
			up[a] += h
			down[a] -= h
			var qu, qd Positions
			if m.Inverse(up, &qu) != nil || m.Inverse(down, &qd) != nil {
				continue
			}
			for i := range m.Actuators() { // an axis that it does not move has slope 0 both ways
				if want := (qu[i] - qd[i]) / (2 * h); math.Abs(want-j[i][a]) > 1e-5*(1+math.Abs(want)) {
					t.Fatalf("actuator %d by %v: %g, want %g", i, a, j[i][a], want)
				}
			}
		}
	})
}

func TestUnreachableChangesNothing(t *testing.T) {
	for name, m := range scriptSeats(t, 80*deg) {
		for a := range pose.Count {
			if !m.Axes().Has(a) {
				continue
			}
			for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1.5, -1.5, 2 * math.Pi} {
				p := pose.Pose{}
				p[a] = v
				q := Positions{7}
				j := [MaxActuators]pose.Pose{{7}}
				if err := m.Inverse(p, &q); !errors.Is(err, ErrUnreachable) || q != (Positions{7}) {
					t.Errorf("%s: %s %g: %v, %v", name, a, v, q, err)
				}
				if err := m.Jacobian(p, &j); !errors.Is(err, ErrUnreachable) || j[0] != (pose.Pose{7}) {
					t.Errorf("%s: Jacobian at %s %g: %v", name, a, v, err)
				}
			}
		}
		p := pose.Pose{9, 9, 9, 9, 9, 9}
		for a := range p {
			if m.Axes().Has(pose.Axis(a)) {
				p[a] = 0
			}
		}
		var q, level Positions
		if err := m.Inverse(p, &q); err != nil || m.Inverse(pose.Pose{}, &level) != nil || q != level {
			t.Errorf("%s: the axes that it has not count: %v", name, err)
		}
		for _, q := range []Positions{{math.NaN()}, {math.Inf(1)}, {-1e3}, {1e9}} {
			if p, err := m.Forward(q, pose.Pose{}); !errors.Is(err, ErrUnreachable) {
				t.Errorf("%s: actuators %v give %v, %v", name, q, p, err)
			}
		}
	}
}

// FuzzForward: whatever the numbers are, the search ends with a pose that has these positions, or with a refusal.
func FuzzForward(f *testing.F) {
	f.Add(uint8(0), 0.01, -0.02, 0.0, 0.0, 0.0, 0.0, 0.0)
	f.Add(uint8(3), 0.1, -0.2, 0.3, -0.1, 0.2, 0.0, 0.1)
	seats := scriptSeats(f, 80*deg)
	kinds := []string{"two-linear", "three-linear", "six-linear", "six-linear turned", "six-crank", "six-crank together"}
	f.Fuzz(func(t *testing.T, kind uint8, a, b, c, d, e, g, from float64) {
		m := seats[kinds[int(kind)%len(kinds)]]
		want := Positions{a, b, c, d, e, g}
		p, err := m.Forward(want, pose.Pose{from, -from, from, -from, from, -from})
		if err != nil {
			return
		}
		var q Positions
		if m.Inverse(p, &q) != nil {
			return // beyond the limits, which Forward does not ask
		}
		for i := range m.Actuators() {
			if math.Abs(q[i]-want[i]) > 1e-9 {
				t.Errorf("actuator %d: %g comes back as %g from %v", i, want[i], q[i], p)
			}
		}
	})
}

func TestRefusedSeatsOnRods(t *testing.T) {
	two := func(change func(*TwoLinearSettings)) error {
		s := DefaultTwoLinear()
		change(&s)
		_, err := NewTwoLinear(s)
		return err
	}
	three := func(change func(*ThreeLinearSettings)) error {
		s := DefaultThreeLinear()
		change(&s)
		_, err := NewThreeLinear(s)
		return err
	}
	six := func(change func(*SixLinearSettings)) error {
		s := DefaultSixLinear()
		change(&s)
		_, err := NewSixLinear(s)
		return err
	}
	crank := func(change func(*SixCrankSettings)) error {
		s := DefaultSixCrank()
		change(&s)
		_, err := NewSixCrank(s)
		return err
	}
	for _, c := range []struct {
		name string
		err  error
		says []string
	}{
		{"millimetres", two(func(s *TwoLinearSettings) { s.FootDrop, s.Shortest, s.Longest = 550, 450, 650 }),
			[]string{"FootDrop is 550 m", "Shortest is 450 m", "measure it in metres"}},
		{"exchanged", two(func(s *TwoLinearSettings) { s.Shortest, s.Longest = s.Longest, s.Shortest }), []string{"Shortest is 0.65 m and Longest 0.45 m"}},
		{"stroke given for a length", two(func(s *TwoLinearSettings) { s.Shortest = 0.2 }), []string{"twice Shortest"}},
		{"too low", two(func(s *TwoLinearSettings) { s.FootDrop = 0.3 }), []string{"two-linear seat: the level seat needs actuator \"left\" to be 0.3 m long", "\"right\""}},
		{"joints in degrees", two(func(s *TwoLinearSettings) { s.MostJointAngle = 30 }), []string{"MostJointAngle is 30 rad", "radians"}},
		{"level actuators push at the joint only", two(func(s *TwoLinearSettings) {
			s.FootDrop, s.FootForward, s.FootOutward, s.HalfWidth = 0, -0.55, 0, 0.3
		}), []string{"not held"}},
		{"not numbers", three(func(s *ThreeLinearSettings) { s.HalfWidth, s.Jerk = math.NaN(), math.Inf(1) }), []string{"HalfWidth is NaN", "Jerk is +Inf"}},
		{"zero", three(func(s *ThreeLinearSettings) { *s = ThreeLinearSettings{} }), []string{"JointToFrontPoint", "Shortest", "Speed"}},
		{"zero ring", six(func(s *SixLinearSettings) { *s = SixLinearSettings{} }), []string{"SeatRadius", "Height", "Longest"}},
		{"equal rings with the same spacing", six(func(s *SixLinearSettings) {
			s.SeatRadius, s.BaseRadius, s.SeatSpacing, s.BaseSpacing = 0.45, 0.45, 0.45, 0.45
			s.Shortest, s.Longest = 0.55, 0.79
		}), []string{"not held"}},
		{"spacing across", six(func(s *SixLinearSettings) { s.BaseSpacing = 0.8 }), []string{"BaseSpacing is 0.8 m, over BaseRadius"}},
		{"short rod", crank(func(s *SixCrankSettings) { s.RodLength = 0.45 }), []string{"six-crank seat: the level seat", "Height", "change the rod"}},
		{"rods that lean", crank(func(s *SixCrankSettings) { s.BaseRadius = 0.7; s.RodLength = s.LevelRod() }), []string{"leans", "MostJointAngle"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.err == nil {
				t.Fatal("accepted")
			}
			for _, say := range c.says {
				if !strings.Contains(c.err.Error(), say) {
					t.Errorf("does not say %q:\n%v", say, c.err)
				}
			}
		})
	}
}

// Every length of the settings stands in the drawing. Speed, acceleration and jerk are no lengths, and a crank's travel
// and least angle are in words of the trade that a drawing of the level seat cannot show.
func TestDrawings(t *testing.T) {
	hidden := map[string]bool{"Speed": true, "Acceleration": true, "Jerk": true, "Low": true, "High": true, "LeastTransmissionAngle": true}
	for _, s := range []interface{ Drawing() string }{TwoCrankSettings{}, TwoLinearSettings{}, ThreeLinearSettings{}, SixLinearSettings{}, SixCrankSettings{}} {
		d := xml.NewDecoder(strings.NewReader(s.Drawing()))
		words := ""
		for {
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
		for _, f := range reflect.VisibleFields(reflect.TypeOf(s)) {
			if !f.Anonymous && !hidden[f.Name] && !strings.Contains(words, f.Name) {
				t.Errorf("the drawing of %T does not show %s", s, f.Name)
			}
		}
	}
}

func TestRodsAllocateNothing(t *testing.T) {
	for name, m := range scriptSeats(t, 80*deg) {
		p := pose.Pose{0.01, -0.01, 0.02, 0.03, 0.02, -0.01}
		var q Positions
		var j [MaxActuators]pose.Pose
		if n := testing.AllocsPerRun(100, func() {
			_ = m.Inverse(p, &q)
			_ = m.Inverse(pose.Pose{3, 3, 3, 3, 3, 3}, &q)
			_ = m.Jacobian(p, &j)
			_, _ = m.Forward(q, p)
			_, _ = m.Forward(q, pose.Pose{})
		}); n != 0 {
			t.Errorf("%s: %g allocations", name, n)
		}
	}
}

func BenchmarkRods(b *testing.B) {
	seats := scriptSeats(b, 80*deg)
	for _, name := range []string{"two-linear", "three-linear", "six-linear", "six-crank"} {
		m := seats[name]
		p := pose.Pose{0.01, -0.01, 0.02, 0.03, 0.02, -0.01}
		var q Positions
		var j [MaxActuators]pose.Pose
		if err := m.Inverse(p, &q); err != nil {
			b.Fatal(err)
		}
		at := p
		for a := range at {
			at[a] += 0.001
		}
		b.Run(name+"/inverse", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_ = m.Inverse(p, &q)
			}
		})
		b.Run(name+"/forward", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_, _ = m.Forward(q, at)
			}
		})
		b.Run(name+"/jacobian", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_ = m.Jacobian(p, &j)
			}
		})
	}
}
