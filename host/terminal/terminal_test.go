package terminal

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/charmbracelet/x/ansi"
	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/num/quat"
	"pgregory.net/rapid"

	"perch/host/pose"
	"perch/sdk/vehicle"
)

var update = flag.Bool("update", false, "write the golden files")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name+".txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.ReplaceAll(string(want), "\r\n", "\n"), got); diff != "" {
		t.Errorf("%s differs; look at it, then run with -update (-want +got):\n%s", path, diff)
	}
}

const deg = math.Pi / 180

func ride() View {
	v := View{
		Elapsed:     12 * time.Second,
		Source:      Source{Name: "demo", Adapter: "demo", Condition: "fresh", Rate: 100, Age: 0.004},
		Attitude:    Attitude{Roll: 12.3 * deg, Pitch: 4.5 * deg, Yaw: -90 * deg},
		HasAttitude: true, Speed: 41.2, HasSpeed: true,
		State: "riding", Armed: true, Axes: pose.Of(pose.Roll, pose.Pitch),
		Held:       []string{"travel"},
		Actuators:  []Actuator{{"left", "rad", -20 * deg, -60 * deg, 60 * deg}, {"right", "rad", 31 * deg, -60 * deg, 60 * deg}},
		Controller: Controller{State: "armed", Port: "simulated", Simulated: true},
		Ticks:      6000, Skipped: 1,
	}
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		v.Low[a], v.High[a] = -8*deg, 8*deg
	}
	v.Wanted[pose.Roll], v.Commanded[pose.Roll] = 9*deg, 7*deg
	v.Wanted[pose.Pitch], v.Commanded[pose.Pitch] = -2*deg, -2*deg
	return v
}

func box() View {
	v := ride()
	v.Axes = 1<<pose.Count - 1
	v.Actuators = nil
	for a := range pose.Count {
		v.Low[a], v.High[a] = -0.05, 0.05
		v.Commanded[a] = 0.01
		v.Wanted[a] = 0.02
		v.Actuators = append(v.Actuators, Actuator{a.String(), a.Unit(), 0.01, -0.05, 0.05})
	}
	v.Controller = Controller{State: "armed", Port: "/dev/ttyACM0"}
	v.Reduced = true
	v.Source.Condition, v.Source.Age = "stale", 1.25
	v.State, v.Cause = "settling", "source is stale"
	v.Others = []Source{v.Source, {Name: "other", Condition: "fresh"}}
	return v
}

func TestGolden(t *testing.T) {
	absent := View{State: "off", Source: Source{Name: "demo", Condition: "absent"}, Controller: Controller{Simulated: true}}
	steep := ride()
	steep.Attitude = Attitude{Roll: 100 * deg, Pitch: -10 * deg, Yaw: 359.7 * deg}
	steep.Derived = true
	steep.Countdown = 4.2
	for _, c := range []struct {
		name          string
		view          View
		width, height int
	}{
		{"ride-80x24", ride(), 80, 24},
		{"ride-120x40", ride(), 120, 40},
		{"ride-50x14", ride(), 50, 14},
		{"box-80x24", box(), 80, 24},
		{"absent-80x24", absent, 80, 24},
		{"steep-80x24", steep, 80, 24},
	} {
		t.Run(c.name, func(t *testing.T) {
			lines := Panel(c.view, c.width, c.height)
			golden(t, c.name, ansi.Strip(strings.Join(lines, "\n"))+"\n"+Line(c.view)+"\n")
		})
	}
	golden(t, "cautions", strings.Join(append(append(Cautions(), SizedFor(90), SizedFor(0)), SupplyTest()...), "\n")+"\n"+strings.ReplaceAll(Countdown(5)+Countdown(1)+Countdown(0), "\a", " (bell)\n"))
}

func TestPanelFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SampledFrom([]View{ride(), box(), {}}).Draw(t, "view")
		v.Cause = rapid.String().Draw(t, "cause")
		v.Source.Name = rapid.String().Draw(t, "source")
		v.Controller.State = rapid.StringMatching("[\x00-\x20世界]{0,60}").Draw(t, "controller")
		v.Attitude.Roll = rapid.Float64().Draw(t, "roll")
		v.Attitude.Pitch = rapid.Float64().Draw(t, "pitch")
		v.Commanded[pose.Roll] = rapid.SampledFrom([]float64{0, math.Inf(1), math.NaN(), -1e300}).Draw(t, "seat roll")
		width := rapid.IntRange(1, 200).Draw(t, "width")
		height := rapid.IntRange(1, 60).Draw(t, "height")
		lines := Panel(v, width, height)
		if len(lines) > max(1, height-1) {
			t.Errorf("%d lines on %d rows", len(lines), height)
		}
		for _, l := range lines {
			if w := ansi.StringWidth(l); w > width-1 {
				t.Errorf("%d columns on %d: %q", w, width, ansi.Strip(l))
			}
			if i := strings.IndexFunc(ansi.Strip(l), func(r rune) bool { return r < ' ' || r == 0x7f }); i >= 0 {
				t.Errorf("control character in %q", ansi.Strip(l))
			}
		}
	})
}

