package commissioning

import (
	"math"
	"testing"
	"time"

	"perch/host/config"
	"perch/host/pose"
)

// A text driver's seat: half the travel and 250 mm/s at the head until its record shows the stop tests.
func TestRideLimits(t *testing.T) {
	s := config.DefaultSeat()
	m, err := s.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	if got := RideLimits(s, m.Axes()); got != s.Limits {
		t.Errorf("a controller that speaks the link: %+v", got)
	}
	s.Driver, s.Board = config.TextDriver, ""
	s.Dialect.Template = "{{.Actuator1.Deg}}"
	who := Controller{Board: "text", Limits: 7}
	reduced := func(why string) {
		t.Helper()
		got := RideLimits(s, m.Axes())
		// ISO 10218-1: 0.25 m/s; two axes, across and along, at a head 0.8 m up.
		if head := 0.8 * math.Hypot(got.Speed[pose.Roll], got.Speed[pose.Pitch]); head > 0.25+1e-9 || head < 0.2 {
			t.Errorf("%s: the head moves at %v m/s", why, head)
		}
		for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
			if got.Low[a] != s.Limits.Low[a]/2 || got.High[a] != s.Limits.High[a]/2 {
				t.Errorf("%s: %v from %v to %v", why, a, got.Low[a], got.High[a])
			}
		}
	}
	reduced("no record")
	for _, name := range Steps() {
		if name == Stops || name == Raise {
			continue
		}
		s.Record = Enter(s, who, name, config.Step{Date: time.Now(), Outcome: config.Passed})
	}
	reduced("no stop test")
	if err := May(s, who, Power); err != nil {
		t.Errorf("power without the stop test: %v", err)
	}
	if err := May(s, who, Raise); err == nil {
		t.Error("full limits without the stop test")
	}
	if err := Check(s, who); err != nil {
		t.Errorf("it may be ridden, reduced: %v", err)
	}
	failed := s
	failed.Record = Enter(s, who, Stops, config.Step{Date: time.Now(), Outcome: "failed"})
	if err := Check(failed, who); err == nil {
		t.Error("it failed its stop test, and may be ridden")
	}
	s.Record = Enter(s, who, Stops, config.Step{Date: time.Now(), Outcome: config.Passed})
	if got := RideLimits(s, m.Axes()); got != s.Limits {
		t.Errorf("it stops by itself: %+v", got)
	}
	s.Dialect.Template = "{{.Actuator2.Deg}}"
	reduced("another template: the record has lapsed")
	s.Dialect.Template, s.Driver = "", config.LinkDriver
	s.Record = config.Record{}
	for _, name := range Steps() {
		if name != Stops {
			s.Record = Enter(s, who, name, config.Step{Date: time.Now(), Outcome: config.Passed})
		}
	}
	if err := Check(s, who); err == nil {
		t.Error("a link's controller without its stop test may be ridden")
	}
}
