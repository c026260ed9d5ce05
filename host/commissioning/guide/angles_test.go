package guide

import (
	"math"
	"testing"
)

// TestFitLine: by hand, from the normal equations: x -6, 0, 6 and y -6.1, 0.2, 6.2 give the slope (6·6.1 + 6·6.2)/72 = 1.025,
// the mean of y 0.1 as the offset, and residuals of -0.05, 0.1, -0.05.
func TestFitLine(t *testing.T) {
	f, err := FitLine([]float64{-6, 0, 6}, []float64{-6.1, 0.2, 6.2})
	if err != nil || math.Abs(f.Scale-1.025) > 1e-12 || math.Abs(f.Offset-0.1) > 1e-12 || math.Abs(f.Residual-0.1) > 1e-12 {
		t.Errorf("%+v, %v", f, err)
	}
	for _, c := range [][2][]float64{{{1}, {1}}, {{1, 2}, {1}}, {{2, 2, 2}, {1, 2, 3}}, {nil, nil}} {
		if f, err := FitLine(c[0], c[1]); err == nil {
			t.Errorf("%v gives %+v", c, f)
		}
	}
}
