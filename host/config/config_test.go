package config

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"perch/host/commissioning/sizing"
	"perch/host/cueing"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

var update = flag.Bool("update", false, "write the golden files")

// Each golden file is an input, the line "-----", and what comes of it: all faults, or the result.
const separator = "-----\n"

func TestGolden(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal("no golden files", err)
	}
	for _, path := range files {
		name := strings.TrimSuffix(filepath.Base(path), ".txt")
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			input, want, _ := strings.Cut(strings.ReplaceAll(string(data), "\r\n", "\n"), separator)
			var got string
			if strings.HasPrefix(name, "seat") {
				s, err := ParseSeat("seat.toml", []byte(input))
				got = outcome(describeSeat(s), err)
			} else {
				c, err := Parse("perch.toml", []byte(input))
				got = outcome(describe(c), err)
			}
			if *update {
				if err := os.WriteFile(path, []byte(input+separator+got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("look at it, then run with -update (-want +got):\n%s", diff)
			}
		})
	}
}

func outcome(result string, err error) string {
	if err != nil {
		return err.Error() + "\n"
	}
	return result
}

func describe(c Config) string {
	var b strings.Builder
	fmt.Fprintf(&b, "rate %g Hz\nseat %q file %q\nlive %s\n", c.Rate, c.Seat.Port, c.SeatFile, c.Live)
	fmt.Fprintf(&b, "profile %s %s %g\n", c.Profile.Mode, c.Profile.Class, c.Profile.Intensity)
	for _, s := range c.Sources {
		fmt.Fprintf(&b, "source %s adapter %q command %q sha256 %q settings %q\n", s.Name, s.Adapter, s.Command, s.SHA256, s.Settings)
	}
	return b.String()
}

func describeSeat(s Seat) string {
	var b strings.Builder
	fmt.Fprintf(&b, "port %q baud %d board %q record%s\n%s\n", s.Port, s.Baud, s.Board, describeRecord(s.Record), s.Mechanism.Kind)
	if s.Mechanism.Kind == TwoCrank {
		fmt.Fprintf(&b, "%+v\n", s.Mechanism.TwoCrank)
	}
	for a := range pose.Count {
		if s.Mechanism.Axes().Has(a) {
			fmt.Fprintf(&b, "%s %.6g to %.6g %s, %.6g, %.6g, %.6g\n", a, s.Limits.Low[a], s.Limits.High[a], a.Unit(), s.Limits.Speed[a], s.Limits.Acceleration[a], s.Limits.Jerk[a])
		}
	}
	if s.Load.Given() || s.Drive.Given() {
		fmt.Fprintf(&b, "load %+v\ndrive %+v\nstops %.6g\n", s.Load, s.Drive, s.HardStop)
	}
	return b.String()
}

func describeRecord(r Record) string {
	if r.IsZero() {
		return ""
	}
	return fmt.Sprintf(" %s %s %x %v", r.Board, r.Firmware, r.Limits, r.Steps)
}

// The files that document the defaults say everything: read without any default below them they give the same.
func TestDefaults(t *testing.T) {
	c := Default()
	again, err := Parse("default.toml", DefaultText())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(c, again); diff != "" {
		t.Error(diff)
	}
	// Degrees here: the limits that the built-in seat is specified with.
	want := map[string]float64{"low": -8, "high": 8, "speed": 40, "acceleration": 300, "jerk": 5000}
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		l := c.Seat.Limits
		got := map[string]float64{"low": l.Low[a], "high": l.High[a], "speed": l.Speed[a], "acceleration": l.Acceleration[a], "jerk": l.Jerk[a]}
		for k := range got {
			got[k] *= 180 / math.Pi
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
			t.Errorf("%s: %s", a, diff)
		}
	}
	if diff := cmp.Diff(mechanism.DefaultTwoCrank(), c.Seat.Mechanism.TwoCrank, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
		t.Errorf("seat.toml and the mechanism's own default are not the same seat: %s", diff)
	}
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	if m.Axes() != c.Seat.Mechanism.Axes() {
		t.Errorf("axes %b, the mechanism says %b", c.Seat.Mechanism.Axes(), m.Axes())
	}
	if _, err := guard.NewLimiter(m, c.Seat.Limits, 1/c.Rate); err != nil {
		t.Errorf("the guard refuses the built-in limits: %v", err)
	}
}

// The classes on offer are those that cueing tells apart from a class that nobody knows, and the aeroplane's.
func TestClassesAreKnownToCueing(t *testing.T) {
	other := cueing.Preset("no such class")
	for _, c := range Classes() {
		if c != "aeroplane" && cmp.Equal(other, cueing.Preset(c)) {
			t.Errorf("class %q has no preset of its own", c)
		}
	}
}

