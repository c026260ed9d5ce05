package scaffold

import (
	"go/format"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/axes"
	"perch/sdk/capture"
)

func TestNames(t *testing.T) {
	for name, right := range map[string]bool{
		"lever": true, "my-feed2": true, "x": true, strings.Repeat("a", longestName): true,
		"": false, "Lever": false, "2feed": false, "-feed": false, "feed-": false, "my_feed": false, "my feed": false,
		"a/b": false, "..": false, "a.b": false, "é": false, "perch": false, "captures": false, strings.Repeat("a", longestName+1): false,
	} {
		if err := CheckName(name); (err == nil) != right {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestWrite(t *testing.T) {
	folder := t.TempDir()
	for _, in := range Languages() {
		at := filepath.Join(folder, string(in))
		if err := Write(at, "lever", in); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"adapter.toml", "plan.toml", "README.md", "ci.sh", ".gitignore", "captures/flight.txt"} {
			content, err := os.ReadFile(filepath.Join(at, name))
			if err != nil || len(content) == 0 || strings.Contains(string(content), "{"+"{") {
				t.Errorf("%s in %s: %v", name, in, err)
			}
		}
		if info, err := os.Stat(filepath.Join(at, "ci.sh")); err != nil || info.Mode()&0o100 == 0 {
			t.Errorf("ci.sh in %s cannot be run: %v", in, err)
		}
		before, _ := os.ReadFile(filepath.Join(at, "README.md"))
		if err := Write(at, "other", in); err == nil {
			t.Error("it wrote over a folder that was there")
		}
		if after, _ := os.ReadFile(filepath.Join(at, "README.md")); string(before) != string(after) {
			t.Error("a refused write changed a file")
		}
	}
	if err := Write(filepath.Join(folder, "x"), "x", "cobol"); err == nil {
		t.Error("it took a language that it does not know")
	}
	if err := Write(filepath.Join(folder, "missing", "x"), "x", Go); err == nil {
		t.Error("it wrote into a folder that is not there")
	}
	entries, err := os.ReadDir(folder)
	if err != nil || len(entries) != len(Languages()) {
		t.Errorf("what is left in the folder: %v %v", entries, err)
	}
}

// TestWhatAnAuthorGets: formatted code, and of the SDK what an adapter needs, without tests.
func TestWhatAnAuthorGets(t *testing.T) {
	for in, wanted := range map[Language][]string{
		Go:     {"perch/LICENSE", "perch/go.mod", "perch/sdk/serve.go", "perch/sdk/axes/axes.go", "perch/sdk/transport/udp.go", "perch/proto/adapter/v1/adapter.pb.go", "perch/proto/adapter/v1/adapter.proto", "go.mod", "go.sum"},
		Python: {"perch_adapter/LICENSE", "perch_adapter/__init__.py", "perch_adapter/serve.py", "perch_adapter/adapter_pb2.py", "perch_adapter/README.md"},
	} {
		files, err := project("lever", in)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range wanted {
			if len(files[name]) == 0 {
				t.Errorf("%s is missing in %s", name, in)
			}
		}
		for _, name := range slices.Sorted(maps.Keys(files)) {
			if strings.HasPrefix(name, "perch") && (strings.HasSuffix(name, "_test.go") || strings.Contains(name, "scaffold") || filepath.Base(name) == "sources.go") {
				t.Errorf("%s in %s is of no use to an author", name, in)
			}
			if !strings.HasSuffix(name, ".go") {
				continue
			}
			if made, err := format.Source(files[name]); err != nil || string(made) != string(files[name]) {
				t.Errorf("%s is not formatted: %v", name, err)
			}
		}
	}
}

// TestLicence: the copies that go with the SDK are of the licence of this module.
func TestLicence(t *testing.T) {
	whole, err := os.ReadFile("../../LICENSE")
	if err != nil {
		t.Fatal(err)
	}
	if copied, err := os.ReadFile("../LICENSE"); err != nil || string(copied) != string(whole) {
		t.Errorf("sdk/LICENSE is not LICENSE: copy it (%v)", err)
	}
}

// TestModules: the copy of this module names the modules that its packages use, in the versions that this module uses.
func TestModules(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if .Version}}{{.Path}} {{.Version}}{{end}}{{end}}",
		"perch/sdk", "perch/sdk/axes", "perch/sdk/units", "perch/sdk/vehicle", "perch/sdk/transport", "perch/sdk/mavlink").Output()
	if err != nil {
		t.Fatal(err)
	}
	sums, err := os.ReadFile("../../go.sum")
	if err != nil {
		t.Fatal(err)
	}
	version, modules := requirements(moduleFile)
	module, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(module), "\ngo "+version+"\n") {
		t.Errorf("Go %s: run go generate ./sdk/scaffold", version)
	}
	for line := range strings.Lines(string(out)) {
		line = strings.TrimSpace(line)
		if line != "" && !slices.ContainsFunc(modules, func(m string) bool { return strings.TrimSuffix(m, " // indirect") == line }) {
			t.Errorf("go.mod.txt has no line %q: run go generate ./sdk/scaffold", line)
		}
	}
	for line := range strings.Lines(moduleSums) {
		if !strings.Contains(string(sums), line) {
			t.Errorf("go.sum.txt has a line that go.sum has not: run go generate ./sdk/scaffold: %s", line)
		}
	}
}

