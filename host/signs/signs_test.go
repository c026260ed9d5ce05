package signs

import (
	"compress/gzip"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk"
	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// tilted is a model that is held level and still for two seconds, turned by an angle about one axis of its body within a second,
// and held there, at a rate in Hz. About one axis alone the angle is the integral of the rate, and at rest f = -Rᵀg
// (ISO 1151-1), so that nothing here is taken from the code under test.
func tilted(axis int, angle, rate float64) []vehicle.State {
	var out []vehicle.State
	for n := 0.0; n <= 5*rate; n++ {
		t := n / rate
		x := min(max(t-2, 0), 1)
		a, w := angle*(1-math.Cos(math.Pi*x))/2, 0.0
		if x > 0 && x < 1 {
			w = angle * math.Pi / 2 * math.Sin(math.Pi*x)
		}
		var s vehicle.State
		s.SourceTime = int64(t * 1e9)
		var about, rates [3]float64
		about[axis], rates[axis] = math.Sin(a/2), w
		s.PutAttitude(quat.Number{Real: math.Cos(a / 2), Imag: about[0], Jmag: about[1], Kmag: about[2]})
		s.PutVec(vehicle.AngularVelocityP, r3.Vec{X: rates[0], Y: rates[1], Z: rates[2]})
		f := [3]r3.Vec{
			{Y: -9.80665 * math.Sin(a), Z: -9.80665 * math.Cos(a)},
			{X: 9.80665 * math.Sin(a), Z: -9.80665 * math.Cos(a)},
			{Z: -9.80665},
		}[axis]
		s.PutVec(vehicle.SpecificForceX, f)
		out = append(out, s)
	}
	return out
}

// change is one way for a source to be wrong.
type change func(*vehicle.State)

func scaled(first vehicle.Signal, x, y, z float64) change {
	return func(s *vehicle.State) {
		if v, ok := s.Vec(first); ok {
			s.PutVec(first, r3.Vec{X: x * v.X, Y: y * v.Y, Z: z * v.Z})
		}
	}
}

// turned gives the vector part of the attitude other signs, or another order.
func turned(of func(x, y, z float64) (float64, float64, float64)) change {
	return func(s *vehicle.State) {
		if q, ok := s.Attitude(); ok {
			x, y, z := of(q.Imag, q.Jmag, q.Kmag)
			s.PutAttitude(quat.Number{Real: q.Real, Imag: x, Jmag: y, Kmag: z})
		}
	}
}

func all(changes ...change) change {
	return func(s *vehicle.State) {
		for _, c := range changes {
			c(s)
		}
	}
}

// drop leaves a group out.
func drop(first vehicle.Signal, n int) change {
	return func(s *vehicle.State) {
		for i := range n {
			s.Present &^= 1 << (first + vehicle.Signal(i))
		}
	}
}

// mirrored is a world seen in a mirror that exchanges left and right: what turns about x and z turns the other way, what
// points along y too, and everything still agrees with everything.
func mirrored() change {
	return all(turned(func(x, y, z float64) (float64, float64, float64) { return -x, y, -z }),
		scaled(vehicle.AngularVelocityP, -1, 1, -1), scaled(vehicle.SpecificForceX, 1, -1, 1), scaled(vehicle.VelocityX, 1, -1, 1))
}

// asked goes through the motions with a person who does as asked, and says what the reading looks like to them.
func asked(t *testing.T, rate float64, wrong change) []Result {
	t.Helper()
	var out []Result
	given := tilted(0, 0, rate)[0]
	wrong(&given)
	for _, m := range Motions(InHand, "aeroplane", given.Present) {
		x := NewTracker(m)
		for _, s := range tilted(m.Kind.axis(), 35*degree, rate) {
			wrong(&s)
			x.See(&s)
		}
		readings := x.Readings()
		answer := CannotSay
		if x.Done() {
			answer = Same // of the first group, which is what is drawn
			switch readings[0].Outcome {
			case Opposite:
				answer = Reversed
			case Other:
				answer = Another
			case Agrees, NotShown, Unclear:
			}
		}
		out = append(out, Conclude(m, readings, answer))
	}
	return out
}

func outcomes(results []Result) map[Kind]Outcome {
	out := map[Kind]Outcome{}
	for _, r := range results {
		out[r.Motion] = r.Outcome
	}
	return out
}

func TestAModelInTheHand(t *testing.T) {
	right := func(*vehicle.State) {}
	good := map[Kind]Outcome{RollRight: Agrees, NoseUp: Agrees, TurnRight: Agrees}
	for _, c := range []struct {
		name  string
		rate  float64
		wrong change
		want  map[Kind]Outcome
		says  string // of what to mend
	}{
		{"right", 50, right, good, ""},
		{"right, at three a second", 3, right, good, ""},
		{"right, with angular velocity alone", 50, all(drop(vehicle.AttitudeW, 4), drop(vehicle.SpecificForceX, 3)), map[Kind]Outcome{RollRight: Agrees, NoseUp: Agrees, TurnRight: Agrees}, ""},
		{"right, with specific force alone", 50, all(drop(vehicle.AttitudeW, 4), drop(vehicle.AngularVelocityP, 3)), map[Kind]Outcome{RollRight: Agrees, NoseUp: Agrees}, ""},
		{"the whole world mirrored", 50, mirrored(), map[Kind]Outcome{RollRight: Opposite, NoseUp: Agrees, TurnRight: Opposite}, "attitude: roll and yaw have the wrong sign: its world is a mirror image"},
		{"the whole world mirrored, at three a second", 3, mirrored(), map[Kind]Outcome{RollRight: Opposite, NoseUp: Agrees, TurnRight: Opposite}, "mirror image"},
		{"forward, left, up", 50, all(turned(func(x, y, z float64) (float64, float64, float64) { return x, -y, -z }), scaled(vehicle.AngularVelocityP, 1, -1, -1), scaled(vehicle.SpecificForceX, 1, -1, -1)),
			map[Kind]Outcome{RollRight: Opposite, NoseUp: Opposite, TurnRight: Opposite}, "ISO 8855"},
		{"pitch rate alone", 50, scaled(vehicle.AngularVelocityP, 1, -1, 1), map[Kind]Outcome{RollRight: Agrees, NoseUp: Opposite, TurnRight: Agrees}, "angular_velocity: q has the wrong sign"},
		{"the inverse attitude", 50, turned(func(x, y, z float64) (float64, float64, float64) { return -x, -y, -z }), map[Kind]Outcome{RollRight: Opposite, NoseUp: Opposite, TurnRight: Opposite}, "earth into body"},
		{"the reaction for the force", 50, scaled(vehicle.SpecificForceX, -1, -1, -1), map[Kind]Outcome{RollRight: Opposite, NoseUp: Opposite, TurnRight: Agrees}, "specific_force: y and x have the wrong sign: it is the reaction"},
		{"roll and pitch exchanged", 50, turned(func(x, y, z float64) (float64, float64, float64) { return y, x, z }), map[Kind]Outcome{RollRight: Other, NoseUp: Other, TurnRight: Agrees}, "comes out as pitch or y"},
	} {
		t.Run(c.name, func(t *testing.T) {
			results := asked(t, c.rate, c.wrong)
			if diff := cmp.Diff(c.want, outcomes(results)); diff != "" {
				t.Errorf("outcomes (-want +got):\n%s\n%+v", diff, results)
			}
			want := Confirmed
			for _, o := range c.want {
				if o != Agrees {
					want = Contradicted
				}
			}
			if got := Whole(results); got != want {
				t.Errorf("%v, want %v", got, want)
			}
			mend := strings.Join(Mend("box", sdk.Description{Name: "box"}, results), "\n")
			if !strings.Contains(mend, c.says) || (c.says == "") != (mend == "") {
				t.Errorf("what to mend is\n%s\nwant it to say %q", mend, c.says)
			}
		})
	}
}

// TestMendFitsTheAdapter: its own settings are named where it has any about axes.
func TestMendFitsTheAdapter(t *testing.T) {
	results := asked(t, 50, mirrored())
	d := sdk.Description{Name: "box", Settings: []sdk.Setting{{Key: "port"}, {Key: "invert_roll"}, {Key: "axes"}}}
	with := strings.Join(Mend("./box", d, results), "\n")
	d.Settings = nil
	without := strings.Join(Mend("./box", d, results), "\n")
	if !strings.Contains(with, "invert_roll, axes") || strings.Contains(with, "port") || strings.Contains(without, "settings about axes") ||
		!strings.Contains(without, "its author") || !strings.Contains(with, "perch conform ./box") {
		t.Errorf("with settings:\n%s\nwithout:\n%s", with, without)
	}
}

// TestAPersonAndAReadingThatDiffer: neither proves nor disproves anything.
func TestAPersonAndAReadingThatDiffer(t *testing.T) {
	m := Motion{Kind: RollRight}
	agrees, opposite, none := Reading{Group: Attitude, Outcome: Agrees}, Reading{Group: Attitude, Outcome: Opposite}, Reading{Group: Attitude, Outcome: NotShown}
	for _, c := range []struct {
		r    Reading
		a    Answer
		want Outcome
	}{
		{agrees, Same, Agrees}, {agrees, Reversed, Unclear}, {agrees, Another, Unclear}, {agrees, CannotSay, NotShown},
		{opposite, Same, Unclear}, {opposite, Reversed, Opposite}, {opposite, Another, Opposite},
		{none, Same, NotShown}, {none, Another, Other}, {none, Reversed, Opposite}, {none, CannotSay, NotShown},
	} {
		if got := Conclude(m, []Reading{c.r}, c.a).Outcome; got != c.want {
			t.Errorf("the reading %v and the person says %v: %v, want %v", c.r.Outcome, c.a, got, c.want)
		}
	}
	if got := Whole([]Result{{Outcome: Agrees}, {Outcome: NotShown}}); got != NotConfirmed {
		t.Errorf("one motion that was not shown: %v", got)
	}
	if got := Whole(nil); got != NotConfirmed {
		t.Errorf("no motion at all: %v", got)
	}
}

// TestOnlyWhatCanBeShownIsAskedFor for each way, class and set of signals.
func TestOnlyWhatCanBeShownIsAskedFor(t *testing.T) {
	attitude := vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)
	force := vehicle.Set(0).With(vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ)
	velocity := vehicle.Set(0).With(vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD)
	for _, c := range []struct {
		way   Way
		class string
		given vehicle.Set
		want  []Kind
	}{
		{InHand, "aeroplane", attitude, []Kind{RollRight, NoseUp, TurnRight}},
		{InHand, "aeroplane", force, []Kind{RollRight, NoseUp}},
		{InHand, "aeroplane", attitude | velocity, []Kind{RollRight, NoseUp, TurnRight, SpeedUp}},
		{InHand, "aeroplane", attitude | velocity | force, []Kind{RollRight, NoseUp, TurnRight}},
		{OnScreen, "car", attitude | velocity, []Kind{RollRight, NoseUp, TurnRight, SpeedUp}},
		{OnScreen, "car", force, []Kind{SpeedUp}},
		{OnScreen, "glider", velocity, nil}, // over the ground, without an attitude
	} {
		var got []Kind
		for _, m := range Motions(c.way, c.class, c.given) {
			got = append(got, m.Kind)
			if m.Say == "" || m.Ready == "" || m.Enough == 0 {
				t.Errorf("%v: %+v", c, m)
			}
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%v %v (-want +got):\n%s", c.way, c.class, diff)
		}
	}
	if words := Motions(OnScreen, "car", attitude)[0].Say; strings.Contains(words, "wing") {
		t.Errorf("a car is asked to %s", words)
	}
}

