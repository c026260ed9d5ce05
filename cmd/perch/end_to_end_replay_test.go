package main

import (
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"perch/host/chain"
	"perch/host/record"
	"perch/host/ride"
	"perch/sdk/recording"
)

// TestARecordedRideGivesTheSamePosesAgain runs a live ride again from its recording.
func TestARecordedRideGivesTheSamePosesAgain(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "ride.rec")
	out, err := exec.Command("perch", "run", "--for", "4s", "--set", "start=45", "--record", file).CombinedOutput()
	if err != nil {
		t.Fatalf("perch run: %v\n%s", err, out)
	}
	again(t, file, runOptions{sets: []string{"start=45"}})
}

// again feeds a chain of the same settings with the states of a recording, at the ticks that saw them, and compares
// what it wants and commands with what the ride did, bit for bit. It gives how often another source was chosen.
func again(t *testing.T, file string, o runOptions) (choices int) {
	t.Helper()
	c, err := configured(o)
	if err != nil {
		t.Fatal(err)
	}
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	run, err := chain.New(chainSettings(c, m))
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	r, err := recording.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var row chain.Row
	var states, moved int
	for {
		rec, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch rec := rec.(type) {
		case *recording.State:
			if rec.Tick != run.Tick() {
				t.Fatalf("a state of tick %d stands before the row of tick %d", rec.Tick, run.Tick())
			}
			run.See(rec.Source, &rec.State)
			states++
		case *recording.Event:
			if rec.Dropped > 0 {
				t.Skipf("this machine was too busy to record every tick: %s", rec.Message)
			}
			if name, x, ok := ride.IntensityOf(rec.Message); ok {
				run.SetIntensity(slices.Index(r.Header().Sources, name), x)
			}
			name, ok := strings.CutPrefix(rec.Message, ride.ChosenPrefix)
			if !ok {
				continue
			}
			if rec.Tick != run.Tick() {
				t.Fatalf("a choice of tick %d stands before the row of tick %d", rec.Tick, run.Tick())
			}
			if err := run.Choose(slices.Index(r.Header().Sources, name)); err != nil {
				t.Fatal(err)
			}
			choices++
		case *recording.Command:
			if rec.Tick != run.Tick() {
				t.Fatalf("row of tick %d, want %d", rec.Tick, run.Tick())
			}
			in := record.Input(rec)
			run.Step(&in, &row)
			for a := range row.Wanted {
				if math.Float64bits(row.Wanted[a]) != math.Float64bits(rec.Wanted[a]) {
					t.Fatalf("tick %d: %v wanted when run again, %v in the ride", rec.Tick, row.Wanted, rec.Wanted)
				}
			}
			if row.Guarded.Pose != rec.Commanded || row.Guarded.State.String() != rec.SeatState {
				t.Fatalf("tick %d: %v commanded in %v when run again, %v in %s in the ride", rec.Tick, row.Guarded.Pose, row.Guarded.State, rec.Commanded, rec.SeatState)
			}
			for i, q := range rec.Actuators {
				if row.Guarded.Actuators[i] != q {
					t.Fatalf("tick %d: actuator %d at %v when run again, at %v in the ride", rec.Tick, i, row.Guarded.Actuators[i], q)
				}
			}
			if row.Wanted != (chain.Row{}).Wanted {
				moved++
			}
		}
	}
	if states < 100 || moved < 500 {
		t.Errorf("%d states and %d ticks that moved: too few to show anything", states, moved)
	}
	return choices
}