// The modes on offer are those of cueing.
func TestModesAreKnownToCueing(t *testing.T) {
	for _, mode := range cueing.Modes() {
		c, err := Parse("mode.toml", []byte("[profile]\nmode = \""+mode+"\"\n"))
		if err != nil || c.Profile.Mode != mode {
			t.Errorf("mode %q became %q: %v", mode, c.Profile.Mode, err)
		}
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	seat := strings.Replace(string(DefaultSeatText()), `port = "simulated"`, `port = "usb:1a2b:3c4d"`, 1)
	write("seat.toml", seat)
	c, err := Load(write("good.toml", "seat_file = \"seat.toml\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Seat.Port != "usb:1a2b:3c4d" || c.Seat.Mechanism.Kind != TwoCrank {
		t.Errorf("seat file is not read: %+v", c.Seat)
	}
	c, err = Load(write("port.toml", "seat_file = \"seat.toml\"\nseat = \"/dev/ttyACM0\"\n"))
	if err != nil || c.Seat.Port != "/dev/ttyACM0" {
		t.Errorf("port %q, error %v", c.Seat.Port, err)
	}
	write("badseat.toml", "bud = 1\n"+string(DefaultSeatText()))
	_, err = Load(write("bad.toml", "rte = \"500 Hz\"\nseat_file = \"badseat.toml\"\n"))
	var faults Faults
	if !errors.As(err, &faults) || len(faults) != 2 {
		t.Fatalf("want a fault of each file, got %v", err)
	}
	for i, want := range []string{"bad.toml:1: rte: unknown key; did you mean rate?", "badseat.toml:1: bud: unknown key; did you mean baud?"} {
		if got := faults[i].Error(); !strings.HasSuffix(got, want) {
			t.Errorf("got %s, want %s", got, want)
		}
	}
	if _, err := Load(write("lost.toml", "seat_file = \"nowhere.toml\"\n")); err == nil || !strings.Contains(err.Error(), "no such seat file") {
		t.Errorf("got %v", err)
	}
	if _, err := Load(filepath.Join(dir, "nowhere.toml")); err == nil || !strings.Contains(err.Error(), "no such configuration file") {
		t.Errorf("got %v", err)
	}
	if _, err := Load(dir); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("got %v", err)
	}
}

func TestParseSets(t *testing.T) {
	for _, c := range []struct {
		name    string
		sets    []string
		sources []string
		want    map[string]map[string]string
		err     string
	}{
		{"none", nil, []string{"demo"}, map[string]map[string]string{}, ""},
		{"one source", []string{"port=1234", "file=a=b"}, []string{"demo"}, map[string]map[string]string{"demo": {"port": "1234", "file": "a=b"}}, ""},
		{"named", []string{"demo.port=1", "other.port="}, []string{"demo", "other"}, map[string]map[string]string{"demo": {"port": "1"}, "other": {"port": ""}}, ""},
		{"all at once", []string{"port", "port=1", "dmo.port=1", "demo.=1", "other.a=1", "other.a=2"}, []string{"demo", "other"}, nil,
			"--set port: is not KEY=VALUE; write --set KEY=VALUE\n" +
				"--set port=1: does not say which of 2 sources it is for; write --set demo.port=1 or another of demo, other\n" +
				"--set dmo.port=1: there is no source \"dmo\"; did you mean demo?\n" +
				"--set demo.=1: has no key after demo.; write --set demo.KEY=VALUE\n" +
				"--set other.a=2: given twice for other, first as \"1\"; keep one"},
		{"no source", []string{"a=1"}, nil, nil, "--set a=1: there is no source to set it for; add --source NAME"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := ParseSets(c.sets, c.sources)
			text := ""
			if err != nil {
				text = err.Error()
			}
			if diff := cmp.Diff(c.err, text); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestParseQuantity(t *testing.T) {
	for _, c := range []struct {
		text string
		d    Dimension
		want float64 // by the definition of the unit
	}{
		{"180 deg", Angle, math.Pi},
		{"180°", Angle, math.Pi},
		{"-0.5rad", Angle, -0.5},
		{"360 deg/s", AngularSpeed, 2 * math.Pi},
		{"180 deg/s²", AngularAcceleration, math.Pi},
		{"180 deg/s^3", AngularJerk, math.Pi},
		{"120 mm", Length, 0.12},
		{"1e2 cm", Length, 1},
		{"250 mm/s", Speed, 0.25},
		{"+9.5 m/s2", Acceleration, 9.5},
		{"3 m/s3", Jerk, 3},
		{"20 ms", Time, 0.02},
		{" 0.5 kHz ", Frequency, 500},
		{"40 %", Ratio, 0.4},
		{"40percent", Ratio, 0.4},
		{"5 m", Length, 5},
		{"10 in", Length, 0.254},
		{"60 rpm", AngularSpeed, 2 * math.Pi},
		{"2000 g", Mass, 2},
		{"10 lb", Mass, 4.5359237},
		{"12 kg m²", Inertia, 12},
		{"3000 g cm2", Inertia, 3e-4},
		{"3 kg·cm²", Inertia, 3e-4},
		{"5.9 N m", Torque, 5.9},
		{"5.9Nm", Torque, 5.9},
		{"120 N·cm", Torque, 1.2},
		{"20 kHz", StepRate, 20_000},
	} {
		got, err := ParseQuantity(c.text, c.d)
		if err != nil || math.Abs(got-c.want) > 1e-15*math.Abs(c.want) {
			t.Errorf("%q: %v, %v; want %v", c.text, got, err, c.want)
		}
	}
	for _, c := range []struct {
		text string
		d    Dimension
		want string
	}{
		{"8", Angle, `"8" has no unit; add one of deg, rad, mrad`},
		{"8 deg/s", Angle, `"8 deg/s" is an angular speed, and an angle is wanted; use one of deg, rad, mrad`},
		{"8 furlongs", Length, `"8 furlongs" has an unknown unit "furlongs"; use one of mm, cm, m, in`},
		{"deg", Angle, `"deg" is not a number and a unit; write an angle such as "10 deg"`},
		{"1e999 deg", Angle, `"1e999 deg" is not a number and a unit; write an angle such as "10 deg"`},
		{"nan deg", Angle, `"nan deg" is not a number and a unit; write an angle such as "10 deg"`},
		{"", Angle, `"" is not a number and a unit; write an angle such as "10 deg"`},
	} {
		_, err := ParseQuantity(c.text, c.d)
		if err == nil || err.Error() != c.want {
			t.Errorf("%q: got %v, want %s", c.text, err, c.want)
		}
	}
}

func TestFormatReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Dimension(rapid.IntRange(0, len(units)-1).Draw(t, "dimension"))
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		got, err := ParseQuantity(d.Format(v), d)
		if err != nil || math.Abs(got-v) > 1e-11*math.Abs(v) {
			t.Errorf("%g as %q reads back as %g, %v", v, d.Format(v), got, err)
		}
	})
}

// Every fault names its place and its remedy.
var wellFormed = regexp.MustCompile(`(?s)^f\.toml:[1-9][0-9]*: .+[;:?].+`)

func FuzzParse(f *testing.F) {
	f.Add(DefaultText(), false)
	f.Add(DefaultSeatText(), true)
	files, _ := filepath.Glob("testdata/*.txt")
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		input, _, _ := bytes.Cut(data, []byte(separator))
		f.Add(input, strings.HasPrefix(filepath.Base(path), "seat"))
	}
	f.Fuzz(func(t *testing.T, data []byte, seat bool) {
		var err error
		var c Config
		var s Seat
		if seat {
			s, err = ParseSeat("f.toml", data)
		} else {
			c, err = Parse("f.toml", data)
		}
		if err != nil {
			var faults Faults
			if !errors.As(err, &faults) || len(faults) == 0 {
				t.Fatalf("error is not Faults: %v", err)
			}
			for _, x := range faults {
				if !wellFormed.MatchString(x.Error()) {
					t.Fatalf("fault without place or remedy: %q", x.Error())
				}
			}
			return
		}
		if seat {
			if _, err := s.Mechanism.New(); err != nil {
				t.Fatalf("accepted, and the mechanism refuses it: %v", err)
			}
			return
		}
		if !(c.Rate >= minRate-1e-6 && c.Rate <= maxRate+1e-6) || c.Live == "" || len(c.Sources) == 0 {
			t.Fatalf("accepted: %+v", c)
		}
	})
}

