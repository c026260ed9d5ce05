package conformance

import (
	"context"
	"strings"
	"testing"
	"time"

	"perch/conformance/faults"
	"perch/conformance/plan"
	"perch/conformance/report"
	"perch/host/plugin"
)

func found(t *testing.T, r report.Report, id string) report.Result {
	t.Helper()
	for _, c := range r.Checks {
		if c.ID == id {
			return c
		}
	}
	t.Fatalf("no %s in the report", id)
	return report.Result{}
}

// A failure that is known is tried and fails nothing; one that passes fails, and says which line to remove.
func TestKnownFailures(t *testing.T) {
	s := wrong(t, "no_summary", "")
	s.Plan.Feeds = plan.Bare().Feeds
	s.Plan.Known = []plan.Known{{Check: "description", Reason: "to be written", Line: 7}, {Check: "by_hand", Reason: "it waited once", Line: 11}}
	s.Only = []string{"description", "by_hand"}
	r, err := Judge(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	if c := found(t, r, "description"); c.Outcome != report.Warn || !strings.Contains(c.Measured, "no summary") || !strings.Contains(c.Measured, "to be written") {
		t.Errorf("%+v", c)
	}
	if c := found(t, r, "by_hand"); c.Outcome != report.Fail || !strings.Contains(c.Expected, "plan.toml:11") || r.Verdict != report.DoesNot {
		t.Errorf("%s, %+v", r.Verdict, c)
	}
	s.Plan.Known = []plan.Known{{Check: "no_such_check", Reason: "x", Line: 3}}
	if _, err := Judge(t.Context(), s); err == nil || !strings.Contains(err.Error(), "plan.toml:3: known_failures.check: there is no check") {
		t.Errorf("a check that there is not: %v", err)
	}
}

// What is required and not given fails.
func TestRequired(t *testing.T) {
	s := wrong(t, faults.None, invented(t))
	s.Require, s.Only = []string{"attitude", "angle_of_attack"}, []string{"given"}
	p := usual()
	p.longest = 2 * time.Second
	s.pace = &p
	r, err := Judge(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	if c := found(t, r, "given"); c.Outcome != report.Fail || !strings.Contains(c.Measured, "angle_of_attack") || strings.Contains(c.Measured, "attitude,") {
		t.Errorf("%+v", c)
	}
	s.Require = []string{"altitude"}
	if _, err := Judge(t.Context(), s); err == nil || !strings.Contains(err.Error(), "altitude") {
		t.Errorf("no signal: %v", err)
	}
}

// What is no adapter fails at the start and leaves the rest open; an end in the middle leaves nothing running.
func TestNoAdapter(t *testing.T) {
	r, err := Judge(t.Context(), Settings{Program: plugin.Program{Name: "none", Command: []string{"/nonexistent"}}, Only: []string{"starts", "cancel"}})
	if err != nil {
		t.Fatal(err)
	}
	if found(t, r, "starts").Outcome != report.Fail || found(t, r, "cancel").Needs != "an adapter that starts" {
		t.Errorf("%+v", r)
	}
	if _, err := Judge(t.Context(), Settings{}); err == nil {
		t.Error("nothing to judge, and no error")
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	s := wrong(t, faults.None, invented(t))
	s.Only = []string{"lost", "flood", "repeats"}
	begun := time.Now()
	r, err = Judge(ctx, s)
	if took := time.Since(begun); took > 8*time.Second || err == nil && r.Verdict != report.CouldNotJudge {
		t.Errorf("after %v: %s, %v", took, r.Verdict, err)
	}
}
