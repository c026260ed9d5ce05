//go:build unix

package controller

import (
	"os"
	"testing"
	"time"

	"perch/conformance/report"
	"perch/host/seat/chip"
)

// onChip is a line to the reference firmware on a simulated chip, in the chip's own time.
type onChip struct{ c *chip.Chip }

func (o onChip) Now() time.Duration { return o.c.Now() }

func (o onChip) Write(p []byte) error {
	o.c.Write(p)
	return nil
}

func (o onChip) Read(until time.Duration) ([]byte, time.Duration, error) {
	for {
		if p := o.c.Bytes(); len(p) > 0 {
			return p, o.c.Now(), nil
		}
		left := until - o.c.Now()
		if left <= 0 {
			return nil, 0, nil
		}
		o.c.RunFor(max(min(left, time.Millisecond), time.Microsecond)) // in whole cycles
	}
}

// TestTheFirmwareConforms judges the binary that would be flashed, homed by switches and by hand. By hand it cannot be homed
// again after its position was lost, so that some of it is not checkable.
func TestTheFirmwareConforms(t *testing.T) {
	for name, c := range map[string]struct {
		edits []string
		want  report.Verdict
	}{
		"switches": {nil, report.Conforms},
		"by hand":  {[]string{"HOMING=HOMING_BY_HAND"}, report.ConformsInPart},
	} {
		t.Run(name, func(t *testing.T) {
			if name == "by hand" && os.Getenv("PERCH_LONG") == "" {
				t.Skip("set PERCH_LONG too")
			}
			t.Parallel()
			f := chip.Build(t, c.edits...)
			near := make([]int64, len(f.Wiring.Axes))
			for i, a := range f.Wiring.Axes {
				if name == "switches" { // so that homing is short
					near[i] = a.HomeEdge + 100
				}
			}
			on := f.Start(t, near...)
			on.Show(false, true)
			if r := judged(t, onChip{on}); r.Verdict != c.want || r.Count(report.Warn) > 0 {
				t.Errorf("%s, %d to be looked at", r.Verdict, r.Count(report.Warn))
			}
			for i := range f.Wiring.Axes {
				if k := on.Crank(i); k.Steps != k.At-near[i] || k.Unheld != 0 {
					t.Errorf("axis %d: %d steps told, it went %d, %d while not held", i+1, k.Steps, k.At-near[i], k.Unheld)
				}
			}
			t.Logf("%.0f s of the chip's time", on.Now().Seconds())
		})
	}
}
