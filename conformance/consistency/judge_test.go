package consistency

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// recorded are the flights of testdata, written by flights.py with the seed 11: textbook equations of motion integrated by
// SciPy, which share nothing with this project. The course of each is invented.
func recorded(t testing.TB) map[string][]vehicle.State {
	t.Helper()
	files, err := filepath.Glob("testdata/*.csv.gz")
	if err != nil || len(files) == 0 {
		t.Fatal("no flights in testdata", err)
	}
	out := map[string][]vehicle.State{}
	for _, file := range files {
		in, err := os.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		defer in.Close()
		z, err := gzip.NewReader(in)
		if err != nil {
			t.Fatal(err)
		}
		out[strings.TrimSuffix(filepath.Base(file), ".csv.gz")] = table(t, z)
	}
	return out
}

func table(t testing.TB, in io.Reader) (out []vehicle.State) {
	t.Helper()
	r := vehicle.NewCSVReader(in)
	for {
		var s vehicle.State
		switch err := r.Read(&s); {
		case err == nil:
			out = append(out, s)
		case errors.Is(err, io.EOF):
			return out
		default:
			t.Fatal(err)
		}
	}
}

// flown are flights that nobody has looked at: the script is run with other seeds where SciPy is asked for.
func flown(t testing.TB, kind string, seed, seconds int) []vehicle.State {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", "testdata/flights.py", kind, fmt.Sprint(seed), fmt.Sprint(seconds)).Output()
	if err != nil {
		t.Fatalf("flights.py %s: %v", kind, err)
	}
	return table(t, bytes.NewReader(out))
}

func (m Mistake) String() string {
	s := fmt.Sprintf("%s %s %s scale %.4g delay %.2f: %s, by %v, %d of %d", m.Group, m.Component, m.Kind, m.Scale, m.Delay, m.Detail, m.Relations, m.Votes, m.Of)
	for _, a := range m.Alternatives {
		s += fmt.Sprintf(" / or %s %s %s %.4g: %s", a.Group, a.Component, a.Kind, a.Scale, a.Detail)
	}
	return s
}

func blameless(t *testing.T, name string, states []vehicle.State) {
	t.Helper()
	r := Judge(states)
	for _, m := range r.Mistakes {
		t.Errorf("%s is right, and is blamed: %v", name, m)
	}
	for _, u := range r.Unexplained {
		t.Errorf("%s is right, and %s is said not to hold in %d of %d", name, u.Relation, u.Bad, u.Of)
	}
}

func TestRightRecordingsAreNotBlamed(t *testing.T) {
	for name, states := range recorded(t) {
		blameless(t, name, states)
	}
	if os.Getenv("PERCH_TEST_SCIPY") == "" {
		return
	}
	kinds := []string{"aerobatic", "gusty", "radio", "handslow", "ground"}
	if os.Getenv("PERCH_LONG") != "" {
		kinds = []string{"radio", "multiradio", "handslow", "glider", "gentle", "gusty", "aerobatic", "multirotor", "ground", "hand", "turn", "loop", "spin"}
	}
	for _, kind := range kinds {
		for seed := 100; seed < 102; seed++ {
			blameless(t, fmt.Sprintf("%s %d", kind, seed), flown(t, kind, seed, 30))
		}
	}
}

// seen says whether a recording shows a mutation in principle: whether the groups that it changes are compared by a
// relation in which the mutation moves something. It is asked of the mutation's own mirror image: a mistake cannot be seen
// where the relations' gauges hardly differ with and without it.
func seen(right, wrong []vehicle.State) bool {
	a, b := newFlight(right), newFlight(wrong)
	for _, r := range relations() {
		t := r.try(a)
		if len(t.spans) == 0 {
			continue
		}
		t.noise = 1
		if _, of := t.poll(t.null, t.measure(b, 1, mostSpans)); of >= 6 {
			return true
		}
	}
	return false
}

func (m mutation) is(c Change) bool {
	if c.Group != m.group || c.Kind != m.kind && !slices.Contains(m.also, c.Kind) {
		return false
	}
	if m.m != nil && (c.Matrix == nil || *c.Matrix != *m.m) {
		return false
	}
	return m.scale == 0 || m.kind != Unit || math.Abs(c.Scale/m.scale-1) < 0.01
}

