package preview

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/host/chain"
	"perch/host/cueing"
	"perch/host/perception"
	"perch/host/pose"
	"perch/host/record"
	"perch/sdk/axes"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

const recorded = "testdata/road.csv.gz" // flights.py road 40 --hz 50,50,50

func open(t testing.TB, path string) *Flight {
	t.Helper()
	f, err := Open(path, "")
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func settings(t testing.TB, class string) Settings {
	t.Helper()
	s, err := Default(class)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// traced runs a flight and gives its trace.
func traced(t testing.TB, f *Flight, s Settings) (*Result, []byte) {
	t.Helper()
	var b bytes.Buffer
	w, err := record.NewTrace(&b, 1/s.Chain.Rate, []string{"states"}, s.Chain.Mechanism.Actuators())
	if err != nil {
		t.Fatal(err)
	}
	w.Begin = f.Begin()
	r, err := Run(context.Background(), f, nil, s, func(_ float64, row *chain.Row) error { return w.Write(row) }, nil)
	if err := errors.Join(err, w.Flush()); err != nil {
		t.Fatal(err)
	}
	return r, b.Bytes()
}

func TestTheSameFlightGivesTheSameTrace(t *testing.T) {
	f := open(t, recorded)
	s := settings(t, f.Class)
	first, a := traced(t, f, s)
	_, b := traced(t, open(t, recorded), s)
	if !bytes.Equal(a, b) {
		t.Error("two runs of one flight differ")
	}
	if lines := bytes.Count(a, []byte("\n")); uint64(lines) != first.Ticks+1 || first.Ticks != 19991 {
		t.Errorf("%d rows for %d ticks of 39.98 s at 500 Hz", lines-1, first.Ticks)
	}
	if first.Actual < 0.94 {
		t.Errorf("the seat rides %.2f of the time; only the fade over the first 2 s of 40 is missing", first.Actual)
	}
}

// The error is that of what was written down, computed by SciPy from the files.
func TestErrorAgainstScipy(t *testing.T) {
	if os.Getenv("PERCH_TEST_SCIPY") == "" {
		t.Skip("set PERCH_TEST_SCIPY to recompute with SciPy")
	}
	f := open(t, recorded)
	r, trace := traced(t, f, settings(t, f.Class))
	folder := t.TempDir()
	packed, err := os.Open(recorded)
	if err != nil {
		t.Fatal(err)
	}
	defer packed.Close()
	z, err := gzip.NewReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	states, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"states.csv": states, "trace.csv": trace} {
		if err := os.WriteFile(filepath.Join(folder, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command("/usr/bin/python3", "../perception/testdata/perceived.py", filepath.Join(folder, "states.csv"), filepath.Join(folder, "trace.csv")).Output()
	if err != nil {
		t.Fatal(err)
	}
	var want float64
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.Commanded.Error-want) > 1e-9 {
		t.Errorf("error %.12f, scipy %.12f", r.Commanded.Error, want)
	}
}

// rocking is a vehicle that rolls about an axis through its occupant's head, slowly, as a seat can: at rest for two seconds, then
// by 3 deg to either side.
func rocking(seconds float64, each func(i int, s *vehicle.State)) string {
	var b bytes.Buffer
	w := vehicle.NewCSVWriter(&b)
	const amplitude, omega = 3 * math.Pi / 180, 0.8
	for i := range int(seconds * 100) {
		t := float64(i) / 100
		roll, rate := 0.0, 0.0
		if t > 2 {
			roll, rate = amplitude*(1-math.Cos(omega*(t-2)))/2, amplitude*omega*math.Sin(omega*(t-2))/2
		}
		s := vehicle.State{SourceTime: int64(i) * 10_000_000}
		s.PutAttitude(axes.FromEuler(0, 0, roll))
		s.PutVec(vehicle.AngularVelocityP, r3.Vec{X: rate})
		s.PutVec(vehicle.SpecificForceX, r3.Vec{Y: -perception.Gravity * math.Sin(roll), Z: -perception.Gravity * math.Cos(roll)})
		if each != nil {
			each(i, &s)
		}
		if err := w.Write(&s); err != nil {
			panic(err)
		}
	}
	if err := w.Flush(); err != nil {
		panic(err)
	}
	return b.String()
}

func read(t testing.TB, text string) *Flight {
	t.Helper()
	f, err := Read(strings.NewReader(text), "")
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// A seat that does what the vehicle does is near 0, one that does nothing is 1, and one that does the opposite is near 2.
func TestWhatIsFelt(t *testing.T) {
	f := read(t, rocking(20, nil))
	s := settings(t, "aeroplane")
	s.Head, s.Floor = 0, true
	cues := &s.Chain.Cueing[0]
	cues.Mode, cues.FollowOnly, cues.Reference = cueing.Follow, cueing.Share{Roll: 1, Pitch: 1}, pose.Pose{}
	r, _ := traced(t, f, s)
	if r.Commanded.Error > 0.05 || r.Floor.Error > 0.05 || r.Guard.Share != 0 || r.Commanded.False != 0 {
		t.Errorf("the vehicle's own motion: error %.3f, floor %.3f, held back %.3f, false cues %.3f", r.Commanded.Error, r.Floor.Error, r.Guard.Share, r.Commanded.False)
	}
	cues.Intensity = 0
	if r, _ := traced(t, f, s); r.Commanded.Error != 1 || r.Axes[0].Share != 0 {
		t.Errorf("no motion: error %v, travel %v", r.Commanded.Error, r.Axes[0].Share)
	}
	mirrored := read(t, rocking(20, func(_ int, x *vehicle.State) {
		x.PutAttitude(axes.FromEuler(0, 0, -math.Asin(x.Values[vehicle.SpecificForceY]/-perception.Gravity)))
	}))
	cues.Intensity = 1
	if r, _ := traced(t, mirrored, s); math.Abs(r.Commanded.Error-2) > 0.05 || r.Commanded.False < 0.5 {
		t.Errorf("the opposite: error %.3f, false cues %.3f", r.Commanded.Error, r.Commanded.False)
	}
}

// What arrives late moves the seat late, and is told from the truth.
func TestStatesArriveWhenTheyWereObserved(t *testing.T) {
	late := func(by int64) *Flight {
		return read(t, rocking(20, func(i int, s *vehicle.State) {
			s.ObservedAt = 1_700_000_000_000_000_000 + s.SourceTime
			if i > 300 {
				s.ObservedAt += by
			}
		}))
	}
	s := settings(t, "aeroplane")
	when := func(f *Flight) float64 {
		at := math.NaN()
		_, err := Run(context.Background(), f, nil, s, func(t float64, row *chain.Row) error {
			if row.SourceTime == 10_000_000_000 && math.IsNaN(at) {
				at = t
			}
			return nil
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	if got := when(late(0)); math.Abs(got-10) > 1e-9 {
		t.Errorf("a state of 10 s without latency is seen at %v s", got)
	}
	if got := when(late(40e6)); math.Abs(got-10.04) > 1e-9 {
		t.Errorf("a state of 10 s that is 40 ms late is seen at %v s", got)
	}
	truth := read(t, rocking(20, nil))
	poor := read(t, rocking(20, func(i int, s *vehicle.State) {
		s.Present &^= vehicle.Set(7) << vehicle.SpecificForceX
		if i%20 != 0 {
			s.Present = 0
		}
	}))
	r, err := Run(context.Background(), poor, truth, s, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if own, _ := traced(t, truth, s); r.Commanded.Still != own.Commanded.Still || r.Derived {
		t.Errorf("judged by a chair at rest in %v, the truth's is %v", r.Commanded.Still, own.Commanded.Still)
	}
	if _, err := Run(context.Background(), poor, nil, s, nil, nil); err == nil || !strings.Contains(err.Error(), "specific force") {
		t.Errorf("a flight without forces says: %v", err)
	}
}

// A recording gives the states at their ticks.
func TestRecording(t *testing.T) {
	f := read(t, rocking(8, nil))
	write := func(sources ...string) []byte {
		var b bytes.Buffer
		w, err := recording.NewWriter(&b, recording.Header{PerchVersion: "test", Rate: 500, Sources: sources})
		if err != nil {
			t.Fatal(err)
		}
		for i := range f.states {
			for k := range sources {
				if err := w.Write(&recording.State{Tick: 1000 + uint64(i)*5 + uint64(i%2), Source: k, State: f.states[i]}); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	one := write("only")
	got, err := Read(bytes.NewReader(one), "")
	if err != nil {
		t.Fatal(err)
	}
	if got.Source != "only" || got.States() != 800 || math.Abs(got.Begin()) > 1e-12 || math.Abs(got.arrivals[7]-(0.07+0.002)) > 1e-9 {
		t.Errorf("source %q, %d states, from %v s, the eighth at %v s", got.Source, got.States(), got.Begin(), got.arrivals[7])
	}
	cut, err := Read(bytes.NewReader(one[:len(one)-3]), "")
	if err != nil || len(cut.Notes) != 1 || cut.States() != 799 {
		t.Errorf("a cut recording: %v, notes %q", err, cut.Notes)
	}
	two := write("left", "right")
	if _, err := Read(bytes.NewReader(two), ""); err == nil || !strings.Contains(err.Error(), "left, right") {
		t.Errorf("two sources: %v", err)
	}
	if _, err := Read(bytes.NewReader(two), "middle"); err == nil || !strings.Contains(err.Error(), `"middle"`) {
		t.Errorf("a source that is not there: %v", err)
	}
	if got, err := Read(bytes.NewReader(two), "right"); err != nil || got.Source != "right" {
		t.Errorf("the right source: %v", err)
	}
}

func TestWhatIsNoFlight(t *testing.T) {
	good := rocking(1, nil)
	lines := strings.SplitAfter(good, "\n")
	for _, c := range []struct{ name, text, want string }{
		{"nothing", "", "empty"},
		{"no columns", "a,b\n1,2\n", "source_time_ns"},
		{"a wrong row", lines[0] + lines[1] + strings.Replace(lines[2], "10000000", "soon", 1), "line 3"},
		{"one time", lines[0] + lines[1], "one time"},
		{"absent", "source_time_ns,condition\n0,absent\n5,absent\n", "no state of a running vehicle"},
		{"a leap", lines[0] + lines[1] + strings.Replace(lines[2], "10000000", "99999999999999999", 1), "source time spans"},
		{"damaged", "\x1f\x8b\x00\x00", "damaged"},
		{"a log", "\x00\x06\x20\xfe", "neither a recording nor a states table"},
		{"no JSON", "{\"source_time_ns\": 1\n", "line 1"},
	} {
		if _, err := Read(strings.NewReader(c.text), ""); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	_, err := Open(filepath.Join(t.TempDir(), "nowhere.csv"), "")
	if err == nil || !strings.Contains(err.Error(), "nowhere.csv") {
		t.Errorf("a file that is not there: %v", err)
	}
	if f := read(t, good+strings.Join(lines[1:50], "")); len(f.Notes) != 0 {
		t.Errorf("source time that goes back by less than a second: %q", f.Notes)
	}
	long := rocking(3, nil)
	f := read(t, long+strings.Join(strings.SplitAfter(long, "\n")[1:], ""))
	if len(f.Notes) != 1 || f.States() != 300 {
		t.Errorf("another run after the first: %d states, %q", f.States(), f.Notes)
	}
}

// The same states in each form of the file are the same flight.
func TestForms(t *testing.T) {
	text := rocking(4, func(i int, s *vehicle.State) { s.ObservedAt = 1_700_000_000_000_000_000 + s.SourceTime })
	want := read(t, text)
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := io.WriteString(z, "\xef\xbb\xbf"+text); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	var lines []byte
	for i := range want.states {
		lines = append(vehicle.AppendJSON(lines, &want.states[i]), '\n')
	}
	for name, form := range map[string]string{"packed": packed.String(), "JSON lines": string(lines)} {
		got := read(t, form)
		if d := cmp.Diff(want.arrivals, got.arrivals); d != "" {
			t.Errorf("%s: arrivals %s", name, d)
		}
		if d := cmp.Diff(want.states, got.states); d != "" {
			t.Errorf("%s: states %s", name, d)
		}
	}
}

func TestPictureAndTables(t *testing.T) {
	f := open(t, recorded)
	s := settings(t, f.Class)
	s.Floor = true
	one, _ := traced(t, f, s)
	s.Name, s.Chain.Cueing[0].Mode = "<follow>", cueing.Follow
	two, _ := traced(t, f, s)
	var table, svg, html bytes.Buffer
	if err := errors.Join(WriteTable(&table, one, two), WriteSVG(&svg, one, two), WriteHTML(&html, one, two)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"perceived error", "floor", "false cues", "travel of roll used", "held back", "<FOLLOW>", fmt.Sprintf("%.3f", two.Commanded.Error)} {
		if !strings.Contains(table.String(), want) {
			t.Errorf("the table has no %q:\n%s", want, &table)
		}
	}
	for _, want := range []string{"Perceived force sideways", "Held back by the guard", "time, s"} {
		if strings.Count(svg.String(), want) != 2 {
			t.Errorf("the picture has %q %d times, not once for each run", want, strings.Count(svg.String(), want))
		}
	}
	if page := html.String(); strings.Contains(page, "<follow>") || !strings.Contains(page, "&lt;follow&gt;") || strings.Contains(page, "<?xml") || strings.Contains(page, "http-equiv") {
		t.Error("the page takes a name for markup")
	}
	if bytes.Contains(svg.Bytes(), []byte("NaN")) || svg.Len() > 2<<20 {
		t.Errorf("a picture of %d bytes, NaN in it: %v", svg.Len(), bytes.Contains(svg.Bytes(), []byte("NaN")))
	}
	if _, err := json.Marshal([]Figures{one.Figures(), two.Figures()}); err != nil {
		t.Error(err)
	}
}

func TestInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, open(t, recorded), nil, settings(t, "car"), nil, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("an interrupted run: %v", err)
	}
}

// TestFlights generates invented flights and tells how today's cueing, the attitude copied, and the floor are. All of
// them take minutes.
func TestFlights(t *testing.T) {
	if os.Getenv("PERCH_TEST_SCIPY") == "" {
		t.Skip("set PERCH_TEST_SCIPY to make flights with SciPy")
	}
	names, seconds := []string{"boat", "dirt"}, 30
	if folder := os.Getenv("PERCH_FLIGHTS"); folder != "" {
		names = nil
		files, err := filepath.Glob(filepath.Join(folder, "*.csv"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			names = append(names, strings.TrimSuffix(filepath.Base(f), ".csv"))
		}
	}
	t.Logf("%-14s %8s %8s %8s %8s %9s %9s %9s", "flight", "washout", "follow", "copied", "floor", "false", "floor's", "held back")
	for _, name := range names {
		var f *Flight
		if folder := os.Getenv("PERCH_FLIGHTS"); folder != "" {
			f = open(t, filepath.Join(folder, name+".csv"))
		} else {
			out, err := exec.Command("/usr/bin/python3", "testdata/flights.py", name, strconv.Itoa(seconds)).Output()
			if err != nil {
				t.Fatalf("flights.py %s: %v", name, err)
			}
			f = read(t, string(out))
		}
		s := settings(t, f.Class)
		s.Floor = true
		washout, err := Run(context.Background(), f, nil, s, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		s.Floor, s.Chain.Cueing[0].Mode = false, cueing.Follow
		follow, err := Run(context.Background(), f, nil, s, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		const most = 12 * math.Pi / 180
		clip := func(x []float64) []float64 {
			out := make([]float64, len(x))
			for i := range x {
				out[i] = min(max(x[i], -most), most)
			}
			return out
		}
		felt := perception.Seat(clip(follow.AttitudeRoll), clip(follow.AttitudePitch), s.Head)
		copied := perception.Perceive(&felt)
		c := perception.Judge(&follow.Vehicle, &copied)
		t.Logf("%-14s %8.3f %8.3f %8.3f %8.3f %7.1f %% %7.1f %% %7.1f %%", name, washout.Commanded.Error, follow.Commanded.Error, c.Error, washout.Floor.Error,
			100*washout.Commanded.False, 100*washout.Floor.False, 100*washout.Guard.Share)
		if !(washout.Floor.Error < washout.Commanded.Error) || washout.Actual < 0.9 {
			t.Errorf("%s: error %v under its floor %v, or riding only %v of the time", name, washout.Commanded.Error, washout.Floor.Error, washout.Actual)
		}
	}
}

func FuzzRead(f *testing.F) {
	text := rocking(0.2, nil)
	f.Add([]byte(text))
	f.Add([]byte("\x1f\x8b"))
	f.Add([]byte("perchrec\x01\x00\x00\x00"))
	f.Add([]byte(`{"source_time_ns": 1, "attitude_w": 1}` + "\n" + `{"source_time_ns": 90000000, "specific_force_x_m_s2": 1}`))
	s := settings(f, "aeroplane")
	f.Fuzz(func(t *testing.T, data []byte) {
		flight, err := Read(bytes.NewReader(data), "")
		if err != nil || flight.Seconds() > 2 {
			return
		}
		r, err := Run(context.Background(), flight, nil, s, nil, nil)
		if err != nil {
			return
		}
		if x := r.Commanded.Error; x < 0 {
			t.Errorf("error %v", x)
		}
		for _, v := range append(r.Roll.Commanded, r.Pitch.Commanded...) {
			if !(math.Abs(v) <= 12*math.Pi/180+1e-12) {
				t.Fatalf("the seat goes to %v rad", v)
			}
		}
	})
}

// BenchmarkRun says how many times faster than the flight a run is.
func BenchmarkRun(b *testing.B) {
	f := open(b, recorded)
	s := settings(b, f.Class)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Run(context.Background(), f, nil, s, nil, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(f.Seconds()*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