// TestFlightIsConsistent holds the sample to the definitions, by differences over time that use nothing of how it was made:
// the turn from one attitude to the next is the angular velocity, and what velocity changes by, less gravity, is the
// specific force.
func TestFlightIsConsistent(t *testing.T) {
	var all []moment
	if err := flight(func(_ time.Duration, m moment) error { all = append(all, m); return nil }); err != nil {
		t.Fatal(err)
	}
	if want := int(sampleLength / sampleInterval); len(all) != want {
		t.Fatalf("%d moments, want %d", len(all), want)
	}
	dt := 2 * sampleInterval.Seconds()
	attitude := func(m moment) quat.Number { return axes.FromEuler(m.yaw, m.pitch, m.roll) }
	// The error of a central difference is h²/6 times the third derivative: below 2 % of 1 rad/s and of 10 m/s² here.
	for i := 1; i < len(all)-1; i++ {
		before, now, after := all[i-1], all[i], all[i+1]
		turn := quat.Scale(2, quat.Log(quat.Mul(quat.Conj(attitude(before)), attitude(after))))
		rate := r3.Scale(1/dt, r3.Vec{X: turn.Imag, Y: turn.Jmag, Z: turn.Kmag})
		if d := r3.Norm(r3.Sub(rate, now.rate)); d > 0.01 {
			t.Fatalf("at %d: the attitude turns with %v rad/s, the rate is %v", i, rate, now.rate)
		}
		change := r3.Scale(1/dt, r3.Sub(after.velocity, before.velocity))
		force := axes.ToBody(attitude(now), r3.Sub(change, r3.Vec{Z: 9.80665}))
		if d := r3.Norm(r3.Sub(force, now.force)); d > 0.05 {
			t.Fatalf("at %d: velocity changes as under a specific force of %v m/s², it is %v", i, force, now.force)
		}
	}
	// Enough of everything to be judged by.
	var roll, pitch, turn, least, most float64 = 0, 0, 0, math.Inf(1), 0
	for _, m := range all {
		roll, pitch, turn = max(roll, math.Abs(m.roll)), max(pitch, math.Abs(m.pitch)), max(turn, math.Abs(m.rate.Z))
		least, most = min(least, r3.Norm(m.velocity)), max(most, r3.Norm(m.velocity))
	}
	if roll < 0.5 || pitch < 0.3 || turn < 0.35 || most-least < 5 {
		t.Errorf("roll %v rad, pitch %v rad, turn %v rad/s, speed from %v to %v m/s", roll, pitch, turn, least, most)
	}
}

func TestSampleIsACapture(t *testing.T) {
	files, err := project("lever", Go)
	if err != nil {
		t.Fatal(err)
	}
	r, format, err := capture.New(strings.NewReader(string(files["captures/flight.txt"])))
	if err != nil || format != capture.Lines {
		t.Fatal(format, err)
	}
	p, err := r.Read()
	if err != nil || strings.Count(string(p.Data), ",") != 12 || p.Data[len(p.Data)-1] != '\n' {
		t.Errorf("%q %v", p.Data, err)
	}
	if n := len(files["captures/flight.txt"]); n > 128<<10 {
		t.Errorf("the sample has %d bytes: a small one is meant", n)
	}
}
