package commissioning

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"perch/host/config"
)

// The steps on the seat, by the names that they have in the record and on the command line.
const (
	Identity   = "identity"   // which controller, and that the supply switch works
	Directions = "directions" // which way each motor turns, and that each home switch is seen
	Homing     = "homing"     // that it homes, and each time to the same place
	Angles     = "angles"     // the seat's angles as measured, and their signs
	Stops      = "stops"      // that it stops by itself, whatever fails
	Power      = "power"      // what the seat does without power
	Raise      = "raise"      // full limits with the heaviest rider's ballast, raised slowly
)

// Steps are all of them, in the order in which they are done: each needs those before it.
func Steps() []string {
	return []string{Identity, Directions, Homing, Angles, Stops, Power, Raise}
}

// Controller is what a record holds for. A ride compares it at every tick.
type Controller struct {
	Board    string // its id
	Firmware string // its version, such as 1.0.0
	Limits   uint32 // hash of the limits that it holds
}

// Check says why a seat's record is not valid for the controller that is there, in words and with the remedy; nil if it is.
func Check(s config.Seat, who Controller) error {
	if s.Record.IsZero() {
		return errors.New("this seat is not commissioned: its seat file has no record; begin with perch commission identity")
	}
	if faults := append(changes(s), others(s.Record, who)...); len(faults) > 0 {
		return errors.Join(append(faults, errors.New("so the record has lapsed; begin again with perch commission identity"))...)
	}
	return complete(s)
}

// CheckFile is Check without a controller: what the seat file alone can say.
func CheckFile(s config.Seat) error {
	return Check(s, Controller{Board: s.Record.Board, Firmware: s.Record.Firmware, Limits: s.Record.Limits})
}

// May says whether a step can be done now: nil, or which one comes first. The first one always can.
func May(s config.Seat, who Controller, name string) error {
	at := slices.Index(Steps(), name)
	if at < 0 {
		return fmt.Errorf("%q is no step of commissioning; use one of %s", name, strings.Join(Steps(), ", "))
	}
	if at == 0 {
		return nil
	}
	if s.Record.IsZero() {
		return fmt.Errorf("%s comes later; begin with perch commission identity", name)
	}
	if faults := append(changes(s), others(s.Record, who)...); len(faults) > 0 {
		return errors.Join(append(faults, errors.New("so what was done before no longer holds; begin again with perch commission identity"))...)
	}
	for _, before := range Steps()[:at] {
		if before == Stops && name == Power && s.Driver == config.TextDriver && s.Record.Steps[before].Outcome == "" {
			continue // complete does without it, too
		}
		if s.Record.Steps[before].Outcome != config.Passed {
			return fmt.Errorf("%s comes later; first do perch commission %s", name, before)
		}
	}
	return nil
}

// Enter gives the seat's record with a step in it. Where the file or the controller is another than that of the record,
// it begins a new one: what was done on another seat proves nothing.
func Enter(s config.Seat, who Controller, name string, step config.Step) config.Record {
	r := s.Record
	if r.IsZero() || len(changes(s)) > 0 || len(others(r, who)) > 0 {
		r = config.Record{Seat: s.Hash(), Board: who.Board, Firmware: who.Firmware, Limits: who.Limits, Values: map[string]string{}}
		for _, v := range s.Values() {
			r.Values[v.Key] = v.Text
		}
	}
	r.Steps = maps.Clone(r.Steps)
	if r.Steps == nil {
		r.Steps = map[string]config.Step{}
	}
	r.Steps[name] = step
	return r
}

// Passed says whether the record shows that a step was done well.
func Passed(r config.Record, name string) bool { return r.Steps[name].Outcome == config.Passed }

// changes names what is otherwise in the seat file than when the record was made.
func changes(s config.Seat) (out []error) {
	if s.Record.Seat == s.Hash() {
		return nil
	}
	now := map[string]bool{}
	for _, v := range s.Values() {
		now[v.Key] = true
		switch was, ok := s.Record.Values[v.Key]; {
		case !ok:
			out = append(out, fmt.Errorf("%s is new since commissioning: %q", v.Key, v.Text))
		case was != v.Text:
			out = append(out, fmt.Errorf("%s is %q, and was %q at commissioning", v.Key, v.Text, was))
		}
	}
	for _, key := range slices.Sorted(maps.Keys(s.Record.Values)) {
		if !now[key] {
			out = append(out, fmt.Errorf("%s is gone since commissioning: it was %q", key, s.Record.Values[key]))
		}
	}
	if len(out) == 0 {
		out = append(out, errors.New("the record is of another seat file"))
	}
	return out
}

// others names what is otherwise about the controller.
func others(r config.Record, who Controller) (out []error) {
	if r.Board != who.Board {
		out = append(out, fmt.Errorf("the controller is %q, and %q was commissioned", who.Board, r.Board))
	}
	if r.Firmware != who.Firmware {
		out = append(out, fmt.Errorf("the controller's firmware is %s, and %s was commissioned", who.Firmware, r.Firmware))
	}
	if r.Limits != who.Limits {
		out = append(out, fmt.Errorf("the controller's limits have the hash %08x, and those commissioned %08x", who.Limits, r.Limits))
	}
	return out
}

// complete names the steps that are missing. A text driver's controller may be ridden before it was seen to stop by itself,
// within RideLimits.
func complete(s config.Seat) error {
	var missing []error
	for _, name := range Steps() {
		switch step, ok := s.Record.Steps[name]; {
		case !ok && s.Driver == config.TextDriver && (name == Stops || name == Raise):
		case !ok:
			missing = append(missing, fmt.Errorf("%s is not done; do perch commission %s", name, name))
		case step.Outcome != config.Passed:
			missing = append(missing, fmt.Errorf("%s %s on %s; mend what it named, then do perch commission %s again", name, step.Outcome, step.Date.Format("2 January 2006"), name))
		}
	}
	return errors.Join(missing...)
}

// Gate is what a ride asks at every tick: it compares and allocates nothing. The zero value is shut.
type Gate struct {
	open bool
	who  Controller
}

// NewGate gives the gate of a seat: shut for good where the file alone shows that it is not commissioned.
func NewGate(s config.Seat) Gate {
	return Gate{open: CheckFile(s) == nil, who: Controller{Board: s.Record.Board, Firmware: s.Record.Firmware, Limits: s.Record.Limits}}
}

// Open says whether the record stands for this controller.
func (g Gate) Open(who Controller) bool { return g.open && g.who == who }