// TestEachMistakeIsNamed does each mistake of the catalogue to each flight. One that the flight shows must be named, first
// or among what the data cannot tell from it, and none may be taken for another one alone.
func TestEachMistakeIsNamed(t *testing.T) {
	whole := os.Getenv("PERCH_LONG") != ""
	named, second, hidden, all := 0, 0, 0, 0
	for name, states := range recorded(t) {
		f := newFlight(states)
		for _, m := range mutations() {
			h := fnv.New32()
			_, _ = io.WriteString(h, name+m.name)
			if !whole && h.Sum32()%8 != 0 { // an eighth of the table where time is short
				continue
			}
			wrong := mutate(f, states, m)
			r := Judge(wrong)
			all++
			switch {
			case len(r.Mistakes) == 0 && len(r.Unexplained) > 0:
				t.Logf("%s, %s: %s is told not to hold, and not why", name, m.name, r.Unexplained[0].Relation)
			case len(r.Mistakes) == 0 && seen(states, wrong):
				t.Errorf("%s, %s: the flight shows it, and it is not told", name, m.name)
			case len(r.Mistakes) == 0:
				hidden++
			case m.is(r.Mistakes[0].Change):
				named++
			case slices.ContainsFunc(r.Mistakes[0].Alternatives, m.is):
				second++
			case slices.ContainsFunc(r.Mistakes, func(x Mistake) bool { return m.is(x.Change) || slices.ContainsFunc(x.Alternatives, m.is) }):
				t.Logf("%s, %s: named, after %v", name, m.name, r.Mistakes[0])
			default:
				t.Errorf("%s, %s: taken for %v", name, m.name, r.Mistakes)
			}
		}
	}
	t.Logf("%d mistakes: %d named first, %d among the alternatives, %d not shown by the flight", all, named, second, hidden)
}

func TestOneChannelLate(t *testing.T) {
	flights := recorded(t)
	for _, c := range []struct {
		flight string
		group  Group
		first  vehicle.Signal
		n      int
		late   float64
	}{
		{"aerobatic", AngularVelocity, vehicle.AngularVelocityP, 3, 0.12},
		{"hand", AngularVelocity, vehicle.AngularVelocityP, 3, 0.2},
		{"gentle", Velocity, vehicle.VelocityN, 3, 0.8},
		{"gusty", AngularVelocity, vehicle.AngularVelocityP, 3, 0.3},
	} {
		var signals []vehicle.Signal
		for i := range c.n {
			signals = append(signals, c.first+vehicle.Signal(i))
		}
		r := Judge(delayed(flights[c.flight], signals, c.late))
		right := func(x Change) bool {
			return x.Kind == Delay && x.Group == c.group && math.Abs(x.Delay-c.late) < 0.25*c.late+0.03
		}
		if len(r.Mistakes) == 0 || !right(r.Mistakes[0].Change) && !slices.ContainsFunc(r.Mistakes[0].Alternatives, right) {
			t.Errorf("%s with %s late by %.2f s: %v", c.flight, c.group, c.late, r.Mistakes)
		}
	}
}

func TestAChannelThatIsStuck(t *testing.T) {
	for _, c := range []struct {
		flight    string
		signal    vehicle.Signal
		group     Group
		component string
	}{
		{"aerobatic", vehicle.AngularVelocityP, AngularVelocity, "p"}, {"turn", vehicle.AngularVelocityR, AngularVelocity, "r"},
		{"gentle", vehicle.SpecificForceZ, SpecificForce, "z"}, {"ground", vehicle.VelocityN, Velocity, "north"},
	} {
		states := slices.Clone(recorded(t)[c.flight])
		for i := range states {
			if _, ok := states[i].Value(c.signal); ok {
				states[i].Put(c.signal, 0)
			}
		}
		r := Judge(states)
		if len(r.Mistakes) == 0 || r.Mistakes[0].Kind != Stuck || r.Mistakes[0].Group != c.group || r.Mistakes[0].Component != c.component {
			t.Errorf("%s with %s at 0: %v", c.flight, c.signal, r.Mistakes)
		}
	}
}

