package consistency

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// A turn that is perfectly level and even keeps roll, pitch and the yaw rate at one value each: the wrong sign of the yaw
// rate is not taken for a channel that is stuck.
func TestAnEvenTurnIsNotStuck(t *testing.T) {
	for _, swing := range []float64{0, 0.05} {
		var states []vehicle.State
		for i := range 400 {
			at := float64(i) * 0.05
			s := vehicle.State{SourceTime: int64(i) * 50e6}
			s.PutAttitude(fromAngles(0, 0, 0.5*at+swing*math.Sin(at))) // yaw' = 0.5 + swing cos t
			s.PutVec(vehicle.AngularVelocityP, r3.Vec{Z: -(0.5 + swing*math.Cos(at))})
			states = append(states, s)
		}
		r := Judge(states)
		right := func(c Change) bool { return c.Group == AngularVelocity && c.Component == "r" && c.Kind == Sign }
		if len(r.Mistakes) != 1 || !right(r.Mistakes[0].Change) && !slices.ContainsFunc(r.Mistakes[0].Alternatives, right) {
			t.Fatalf("swing %g: %v", swing, r.Mistakes)
		}
		side, ok := r.Sides(states, 0)
		if !ok || side.Component != "r" || len(side.Time) < 10 {
			t.Fatalf("%+v", side)
		}
		for i := range side.Time { // the two sides are each other's opposite, within what a span averages over
			if math.Abs(side.Given[i]+side.Should[i]) > 0.01 || math.Abs(side.Given[i]) < 0.4 {
				t.Errorf("at %.1f s: %g and %g", side.Time[i], side.Given[i], side.Should[i])
			}
		}
	}
}

// Of a right flight nothing is blamed, and what it shows is shown by every signal that has a part in it.
func TestEvidence(t *testing.T) {
	states := recorded(t)["multirotor"]
	shown := map[Group]map[string]bool{}
	for _, e := range Judge(states).Evidence(states) {
		if shown[e.Group] == nil {
			shown[e.Group] = map[string]bool{}
		}
		shown[e.Group][e.Component] = shown[e.Group][e.Component] || e.Right
	}
	for g, components := range map[Group][]string{AngularVelocity: {"p", "q", "r"}, Attitude: {"roll", "pitch", "yaw", Heading}, SpecificForce: {"x", "y", "z"}, Velocity: {"north", "east"}, Position: {"north", "east"}} {
		for _, c := range components {
			if !shown[g][c] {
				t.Errorf("%s %s is not shown", g, c)
			}
		}
	}
}
