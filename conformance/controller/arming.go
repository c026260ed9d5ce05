package controller

import (
	"errors"
	"fmt"
	"math"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

func sequenceChecks() []Check {
	return []Check{check("sequence", "Only setpoints whose number advances are taken", `A number advances if it is ahead as a signed 16-bit difference, over the change from 65535 to 0 too; after 100 ms without a
setpoint, and after a HELLO_REQUEST while not armed, any number does. STATUS says which one was taken last.
Why it matters: a driver that gives up its buffer late, or a second program, would otherwise move the seat by what is past.
Usual mistakes: an unsigned comparison, which stops after 65535; a host that starts anew is refused for ever.`, sequence)}
}

func sequence(s *Subject) (report.Finding, error) {
	const expected = "numbers ahead are taken, over 65535 too; old ones and those more than half the range ahead are not; any after a pause or HELLO_REQUEST"
	if err := s.ready(); err != nil {
		return report.Finding{}, err
	}
	sp := &seatlink.Setpoint{Axes: s.hello.Axes, Position: s.status.Position}
	setpoint := func(dst []byte, number uint16) []byte {
		return append(dst, raw(seatlink.TypeSetpoint, number, sp.MarshalAppend(nil), nil)...)
	}
	for k := range 12 { // over the change from 65535
		if err := s.write(setpoint(nil, uint16(65530+k))); err != nil {
			return report.Finding{}, err
		}
		if err := s.pass(usual); err != nil {
			return report.Finding{}, err
		}
	}
	// All that belongs together goes in one write, so that the host's delays do not come between.
	for _, try := range []struct {
		name   string
		bytes  []byte
		pause  bool
		wanted uint16
	}{
		{"12 numbers from 65530 on", nil, false, 5},
		{"a jump ahead by 1000", setpoint(nil, 1005), false, 1005},
		{"a number of 5 before", setpoint(setpoint(nil, 1010), 1005), false, 1010},
		{"the same number", setpoint(setpoint(nil, 1020), 1020), false, 1020},
		{"a number 32 778 ahead", setpoint(setpoint(nil, 1030), 1030+32778), false, 1030},
		{"a number of 500 before, after a HELLO_REQUEST", setpoint(append(setpoint(nil, 1040),
			raw(seatlink.TypeHelloRequest, s.number(), []byte{seatlink.Version, seatlink.Version}, nil)...), 540), false, 540},
		{"a number of 300 before, after a pause of 150 ms", setpoint(nil, 240), true, 240},
	} {
		if try.pause {
			if err := s.pass(150 * ms); err != nil {
				return report.Finding{}, err
			}
		}
		now, ok, err := s.after(try.bytes)
		if err != nil {
			return report.Finding{}, err
		}
		if !ok || now.LastSequence != try.wanted {
			return fail(fmt.Sprintf("%s: the last setpoint taken was %d, not %d", try.name, now.LastSequence, try.wanted), expected,
				because("sequence", "order", "wrong with %s", try.name)), nil
		}
	}
	return pass("7 orders of numbers tried", expected), nil
}

func armingChecks() []Check {
	return []Check{
		check("arm-nonce", "ARM needs the nonce of the last STATUS", `A wrong nonce, and one that was used before, get RESULT 2; after every ARM there is a new one.
Why it matters: so a recording that is played into the port, or an ARM that lay in a buffer, cannot arm a seat.
Usual mistakes: the nonce is a constant; it changes only after an ARM that was accepted.`, armNonce),
		check("arm-limits", "ARM needs the hash in force and a period in range", `Another hash gets RESULT 3; a period outside 500 to 20 000 µs RESULT 6.
Why it matters: the host has proven its stops against the limits that it knows. With others they may not fit into the travel.
Usual mistake: the hash is compared with that of the stored limits, not with that of the limits in force.`, armLimits),
		check("arm-steady", "ARM needs setpoints for 0.5 s without a gap, and a fresh one", `No setpoint, 0.3 s of them, a gap of 150 ms among them, or a newest one that is older than 20 ms: RESULT 4.
Why it matters: a host that is still starting, or hangs already, would arm the seat and lose it in the next moment.
Usual mistakes: counting setpoints instead of time; no look at the age of the newest.`, armSteady),
		check("arm-near", "ARM needs a first setpoint near the present position", `A setpoint 1° (4 mm) away gets RESULT 5; one 0.3° (1.2 mm) away arms, and the controller walks to it.
Why it matters: the first setpoint of a host that believes the seat elsewhere would throw it there.
Usual mistake: only the first axis is compared.`, armNear),
	}
}

// armed is called where ARM was accepted and should not have been.
func (s *Subject) armed(what, expected string, kind string) (report.Finding, error) {
	if err := s.halt(); err != nil {
		return report.Finding{}, err
	}
	return fail(what+": RESULT 0, it armed", expected, because("arming", kind, "ARM is accepted with %s", what)), nil
}

// armedFed is called where ARM was accepted after setpoints that must not count as fresh. A controller that arms after no
// setpoints at all has another mistake, that of arm-steady: then there is no finding.
func (s *Subject) armedFed(what, expected string) (*report.Finding, error) {
	if err := s.halt(); err != nil {
		return nil, err
	}
	if err := s.stand(usual, steady); err != nil {
		return nil, err
	}
	s.player.on = false
	if err := s.pass(150 * ms); err != nil {
		return nil, err
	}
	if r, heard, err := s.armWith(nil); err != nil || heard && r == seatlink.ResultOK {
		return nil, errors.Join(err, s.halt())
	}
	f := fail(what+": RESULT 0, it armed", expected, because("watchdog", "stuck", "%s count as fresh", what))
	return &f, nil
}

// refusal is an ARM that must not be accepted.
type refusal struct {
	name   string
	before func() error // with setpoints coming
	change func(a *seatlink.Arm)
	wanted seatlink.Result
}

// refuses tries ARMs one after the other, all else being right, and at last one that is right.
func (s *Subject) refuses(list []refusal, expected string) (report.Finding, error) {
	if err := s.stand(usual, steady); err != nil {
		return report.Finding{}, err
	}
	for _, try := range list {
		if try.before != nil {
			if err := try.before(); err != nil {
				return report.Finding{}, err
			}
		}
		r, heard, err := s.armWith(try.change)
		if err != nil {
			return report.Finding{}, err
		}
		if heard && r == seatlink.ResultOK {
			return s.armed(try.name, expected, "order")
		}
		if !heard || r != try.wanted {
			return fail(try.name+": "+answered(r, heard), expected, nil), nil
		}
		if s.status.State != seatlink.StateReady {
			return fail(fmt.Sprintf("%s: the state went to %v", try.name, s.status.State), expected, nil), nil
		}
	}
	if err := s.arm(usual, false); err != nil {
		return report.Finding{}, err
	}
	return pass(fmt.Sprintf("%d refused as they must be, and then armed with all right", len(list)), expected), s.halt()
}

func armNonce(s *Subject) (report.Finding, error) {
	const expected = "RESULT 2 to a wrong nonce and to a used one; a new nonce after every ARM"
	var used uint32
	f, err := s.refuses([]refusal{
		{"a wrong nonce", func() error { used = s.status.Nonce; return nil }, func(a *seatlink.Arm) { a.Nonce++ }, seatlink.ResultNonce},
		{"a used nonce", nil, func(a *seatlink.Arm) { a.Nonce = used }, seatlink.ResultNonce},
		{"the nonce 0", nil, func(a *seatlink.Arm) { a.Nonce = 0 }, seatlink.ResultNonce},
	}, expected)
	if err == nil && f.Outcome == report.Pass && s.status.Nonce == used {
		return fail("the nonce is the same as four ARMs ago", expected, because("nonce", "stuck", "it does not change after an ARM")), nil
	}
	return f, err
}

func armLimits(s *Subject) (report.Finding, error) {
	period := func(us uint16) refusal {
		return refusal{fmt.Sprintf("a period of %d µs", us), nil, func(a *seatlink.Arm) { a.Period = us }, seatlink.ResultValue}
	}
	return s.refuses([]refusal{
		{"another hash", nil, func(a *seatlink.Arm) { a.Hash ^= 1 }, seatlink.ResultHash},
		{"the hash 0", nil, func(a *seatlink.Arm) { a.Hash = 0 }, seatlink.ResultHash},
		period(0), period(499), period(20_001), period(65_535),
	}, "another hash: RESULT 3; a period outside 500 to 20 000 µs: RESULT 6")
}

func armSteady(s *Subject) (report.Finding, error) {
	quiet := func(length, then time.Duration) func() error {
		return func() error {
			s.player.on = false
			if err := s.pass(length); err != nil || then == 0 {
				return err
			}
			s.hold(usual)
			return s.pass(then)
		}
	}
	return s.refuses([]refusal{
		{"setpoints that ended 80 ms before", quiet(80*ms, 0), nil, seatlink.ResultStale},
		{"no setpoint for 0.4 s", quiet(320*ms, 0), nil, seatlink.ResultStale},
		{"0.3 s of setpoints", quiet(200*ms, 300*ms), nil, seatlink.ResultStale},
		{"a gap of 150 ms 0.3 s before", func() error {
			if err := s.pass(600 * ms); err != nil {
				return err
			}
			return quiet(150*ms, 300*ms)()
		}, nil, seatlink.ResultStale},
	}, "RESULT 4 to each")
}

func armNear(s *Subject) (report.Finding, error) {
	const expected = "1° (4 mm) away: RESULT 5; 0.3° (1.2 mm) away: armed, and at the setpoint after a moment"
	if err := s.needLimits(); err != nil {
		return report.Finding{}, err
	}
	if err := s.needDirections(); err != nil {
		return report.Finding{}, err
	}
	for i := range s.limits {
		l := &s.limits[i]
		if max(l.high-l.park, l.park-l.low) < 3*s.near() {
			return report.Finding{}, report.Missing("more travel on axis %d", i+1)
		}
		if err := s.stand(usual, 0); err != nil {
			return report.Finding{}, err
		}
		far := math.Copysign(2*s.near(), s.away(1)[i]-l.park)
		s.player.x[i] = s.status.position(i) + far
		if err := s.pass(steady); err != nil {
			return report.Finding{}, err
		}
		r, heard, err := s.armWith(nil)
		if err != nil {
			return report.Finding{}, err
		}
		if heard && r == seatlink.ResultOK {
			return s.armed(fmt.Sprintf("a setpoint %.4f %s away on axis %d", far, s.unit(), i+1), expected, "offset")
		}
		if r != seatlink.ResultFar {
			return fail(fmt.Sprintf("a setpoint %.4f %s away on axis %d: %s", far, s.unit(), i+1, answered(r, heard)), expected, nil), nil
		}
	}
	if err := s.stand(usual, 0); err != nil {
		return report.Finding{}, err
	}
	var to [seatlink.MaxAxes]float64
	for i := range s.limits {
		to[i] = s.status.position(i) + math.Copysign(0.6*s.near(), s.away(1)[i]-s.limits[i].park)
		s.player.x[i] = to[i]
	}
	if err := s.pass(steady); err != nil {
		return report.Finding{}, err
	}
	r, heard, err := s.armWith(nil)
	if err != nil {
		return report.Finding{}, err
	}
	if r != seatlink.ResultOK || !heard {
		return fail(fmt.Sprintf("a setpoint %.4f %s away: %s", 0.6*s.near(), s.unit(), answered(r, heard)), expected, nil), nil
	}
	if err := s.pass(patience); err != nil {
		return report.Finding{}, err
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	for i := range s.limits {
		if d := now.position(i) - to[i]; math.Abs(d) > s.close() {
			return fail(fmt.Sprintf("0.6 s after arming axis %d was %.4f %s from its setpoint", i+1, d, s.unit()), expected, because("position", "offset", "it does not walk to the first setpoint")), s.halt()
		}
	}
	return pass("refused far away, walked to a near one", expected), s.halt()
}
