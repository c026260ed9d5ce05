package guardtest

import (
	"math"
	"strings"
	"testing"
)

// A judge that lets everything pass proves nothing.
func TestJudgeSeesEachViolation(t *testing.T) {
	const dt = 0.002
	b := []Bound{{"axis", -0.2, 0.3, 0.6, 5, 80}}
	wave := func(size, w float64) func(float64) float64 {
		return func(t float64) float64 {
			s := min(1, t/2)
			return size * s * s * s * (10 + s*(6*s-15)) * math.Sin(w*t)
		}
	}
	// the largest of a sine's derivatives are size times w, w², w³
	for _, c := range []struct {
		name string
		x    func(t float64) float64
		want string
	}{
		{"inside everything", wave(0.15, 2), ""},
		{"travel", wave(0.25, 1.5), "outside"},
		{"speed", wave(0.19, 3.5), "speed"},
		{"acceleration", wave(0.05, 11), "acceleration"},
		{"jerk", wave(0.005, 28), "jerk"},
		{"start at a speed", func(t float64) float64 { return 0.1 * t }, "acceleration"},
		{"no number", func(t float64) float64 { return math.NaN() }, "NaN"},
	} {
		j := NewJudge(dt, b)
		j.Rest([]float64{0})
		got := ""
		for k := range 2000 {
			if err := j.See([]float64{c.x(float64(k+1) * dt)}); err != nil {
				got = err.Error()
				break
			}
		}
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
