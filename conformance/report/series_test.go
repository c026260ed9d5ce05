package report

import (
	"math"
	"testing"
)

func TestPlot(t *testing.T) {
	s := Series{Title: "angular velocity q", Unit: "rad/s", GivenIs: "given", ShouldIs: "as the attitude turns", Time: []float64{0, 1, 2, 3}, Given: []float64{1, 0, -1, 0}, Should: []float64{-1, 0, 1, 0}}
	want := `angular velocity q, rad/s:  o given   x as the attitude turns
       1 |o     x
         |   *     *
      -1 |x     o
         +----------
          0.0 s3.0 s
`
	if got := s.Plot(10, 3); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	for _, odd := range []Series{{}, {Time: []float64{1}, Given: []float64{math.NaN()}, Should: []float64{1}}, {Time: []float64{1}, Given: []float64{1}, Should: []float64{math.Inf(1)}}, {Time: []float64{1, 2}, Given: []float64{1}}} {
		if got := odd.Plot(60, 8); got != "" {
			t.Errorf("%+v is drawn:\n%s", odd, got)
		}
	}
	flat := Series{Time: []float64{5, 5, 5}, Given: []float64{2, 2, 2}, Should: []float64{2, 2, 2}}
	if flat.Plot(60, 8) == "" {
		t.Error("what stands still is not drawn")
	}
}
