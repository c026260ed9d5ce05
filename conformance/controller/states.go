package controller

import (
	"fmt"
	"math"
	"strings"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

// rule is what a command does in a state where it changes nothing.
type rule struct {
	command seatlink.Type
	result  seatlink.Result
}

// rules are the page's table, as far as it says that a command leaves the state as it is. What changes a state has
// checks of its own. LIMITS_TIGHTEN is sent with the limits in force.
var rules = map[seatlink.State][]rule{
	seatlink.StateDisarmed: {
		{seatlink.TypeStop, seatlink.ResultOK}, {seatlink.TypeDisarm, seatlink.ResultOK}, {seatlink.TypePark, seatlink.ResultState},
		{seatlink.TypeReset, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultOK}},
	seatlink.StateHoming: {
		{seatlink.TypeHome, seatlink.ResultOK}, {seatlink.TypeArm, seatlink.ResultState}, {seatlink.TypePark, seatlink.ResultState},
		{seatlink.TypeReset, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultState}},
	seatlink.StateReady: {
		{seatlink.TypeStop, seatlink.ResultOK}, {seatlink.TypeDisarm, seatlink.ResultOK}, {seatlink.TypePark, seatlink.ResultOK},
		{seatlink.TypeReset, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultOK}},
	seatlink.StateArmed: {
		{seatlink.TypeHome, seatlink.ResultState}, {seatlink.TypeArm, seatlink.ResultState}, {seatlink.TypePark, seatlink.ResultState},
		{seatlink.TypeReset, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultState}},
	seatlink.StateStopping: {
		{seatlink.TypeHome, seatlink.ResultState}, {seatlink.TypePark, seatlink.ResultState}, {seatlink.TypeReset, seatlink.ResultState},
		{seatlink.TypeDisarm, seatlink.ResultOK}, {seatlink.TypeArm, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultState}},
	seatlink.StateHeld: {
		{seatlink.TypeStop, seatlink.ResultOK}, {seatlink.TypeDisarm, seatlink.ResultOK}, {seatlink.TypeArm, seatlink.ResultState},
		{seatlink.TypeReset, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultOK}},
	seatlink.StateParking: {
		{seatlink.TypeHome, seatlink.ResultState}, {seatlink.TypeArm, seatlink.ResultState}, {seatlink.TypePark, seatlink.ResultOK},
		{seatlink.TypeReset, seatlink.ResultState}, {seatlink.TypeLimitsTighten, seatlink.ResultState}},
	seatlink.StateFault: {
		{seatlink.TypeHome, seatlink.ResultState}, {seatlink.TypeArm, seatlink.ResultState}, {seatlink.TypePark, seatlink.ResultState},
		{seatlink.TypeStop, seatlink.ResultOK}, {seatlink.TypeDisarm, seatlink.ResultOK}, {seatlink.TypeLimitsTighten, seatlink.ResultState}},
}

const statesDoc = `Each command that the page's table does not let change this state is sent in it, and must get the RESULT of the table and leave
the state alone. HELLO_REQUEST, STATUS_REQUEST and LIMITS_READ are answered in every state.
Why it matters: a HOME that is obeyed in motion, or a RESET that clears what is not latched, moves a seat that nobody expects to
move.
Usual mistake: one switch over commands with the state as an afterthought.`

// statesCheck tries the table's row of a state that reach has brought about.
func statesCheck(state seatlink.State, reach func(s *Subject) error) Check {
	return check("states-"+state.String(), "In "+strings.ToUpper(state.String())+" commands do what the table says", statesDoc, func(s *Subject) (report.Finding, error) {
		if err := s.needLimits(); err != nil {
			return report.Finding{}, err
		}
		if err := reach(s); err != nil {
			return report.Finding{}, err
		}
		if s.status.State != state {
			return report.Finding{}, report.Missing("a controller that gets to %v; it is in %v", state, s.status.State)
		}
		f, err := s.row(state)
		if err == nil && (state == seatlink.StateHoming || state == seatlink.StateParking || state == seatlink.StateArmed) {
			err = s.halt()
		}
		return f, err
	})
}

// message gives the frame of a command that would be right but for the state.
func (s *Subject) message(t seatlink.Type) seatlink.Message {
	switch t {
	case seatlink.TypeArm:
		return &seatlink.Arm{Nonce: s.status.Nonce, Hash: s.status.Hash, Period: 2000}
	case seatlink.TypeLimitsTighten:
		return &seatlink.Limits{Axis: 0, Limits: s.axes[0], Tighten: true}
	}
	return plain(t)
}

// row tries a row of the table in the present state.
func (s *Subject) row(state seatlink.State) (report.Finding, error) {
	expected := ""
	for _, r := range rules[state] {
		expected += fmt.Sprintf("%v: RESULT %d, ", r.command, r.result)
	}
	expected += "and the state stays"
	if state == seatlink.StateStopping {
		return s.rowAtOnce(expected)
	}
	tried := 0
	for _, r := range rules[state] {
		result, heard, err := s.ask(s.message(r.command))
		if err != nil {
			return report.Finding{}, err
		}
		now, err := s.fresh()
		if err != nil {
			return report.Finding{}, err
		}
		if now.State != state && s.watch.explains(state, now.State, math.MaxInt64) {
			break // it has come to the end of its motion by itself
		}
		tried++
		if !heard || result != r.result {
			return fail(fmt.Sprintf("%v: %s", r.command, answered(result, heard)), expected, because("state", "order", "the answer of %v to %v is wrong", state, r.command)), nil
		}
		if now.State != state {
			return fail(fmt.Sprintf("%v: the state went to %v", r.command, now.State), expected, because("state", "order", "%v is obeyed in %v", r.command, state)), nil
		}
	}
	measured := fmt.Sprintf("%d of %d commands tried, all as the table says", tried, len(rules[state]))
	if tried == 0 {
		return report.Finding{}, report.Missing("a longer stay in %v", state)
	}
	if tried < len(rules[state]) {
		measured += "; then the motion had ended"
	}
	return pass(measured, expected), nil
}

// rowAtOnce sends all commands of STOPPING in one write behind the DISARM that begins it, since it does not last.
func (s *Subject) rowAtOnce(expected string) (report.Finding, error) {
	s.mark()
	p := s.put(nil, plain(seatlink.TypeDisarm))
	var numbers []uint16
	for _, r := range rules[seatlink.StateStopping] {
		p = s.put(p, s.message(r.command))
		numbers = append(numbers, s.encoder.Sequence())
	}
	s.player.on = false
	last, ok, err := s.after(p)
	if err != nil {
		return report.Finding{}, err
	}
	if !ok {
		return fail("a burst of 8 commands was not answered to its end", expected, because("line", "order", "its receive buffer overruns")), nil
	}
	// The STATUS that comes with the last answers says whether all of it was still STOPPING.
	if last.State != seatlink.StateStopping {
		if err := s.halt(); err != nil {
			return report.Finding{}, err
		}
		return report.Finding{}, report.Missing("a longer stay in stopping; it was in %v when the last command had come", last.State)
	}
	for i, r := range rules[seatlink.StateStopping] {
		got, heard := s.reply(numbers[i])
		if !heard || got.Result != r.result {
			return fail(fmt.Sprintf("%v: %s", r.command, answered(got.Result, heard)), expected, because("state", "order", "the answer of stopping to %v is wrong", r.command)), nil
		}
	}
	return pass(fmt.Sprintf("%d commands tried, all as the table says", len(numbers)), expected), nil
}

func unhomedChecks() []Check {
	return []Check{
		check("unhomed", "It does not move before it is homed", `With the position unknown, setpoints are only noted, ARM gets RESULT 7 and PARK RESULT 1, and nothing moves.
Why it matters: after a start or a fault the firmware does not know where the crank is. Any motion may drive it through dead
centre or against the frame.
Usual mistake: "homed" is a flag that is set at the start for the sake of a test, or survives a fault.`, unhomed),
		statesCheck(seatlink.StateDisarmed, (*Subject).disarmed),
		check("homing", "HOME ends in READY at the park position", `HOME gets RESULT 0 and the state HOMING; at its end the state is READY, the flag "homed" is set, and every axis is at its
park position.
Why it matters: everything later is measured from here.
Usual mistakes: READY as soon as the switch is found, before the way to the park position; homed set at the start of homing.`, homing),
		statesCheck(seatlink.StateHoming, func(s *Subject) error {
			if s.hello.ByHand { // the row ends with a stop, and then it could not be homed again
				return report.Missing("home switches")
			}
			if err := s.disarmed(); err != nil {
				return err
			}
			return s.home()
		}),
		statesCheck(seatlink.StateReady, func(s *Subject) error { return s.ready() }),
	}
}

// levelled is what a controller that is homed by hand needs after its position was lost.
const levelled = "an operator to level the seat again with the motors' supply off: this controller is homed by hand. Then run the rest with --only"

// disarmed brings the controller to DISARMED: by a homing that is stopped, unless it is there already.
func (s *Subject) disarmed() error {
	now, err := s.fresh()
	if err != nil || now.State == seatlink.StateDisarmed {
		return err
	}
	if s.hello.ByHand {
		return report.Missing("%s", levelled)
	}
	if now.State != seatlink.StateHoming {
		if err := s.ready(); err != nil {
			return err
		}
		if err := s.home(); err != nil {
			return err
		}
	}
	if err := s.halt(); err != nil {
		return err
	}
	if s.status.State != seatlink.StateDisarmed {
		return report.Missing("a controller whose homing ends in DISARMED when it is stopped; it is in %v", s.status.State)
	}
	return nil
}

// home sends HOME and waits until homing has begun.
func (s *Subject) home() error {
	r, heard, err := s.ask(plain(seatlink.TypeHome))
	if err != nil {
		return err
	}
	if !heard || r != seatlink.ResultOK {
		return report.Missing("a controller that homes; HOME got: %s", answered(r, heard))
	}
	_, err = s.wait(patience, func() bool { return s.status.State == seatlink.StateHoming })
	return err
}

func unhomed(s *Subject) (report.Finding, error) {
	const expected = "ARM: RESULT 7, PARK: RESULT 1; no motion and no other state with setpoints coming"
	if err := s.needLimits(); err != nil {
		return report.Finding{}, err
	}
	if err := s.disarmed(); err != nil {
		return report.Finding{}, err
	}
	if s.status.Flags&seatlink.FlagHomed != 0 {
		return fail("DISARMED with the flag homed set", expected, because("state", "stuck", "in DISARMED the position is unknown")), nil
	}
	start := s.status
	s.hold(usual)
	for i := range s.limits {
		s.player.x[i] = s.limits[i].park // inside the travel, wherever it believes to be
	}
	if err := s.pass(steady); err != nil {
		return report.Finding{}, err
	}
	for _, try := range []struct {
		message seatlink.Message
		wanted  seatlink.Result
	}{{&seatlink.Arm{Nonce: s.status.Nonce, Hash: s.status.Hash, Period: uint16(usual / time.Microsecond)}, seatlink.ResultNotHomed}, {plain(seatlink.TypePark), seatlink.ResultState}} {
		r, heard, err := s.ask(try.message)
		if err != nil {
			return report.Finding{}, err
		}
		name := try.message.Type().String()
		if r == seatlink.ResultOK && heard {
			_ = s.pass(100 * ms)
			state := s.status.State
			if err := s.halt(); err != nil {
				return report.Finding{}, err
			}
			return fail(fmt.Sprintf("%s: %s; the state went to %v", name, answered(r, heard), state), expected, because("state", "order", "it takes %s before it is homed", name)), nil
		}
		if !heard || r != try.wanted {
			return fail(fmt.Sprintf("%s: %s", name, answered(r, heard)), expected, nil), nil
		}
	}
	for i := range s.limits {
		s.player.x[i] = s.limits[i].park + s.near()
	}
	if err := s.pass(300 * ms); err != nil {
		return report.Finding{}, err
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if now.State != seatlink.StateDisarmed || now.Position != start.Position {
		return fail(fmt.Sprintf("the state is %v, positions went from %s to %s", now.State, s.positions(&start), s.positions(&now)), expected,
			because("position", "order", "it follows setpoints before it is homed")), nil
	}
	return pass("ARM and PARK refused, nothing moved with setpoints coming for 1 s", expected), nil
}

// positions writes the axes' positions.
func (s *Subject) positions(at *seen) string {
	var out []string
	for i := range s.n() {
		out = append(out, fmt.Sprintf("%.4f", at.position(i)))
	}
	return strings.Join(out, ", ") + " " + s.unit()
}

func homing(s *Subject) (report.Finding, error) {
	const expected = "RESULT 0, HOMING, then READY with the flag homed, at the park position"
	if err := s.needLimits(); err != nil {
		return report.Finding{}, err
	}
	if err := s.disarmed(); err != nil {
		return report.Finding{}, err
	}
	s.mark()
	from := s.line.Now()
	r, heard, err := s.ask(plain(seatlink.TypeHome))
	if err != nil {
		return report.Finding{}, err
	}
	if !heard || r != seatlink.ResultOK {
		return fail("HOME in DISARMED: "+answered(r, heard), expected, nil), nil
	}
	ended, err := s.wait(homeMost, func() bool {
		return s.status.State != seatlink.StateDisarmed && s.status.State != seatlink.StateHoming
	})
	if err != nil {
		return report.Finding{}, err
	}
	passed := false
	for i := range s.trail {
		at := &s.trail[i]
		passed = passed || at.State == seatlink.StateHoming
		if at.State == seatlink.StateHoming && at.Flags&seatlink.FlagHomed != 0 {
			return fail("the flag homed is set while HOMING", expected, because("state", "time", "homed is said before the position is known")), nil
		}
	}
	took := s.line.Now() - from
	switch at := &s.status; {
	case !ended:
		return fail(fmt.Sprintf("%v still after %.0f s", at.State, took.Seconds()), expected, nil), nil
	case at.State == seatlink.StateFault:
		return report.Finding{}, fmt.Errorf("homing failed: HOME ended in FAULT, %v; look at the home switches and the motors' supply", at.Faults)
	case at.State != seatlink.StateReady || at.Flags&seatlink.FlagHomed == 0:
		return fail(fmt.Sprintf("it ended in %v, flags %05b", at.State, at.Flags), expected, nil), nil
	case !passed && !s.hello.ByHand:
		return fail("HOMING was never seen", expected, because("state", "order", "it is READY without having looked for anything")), nil
	}
	if axis, off := s.offPark(); axis >= 0 {
		return fail(fmt.Sprintf("READY with axis %d %.4f %s off its park position", axis+1, off, s.unit()), expected, because("position", "offset", "READY is at the park position")), nil
	}
	return pass(fmt.Sprintf("READY after %.1f s at %s", took.Seconds(), s.positions(&s.status)), expected), nil
}

// offPark finds an axis that is not at its park position; -1 for none.
func (s *Subject) offPark() (axis int, off float64) {
	for i := range s.limits {
		if d := s.status.position(i) - s.limits[i].park; d > s.close() || d < -s.close() {
			return i, d
		}
	}
	return -1, 0
}