// TestATurnInTheAir banks, and is judged by its heading all the same.
func TestATurnInTheAir(t *testing.T) {
	for _, c := range []struct {
		rate float64 // of the heading, rad/s
		want Outcome
	}{{10 * degree, Agrees}, {-10 * degree, Opposite}} {
		var given vehicle.State
		given.PutAttitude(quat.Number{Real: 1})
		x := NewTracker(Motions(OnScreen, "aeroplane", given.Present)[2])
		for n := range 400 {
			at := float64(n) / 50
			turning := max(0, at-2)
			bank := math.Copysign(min(turning/1.5, 1)*40*degree, c.rate)
			var s vehicle.State
			s.SourceTime = int64(at * 1e9)
			s.PutAttitude(axes.FromEuler(3+c.rate*turning, 2*degree, bank)) // through the wrap at pi
			x.See(&s)
		}
		if r := x.Readings(); !x.Done() || r[0].Outcome != c.want {
			t.Errorf("at %.2f rad/s: %+v, done %v, want %v", c.rate, r, x.Done(), c.want)
		}
	}
}

// TestSpeedingUp: along body x, over the ground, and backwards.
func TestSpeedingUp(t *testing.T) {
	for _, c := range []struct {
		name  string
		class string
		put   func(s *vehicle.State, v, a float64)
		want  Outcome
	}{
		{"velocity", "car", func(s *vehicle.State, v, _ float64) { s.PutVec(vehicle.VelocityX, r3.Vec{X: v}) }, Agrees},
		{"velocity backwards", "car", func(s *vehicle.State, v, _ float64) { s.PutVec(vehicle.VelocityX, r3.Vec{X: -v}) }, Opposite},
		{"velocity sideways", "car", func(s *vehicle.State, v, _ float64) { s.PutVec(vehicle.VelocityX, r3.Vec{Y: v}) }, Other},
		{"over the ground, to the east", "glider", func(s *vehicle.State, v, _ float64) {
			s.PutAttitude(axes.FromEuler(math.Pi/2, 0, 0))
			s.PutVec(vehicle.VelocityN, r3.Vec{Y: v})
		}, Agrees},
		{"force alone", "car", func(s *vehicle.State, _, a float64) { s.PutVec(vehicle.SpecificForceX, r3.Vec{X: a, Z: -9.8}) }, Agrees},
		{"reaction alone", "car", func(s *vehicle.State, _, a float64) { s.PutVec(vehicle.SpecificForceX, r3.Vec{X: -a, Z: 9.8}) }, Opposite},
	} {
		var given vehicle.State
		c.put(&given, 0, 0)
		motions := Motions(OnScreen, c.class, given.Present)
		x := NewTracker(motions[len(motions)-1])
		for n := range 300 {
			at := float64(n) / 50
			v, a := 10.0, 0.0
			if at > 2 {
				v, a = 10+3*(at-2), 3
			}
			var s vehicle.State
			s.SourceTime = int64(at * 1e9)
			c.put(&s, v, a)
			x.See(&s)
		}
		if r := x.Readings(); !x.Done() || r[0].Outcome != c.want {
			t.Errorf("%s: %+v, done %v, want %v", c.name, r, x.Done(), c.want)
		}
	}
}

