package conformance

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perch/adapters/demo"
	"perch/conformance/faults"
	"perch/conformance/plan"
	"perch/conformance/report"
	"perch/conformance/states"
	"perch/host/plugin"
	"perch/sdk/capture"
	"perch/sdk/vehicle"
)

func TestMain(m *testing.M) {
	if fault, ok := os.LookupEnv(faults.Variable); ok {
		faults.Serve(fault)
	}
	os.Exit(m.Run())
}

// invented writes a capture of an invented flight: turns to both sides and a loop, 62 s at 25 Hz.
func invented(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "flight.txt")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := capture.NewLineWriter(f)
	flight := demo.NewFlight(1)
	for at := 38 * time.Second; at < 100*time.Second; at += 40 * time.Millisecond {
		var s vehicle.State
		flight.At(at, &s)
		s.Present &^= 1 << vehicle.EngineRPM
		if err := w.Write(capture.Packet{Time: int64(at), Data: faults.Append(nil, &s)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// wrong are the settings that judge the adapter of package faults.
func wrong(t testing.TB, fault, flight string) Settings {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return Settings{
		Program: plugin.Program{Name: "faults", Command: []string{self}, Env: faults.Environment(fault, t.TempDir())},
		Plan: plan.Plan{
			Path:     "plan.toml",
			Feeds:    []plan.Feed{{Name: "flight", Capture: flight, Deliver: "udp", Settings: map[string]string{"listen": "udp://{feed}"}}},
			Promises: plan.Promises{Classes: []string{"aeroplane"}},
		},
	}
}

// exempt checks have no fault of their own here.
var exempt = map[string]string{
	"signals": "what the suite asks of signals is asked by declared and given",
}

// TestEachFaultIsNamed: each fault fails the check that is about it, and no other; without a fault nothing fails. Without
// PERCH_LONG only what takes no whole capture, each by its own check.
func TestEachFaultIsNamed(t *testing.T) {
	long := os.Getenv("PERCH_LONG") == "1"
	flight := invented(t)
	brief := usual()
	brief.live, brief.absent, brief.spoiled, brief.flood, brief.first = 2600*time.Millisecond, 1600*time.Millisecond, time.Second, 4*time.Second, 3*time.Second
	slots := make(chan struct{}, 16)
	if long {
		slots = make(chan struct{}, 3)
	}
	type judged struct {
		fault  faults.Fault
		report report.Report
		err    error
	}
	all := append([]faults.Fault{{Name: faults.None}}, faults.All()...)
	results := make([]chan judged, len(all))
	for i, f := range all {
		s := wrong(t, f.Name, flight)
		if !long {
			at := slices.IndexFunc(entries(), func(e entry) bool { return e.ID == f.Check })
			whole := slices.ContainsFunc(signalChecks(), func(e entry) bool { return e.ID == f.Check }) || slices.ContainsFunc(states.Checks(), func(c states.Check) bool { return c.ID == f.Check })
			if at < 0 || whole {
				continue
			}
			s.Only, s.pace = []string{f.Check}, &brief
		}
		results[i] = make(chan judged, 1)
		go func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			r, err := Judge(t.Context(), s)
			results[i] <- judged{f, r, err}
		}()
	}
	for i, f := range all {
		if results[i] == nil {
			continue
		}
		t.Run(f.Name, func(t *testing.T) {
			j := <-results[i]
			if j.err != nil {
				t.Fatal(j.err)
			}
			var failed, want []string
			if f.Check != "" {
				want = []string{f.Check}
			}
			for _, c := range j.report.Checks {
				if c.Outcome == report.Fail {
					failed = append(failed, c.ID)
				}
			}
			if slices.Equal(failed, want) {
				return
			}
			if len(failed) == 0 {
				for _, c := range j.report.Checks {
					if c.ID == f.Check && (strings.Contains(c.Needs, "less busy") || strings.Contains(c.Measured, "this machine itself was late")) {
						t.Skipf("%s cannot be judged here: %s %s", c.ID, c.Measured, c.Needs)
					}
				}
			}
			t.Errorf("it %s: failed %v, want %v; %s %s", f.About, failed, want, j.report.Verdict, j.report.Problem)
			for _, c := range j.report.Checks {
				if c.Outcome != report.Pass {
					t.Logf("%s %s: %s; needs %s", c.Outcome, c.ID, c.Measured, c.Needs)
				}
			}
		})
	}
}

// Every check of the protocol and of the stream has a fault, and every fault a check.
func TestEveryCheckHasAFault(t *testing.T) {
	have := map[string]bool{}
	for _, f := range faults.All() {
		have[f.Check] = true
	}
	for i, e := range entries() {
		if i > 0 && e.ID == "turning_roll" { // what follows is physics, and then what is spoiled
			break
		}
		if !have[e.ID] && exempt[e.ID] == "" {
			t.Errorf("no fault fails %s", e.ID)
		}
	}
	for _, e := range spoiledChecks() {
		if !have[e.ID] {
			t.Errorf("no fault fails %s", e.ID)
		}
	}
	for id := range have {
		if _, err := report.Find(Checks(), id); err != nil {
			t.Error(err)
		}
	}
	seen := map[string]bool{}
	for _, c := range Checks() {
		if seen[c.ID] || c.Title == "" || len(c.Doc) < 80 || c.ID != strings.ToLower(c.ID) {
			t.Errorf("check %s: twice, or without a title or a text", c.ID)
		}
		seen[c.ID] = true
	}
}
