package conformance_test

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"perch/conformance"
	"perch/conformance/plan"
	"perch/host/plugin"
)

// What README.md allows of an adapter in this repository.
const (
	mostOfFile    = 256 << 10
	mostOfAdapter = 1 << 20
)

var (
	spdx  = regexp.MustCompile(`\b(Apache-2\.0|MIT|BSD-[23]-Clause|ISC|CC0-1\.0|CC-BY-4\.0|Unlicense|0BSD)\b`)
	place = regexp.MustCompile(`(?i)\b(position|place)\b`)
)

// looked says what is missing in an adapter's folder, and whether it is started by a manifest.
func looked(folder string) (program bool, faults []string, err error) {
	fault := func(format string, a ...any) { faults = append(faults, fmt.Sprintf(format, a...)) }
	has := func(name string) bool {
		_, e := os.Stat(filepath.Join(folder, name))
		return e == nil
	}
	var sum int64
	err = filepath.WalkDir(folder, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		info, err := entry.Info()
		if err != nil {
			return err
		}
		if sum += info.Size(); info.Size() > mostOfFile {
			fault("%s has %d bytes; %d are allowed: cut it", path, info.Size(), mostOfFile)
		}
		return nil
	})
	if err != nil {
		return false, nil, err
	}
	if sum > mostOfAdapter {
		fault("%s has %d bytes; %d are allowed", folder, sum, mostOfAdapter)
	}
	if !has(plan.File) {
		fault("%s has no %s, which says how it is fed", folder, plan.File)
	}
	if has("captures") {
		text, e := os.ReadFile(filepath.Join(folder, "captures", "README.md"))
		switch {
		case e != nil:
			fault("%s/captures has no README.md, which says where they are from", folder)
		case !spdx.Match(text):
			fault("%s/captures/README.md names no licence by its SPDX identifier", folder)
		case !place.Match(text):
			fault("%s/captures/README.md does not say that the position was shifted", folder)
		}
	}
	program = has(plugin.ManifestFile)
	if !program {
		if text, _ := os.ReadFile(filepath.Join(folder, "conform_test.go")); !strings.Contains(string(text), "conformance.Run(") {
			fault("%s has neither %s nor a conform_test.go that calls conformance.Run", folder, plugin.ManifestFile)
		}
	}
	return program, faults, nil
}

// TestAdaptersOfThisRepository finds every adapter, holds the rules of README.md, and examines those that are programs of
// their own, in whichever language. Those in Go are examined by their own tests.
func TestAdaptersOfThisRepository(t *testing.T) {
	entries, err := os.ReadDir("../adapters")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, e := range entries {
		if !e.IsDir() {
			continue
		}
		found++
		folder := filepath.Join("..", "adapters", e.Name())
		t.Run(e.Name(), func(t *testing.T) {
			program, faults, err := looked(folder)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range faults {
				t.Error(f)
			}
			if !program {
				return
			}
			p, m, err := plugin.Load(folder)
			if err != nil {
				t.Fatal(err)
			}
			if !spdx.MatchString(m.Licence) {
				t.Errorf("%s: licence %q; this repository takes what lets others copy it", folder, m.Licence)
			}
			if err := runs(p.Command[0]); err != nil && os.Getenv("PERCH_TEST_PYTHON") == "" {
				t.Skip(err)
			}
			conformance.Run(t, conformance.Settings{Program: p, Folder: folder})
		})
	}
	if found == 0 {
		t.Error("no adapter was found")
	}
}

// runs says whether an interpreter is there, with what adapters in its language need.
func runs(interpreter string) error {
	path, err := exec.LookPath(interpreter)
	if err == nil && strings.HasPrefix(filepath.Base(interpreter), "python") {
		err = exec.Command(path, "-c", "import grpc, google.protobuf").Run()
	}
	if err != nil {
		return fmt.Errorf("%s: %w; apt-get install python3-grpcio python3-protobuf python3-cryptography", interpreter, err)
	}
	return nil
}

// TestRulesOfTheRepository: each rule is broken once.
func TestRulesOfTheRepository(t *testing.T) {
	good := map[string]string{
		"adapter.toml": "command = [\"python3\", \"main.py\"]\n", "main.py": "", "plan.toml": "",
		"captures/a.pcap": "x", "captures/README.md": "Recorded by its author, CC0-1.0. Its position was shifted.",
	}
	for _, c := range []struct{ name, file, text, want string }{
		{"nothing", "", "", ""},
		{"a large capture", "captures/a.pcap", strings.Repeat("x", mostOfFile+1), "cut it"},
		{"no plan", "plan.toml", "-", "no plan.toml"},
		{"no word of where captures are from", "captures/README.md", "-", "no README.md"},
		{"no licence", "captures/README.md", "Recorded by its author, position shifted.", "no licence"},
		{"a place", "captures/README.md", "Recorded by its author, CC0-1.0.", "shifted"},
		{"nothing to start or test", "adapter.toml", "-", "neither"},
	} {
		folder := t.TempDir()
		for name, text := range good {
			if name == c.file {
				text = c.text
			}
			if text == "-" {
				continue
			}
			path := filepath.Join(folder, name)
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		_, faults, err := looked(folder)
		if got := strings.Join(faults, "; "); err != nil || !strings.Contains(got, c.want) || c.want == "" && got != "" {
			t.Errorf("%s: %v %q, want %q", c.name, err, got, c.want)
		}
	}
}
