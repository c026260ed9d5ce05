package mechanism

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"perch/host/pose"
	"perch/sdk/oracle"
)

const deg = math.Pi / 180

// worked holds what testdata/twocrank.py prints, in deg. The script solves the loop by root finding in SciPy, from
// the geometry alone.
type worked struct {
	Inverse       [][10]float64 // roll, pitch; left, right; transmission left, right; slopes of left, of right
	Forward       [][4]float64  // left, right; roll, pitch
	Limits        [][4]float64  // ray in roll, pitch; how far to 30 deg, to 45 deg of transmission angle
	Backward      [][4]float64  // roll, pitch; left, right with the tips backward
	Unreachable   bool          // roll 10, pitch 10: right crank
	ReachableLeft float64       `json:"reachable_left"`
}

func recorded(t *testing.T) (w worked) {
	t.Helper()
	oracle.Recorded(t, "testdata/twocrank.json", &w)
	return w
}

// TestRecordedNumbers runs the script again where PERCH_TEST_SCIPY is set, and compares with what it printed before.
func TestRecordedNumbers(t *testing.T) {
	oracle.Fresh[worked](t, "testdata/twocrank.json", "testdata/twocrank.py", 0, 1e-6)
}

func tilted(roll, pitch float64) (p pose.Pose) {
	p[pose.Roll], p[pose.Pitch] = roll*deg, pitch*deg
	return p
}