// ordinary is a seat of ordinary size of a kind, whose file says no limits.
func ordinary(t *testing.T, kind string) Seat {
	t.Helper()
	s := DefaultSeat()
	s.Mechanism = OrdinaryMechanism(kind)
	text, _, _ := strings.Cut(string(s.Text()), "\n[limits")
	got, err := ParseSeat(kind, []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return got
}

// Every kind of ordinary size with the limits that hold where a file says none is accepted by the guard, moves all its
// axes and has a drawing.
func TestOrdinaryMechanisms(t *testing.T) {
	for _, kind := range Kinds() {
		if kind == Box {
			continue
		}
		s := ordinary(t, kind)
		m, err := s.Mechanism.New()
		if err != nil {
			t.Errorf("%s: %v", kind, err)
			continue
		}
		if m.Axes() != s.Mechanism.Axes() {
			t.Errorf("%s: axes %b, the mechanism says %b", kind, s.Mechanism.Axes(), m.Axes())
		}
		l, err := guard.NewLimiter(m, s.Limits, 0.002)
		if err != nil {
			t.Errorf("%s: %v", kind, err)
			continue
		}
		for a := range pose.Count {
			if m.Axes().Has(a) && !(s.Limits.Low[a] < 0 && s.Limits.High[a] > 0) {
				t.Errorf("%s: %s does not move", kind, a)
			}
		}
		a, j := l.Ease()
		if !(a > 0.3 && j > 0.3) {
			t.Errorf("%s: the guard brakes with %.2f of the acceleration and %.2f of the jerk: the limits do not fit the motors", kind, a, j)
		}
		if !strings.Contains(s.Mechanism.Drawing(), "<svg") {
			t.Errorf("%s: no drawing", kind)
		}
	}
}

// The page of the mechanisms has a block for each kind, which is that of ordinary size.
func TestMechanismPage(t *testing.T) {
	page, err := os.ReadFile("../mechanism/README.md")
	if err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for _, block := range strings.Split(string(page), "```toml\n")[1:] {
		block, _, _ = strings.Cut(block, "```")
		s, err := ParseSeat("README.md", []byte(block))
		if err != nil {
			t.Errorf("%v\n%s", err, block)
			continue
		}
		kinds = append(kinds, s.Mechanism.Kind)
		if diff := cmp.Diff(OrdinaryMechanism(s.Mechanism.Kind), s.Mechanism, cmpopts.EquateApprox(1e-11, 0)); diff != "" {
			t.Errorf("%s: %s", s.Mechanism.Kind, diff)
		}
		for _, x := range s.Mechanism.form().measures { // also those that may be left out
			if !strings.Contains(block, "\n"+x.key()+" = ") {
				t.Errorf("%s: the page does not have %s", s.Mechanism.Kind, x.key())
			}
		}
	}
	if diff := cmp.Diff(append(kinds, Box), Kinds()); diff != "" {
		t.Error(diff)
	}
}

func TestSeatTextReadsBack(t *testing.T) {
	seats := map[string]Seat{"default": DefaultSeat()}
	data, err := os.ReadFile("testdata/seat-box.txt")
	if err != nil {
		t.Fatal(err)
	}
	input, _, _ := bytes.Cut(data, []byte(separator))
	if seats["box"], err = ParseSeat("seat.toml", input); err != nil {
		t.Fatal(err)
	}
	odd := DefaultSeat()
	odd.Board = "a \"board\"\\ of\nits own\x01, ü"
	odd.Record = Record{
		Seat: strings.Repeat("0f", 32), Board: "b", Firmware: "1.2.3", Limits: 0xf00, Values: map[string]string{"limits.roll.high": "8 deg"},
		Steps: map[string]Step{
			"homing": {Date: time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC), Outcome: Passed, Numbers: map[string]string{"the \"spread\"": "3.9 deg"}},
			"later":  {Date: time.Date(2026, 11, 26, 14, 0, 0, 0, time.UTC), Outcome: "failed"},
		},
	}
	odd.Mechanism.TwoCrank.TipBackward = true
	odd.Load = sizing.Load{RiderMass: 90.5, SeatMass: 30, Height: -0.1, Forward: 0.02, Inertia: 13, HeadHeight: 0.7, Reduced: 0.1}
	odd.Drive = sizing.Drive{
		GearRatio: 10.5, Efficiency: 0.9, Lead: 0.005, StepsPerTurn: 1600, MotorTorque: 6, MotorSpeed: 50,
		RotorInertia: 3e-4, TopStepRate: 20_000, Held: sizing.HeldByBuffers,
	}
	odd.HardStop.Low[pose.Roll], odd.HardStop.High[pose.Roll] = -0.3, 0.25
	seats["odd"] = odd
	for _, kind := range Kinds() {
		if kind != Box {
			seats[kind] = ordinary(t, kind)
		}
	}
	turned := ordinary(t, SixCrank)
	turned.Mechanism.SixCrank.SeatPairBack, turned.Mechanism.SixCrank.TipsTogether = true, true
	turned.Mechanism.SixCrank.RodLength = turned.Mechanism.SixCrank.LevelRod()
	turned.Limits = ordinary(t, SixCrank).Limits
	for a := range turned.Limits.Low {
		turned.Limits.Low[a] /= 2
		turned.Limits.High[a] /= 2
	}
	seats["turned"] = turned
	for name, s := range seats {
		got, err := ParseSeat(name, s.Text())
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, s.Text())
			continue
		}
		if diff := cmp.Diff(s, got, cmpopts.EquateApprox(1e-11, 0)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}
