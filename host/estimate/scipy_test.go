package estimate

import (
	"fmt"
	"math"
	"testing"

	"perch/sdk/oracle"
)

// The expected numbers of this package's tests, recomputed by an independent implementation.
func TestExpectedNumbersAgainstScipy(t *testing.T) {
	got := map[string][]float64{}
	oracle.SciPy(t, "testdata/recompute.py", &got)
	want := map[string][]float64{"force": {1.754706, 6.958691, -11.880170}}
	for i, c := range rateCases {
		want[fmt.Sprintf("rate%d", i)] = []float64{c.want.X, c.want.Y, c.want.Z}
	}
	for i, c := range slerpCases {
		want[fmt.Sprintf("slerp%d", i)] = c.want[:]
	}
	tolerance := map[string]float64{}
	for _, c := range turnCases {
		n := fmt.Sprintf("turn%g", c.bank)
		want[n], tolerance[n] = []float64{c.fz, c.q, c.r}, 6e-5
	}
	for _, c := range reconstructionCases {
		n := fmt.Sprintf("rec%g", c.u)
		want[n], tolerance[n] = []float64{c.hold, c.extrapolated, c.rated, c.interpolated, c.parabola, c.hermite, c.slope}, 6e-5
	}
	if len(got) != len(want) {
		t.Errorf("%d rows recomputed, %d expected", len(got), len(want))
	}
	for n, w := range want {
		tol := max(tolerance[n], 2e-6)
		if len(got[n]) != len(w) {
			t.Errorf("%s: %v, want %v", n, got[n], w)
			continue
		}
		for i := range w {
			if math.Abs(got[n][i]-w[i]) > tol {
				t.Errorf("%s: %v, want %v", n, got[n], w)
				break
			}
		}
	}
}