// wide is the default geometry with limits that only geometry sets.
func wide(t testing.TB, backward bool) *TwoCrank {
	t.Helper()
	s := DefaultTwoCrank()
	s.Low, s.High, s.LeastTransmissionAngle, s.TipBackward = -175*deg, 175*deg, 5*deg, backward
	m, err := NewTwoCrank(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// crankAt is the angle of one crank, whatever the limits.
func crankAt(m *TwoCrank, i int, p pose.Pose) float64 {
	var s placed
	m.place(p, &s)
	var l loop
	m.solve(i, &s, &l)
	return l.angle()
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.9f, want %.9f", what, got, want)
	}
}

func TestInverse(t *testing.T) {
	m := wide(t, false)
	w := recorded(t)
	for _, r := range w.Inverse {
		p := tilted(r[0], r[1])
		var q Positions
		if err := m.Inverse(p, &q); err != nil {
			t.Fatalf("roll %g pitch %g: %v", r[0], r[1], err)
		}
		near(t, "left", q[0]/deg, r[2], 1e-6)
		near(t, "right", q[1]/deg, r[3], 1e-6)
		var mu Positions
		if err := m.TransmissionAngles(p, &mu); err != nil {
			t.Fatal(err)
		}
		near(t, "transmission left", mu[0]/deg, r[4], 1e-6)
		near(t, "transmission right", mu[1]/deg, r[5], 1e-6)
		var j [MaxActuators]pose.Pose
		if err := m.Jacobian(p, &j); err != nil {
			t.Fatal(err)
		}
		near(t, "left by roll", j[0][pose.Roll], r[6], 1e-5)
		near(t, "left by pitch", j[0][pose.Pitch], r[7], 1e-5)
		near(t, "right by roll", j[1][pose.Roll], r[8], 1e-5)
		near(t, "right by pitch", j[1][pose.Pitch], r[9], 1e-5)
		back, err := m.Forward(q, pose.Pose{})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(p, back, cmpopts.EquateApprox(0, 1e-9*deg)); d != "" {
			t.Errorf("roll %g pitch %g there and back:\n%s", r[0], r[1], d)
		}
	}
	for _, r := range w.Backward {
		var q Positions
		if err := wide(t, true).Inverse(tilted(r[0], r[1]), &q); err != nil {
			t.Fatal(err)
		}
		near(t, "backward left", q[0]/deg, r[2], 1e-6)
		near(t, "backward right", q[1]/deg, r[3], 1e-6)
	}
	near(t, "left at roll 10 pitch 10", crankAt(m, 0, tilted(10, 10))/deg, w.ReachableLeft, 1e-6)
	q := Positions{1, 2}
	if err := m.Inverse(tilted(10, 10), &q); !w.Unreachable || !errors.Is(err, ErrUnreachable) || q != (Positions{1, 2}) {
		t.Errorf("roll 10 pitch 10: %v, %v; want unreachable and nothing written", err, q)
	}
}

func TestForward(t *testing.T) {
	m := wide(t, false)
	for _, r := range recorded(t).Forward {
		for _, from := range []pose.Pose{{}, tilted(8, -6), tilted(-3, 5), tilted(math.NaN(), 900)} {
			p, err := m.Forward(Positions{r[0] * deg, r[1] * deg}, from)
			if err != nil {
				t.Fatalf("cranks %g %g: %v", r[0], r[1], err)
			}
			near(t, "roll", p[pose.Roll]/deg, r[2], 1e-6)
			near(t, "pitch", p[pose.Pitch]/deg, r[3], 1e-6)
		}
	}
	for _, q := range []Positions{{math.NaN()}, {math.Inf(1)}, {100, -100}, {170 * deg, -170 * deg}} {
		if p, err := m.Forward(q, pose.Pose{}); err == nil {
			var back Positions
			if m.Inverse(p, &back) != nil || math.Abs(back[0]-q[0]) > 1e-9 || math.Abs(back[1]-q[1]) > 1e-9 {
				t.Errorf("cranks %v give %v, which does not come back", q, p)
			}
		}
	}
}

func TestTransmissionLimit(t *testing.T) {
	for i, least := range []float64{30, 45} {
		s := DefaultTwoCrank()
		s.Low, s.High, s.LeastTransmissionAngle = -175*deg, 175*deg, least*deg
		m, err := NewTwoCrank(s)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range recorded(t).Limits {
			var q Positions
			at := r[2+i]
			if err := m.Inverse(tilted(r[0]*(at-1e-5), r[1]*(at-1e-5)), &q); err != nil {
				t.Errorf("ray %g,%g just inside %g deg: %v", r[0], r[1], at, err)
			}
			if err := m.Inverse(tilted(r[0]*(at+1e-5), r[1]*(at+1e-5)), &q); !errors.Is(err, ErrUnreachable) {
				t.Errorf("ray %g,%g just outside %g deg: %v", r[0], r[1], at, err)
			}
		}
	}
}

func TestTravelLimit(t *testing.T) {
	s := DefaultTwoCrank()
	s.Low, s.High = -20*deg, 20*deg // pitch +5 asks for -21.2, pitch -5 for 19.7: see the table
	m, err := NewTwoCrank(s)
	if err != nil {
		t.Fatal(err)
	}
	var q Positions
	if err := m.Inverse(tilted(0, 5), &q); !errors.Is(err, ErrUnreachable) {
		t.Errorf("pitch 5: %v", err)
	}
	if err := m.Inverse(tilted(0, -5), &q); err != nil {
		t.Errorf("pitch -5: %v", err)
	}
	for _, p := range []pose.Pose{tilted(math.NaN(), 0), tilted(0, math.Inf(1)), tilted(math.Inf(-1), 0)} {
		if err := m.Inverse(p, &q); !errors.Is(err, ErrUnreachable) {
			t.Errorf("%v: %v", p, err)
		}
		var j [MaxActuators]pose.Pose
		if err := m.Jacobian(p, &j); !errors.Is(err, ErrUnreachable) {
			t.Errorf("Jacobian at %v: %v", p, err)
		}
	}
}

// TestReach: the corner that the two cranks reach least far is roll = ±pitch with pitch up; see the rays of the script.
func TestReach(t *testing.T) {
	s := DefaultTwoCrank()
	s.Low, s.High, s.LeastTransmissionAngle = -175*deg, 175*deg, 30*deg
	m, err := NewTwoCrank(s)
	if err != nil {
		t.Fatal(err)
	}
	diagonal := recorded(t).Limits[4][2]
	near(t, "share of 8 by 8 deg", Reach(m, tilted(8, 8)), diagonal/8, 1e-6)
	near(t, "share of 5 by 5 deg", Reach(m, tilted(5, 5)), 1, 0)
	near(t, "share of no travel", Reach(m, pose.Pose{}), 1, 0)
	near(t, "share of no number", Reach(m, tilted(math.NaN(), 1)), 0, 0)
	b, err := NewBox(cube(1<<pose.Count-1, 0.2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "share of a box", Reach(b, pose.Pose{0.1, 0.2, 0.4, 0, 0, 0.3}), 0.5, 1e-9)
}

// anySeat draws a buildable geometry whose crank is about level at neutral.
func anySeat(t *rapid.T) *TwoCrank {
	s := DefaultTwoCrank()
	length := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	s.JointToSeatPointBack = length("back", 0.2, 0.8)
	s.HalfWidth = length("half width", 0.1, 0.5)
	s.SeatPointHeight = length("height", -0.1, 0.2)
	s.CrankDrop = length("drop", 0.3, 0.9)
	s.CrankRadius = length("radius", 0.03, 0.12)
	s.CrankForward = length("forward", -0.1, 0.05)
	s.CrankOutward = length("outward", -0.05, 0.05)
	s.TipBackward = rapid.Bool().Draw(t, "backward")
	face := s.CrankRadius + s.CrankForward
	if s.TipBackward {
		face = s.CrankRadius - s.CrankForward
	}
	s.RodLength = math.Hypot(math.Hypot(face, s.CrankOutward), s.CrankDrop+s.SeatPointHeight)
	s.Low, s.High = -70*deg, 70*deg
	m, err := NewTwoCrank(s)
	if err != nil {
		t.Skip(err.Error())
	}
	return m
}

func TestThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anySeat(t)
		p := tilted(rapid.Float64Range(-15, 15).Draw(t, "roll"), rapid.Float64Range(-15, 15).Draw(t, "pitch"))
		var q Positions
		if m.Inverse(p, &q) != nil {
			return
		}
		close := p
		close[pose.Roll] += rapid.Float64Range(-1, 1).Draw(t, "off roll") * deg
		close[pose.Pitch] += rapid.Float64Range(-1, 1).Draw(t, "off pitch") * deg
		back, err := m.Forward(q, close)
		if err != nil {
			t.Fatalf("%v: %v", p, err)
		}
		if d := cmp.Diff(p, back, cmpopts.EquateApprox(0, 1e-9)); d != "" {
			t.Fatalf("there and back:\n%s", d)
		}
		// Mirrored about the middle plane, the cranks change places.
		var r Positions
		mirror := p
		mirror[pose.Roll] = -p[pose.Roll]
		if err := m.Inverse(mirror, &r); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(Positions{q[1], q[0]}, r, cmpopts.EquateApprox(0, 1e-12)); d != "" {
			t.Fatalf("mirrored:\n%s", d)
		}
		// The rows are the slopes of Inverse.
		var j [MaxActuators]pose.Pose
		if err := m.Jacobian(p, &j); err != nil {
			t.Fatal(err)
		}
		const h = 1e-5
		for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
			up, down := p, p
			up[a] += h
			down[a] -= h
			var qu, qd Positions
			if m.Inverse(up, &qu) != nil || m.Inverse(down, &qd) != nil {
				continue
			}
			for i := range 2 {
				if want := (qu[i] - qd[i]) / (2 * h); math.Abs(want-j[i][a]) > 1e-5*(1+math.Abs(want)) {
					t.Fatalf("crank %d by %v: %g, want %g", i, a, j[i][a], want)
				}
			}
		}
	})
}

