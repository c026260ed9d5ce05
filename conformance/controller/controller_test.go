package controller

import (
	"context"
	"testing"
	"time"

	"perch/conformance"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// virtual is a line to a simulated controller in virtual time.
type virtual struct {
	c *simulated.Controller
}

func (v *virtual) Now() time.Duration { return v.c.Now() }

func (v *virtual) Write(p []byte) error {
	v.c.Feed(p)
	return nil
}

func (v *virtual) Read(until time.Duration) ([]byte, time.Duration, error) {
	for {
		if p := v.c.Output(nil); len(p) > 0 {
			return p, v.c.Now(), nil
		}
		left := until - v.c.Now()
		if left <= 0 {
			return nil, 0, nil
		}
		v.c.Step(min(left, time.Millisecond))
	}
}

func judged(t *testing.T, line Line, only ...string) conformance.Report {
	t.Helper()
	s, err := Connect(line)
	if err != nil {
		t.Fatal(err)
	}
	checks, err := conformance.Choose(Checks(), only)
	if err != nil {
		t.Fatal(err)
	}
	return Run(context.Background(), s, checks, func(r conformance.Result) {
		t.Logf("%6.1f s  %-14s %-18s %s | %s | %v", line.Now().Seconds(), r.Outcome, r.ID, r.Measured, r.Needs, r.Diagnosis)
	})
}

func simulatedLine(t *testing.T, s simulated.Settings) *virtual {
	t.Helper()
	c, err := simulated.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return &virtual{c}
}

func TestTheSimulatedControllerConforms(t *testing.T) {
	_ = seatlink.Axes{}
	r := judged(t, simulatedLine(t, simulated.Settings{}))
	if r.Verdict != conformance.Conforms {
		t.Errorf("%s", r.Verdict)
	}
}