// TestNothingIsSeenInStillness, in a source that is paused, nor before it was still.
func TestNothingIsSeenInStillness(t *testing.T) {
	given := tilted(0, 0, 50)
	m := Motions(InHand, "aeroplane", given[0].Present)[0]
	x := NewTracker(m)
	for _, s := range given {
		x.See(&s)
	}
	if x.Done() || !x.Ready() {
		t.Errorf("still: done %v, ready %v", x.Done(), x.Ready())
	}
	x = NewTracker(m)
	for _, s := range tilted(0, 35*degree, 50) {
		s.Condition = vehicle.Paused
		x.See(&s)
	}
	if x.Done() || x.Ready() {
		t.Errorf("paused: done %v, ready %v", x.Done(), x.Ready())
	}
	x = NewTracker(m)
	for _, s := range tilted(0, 35*degree, 50) { // and about pitch as far
		q, _ := s.Attitude()
		s = vehicle.State{SourceTime: s.SourceTime}
		angle := 2 * math.Asin(q.Imag)
		s.PutAttitude(axes.FromEuler(0, angle, angle))
		x.See(&s)
	}
	if x.Done() || !x.Mixed() {
		t.Errorf("about two axes: done %v, mixed %v", x.Done(), x.Mixed())
	}
	x = NewTracker(m)
	for i, s := range tilted(0, 35*degree, 50) {
		s.Discontinuity = i == 125 // half way through the motion
		x.See(&s)
	}
	if x.Done() {
		t.Error("half a motion after a jump counts as one")
	}
}

