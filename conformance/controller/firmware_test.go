//go:build unix

package controller

import (
	"testing"
	"time"

	"perch/conformance"
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

// TestTheFirmwareConforms judges the binary that would be flashed.
func TestTheFirmwareConforms(t *testing.T) {
	f := chip.Build(t)
	var near []int64 // so that homing is short
	for _, a := range f.Wiring.Axes {
		near = append(near, a.HomeEdge+100)
	}
	c := f.Start(t, near...)
	c.Show(false, true)
	if r := judged(t, onChip{c}); r.Verdict != conformance.Conforms || r.Count(conformance.Warn) > 0 {
		t.Errorf("%s, %d to be looked at", r.Verdict, r.Count(conformance.Warn))
	}
	for i := range f.Wiring.Axes {
		if k := c.Crank(i); k.Steps != k.At-near[i] || k.Unheld != 0 {
			t.Errorf("axis %d: %d steps told, it went %d, %d while not held", i, k.Steps, k.At-near[i], k.Unheld)
		}
	}
	t.Logf("%.0f s of the chip's time", c.Now().Seconds())
}
