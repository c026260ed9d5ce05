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
