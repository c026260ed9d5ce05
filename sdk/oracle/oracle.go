// Package oracle lets a test be judged by SciPy, an implementation that shares nothing with this project.
//
// A script stands in the testdata folder of the package under test and prints one JSON value. It runs only where
// PERCH_TEST_SCIPY is set, as .ci/run does; then a missing SciPy is a failure and not a skip.
package oracle

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// SciPy runs a script and reads what it printed into out.
func SciPy(t testing.TB, script string, out any) {
	t.Helper()
	if os.Getenv("PERCH_TEST_SCIPY") == "" {
		t.Skip("set PERCH_TEST_SCIPY to recompute with SciPy")
	}
	// Debian's own interpreter is the one that its SciPy belongs to.
	cmd := exec.Command("/usr/bin/python3", script)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	printed, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v: install python3-numpy and python3-scipy\n%s", script, err, &stderr)
	}
	if err := json.Unmarshal(printed, out); err != nil {
		t.Fatalf("%s: what it printed is no JSON for this test: %v", script, err)
	}
}

// Fresh runs a script again and compares what it prints with what it printed before, numbers within a share or an amount
// of each other, whichever is more.
func Fresh[T any](t testing.TB, file, script string, share, amount float64) {
	t.Helper()
	var recorded, again T
	Recorded(t, file, &recorded)
	SciPy(t, script, &again)
	if d := cmp.Diff(recorded, again, cmpopts.EquateApprox(share, amount)); d != "" {
		t.Errorf("%s and what %s prints differ (-recorded +recomputed):\n%s", file, script, d)
	}
}

// Recorded reads what a script printed before, so that a test has its numbers where there is no SciPy.
func Recorded(t testing.TB, file string, out any) {
	t.Helper()
	printed, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(printed, out); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
}
