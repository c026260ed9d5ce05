package controller

import (
	"errors"
	"fmt"
	"math"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

func lossChecks() []Check {
	return []Check{
		check("watchdog", "When setpoints end it brakes by itself, and latches after 100 ms", `In motion the setpoints end. Braking begins after 1.5 periods (flag "own law"), the flag "late" comes at 20 ms, the state goes to
STOPPING at 100 ms and to HELD at rest.
Why it matters: a cable comes out, a laptop sleeps, a program hangs. Nobody is left to stop the seat but the controller.
Usual mistakes: any byte that comes feeds the watchdog; it is fed from an interrupt that goes on; the motor runs on at its last
speed until the latch, or stops dead there.`, watchdog),
		check("latch", "Setpoints that come back after the latch move nothing", `Once latched, setpoints that come again are only noted, and ARM gets RESULT 1 until somebody has parked the seat.
Why it matters: whoever runs to the seat to help must not be hit by a host that has woken up.
Usual mistake: "link lost" is a condition instead of a latch, so that the motion goes on when the link does.`, latch),
		check("brake-law", "It brakes as hard as its limits let it, and no harder", `The distance from the last setpoint to rest, after a lost link and after STOP in the other direction, is that of the page's brake
law: weaker braking would be longer, harder braking would be outside acceleration or jerk.
Why it matters: the host only ever sends what can still be stopped inside the travel by this law. A weaker brake ends at the
frame; a harder one throws the rider and loses steps.
Usual mistakes: a ramp in steps per second that somebody chose; the ramp of one axis used for all; a unit of 1000.`, brakeLaw),
		check("repeats", "Repeated setpoints neither move it nor feed its watchdog", `Frames with the number of the last setpoint, or an older one, are as if they had not come: at other positions they move nothing,
they do not keep it ready to arm, and when nothing but repeats comes the link is lost.
Why it matters: a hung program or a driver that sends its buffer again looks alive to a watchdog that counts bytes.
Usual mistake: the watchdog is fed before the number is looked at.`, repeats),
		check("third-loss", "The third lost link in a minute is a fault", `Twice it is HELD; the third time it is FAULT with bit 7, and the position counts as unknown.
Why it matters: a loose plug does not get better by arming again.
Usual mistake: the count is reset at each arming.`, thirdLoss),
		statesCheck(seatlink.StateFault, (*Subject).fault),
		check("reset", "RESET ends a fault and leaves the position unknown", `In FAULT, with its cause gone, RESET gets RESULT 0 and leads to DISARMED: no fault bits, not homed until HOME.
Why it matters: after a fault nobody knows whether steps were lost.
Usual mistake: RESET leads to READY, or leaves the flag homed.`, reset),
	}
}

// noteLoss counts a lost link, unless one was counted since the time.
func (s *Subject) noteLoss(since time.Duration) {
	if n := len(s.lossTimes); n == 0 || s.lossTimes[n-1] < since {
		s.lossTimes = append(s.lossTimes, s.line.Now())
	}
}

// losses counts those within d.
func (s *Subject) losses(d time.Duration) (n int) {
	for _, t := range s.lossTimes {
		if s.line.Now()-t < d {
			n++
		}
	}
	return n
}

// lose makes a run and ends its setpoints.
func (s *Subject) lose() (*stopped, error) {
	steadily, err := s.start(kind{1, share, brisk, 0.12, halted})
	if err != nil {
		return nil, err
	}
	if s.status.State != seatlink.StateArmed {
		s.noteLoss(s.line.Now() - time.Second/2)
		return &stopped{disturbed: true}, s.halt()
	}
	if !steadily {
		return &stopped{disturbed: true}, s.halt()
	}
	st, err := s.measure(steadily, func() error { return nil })
	if err != nil {
		return nil, err
	}
	s.noteLoss(st.at)
	// Late counts this loss itself once; more means that the host was late before it.
	if first := s.trail[0].Late; st.rest.Late-first > 1 || st.rest.LastSequence != st.sequence {
		st.disturbed = true
	}
	s.loss = st
	return st, nil
}

func watchdog(s *Subject) (report.Finding, error) {
	const expected = "flags own law and late, STOPPING 100 ms after the last setpoint, then HELD"
	st, err := s.lose()
	if err != nil {
		return report.Finding{}, err
	}
	if st.disturbed {
		return s.hurried(expected), nil
	}
	var stopping *seen
	flagged := seatlink.Flags(0)
	armed := 0
	for i := range st.trail {
		at := &st.trail[i]
		if at.State != seatlink.StateArmed {
			stopping = at
			break
		}
		if at.at-st.at > 40*ms {
			armed++
		}
		flagged |= at.Flags
	}
	if stopping == nil {
		return fail(fmt.Sprintf("still ARMED %.1f s after the last setpoint", (st.rest.at-st.at).Seconds()), expected, because("watchdog", "stuck", "it has no watchdog")), s.halt()
	}
	after := stopping.at - st.at
	measured := fmt.Sprintf("%v seen after %.0f ms", stopping.State, ms64(after))
	// The frame left here before it came there, and the STATUS left there before it came here: so too early is
	// certain, apart from the controller's clock; too late may be the line.
	most := 105*ms + s.trip + 10*ms
	switch {
	case after < 95*ms:
		return fail(measured, expected, because("watchdog", "time", "it latches too early: a computer that is late now and then could not be used")), nil
	case after > 105*ms+s.trip+3*clump:
		return fail(measured, expected, because("watchdog", "time", "it latches too late")), nil
	case !st.rested || st.rest.State != seatlink.StateHeld && (st.rest.State != seatlink.StateFault || s.losses(65*time.Second) < 3):
		return fail(fmt.Sprintf("%s; then %v", measured, st.rest.State), expected, because("state", "stuck", "a lost link ends in HELD")), nil
	case armed >= 3 && flagged&seatlink.FlagOwn == 0:
		return fail(measured+"; the flag own law never came", expected, because("flags", "stuck", "bit 3 is armed and moving by its own law")), nil
	case armed >= 3 && flagged&seatlink.FlagLate == 0:
		return fail(measured+"; the flag late never came", expected, because("flags", "stuck", "bit 2 is armed and without a setpoint for 20 ms")), nil
	}
	for i := range st.from {
		l := &s.limits[i]
		v, direction := math.Abs(st.speed[i]), math.Copysign(1, st.speed[i])
		gone := (stopping.position(i) - st.from[i]) * direction
		path := l.brakes(v, 0, st.period)
		early := path[min(int(0.06/st.period), len(path)-1)]
		measured += fmt.Sprintf(", axis %d %.4f %s further", i+1, gone, s.unit())
		switch {
		case gone > 0.97*v*0.095 && last(path) < 0.8*v*0.095:
			return fail(measured, expected, &report.Diagnosis{Signal: "watchdog", Component: fmt.Sprintf("axis %d", i+1), Kind: "time", Detail: "it goes on at speed until it latches, instead of braking after 1.5 periods"}), nil
		case gone < 0.5*early && early > 4*s.close() && (st.rest.position(i)-stopping.position(i))*direction > 0.5*early:
			return fail(measured, expected, &report.Diagnosis{Signal: "watchdog", Component: fmt.Sprintf("axis %d", i+1), Kind: "time", Detail: "it stands still until it latches, instead of braking smoothly"}), nil
		}
	}
	if after > most {
		return warn(measured, expected), nil
	}
	return pass(measured, expected), nil
}

func latch(s *Subject) (report.Finding, error) {
	const expected = "HELD and still, ARM: RESULT 1; READY after PARK"
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if s.loss == nil || now.State != seatlink.StateHeld || s.losses(30*time.Second) == 0 {
		if _, err := s.lose(); err != nil {
			return report.Finding{}, err
		}
	}
	switch s.status.State {
	case seatlink.StateHeld, seatlink.StateFault:
	default:
		state := s.status.State
		if err := s.halt(); err != nil {
			return report.Finding{}, err
		}
		return report.Finding{}, report.Missing("a controller that latches when setpoints end (see watchdog); it was in %v", state)
	}
	rest := s.status
	s.hold(usual)
	if err := s.playOut(s.moveHome(), 0); err != nil {
		return report.Finding{}, err
	}
	if err := s.pass(time.Second); err != nil {
		return report.Finding{}, err
	}
	now, err = s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if now.State != rest.State || now.Position != rest.Position {
		return fail(fmt.Sprintf("with setpoints back: %v, positions from %s to %s", now.State, s.positions(&rest), s.positions(&now)), expected,
			because("state", "order", "it unlatches by itself when setpoints come back")), s.halt()
	}
	r, heard, err := s.armWith(nil)
	if err != nil {
		return report.Finding{}, err
	}
	if r == seatlink.ResultOK && heard {
		return s.armed(fmt.Sprintf("%v after a lost link", rest.State), expected, "order")
	}
	if r != seatlink.ResultState {
		return fail("ARM before PARK: "+answered(r, heard), expected, nil), nil
	}
	if err := s.ready(); err != nil {
		return report.Finding{}, err
	}
	return pass(fmt.Sprintf("%v for 1 s with setpoints coming, ARM refused, READY after PARK", rest.State), expected), nil
}

// moveHome gives the plan from where the player is to the park position.
func (s *Subject) moveHome() [][]float64 {
	to := make([]float64, s.n())
	for i := range to {
		to[i] = s.limits[i].park
	}
	return s.moveTo(to)
}

func brakeLaw(s *Subject) (report.Finding, error) {
	const expected = "the distance of the brake law"
	if s.loss == nil {
		if _, err := s.lose(); err != nil {
			return report.Finding{}, err
		}
	}
	lost := s.loss
	if lost == nil || lost.disturbed {
		s.loss = nil
		return s.hurried(expected), nil
	}
	if !lost.rested {
		return report.Finding{}, report.Missing("a controller that stops when setpoints end (see watchdog)")
	}
	measured, bad := s.braked(lost)
	if bad != nil {
		return *bad, nil
	}
	steadily, err := s.start(kind{-1, share, brisk, 0.12, halted})
	if err != nil {
		return report.Finding{}, err
	}
	if s.status.State != seatlink.StateArmed || !steadily {
		return s.hurried(expected), s.halt()
	}
	stop, err := s.measure(steadily, func() error { _, err := s.send(plain(seatlink.TypeStop)); return err })
	if err != nil {
		return report.Finding{}, err
	}
	if stop.rest.State != seatlink.StateHeld || stop.rest.Late != s.trail[0].Late {
		return pass("after a lost link: "+measured, expected), s.halt() // STOP has a check of its own
	}
	also, bad := s.braked(stop)
	if bad != nil {
		return *bad, nil
	}
	return pass("after a lost link: "+measured+"after STOP: "+also, expected), nil
}

// repeat sends the last setpoint again, with a number so far from its own, and moved so far.
func (s *Subject) repeat(difference uint16, moved float64) error {
	sp := s.player.last
	for i := range s.n() {
		sp.Position[i] = s.nano(s.player.x[i] + moved*s.stretch(i))
	}
	return s.write(raw(seatlink.TypeSetpoint, s.player.number+difference, sp.MarshalAppend(nil), nil))
}

// again lets time pass with nothing but repeats coming.
func (s *Subject) again(length time.Duration) error {
	s.player.on = false
	for end := s.line.Now() + length; s.line.Now() < end; {
		if err := s.repeat(0, 0); err != nil {
			return err
		}
		if err := s.pass(usual); err != nil {
			return err
		}
	}
	return nil
}

func repeats(s *Subject) (report.Finding, error) {
	const expected = "RESULT 4 to ARM after 150 ms of repeats; no motion by a repeat; the link lost when only repeats come"
	if err := s.stand(usual, steady); err != nil {
		return report.Finding{}, err
	}
	if err := s.again(150 * ms); err != nil {
		return report.Finding{}, err
	}
	r, heard, err := s.armWith(nil)
	if err != nil {
		return report.Finding{}, err
	}
	if r == seatlink.ResultOK && heard {
		if f, err := s.armedFed("150 ms of repeats", expected); f != nil || err != nil {
			return must(f), err
		}
	}
	if err := s.arm(usual, false); err != nil {
		return report.Finding{}, err
	}
	start := s.status
	for _, difference := range []uint16{0, 0xFFFF, 0xFF00} {
		s.player.between = func() error { return s.repeat(difference, 1) }
		if err := s.pass(200 * ms); err != nil {
			return report.Finding{}, err
		}
		s.player.between = nil
		now, err := s.fresh()
		if err != nil {
			return report.Finding{}, err
		}
		for i := range s.limits {
			if d := now.position(i) - start.position(i); math.Abs(d) > s.close() {
				return fail(fmt.Sprintf("repeats with a number %d back moved axis %d by %.4f %s", -int16(difference), i+1, d, s.unit()), expected,
					because("sequence", "order", "it obeys setpoints whose number does not advance")), s.halt()
			}
		}
	}
	from := s.line.Now()
	if err := s.again(400 * ms); err != nil {
		return report.Finding{}, err
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if now.State == seatlink.StateArmed {
		if gone, err := s.leave(seatlink.StateArmed, 400*ms); err != nil || !gone {
			return report.Finding{}, errors.Join(s.halt(), report.Missing("a controller that latches when setpoints end (see watchdog)"))
		}
		s.noteLoss(from)
		return fail("still ARMED after 400 ms of nothing but repeats", expected, because("watchdog", "stuck", "repeats feed the watchdog")), s.halt()
	}
	s.noteLoss(from)
	return pass("repeats neither armed nor moved it; "+now.State.String()+" when only they came", expected), nil
}

// quietly arms, and loses the link at rest.
func (s *Subject) quietly() error {
	if err := s.arm(usual, false); err != nil {
		return err
	}
	s.player.on = false
	from := s.line.Now()
	if _, err := s.wait(time.Second, func() bool { return s.status.State == seatlink.StateHeld || s.status.State == seatlink.StateFault }); err != nil {
		return err
	}
	s.noteLoss(from)
	if s.status.State == seatlink.StateArmed {
		_ = s.halt()
		return report.Missing("a controller that latches when setpoints end (see watchdog)")
	}
	return nil
}

// fault brings the controller to FAULT by losing the link three times in a minute.
func (s *Subject) fault() error {
	now, err := s.fresh()
	for range 4 {
		if err != nil || now.State == seatlink.StateFault {
			return err
		}
		if err = s.quietly(); err == nil {
			now = s.status
		}
	}
	if now.State != seatlink.StateFault {
		return report.Missing("a controller that faults at the third lost link (see third-loss)")
	}
	return nil
}

func thirdLoss(s *Subject) (report.Finding, error) {
	const expected = "HELD, HELD, then FAULT with bit 7, not homed"
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if now.State == seatlink.StateFault { // losses by this machine's own delay
		if err := s.ready(); err != nil {
			return report.Finding{}, err
		}
	}
	for range 5 {
		if err := s.quietly(); err != nil {
			return report.Finding{}, err
		}
		n := 0 // within 55 s, and since the last RESET, which may begin the count anew
		for _, t := range s.lossTimes {
			if s.line.Now()-t < 55*time.Second && t > s.resetAt {
				n++
			}
		}
		state, faults := s.status.State, s.status.Faults
		switch {
		case state == seatlink.StateFault && faults&seatlink.FaultLink == 0:
			return fail(fmt.Sprintf("FAULT, %v", faults), expected, because("faults", "order", "bit 7 is link lost repeatedly")), nil
		case state == seatlink.StateFault && s.status.Flags&seatlink.FlagHomed != 0:
			return fail("FAULT with the flag homed set", expected, because("state", "stuck", "in FAULT the position is unknown")), nil
		case state == seatlink.StateFault && s.losses(65*time.Second) < 3:
			return fail(fmt.Sprintf("FAULT at the loss number %d", s.losses(65*time.Second)), expected, because("state", "time", "it faults too early")), nil
		case state == seatlink.StateFault:
			return pass(fmt.Sprintf("FAULT at the loss number %d within a minute", n), expected), nil
		case n >= 3:
			return fail(fmt.Sprintf("%v after %d losses within 55 s", state, n), expected, because("state", "stuck", "it does not count lost links")), nil
		}
	}
	return fail(fmt.Sprintf("%v after %d losses", s.status.State, s.losses(time.Minute)), expected, because("state", "stuck", "it does not count lost links")), nil
}

func reset(s *Subject) (report.Finding, error) {
	const expected = "RESULT 0, DISARMED, no faults, not homed; HOME leads to READY"
	if err := s.fault(); err != nil {
		return report.Finding{}, err
	}
	if err := s.pass(200 * ms); err != nil {
		return report.Finding{}, err
	}
	r, heard, err := s.ask(plain(seatlink.TypeReset))
	if err != nil {
		return report.Finding{}, err
	}
	if !heard || r != seatlink.ResultOK {
		return fail("RESET in FAULT: "+answered(r, heard), expected, nil), nil
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if now.State != seatlink.StateDisarmed || now.Faults != 0 || now.Flags&seatlink.FlagHomed != 0 {
		return fail(fmt.Sprintf("after RESET: %v, faults: %v, homed: %v", now.State, now.Faults, now.Flags&seatlink.FlagHomed != 0), expected,
			because("state", "stuck", "after a fault the position is unknown")), nil
	}
	if s.hello.ByHand {
		return pass("DISARMED and not homed after RESET; to be levelled by hand before HOME", expected), nil
	}
	if err := s.ready(); err != nil {
		return report.Finding{}, err
	}
	return pass("DISARMED and not homed after RESET, READY after HOME", expected), nil
}