// TestHeldTiltedWhileAQuestionIsAnswered: what comes back to level then is not the next motion.
func TestHeldTiltedWhileAQuestionIsAnswered(t *testing.T) {
	states := tilted(0, 35*degree, 50)
	motions := Motions(InHand, "aeroplane", states[0].Present)
	first := NewTracker(motions[0])
	for _, s := range states {
		first.See(&s)
	}
	if !first.Done() {
		t.Fatal("the first motion was not seen")
	}
	second := NewTracker(motions[1])
	second.After(first)
	for range 2 { // ten seconds at 35 degrees, where it was left
		for range states {
			s := states[len(states)-1]
			s.SourceTime = max(second.last, int64(5e9)) + 20e6
			second.See(&s)
		}
	}
	if second.Ready() || second.Done() {
		t.Errorf("still held tilted: ready %v, done %v", second.Ready(), second.Done())
	}
	from := second.last
	for _, s := range tilted(1, 35*degree, 50) {
		s.SourceTime += from + 20e6
		second.See(&s)
		if second.Done() {
			break
		}
	}
	if r := second.Readings(); !second.Done() || r[0].Outcome != Agrees {
		t.Errorf("done %v: %+v", second.Done(), r)
	}
}

// hand is a model that is tilted by hand every way, with noise, as an independent program made it.
func hand(t *testing.T, name string) []vehicle.State {
	t.Helper()
	f, err := os.Open("../../conformance/consistency/testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	r := vehicle.NewCSVReader(z)
	var out []vehicle.State
	for {
		var s vehicle.State
		if err := r.Read(&s); errors.Is(err, io.EOF) {
			return out
		} else if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
}

// TestTiltedByHand: whatever is done with the model, the groups agree which way it went; in a mirror every roll and turn that
// was right comes out as the opposite, and every pitch does not.
func TestTiltedByHand(t *testing.T) {
	for _, name := range []string{"hand.csv.gz", "handslow.csv.gz"} {
		states := hand(t, name)
		seen, differ := 0, 0
		for from := 0; from < len(states); from += 1 + len(states)/100 {
			for _, m := range Motions(InHand, "multirotor", states[0].Present|states[min(1, len(states)-1)].Present) {
				m.Still = 0 // it never is
				plain, mirror := NewTracker(m), NewTracker(m)
				for i := from; i < len(states) && !plain.Done(); i++ {
					s := states[i]
					plain.See(&s)
					mirrored()(&s)
					mirror.See(&s)
				}
				if !plain.Done() {
					continue
				}
				seen++
				a, b := plain.Readings(), mirror.Readings()
				ways := map[Outcome]bool{}
				for i := range a {
					want := a[i].Outcome
					if m.Kind != NoseUp && want == Agrees {
						want = Opposite
					} else if m.Kind != NoseUp && want == Opposite {
						want = Agrees
					}
					if b[i].Outcome != want {
						t.Errorf("%s, %s from state %d: %s %v, and %v in the mirror", name, m.Kind, from, a[i].Group, a[i].Outcome, b[i].Outcome)
					}
					if a[i].Outcome != NotShown {
						ways[a[i].Outcome] = true
					}
				}
				if ways[Agrees] && ways[Opposite] {
					differ++
					t.Logf("%s, %s from state %d: %+v", name, m.Kind, from, a)
				}
			}
		}
		t.Logf("%s: %d motions seen, %d with groups that differ", name, seen, differ)
		if seen < 20 || differ > 0 {
			t.Errorf("%s: %d motions seen, in %d of them the groups differ", name, seen, differ)
		}
	}
}

func sample() Record {
	d := sdk.Description{Name: "box", Version: "1.2.0", Settings: []sdk.Setting{{Key: "port"}, {Key: "file"}, {Key: "vehicle", Default: "0"}, {Key: "mount"}}}
	results := []Result{{Motion: RollRight, Outcome: Agrees, Answer: Same, Readings: []Reading{{Group: Attitude, Outcome: Agrees, Amount: 0.5, Words: "rolled right by 29°"}}}}
	return Record{Identity: IdentityOf("model", d, map[string]string{"port": "/dev/ttyUSB0"}), Date: time.Date(2026, 1, 31, 15, 4, 5, 0, time.UTC), Way: InHand, Standing: Confirmed, Results: results}
}

// TestWhatARecordHoldsFor: that source, that version, those settings; where the bytes come from does not matter.
func TestWhatARecordHoldsFor(t *testing.T) {
	d := sdk.Description{Name: "box", Version: "1.2.0", Settings: []sdk.Setting{{Key: "port"}, {Key: "file"}, {Key: "vehicle", Default: "0"}, {Key: "mount"}}}
	newer := d
	newer.Version = "1.3.0"
	b := Book{}.With(sample())
	for _, c := range []struct {
		name string
		id   Identity
		want Standing
		says string
	}{
		{"the same", IdentityOf("model", d, map[string]string{"port": "/dev/ttyUSB0"}), Confirmed, ""},
		{"another port", IdentityOf("model", d, map[string]string{"port": "/dev/ttyACM1"}), Confirmed, ""},
		{"played from a file", IdentityOf("model", d, map[string]string{"file": "tilt.log"}), Confirmed, ""},
		{"a default said", IdentityOf("model", d, map[string]string{"vehicle": "0"}), Confirmed, ""},
		{"another vehicle", IdentityOf("model", d, map[string]string{"vehicle": "7"}), NotConfirmed, `vehicle was "0" and is "7"`},
		{"another way up", IdentityOf("model", d, map[string]string{"mount": "left"}), NotConfirmed, `mount was "" and is "left"`},
		{"another version", IdentityOf("model", newer, nil), NotConfirmed, "version 1.2.0 of the adapter, and this is 1.3.0"},
		{"another source", IdentityOf("other", d, nil), NotConfirmed, "nobody has checked them; do perch signs --source other"},
	} {
		v := b.Check(c.id, "perch signs --source "+c.id.Source)
		if v.Standing != c.want || !strings.Contains(v.Line(), c.says) {
			t.Errorf("%s: %v: %q, want %v and %q", c.name, v.Standing, v.Line(), c.want, c.says)
		}
	}
	wrong := sample()
	wrong.Results[0].Outcome, wrong.Standing, wrong.Mend = Opposite, Contradicted, []string{"attitude: roll has the wrong sign"}
	b = b.With(wrong)
	if v := b.Check(wrong.Identity, "perch signs"); len(b.Records) != 1 || v.Standing != Contradicted || !strings.Contains(v.Line(), "roll has the wrong sign") || !strings.Contains(v.Line(), "31 January 2026") {
		t.Errorf("%d records, %q", len(b.Records), v.Line())
	}
	if v := b.Check(IdentityOf("model", newer, nil), "perch signs"); v.Standing != NotConfirmed {
		t.Errorf("a newer version, which may have mended it: %v", v.Standing)
	}
}

func TestABookIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new", "signs.json")
	if b, err := Load(path); err != nil || len(b.Records) != 0 {
		t.Fatalf("before anything was kept: %v, %v", b, err)
	}
	want := Book{}.With(sample())
	if err := want.Save(path); err != nil {
		t.Fatal(err)
	}
	got, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(left) != 1 {
		t.Errorf("beside the file: %v, %v", left, err)
	}
}

// TestABookThatWasChanged is refused whole, with the remedy.
func TestABookThatWasChanged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "signs.json")
	if err := (Book{}.With(sample())).Save(path); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range [][2]string{
		{`"format": 1`, `"format": 2`}, {`"outcome": "agrees"`, `"outcome": "opposite"`}, {`"vehicle": "0"`, `"vehicle": "7"`},
		{`"format"`, `"farmat"`}, {"}\n", "}\n{}\n"}, {"{", ""},
	} {
		text := strings.Replace(string(whole), c[0], c[1], 1)
		if c[0] == "}\n" {
			text = string(whole) + "{}\n"
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Load(path); err == nil || !strings.Contains(err.Error(), "remove the file") {
			t.Errorf("with %s for %s: %v", c[1], c[0], err)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(`{"format":1,"records":[]}`))
	f.Fuzz(func(_ *testing.T, data []byte) {
		if b, err := Parse(data); err == nil {
			b.Check(Identity{Source: "model"}, "perch signs")
		}
	})
}

// FuzzTracker: whatever states come, nothing that is not finite comes out, and nothing panics.
func FuzzTracker(f *testing.F) {
	f.Add(int64(20e6), 0.5, 1.0, -9.8, uint8(0))
	f.Fuzz(func(t *testing.T, step int64, a, b, c float64, which uint8) {
		var given vehicle.State
		given.PutVec(vehicle.AngularVelocityP, r3.Vec{})
		given.PutVec(vehicle.SpecificForceX, r3.Vec{})
		given.PutVec(vehicle.VelocityX, r3.Vec{})
		given.PutAttitude(quat.Number{Real: 1})
		motions := append(Motions(InHand, "", given.Present), Motions(OnScreen, "car", given.Present)...)
		x := NewTracker(motions[int(which)%len(motions)])
		var s vehicle.State
		for n := range 50 {
			s.SourceTime += step
			k := float64(n % 7)
			s.PutVec(vehicle.AngularVelocityP, r3.Vec{X: a * k, Y: b, Z: c})
			s.PutVec(vehicle.SpecificForceX, r3.Vec{X: b, Y: c * k, Z: a})
			s.PutVec(vehicle.VelocityX, r3.Vec{X: a * k, Y: b * k, Z: c})
			s.PutAttitude(quat.Number{Real: a, Imag: b * k, Jmag: c})
			x.See(&s)
		}
		for _, r := range x.Readings() {
			if r.Words == "" {
				t.Errorf("%+v", r)
			}
		}
	})
}
