package states

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"perch/conformance/report"
	"perch/sdk/vehicle"
)

// flights are recorded by an independent integrator: conformance/consistency/testdata/flights.py, with SciPy.
func flights(t testing.TB) map[string]Table {
	t.Helper()
	files, err := filepath.Glob("../consistency/testdata/*.csv.gz")
	if err != nil || len(files) == 0 {
		t.Fatal("no flights", err)
	}
	out := map[string]Table{}
	for _, file := range files {
		x, err := Load(file, "")
		if err != nil {
			t.Fatal(err)
		}
		out[strings.TrimSuffix(filepath.Base(file), ".csv.gz")] = x
	}
	return out
}

func TestRightFlightsConform(t *testing.T) {
	for name, x := range flights(t) {
		r := Judge(t.Context(), x.States, Options{Faults: x.Faults})
		if r.Verdict != report.Conforms && r.Verdict != report.ConformsInPart {
			t.Errorf("%s: %s", name, r.Verdict)
		}
		for _, c := range r.Checks {
			if c.Outcome == report.Fail || c.Outcome == report.Warn {
				t.Errorf("%s, %s: %s, %s %v", name, c.ID, c.Outcome, c.Measured, c.Diagnosis)
			}
			if testing.Verbose() {
				fmt.Printf("%-12s %-16s %-13s %v %s | %s\n", name, c.ID, c.Outcome, c.Unclaimed, c.Measured, c.Needs)
			}
		}
	}
}

// What is left out of a right recording makes nothing of it wrong.
func TestRightFlightsWithoutSomeSignals(t *testing.T) {
	attitude := (&track{first: vehicle.AttitudeW, n: 4}).signals()
	left := map[string]vehicle.Set{
		"attitude": attitude, "angular velocity": vec(vehicle.AngularVelocityP), "specific force": vec(vehicle.SpecificForceX), "velocity": vec(vehicle.VelocityN),
		"velocity and position": vec(vehicle.VelocityN) | position, "attitude and angular velocity": attitude | vec(vehicle.AngularVelocityP),
	}
	all := flights(t)
	names := []string{"aerobatic", "gusty", "spin"}
	if os.Getenv("PERCH_LONG") != "" {
		names = slices.Sorted(maps.Keys(all))
	}
	for _, name := range names {
		for what, set := range left {
			list := slices.Clone(all[name].States)
			for i := range list {
				list[i].Present &^= set
			}
			for id, c := range told(Judge(t.Context(), list, Options{})) {
				t.Errorf("%s without %s: %s: %s %v", name, what, id, c.Measured, c.Diagnosis)
			}
		}
	}
}

func BenchmarkTwoMinutesAtAHundredHertz(b *testing.B) {
	one := flights(b)["aerobatic"].States
	var list []vehicle.State
	for k := 0; len(list) < 12000; k++ {
		for _, s := range one {
			s.SourceTime += int64(k) * 40e9
			s.ObservedAt += int64(k) * 40e9
			s.Discontinuity = s.SourceTime == int64(k)*40e9
			list = append(list, s)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		Judge(b.Context(), list[:12000], Options{})
	}
}