func TestClockInAnotherUnit(t *testing.T) {
	for _, scale := range []float64{1000, 0.001, 2} {
		for _, arrival := range []bool{true, false} {
			states := slices.Clone(recorded(t)["gentle"])
			for i := range states {
				states[i].SourceTime = int64(float64(states[i].SourceTime) / scale)
				if !arrival {
					states[i].ObservedAt = 0
				}
			}
			r := Judge(states)
			right := func(c Change) bool { return c.Group == Clock && math.Abs(c.Scale/scale-1) < 0.01 }
			if len(r.Mistakes) == 0 || !right(r.Mistakes[0].Change) && !slices.ContainsFunc(r.Mistakes[0].Alternatives, right) {
				t.Errorf("clock off by %g, arrival times %v: %v", scale, arrival, r.Mistakes)
			}
		}
	}
}

func TestSideslipFromZeroToAFullTurn(t *testing.T) {
	states := slices.Clone(recorded(t)["gusty"])
	for i := range states {
		if v, ok := states[i].Value(vehicle.Sideslip); ok && v < 0 {
			states[i].Put(vehicle.Sideslip, v+2*math.Pi)
		}
	}
	r := Judge(states)
	if len(r.Mistakes) != 1 || r.Mistakes[0].Kind != Wrap || r.Mistakes[0].Group != Sideslip {
		t.Error(r.Mistakes)
	}
}

// Without an attitude much less can be told, but a rest shows gravity.
func TestForceAloneShowsGravity(t *testing.T) {
	for _, c := range []struct {
		kind Kind
		to   func(z float64) float64
	}{{Gravity, func(z float64) float64 { return z + gravity }}, {Sign, func(z float64) float64 { return -z }}, {Unit, func(z float64) float64 { return z / gravity }}} {
		states := slices.Clone(recorded(t)["ground"])
		for i := range states {
			z, _ := states[i].Value(vehicle.SpecificForceZ)
			s := vehicle.State{SourceTime: states[i].SourceTime, ObservedAt: states[i].ObservedAt}
			x, _ := states[i].Value(vehicle.SpecificForceX)
			y, _ := states[i].Value(vehicle.SpecificForceY)
			if c.kind == Unit {
				x, y = x/gravity, y/gravity
			}
			s.Put(vehicle.SpecificForceX, x)
			s.Put(vehicle.SpecificForceY, y)
			s.Put(vehicle.SpecificForceZ, c.to(z))
			states[i] = s
		}
		r := Judge(states)
		right := func(x Change) bool { return x.Group == SpecificForce && x.Kind == c.kind }
		if len(r.Mistakes) == 0 || !right(r.Mistakes[0].Change) && !slices.ContainsFunc(r.Mistakes[0].Alternatives, right) {
			t.Errorf("%s: %v", c.kind, r.Mistakes)
		}
	}
}

func TestNothingToJudge(t *testing.T) {
	for _, states := range [][]vehicle.State{nil, {{}}, {{SourceTime: 1}, {SourceTime: 2}}} {
		if r := Judge(states); len(r.Mistakes)+len(r.Evidence(states))+len(r.Unexplained) != 0 {
			t.Error(r)
		}
	}
}

// A rotation made of three turns is taken apart into the same three.
func TestOrdersOfAngles(t *testing.T) {
	for _, axes := range [][3]int{{0, 1, 2}, {1, 2, 0}, {1, 0, 2}, {2, 0, 1}, {0, 2, 1}, {2, 1, 0}} {
		want := [3]float64{0.4, -0.7, 1.9}
		want[axes[1]] = math.Remainder(want[axes[1]], math.Pi)
		if math.Abs(want[axes[1]]) > math.Pi/2 {
			want[axes[1]] = math.Pi/2 - 0.1
		}
		q := one
		for _, k := range axes {
			q = quat.Mul(q, exp(r3.Scale(want[k], axisOf[k])))
		}
		got := decompose(q, axes)
		for k := range got {
			if math.Abs(math.Remainder(got[k]-want[k], 2*math.Pi)) > 1e-9 {
				t.Errorf("order %v: %v, want %v", axes, got, want)
			}
		}
	}
}

func BenchmarkTwoMinutesAtAHundredHertz(b *testing.B) {
	states := recorded(b)["aerobatic"]
	var long []vehicle.State
	for k := 0; len(long) < 12000; k++ {
		for _, s := range states {
			s.SourceTime += int64(k) * 40e9
			s.Discontinuity = s.SourceTime == int64(k)*40e9
			long = append(long, s)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		Judge(long[:12000])
	}
}
