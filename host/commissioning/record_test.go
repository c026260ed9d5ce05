package commissioning

import (
	"strings"
	"testing"
	"time"

	"perch/host/config"
	"perch/host/pose"
)

// whole gives a seat whose record is complete, and its controller.
func whole() (config.Seat, Controller) {
	s, who := config.DefaultSeat(), Controller{Board: "bench", Firmware: "1.0.0", Limits: 0xabcd}
	for i, name := range Steps() {
		s.Record = Enter(s, who, name, config.Step{Date: time.Date(2026, 11, 25, 14, i, 0, 0, time.UTC), Outcome: config.Passed})
	}
	return s, who
}

// TestARecordLapses with whatever changes, and names it.
func TestARecordLapses(t *testing.T) {
	if s, who := whole(); Check(s, who) != nil || !NewGate(s).Open(who) {
		t.Fatalf("a complete record: %v", Check(s, who))
	}
	for _, c := range []struct {
		name   string
		change func(s *config.Seat, who *Controller)
		words  []string // "" for none: the record stands
	}{
		{"port and baud", func(s *config.Seat, _ *Controller) { s.Port, s.Baud = "/dev/ttyUSB3", 250000 }, nil},
		{"limit", func(s *config.Seat, _ *Controller) { s.Limits.High[pose.Roll] *= 1.25 }, []string{`limits.roll.high is "10 deg", and was "8 deg"`, "perch commission identity"}},
		{"measure", func(s *config.Seat, _ *Controller) { s.Mechanism.TwoCrank.HalfWidth = 0.31 }, []string{`mechanism.half_width is "310 mm", and was "300 mm"`}},
		{"a value that was not there", func(s *config.Seat, _ *Controller) { delete(s.Record.Values, "limits.roll.jerk"); s.Record.Seat = "" }, []string{"limits.roll.jerk is new"}},
		{"a value that is gone", func(s *config.Seat, _ *Controller) { s.Record.Values["load.mass"] = "90 kg"; s.Record.Seat = "" }, []string{`load.mass is gone since commissioning: it was "90 kg"`}},
		{"hash alone", func(s *config.Seat, _ *Controller) { s.Record.Seat = "" }, []string{"another seat file"}},
		{"board", func(_ *config.Seat, who *Controller) { who.Board = "other" }, []string{`the controller is "other", and "bench" was commissioned`}},
		{"firmware", func(_ *config.Seat, who *Controller) { who.Firmware = "1.0.1" }, []string{"1.0.1", "1.0.0 was commissioned"}},
		{"limits in the controller", func(_ *config.Seat, who *Controller) { who.Limits++ }, []string{"0000abce", "0000abcd"}},
		{"missing step", func(s *config.Seat, _ *Controller) { delete(s.Record.Steps, Stops) }, []string{"stops is not done; do perch commission stops"}},
		{"failed step", func(s *config.Seat, _ *Controller) {
			s.Record.Steps[Homing] = config.Step{Date: time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC), Outcome: "failed"}
		}, []string{"homing failed on 26 November 2026", "perch commission homing again"}},
		{"no record", func(s *config.Seat, _ *Controller) { s.Record = config.Record{} }, []string{"not commissioned", "perch commission identity"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, who := whole()
			c.change(&s, &who)
			err := Check(s, who)
			if open := NewGate(s).Open(who); open != (err == nil) {
				t.Errorf("the gate is open: %v, and the record: %v", open, err)
			}
			if len(c.words) == 0 {
				if err != nil {
					t.Errorf("lapsed: %v", err)
				}
				return
			}
			for _, w := range c.words {
				if err == nil || !strings.Contains(err.Error(), w) {
					t.Errorf("says %v, without %q", err, w)
				}
			}
		})
	}
	if (Gate{}).Open(Controller{}) {
		t.Error("a gate without a record is open")
	}
}

// TestTheOrderOfSteps: a step needs those before it, may be done again, and takes nothing from those after it; another
// controller or another file begins a new record.
func TestTheOrderOfSteps(t *testing.T) {
	who := Controller{Board: "bench", Firmware: "1.0.0"}
	s := config.DefaultSeat()
	if err := May(s, who, Homing); err == nil || !strings.Contains(err.Error(), "perch commission identity") {
		t.Errorf("homing first: %v", err)
	}
	for i, name := range Steps() {
		if err := May(s, who, name); err != nil {
			t.Errorf("%s in its turn: %v", name, err)
		}
		for _, later := range Steps()[i+1:] {
			if May(s, who, later) == nil {
				t.Errorf("%s may be done before %s", later, name)
			}
		}
		s.Record = Enter(s, who, name, config.Step{Outcome: config.Passed})
	}
	s.Record = Enter(s, who, Homing, config.Step{Outcome: "failed"})
	if May(s, who, Angles) == nil || May(s, who, Directions) != nil || !Passed(s.Record, Stops) {
		t.Error("homing failed when it was done again: angles must wait for it, and stops keeps its outcome")
	}
	other := who
	other.Board = "other"
	if err := May(s, other, Homing); err == nil || !strings.Contains(err.Error(), `"other"`) {
		t.Errorf("homing on another controller: %v", err)
	}
	if r := Enter(s, other, Identity, config.Step{Outcome: config.Passed}); len(r.Steps) != 1 || r.Board != "other" {
		t.Errorf("another controller keeps %d steps of the first one", len(r.Steps))
	}
	if err := May(s, who, "dancing"); err == nil {
		t.Error("an unknown step may be done")
	}
}

func TestTheGateAllocatesNothing(t *testing.T) {
	s, who := whole()
	g := NewGate(s)
	if n := testing.AllocsPerRun(100, func() {
		if !g.Open(who) {
			t.Error("shut")
		}
	}); n != 0 {
		t.Errorf("allocates %v times", n)
	}
}