// FuzzTwoCrankForward: whatever the numbers are, the search ends with a pose that is one, or with a refusal.
func FuzzTwoCrankForward(f *testing.F) {
	f.Add(0.1, -0.2, 0.0, 0.0)
	f.Add(3.0, -3.0, 1.5, -1.5)
	m := wide(f, false)
	f.Fuzz(func(t *testing.T, a, b, roll, pitch float64) {
		p, err := m.Forward(Positions{a, b}, tilted(roll, pitch))
		if err != nil {
			return
		}
		for i, angle := range []float64{a, b} {
			if got := crankAt(m, i, p); math.Abs(got-angle) > 1e-6 {
				t.Errorf("crank %d: %g comes back as %g", i, angle, got)
			}
		}
	})
}

func TestRefusedTwoCrank(t *testing.T) {
	if _, err := NewTwoCrank(DefaultTwoCrank()); err != nil {
		t.Fatalf("the default: %v", err)
	}
	for _, c := range []struct {
		name   string
		change func(*TwoCrankSettings)
		says   []string
	}{
		{"millimetres", func(s *TwoCrankSettings) { s.CrankRadius, s.RodLength = 100, 608 },
			[]string{"CrankRadius is 100 m", "RodLength is 608 m", "measure it in metres"}},
		{"degrees", func(s *TwoCrankSettings) { s.Low, s.LeastTransmissionAngle = -60, 30 },
			[]string{"Low is -60 rad", "LeastTransmissionAngle is 30 rad", "radians"}},
		{"not numbers", func(s *TwoCrankSettings) { s.HalfWidth, s.Jerk = math.NaN(), math.Inf(1) },
			[]string{"HalfWidth is NaN", "Jerk is +Inf"}},
		{"zero", func(s *TwoCrankSettings) { *s = TwoCrankSettings{} },
			[]string{"JointToSeatPointBack", "CrankRadius", "RodLength", "Speed", "Low is 0 rad and High 0 rad"}},
		{"short rod", func(s *TwoCrankSettings) { s.RodLength = 0.09 }, []string{"not over CrankRadius"}},
		{"cranks above", func(s *TwoCrankSettings) { s.CrankDrop = -0.6 }, []string{"below the rods' upper balls"}},
		{"does not reach level", func(s *TwoCrankSettings) { s.RodLength = 0.45 }, []string{"the level seat", "the rod long or short enough", "change the rod"}},
		{"dead centre at level", func(s *TwoCrankSettings) { s.RodLength = 0.501 }, []string{"the level seat", "transmission angle"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := DefaultTwoCrank()
			c.change(&s)
			_, err := NewTwoCrank(s)
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
	m := wide(t, false)
	p := tilted(3, 4)
	var q Positions
	var j [MaxActuators]pose.Pose
	if n := testing.AllocsPerRun(100, func() {
		_ = m.Inverse(p, &q)
		_ = m.Inverse(tilted(50, 50), &q)
		_ = m.Jacobian(p, &j)
		_, _ = m.Forward(q, p)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkTwoCrankInverse(b *testing.B) {
	m := wide(b, false)
	b.ReportAllocs()
	var q Positions
	p := tilted(3, 4)
	for b.Loop() {
		p[pose.Roll] += 1e-9
		_ = m.Inverse(p, &q)
	}
}

func BenchmarkTwoCrankForward(b *testing.B) {
	m := wide(b, false)
	b.ReportAllocs()
	var q Positions
	_ = m.Inverse(tilted(3, 4), &q)
	at := tilted(3.1, 3.9)
	for b.Loop() {
		_, _ = m.Forward(q, at)
	}
}

func BenchmarkTwoCrankJacobian(b *testing.B) {
	m := wide(b, false)
	b.ReportAllocs()
	var j [MaxActuators]pose.Pose
	for b.Loop() {
		_ = m.Jacobian(tilted(3, 4), &j)
	}
}
