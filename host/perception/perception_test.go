package perception

import (
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"

	"perch/sdk/oracle"
)

const head = 0.8

// invented is the motion of testdata/perceived.py, by the same formulas.
func invented() (vehicle Series, roll, pitch []float64) {
	const n = 2200
	vehicle, roll, pitch = NewSeries(n), make([]float64, n), make([]float64, n)
	is := func(b bool) float64 {
		if b {
			return 1
		}
		return 0
	}
	for i := range n {
		t := float64(i) / 50
		vehicle[RollRate][i] = 0.4*math.Sin(1.1*t)*is(t > 5) + 0.3*is(math.Abs(t-20) < 1.5)
		vehicle[PitchRate][i] = 0.25*math.Sin(0.7*t+1) + 0.05*math.Sin(9*t)
		vehicle[ForceX][i] = 1.5*math.Sin(0.3*t+0.5) + 2*is(t > 30)
		vehicle[ForceY][i] = 0.8*math.Cos(0.5*t) + 0.3*math.Sin(12*t)
		roll[i] = 0.12 * math.Sin(0.9*t+0.3)
		pitch[i] = 0.08*math.Cos(0.45*t) + 0.05*math.Sin(2.5*t)
	}
	return vehicle, roll, pitch
}

func TestAgainstScipy(t *testing.T) {
	var want struct {
		Vehicle, Seat       [Channels][]float64
		Error, Still, Floor float64
		Channels            [Channels]float64
		False               float64
		Falses              [Channels]float64
	}
	if os.Getenv("PERCH_TEST_SCIPY") != "" {
		oracle.SciPy(t, "testdata/perceived.py", &want)
	} else {
		oracle.Recorded(t, "testdata/perceived.json", &want)
	}
	close := func(name string, got, want, tolerance float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s: %.10g, scipy %.10g", name, got, want)
		}
	}
	motion, roll, pitch := invented()
	felt := Seat(roll, pitch, head)
	vehicle, seat := Perceive(&motion), Perceive(&felt)
	for c := range Channels {
		for k, i := range []int{0, 1, 7, 250, 1000, 1501, 2199} {
			close("vehicle, "+c.String(), vehicle[c][i], want.Vehicle[c][k], 1e-8)
			close("seat, "+c.String(), seat[c][i], want.Seat[c][k], 1e-8)
		}
	}
	r := Judge(&vehicle, &seat)
	close("error", r.Error, want.Error, 1e-10)
	close("still", r.Still, want.Still, 1e-8)
	close("false cues", r.False, want.False, 1e-12)
	for c := range Channels {
		close("error of "+c.String(), r.Channel[c].Error, want.Channels[c], 1e-10)
		close("false cues of "+c.String(), r.Channel[c].False, want.Falses[c], 1e-12)
	}
	reach := Reach{RollLow: -0.10, RollHigh: 0.12, PitchLow: -0.15, PitchHigh: 0.11}
	close("floor", floor(&vehicle, reach, head, 200).Error, want.Floor, 1e-6)
}

// A chair at rest is 1 by definition, and a rider who perceives the same is 0.
func TestEndsOfTheScale(t *testing.T) {
	motion, _, _ := invented()
	vehicle := Perceive(&motion)
	level := make([]float64, motion.Len())
	chair := Seat(level, level, head)
	rest := Perceive(&chair)
	if r := Judge(&vehicle, &rest); math.Abs(r.Error-1) > 1e-12 || r.False != 0 {
		t.Errorf("a chair at rest: error %v, false cues %v", r.Error, r.False)
	}
	if r := Judge(&vehicle, &vehicle); r.Error != 0 || r.False != 0 {
		t.Errorf("the vehicle itself: error %v, false cues %v", r.Error, r.False)
	}
}

// No course within the reach is better than the floor of a whole window, at the floor's own step.
func TestNothingIsBetterThanTheFloor(t *testing.T) {
	motion, _, _ := invented()
	vehicle := Perceive(&motion)
	const n = 200
	rate, force := make([]float64, n), make([]float64, n)
	for i := range n {
		rate[i], force[i] = vehicle[RollRate][i*floorEvery], vehicle[ForceY][i*floorEvery]
	}
	r := newRegulator(RollRate, ForceY, -1, head, -0.1, 0.1)
	least := r.sum(rate, force, r.least(rate, force))
	rapid.Check(t, func(t *rapid.T) {
		x := make([]float64, n)
		a, b := rapid.Float64Range(-1, 1).Draw(t, "a"), rapid.Float64Range(0, 3).Draw(t, "b")
		for i := range x {
			x[i] = 0.1 * a * math.Sin(b*float64(i)/10)
		}
		if sum := r.sum(rate, force, x); sum < least-1e-6 {
			t.Fatalf("%v is under the least, %v", sum, least)
		}
	})
	for _, x := range r.least(rate, force) {
		if math.Abs(x) > 0.1 {
			t.Errorf("the best course goes to %v rad of 0.1", x)
		}
	}
	wide := newRegulator(RollRate, ForceY, -1, head, -0.2, 0.2)
	if sum := wide.sum(rate, force, wide.least(rate, force)); sum > least {
		t.Errorf("with twice the reach the least rises from %v to %v", least, sum)
	}
	for _, x := range newRegulator(RollRate, ForceY, -1, head, 0, 0).least(rate, force) {
		if x != 0 {
			t.Errorf("without reach the best course goes to %v", x)
		}
	}
}

func TestFalseCue(t *testing.T) {
	for _, c := range []struct {
		name          string
		vehicle, seat float64
		want          bool
	}{
		{"the same", 3, 3, false},
		{"less of it", 3, 1.1, false},
		{"far more of it", 1.1, 5, false},
		{"the other way", 2, -1.5, true},
		{"the other way, imperceptibly", 2, -0.9, false},
		{"only the seat", 0, 1.1, true},
		{"nearly what is nearly perceived", 0.9, 1.5, false},
		{"only the seat, against what is not perceived", -0.5, 1.2, true},
		{"the seat at rest", 4, 0, false},
	} {
		if IsFalse(c.vehicle, c.seat) != c.want || IsFalse(-c.vehicle, -c.seat) != c.want {
			t.Errorf("%s: vehicle %v, seat %v: false cue %v", c.name, c.vehicle, c.seat, !c.want)
		}
	}
}

func BenchmarkFloor(b *testing.B) {
	motion, _, _ := invented()
	vehicle := Perceive(&motion)
	b.ReportAllocs()
	for b.Loop() {
		Floor(&vehicle, Reach{-0.2, 0.2, -0.2, 0.2}, head)
	}
}
