package states

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perch/conformance/report"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

func packed(t testing.TB, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, err := z.Write(b)
	if err == nil {
		err = z.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func recorded(t testing.TB, list []vehicle.State, sources ...string) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := recording.NewWriter(&out, recording.Header{PerchVersion: "0", Rate: 500, Sources: sources})
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range list {
		if err := w.Write(&recording.State{Tick: uint64(i), Source: i % len(sources), State: s}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// One list of states, in every form: the same is read.
func TestEveryFormIsRead(t *testing.T) {
	want := flights(t)["gentle"].States[:100]
	path := filepath.Join(t.TempDir(), "x.csv")
	save(t, path, want)
	table, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var lines []byte
	for i := range want {
		lines = append(vehicle.AppendJSON(lines, &want[i]), '\n')
	}
	record := recorded(t, want, "demo")
	for name, b := range map[string][]byte{"CSV": table, "CSV with a byte order mark": append([]byte("\xef\xbb\xbf"), table...), "JSON lines": lines, "recording": record} {
		for _, b := range [][]byte{b, packed(t, b)} {
			got, err := Read(bytes.NewReader(b), "")
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			if d := cmp.Diff(want, got.States); d != "" || got.Faults.Count != 0 {
				t.Errorf("%s: %v %s", name, got.Faults, d)
			}
		}
	}

	two := recorded(t, want, "demo", "other")
	if _, err := Read(bytes.NewReader(two), ""); err == nil || !strings.Contains(err.Error(), "demo, other") {
		t.Error("two sources:", err)
	}
	if _, err := Read(bytes.NewReader(two), "third"); err == nil || !strings.Contains(err.Error(), "demo, other") {
		t.Error("a third source:", err)
	}
	if got, err := Read(bytes.NewReader(two), "other"); err != nil || len(got.States) != 50 || got.Source != "other" {
		t.Error("one of two:", len(got.States), err)
	}
	if got, err := Read(bytes.NewReader(record[:len(record)-5]), ""); err != nil || len(got.States) != 99 || !strings.Contains(got.Faults.Cut, "cut at byte") {
		t.Error("a recording that is cut:", len(got.States), got.Faults, err)
	}
	half := packed(t, table)
	if got, err := Read(bytes.NewReader(half[:len(half)/2]), ""); err != nil || len(got.States) < 10 || got.Faults.Cut == "" {
		t.Error("a packed table that is cut:", len(got.States), got.Faults, err)
	}
}

// Wrong rows are told, and what is right is read.
func TestWrongRowsAreFaults(t *testing.T) {
	for name, text := range map[string]string{
		"CSV":  "source_time_ns,airspeed_m_s\n0,1\n1000,nan\n2000,2,3\nx,1\n3000,\n4000,1e9\n5000,3\n",
		"JSON": `{"source_time_ns":0,"airspeed_m_s":1}` + "\n" + `{"source_time_ns":1000,"airspeed_m_s":"nan"}` + "\n{\n" + `{"airspeed_m_s":1}` + "\n" + `{"source_time_ns":3000}` + "\n" + `{"source_time_ns":4000,"airspeed_m_s":1e9}` + "\n" + `{"source_time_ns":5000,"airspeed_m_s":3}`,
	} {
		got, err := Read(strings.NewReader(text), "")
		if err != nil || len(got.States) != 3 || got.Faults.Count != 4 || len(got.Faults.First) != 3 || !strings.HasPrefix(got.Faults.First[0], "line") {
			t.Errorf("%s: %d states, %+v, %v", name, len(got.States), got.Faults, err)
		}
		r := Judge(t.Context(), got.States, Options{Faults: got.Faults, Only: []string{"rows"}})
		if r.Verdict != report.DoesNot || !strings.Contains(r.Checks[0].Measured, "4 refused") {
			t.Errorf("%s: %+v", name, r)
		}
	}
	// The first rows may be wrong, and are told by their lines.
	got, err := Read(strings.NewReader("source_time_ns\n"+strings.Repeat("x\n", 20)+"1\n"), "")
	if err != nil || got.Faults.Count != 20 || !strings.HasPrefix(got.Faults.First[0], "line 2,") {
		t.Error(got.Faults, err)
	}
	for name, text := range map[string]string{"nothing": "", "a head": "source_time_ns,airspeed_m_s\n", "no time": "airspeed_m_s\n1\n", "misspelt": "source_time_ns,airsped_m_s\n1,1\n",
		"a picture": "\x89PNG\r\n\x1a\n\x00\x00", "no row is right": "source_time_ns\nx\ny\n", "broken packing": "\x1f\x8b\x00"} {
		if got, err := Read(strings.NewReader(text), ""); err == nil {
			t.Errorf("%s: %d states", name, len(got.States))
		} else {
			t.Log(name+":", err)
		}
	}
}

func TestRequired(t *testing.T) {
	turn := flights(t)["turn"].States
	verdict := func(o Options) (report.Verdict, map[string]report.Result) {
		r := Judge(t.Context(), turn, o)
		return r.Verdict, told(r)
	}
	if v, got := verdict(Options{}); v != report.ConformsInPart || len(got) != 0 {
		t.Error(v, got)
	}
	// A steady turn shows the yaw rate, and not the roll rate: what is required and not shown fails, and says what is needed.
	v, got := verdict(Options{Require: []string{"angular_velocity"}})
	if v != report.DoesNot || len(got) != 2 || !strings.Contains(got["turning_roll"].Needs, "20 deg/s") || got["turning_pitch"].Outcome != report.Fail {
		t.Error(v, got)
	}
	if v, got := verdict(Options{Require: []string{"angular_velocity_r_rad_s", "velocity_n_m_s"}}); v != report.ConformsInPart || len(got) != 0 {
		t.Error(v, got)
	}
	if v, got := verdict(Options{Require: []string{"airspeed"}}); v != report.DoesNot || len(got) != 1 || !strings.Contains(got["signals"].Measured, "airspeed_m_s") {
		t.Error(v, got)
	}
	if v, _ := verdict(Options{Require: []string{"velocity"}, Only: []string{"signals"}}); v != report.Conforms {
		t.Error("velocity in earth axes is not taken for one:", v)
	}
	if r := Judge(t.Context(), flights(t)["hand"].States, Options{Require: []string{"attitude", "angular_velocity", "specific_force"}}); r.Verdict != report.Conforms {
		t.Error("a model in the hand shows these:", r.Verdict, told(r))
	}
	r := Judge(t.Context(), turn, Options{Require: []string{"speed"}})
	if r.Verdict != report.CouldNotJudge || !strings.Contains(r.Problem, `"speed"`) {
		t.Errorf("%+v", r)
	}
}

func TestPromised(t *testing.T) {
	turn := flights(t)["turn"].States
	var given vehicle.Set
	for i := range turn {
		given |= turn[i].Present
	}
	if got := told(Judge(t.Context(), turn, Options{Promised: given, Rate: 20})); len(got) != 0 {
		t.Error(got)
	}
	if got := told(Judge(t.Context(), turn, Options{Promised: given, Rate: 100})); got["rate"].Outcome != report.Fail || len(got) != 1 {
		t.Error("a rate that is not kept:", got)
	}
	if got := told(Judge(t.Context(), turn, Options{Promised: given.With(vehicle.Airspeed)})); got["signals"].Outcome != report.Fail || len(got) != 1 {
		t.Error("a signal that never comes:", got)
	}
	if got := told(Judge(t.Context(), turn, Options{Promised: given &^ position})); got["signals"].Outcome != report.Fail || len(got) != 1 {
		t.Error("signals that were not promised:", got)
	}
}

// What a program reads of a mistake has exactly these keys.
func TestTheKeysOfADiagnosis(t *testing.T) {
	list := slices.Clone(flights(t)["hand"].States)
	for i := range list {
		list[i].Values[vehicle.AngularVelocityQ] *= -1
	}
	r := Judge(t.Context(), list, Options{Only: []string{"turning_pitch"}})
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Verdict string
		Checks  []struct {
			ID, Verdict, Measured, Expected, Needs string
			Diagnosis                              map[string]any
			Series                                 map[string]any
		}
	}
	if err := json.Unmarshal(b, &got); err != nil || len(got.Checks) != 1 {
		t.Fatal(err, string(b))
	}
	d := got.Checks[0].Diagnosis
	delete(d, "alternatives")
	want := map[string]any{"signal": "angular_velocity", "component": "q", "kind": "sign", "detail": "q has the wrong sign", "scale": 1.0, "matrix": []any{1., 0., 0., 0., -1., 0., 0., 0., 1.}}
	if x := cmp.Diff(want, d); x != "" || got.Verdict != "does_not" || got.Checks[0].Verdict != "fail" {
		t.Errorf("%s %s %s", got.Verdict, got.Checks[0].Verdict, x)
	}
	for _, key := range []string{"title", "unit", "given_is", "should_is", "time_s", "given", "should"} {
		if _, ok := got.Checks[0].Series[key]; !ok {
			t.Error("no", key, "in the series")
		}
	}
}

func TestEachCheckIsExplained(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range Checks() {
		if seen[c.ID] || c.Title == "" || !strings.Contains(c.Doc, "Why it matters: ") || !strings.Contains(c.Doc, "Usual mistake") {
			t.Errorf("%s: twice, or without a title, a reason or usual mistakes", c.ID)
		}
		seen[c.ID] = true
	}
}

func FuzzRead(f *testing.F) {
	list := flights(f)["turn"].States[:20]
	path := filepath.Join(f.TempDir(), "x.csv")
	save(f, path, list)
	b, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(packed(f, b))
	f.Add(recorded(f, list, "a", "b"))
	f.Add([]byte(`{"source_time_ns":1,"attitude_w":1,"attitude_x":0,"attitude_y":0,"attitude_z":0,"observed_at_ns":9223372036854775807}` + "\n" + `{"source_time_ns":-9223372036854775808,"discontinuity":true}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		x, err := Read(bytes.NewReader(b), "")
		if err != nil {
			return
		}
		r := Judge(t.Context(), x.States, Options{Faults: x.Faults})
		if len(r.Checks) != len(Checks()) {
			t.Fatalf("%+v", r)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		for _, c := range r.Checks {
			if c.Outcome == "" {
				t.Fatalf("%s found nothing", c.ID)
			}
		}
	})
}