// The ground must be where a pilot sees it: rolled right it is higher on the right, nose up it is lower.
func TestHorizonSigns(t *testing.T) {
	count := func(a Attitude, left bool) (n int) {
		for row := range horizonHeight {
			for col := range horizonWidth {
				if (col < horizonWidth/2) == left && ground(a, row, col) == '█' {
					n++
				}
			}
		}
		return n
	}
	right := Attitude{Roll: 20 * deg}
	if l, r := count(right, true), count(right, false); l >= r {
		t.Errorf("rolled right: %d cells of ground left, %d right", l, r)
	}
	up, down := Attitude{Pitch: 10 * deg}, Attitude{Pitch: -10 * deg}
	if u, d := count(up, true), count(down, true); u >= d {
		t.Errorf("nose up shows %d cells of ground, nose down %d", u, d)
	}
	over := Attitude{Roll: 180 * deg}
	if g := ground(over, 0, 15); g != '█' {
		t.Errorf("upside down the ground is above: %q", g)
	}
}

func TestDisplayDrawsInPlace(t *testing.T) {
	var out bytes.Buffer
	d := NewDisplay(&out, true, func() (int, int) { return 80, 24 })
	v := ride()
	d.Render(v)
	n := strings.Count(out.String(), "\r\n")
	out.Reset()
	d.Event(3*time.Second, "source demo is back\x1b[2J")
	d.Render(v)
	got := out.String()
	if want := fmt.Sprintf("\x1b[%dA", n); !strings.Contains(got, want) {
		t.Errorf("second frame does not go %d lines up", n)
	}
	if strings.Contains(got, "\x1b[2J") {
		t.Error("a message cleared the screen")
	}
	if !strings.Contains(got, "3.0 s  source demo is back?[2J") {
		t.Errorf("event is not shown: %q", got)
	}
	out.Reset()
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), showCursor) {
		t.Error("cursor stays hidden")
	}
}

func TestDisplayMonochrome(t *testing.T) {
	var out bytes.Buffer
	d := NewDisplay(&out, true, nil)
	d.Monochrome()
	d.Render(ride())
	if s := out.String(); strings.Contains(s, "\x1b[1m") || strings.Contains(s, "\x1b[3") {
		t.Errorf("styles in %q", s)
	}
}

func TestDisplayPlain(t *testing.T) {
	var out bytes.Buffer
	d := NewDisplay(&out, false, nil)
	v := ride()
	v.Elapsed = 0
	for range 45 { // three seconds
		d.Render(v)
		v.Elapsed += FrameTime
	}
	d.Event(v.Elapsed, "stop asked for")
	v.State, v.Armed, v.Cause = "stopping", false, "stop from the keyboard"
	d.Render(v)
	golden(t, "plain", out.String())
}

func TestWatch(t *testing.T) {
	var s vehicle.State
	s.Name, s.Class, s.SourceTime = "trainer", "aeroplane", 1_500_000_000
	// Half of a turn of 30 deg about y, ISO 1151-1: pitch nose up 30 deg.
	s.PutAttitude(quat.Number{Real: math.Cos(15 * deg), Jmag: math.Sin(15 * deg)})
	s.Put(vehicle.AngularVelocityQ, 0.1)
	s.Put(vehicle.SpecificForceZ, -9.80665)
	s.Put(vehicle.Airspeed, 41.25)
	s.Put(vehicle.OnGround, 0)
	s.Extra = []vehicle.Extra{{Name: "cabin\x1bnoise", Unit: "dB", Value: 81.5}}
	src := Source{Name: "demo", Adapter: "demo", Rate: 99.6, Age: 0.012, Condition: "fresh"}
	lines := WatchTable(90*time.Second, src, &s, 80, 24)
	golden(t, "watch", ansi.Strip(strings.Join(lines, "\n"))+"\n"+WatchLine(90*time.Second, src, &s)+"\n"+WatchLine(0, src, nil)+"\n")
	if n := len(WatchTable(0, src, &s, 80, 8)); n > 7 {
		t.Errorf("%d lines on 8 rows", n)
	}
	var out bytes.Buffer
	w := NewWatch(&out, false, nil)
	for i := range 20 {
		w.Render(time.Duration(i)*time.Second/10, src, &s)
	}
	if n := strings.Count(out.String(), "\n"); n != 2 {
		t.Errorf("%d plain lines in two seconds, want 2", n)
	}
}

// Every signal of the states table but the quaternion's parts has a row, so that nothing present stays hidden.
func TestWatchShowsEverySignal(t *testing.T) {
	for x := range vehicle.SignalCount {
		if x >= vehicle.AttitudeW && x <= vehicle.AttitudeZ {
			continue
		}
		var s vehicle.State
		s.Put(x, 1)
		if len(cells(&s)) != 1 {
			t.Errorf("%s is not shown", x)
		}
	}
}

// Angles against the rotation built from its three turns (ISO 1151-1: yaw, pitch, roll, each about the turned axis).
func TestAngles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		yaw := rapid.Float64Range(-3.1, 3.1).Draw(t, "yaw")
		pitch := rapid.Float64Range(-1.5, 1.5).Draw(t, "pitch")
		roll := rapid.Float64Range(-3.1, 3.1).Draw(t, "roll")
		q := quat.Mul(quat.Mul(quat.Number{Real: math.Cos(yaw / 2), Kmag: math.Sin(yaw / 2)},
			quat.Number{Real: math.Cos(pitch / 2), Jmag: math.Sin(pitch / 2)}),
			quat.Number{Real: math.Cos(roll / 2), Imag: math.Sin(roll / 2)})
		got := Angles(q)
		if math.Abs(got.Yaw-yaw)+math.Abs(got.Pitch-pitch)+math.Abs(got.Roll-roll) > 1e-9 {
			t.Errorf("got %+v, want yaw %g pitch %g roll %g", got, yaw, pitch, roll)
		}
	})
}

func BenchmarkPanel(b *testing.B) {
	b.ReportAllocs()
	v := ride()
	for b.Loop() {
		Panel(v, 80, 24)
	}
}
