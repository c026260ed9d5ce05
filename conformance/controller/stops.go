package controller

import (
	"fmt"
	"math"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

// brisk is the period of setpoints where a stop is measured: what passes before braking begins is short with it.
const brisk = 4 * ms

func stopChecks() []Check {
	return []Check{
		check("stop", "STOP ends motion from every moving state, and it stays held", `In motion STOP gets RESULT 0, the state goes to STOPPING and then HELD; a second one is answered too; setpoints that go on coming
move nothing. A DISARM behind a STOP does not undo it. STOP ends PARKING in the same way.
Why it matters: it is the key that a person presses in fear.
Usual mistakes: STOP waits in the queue behind setpoints; the next setpoint starts the motion again; HELD parks by itself.`, stop),
		check("disarm", "DISARM ends motion: READY at the park position, HELD elsewhere", `At the park position DISARM leads through STOPPING to READY; away from it to HELD.
Why it matters: the host disarms at the end of a ride and believes what it is told.
Usual mistakes: DISARM is answered and nothing changes while setpoints come; READY although the crank is elsewhere.`, disarm),
		statesCheck(seatlink.StateStopping, func(s *Subject) error {
			_, err := s.start(kind{1, share, usual, 0.1, halted})
			s.status.State = seatlink.StateStopping // the row begins with the DISARM
			return err
		}),
		statesCheck(seatlink.StateHeld, (*Subject).held),
		check("park", "PARK goes to the park position, no faster than the reduced speed", `From HELD, PARK gets RESULT 0 and leads through PARKING to READY at the park position; setpoints that come meanwhile change nothing.
Why it matters: after a stop somebody may stand beside the seat with a hand on the crank.
Usual mistakes: parking at full speed; parking by itself some seconds after a stop.`, park),
		statesCheck(seatlink.StateParking, func(s *Subject) error {
			if err := s.heldAt(0.8); err != nil {
				return err
			}
			if _, _, err := s.ask(plain(seatlink.TypePark)); err != nil {
				return err
			}
			_, err := s.leave(seatlink.StateHeld, patience)
			return err
		}),
	}
}

// held brings the controller to HELD, away from the park position.
func (s *Subject) held() error { return s.heldAt(0.25) }

func (s *Subject) heldAt(share float64) error {
	if err := s.needLimits(); err != nil {
		return err
	}
	if err := s.needDirections(); err != nil {
		return err
	}
	if err := s.arm(usual, false); err != nil {
		return err
	}
	if err := s.playOut(s.moveTo(s.away(share)), 100*ms); err != nil {
		return err
	}
	if err := s.halt(); err != nil {
		return err
	}
	if s.status.State != seatlink.StateHeld {
		return report.Missing("a controller that is HELD after a stop away from its park position; it is in %v", s.status.State)
	}
	return nil
}

// measure follows a stop to its end. from on nothing more is sent.
func (s *Subject) measure(steadily bool, end func() error) (*stopped, error) {
	p := &s.player
	p.on = false
	n := s.n()
	st := &stopped{from: append([]float64(nil), p.x[:n]...), speed: append([]float64(nil), p.v[:n]...), acceleration: append([]float64(nil), p.a[:n]...),
		period: p.period.Seconds(), sequence: p.number, at: p.when, disturbed: !steadily}
	first := len(s.trail)
	if err := end(); err != nil {
		return nil, err
	}
	var err error
	st.rested, err = s.wait(time.Second, func() bool {
		return s.status.State != seatlink.StateArmed && s.status.State != seatlink.StateStopping
	})
	if err != nil {
		return nil, err
	}
	if err := s.pass(600 * ms); err != nil { // a fault may still brake
		return nil, err
	}
	st.trail = append([]seen(nil), s.trail[first:]...)
	st.rest = s.status
	return st, nil
}

// braked judges the way of a stop against the law. Positions are certain, times are not: so it is the distance.
func (s *Subject) braked(st *stopped) (measured string, f *report.Finding) {
	for i := range st.from {
		l := &s.limits[i]
		v, direction := math.Abs(st.speed[i]), math.Copysign(1, st.speed[i])
		law := last(l.brakes(v, st.acceleration[i]*direction, st.period))
		gone := (st.rest.position(i) - st.from[i]) * direction
		least, most := 0.95*law-v*st.period-s.close(), 1.03*law+1.5*v*st.period+s.close()
		measured += fmt.Sprintf("axis %d from %.3g %s/s: %.4f %s; ", i+1, v, s.unit(), gone, s.unit())
		expected := fmt.Sprintf("axis %d: %.4f to %.4f %s (%.4f by the law, with %.4g %s/s² and %.4g %s/s³)", i+1, least, most, s.unit(), law, l.acceleration, s.unit(), l.jerk, s.unit())
		d := &report.Diagnosis{Signal: "acceleration", Component: fmt.Sprintf("axis %d", i+1), Kind: "unit"}
		switch {
		case gone > most:
			d.Detail = fmt.Sprintf("it brakes more weakly than its limits say: %.3g times the distance", gone/law)
		case gone < least:
			d.Detail = fmt.Sprintf("it brakes harder than its limits of acceleration and jerk let it: %.3g times the distance", gone/law)
		default:
			continue
		}
		out := fail(measured, expected, d)
		return measured, &out
	}
	return measured, nil
}

func stop(s *Subject) (report.Finding, error) {
	const expected = "RESULT 0 to each STOP; STOPPING, then HELD, and it stays there with setpoints coming"
	if _, err := s.start(kind{1, share, usual, 0.1, halted}); err != nil {
		return report.Finding{}, err
	}
	if s.status.State != seatlink.StateArmed {
		return s.hurried(expected), s.halt()
	}
	s.mark()
	p := s.put(nil, plain(seatlink.TypeStop))
	one := s.encoder.Sequence()
	p = s.put(p, plain(seatlink.TypeStop))
	two := s.encoder.Sequence()
	if err := s.write(p); err != nil {
		return report.Finding{}, err
	}
	s.player.plan = nil // the last position again and again, at no speed
	held, err := s.wait(2*time.Second, func() bool { return s.status.State == seatlink.StateHeld })
	if err != nil {
		return report.Finding{}, err
	}
	if a, heard := s.reply(one); !heard || a.Result != seatlink.ResultOK {
		return fail("STOP in motion: "+answered(a.Result, heard), expected, nil), s.halt()
	}
	if a, heard := s.reply(two); !heard || a.Result != seatlink.ResultOK {
		return fail("a second STOP: "+answered(a.Result, heard), expected, nil), s.halt()
	}
	if !held {
		return fail(fmt.Sprintf("2 s after STOP it was in %v", s.status.State), expected, because("state", "stuck", "STOP does not stop it")), s.halt()
	}
	rest := s.status
	for i := range s.limits {
		s.player.x[i] = s.limits[i].park
	}
	if err := s.pass(time.Second); err != nil {
		return report.Finding{}, err
	}
	if now := s.status; now.State != seatlink.StateHeld || now.Position != rest.Position {
		return fail(fmt.Sprintf("1 s after it was HELD, with setpoints coming: %v, from %s to %s", now.State, s.positions(&rest), s.positions(&now)), expected,
			because("state", "order", "setpoints end the hold")), s.halt()
	}
	s.player.on = false
	// STOP while PARKING, and a DISARM behind it.
	if _, _, err := s.ask(plain(seatlink.TypePark)); err != nil {
		return report.Finding{}, err
	}
	if s.status.State == seatlink.StateParking {
		s.mark()
		if _, _, err := s.after(s.put(s.put(nil, plain(seatlink.TypeStop)), plain(seatlink.TypeDisarm))); err != nil {
			return report.Finding{}, err
		}
		if _, err := s.wait(2*time.Second, func() bool {
			return s.status.State != seatlink.StateParking && s.status.State != seatlink.StateStopping
		}); err != nil {
			return report.Finding{}, err
		}
		if s.status.State != seatlink.StateHeld {
			return fail(fmt.Sprintf("STOP and then DISARM while PARKING: it ended in %v", s.status.State), expected, because("state", "order", "after a STOP it is HELD, whatever else comes")), nil
		}
	}
	return pass("STOPPING and HELD at "+s.positions(&rest)+", nothing moved it after that", expected), s.ready()
}

func disarm(s *Subject) (report.Finding, error) {
	const expected = "RESULT 0; READY from the park position, HELD from elsewhere"
	for _, where := range []struct {
		share float64
		end   seatlink.State
	}{{0, seatlink.StateReady}, {0.25, seatlink.StateHeld}} {
		if where.share != 0 {
			if err := s.needDirections(); err != nil {
				return report.Finding{}, err
			}
		}
		if err := s.arm(usual, false); err != nil {
			return report.Finding{}, err
		}
		if where.share != 0 {
			if err := s.playOut(s.moveTo(s.away(where.share)), 150*ms); err != nil {
				return report.Finding{}, err
			}
		}
		r, heard, err := s.ask(plain(seatlink.TypeDisarm))
		if err != nil {
			return report.Finding{}, err
		}
		if !heard || r != seatlink.ResultOK {
			return fail("DISARM while armed: "+answered(r, heard), expected, nil), s.halt()
		}
		// Setpoints go on coming: it must not be their end that ends it.
		if _, err := s.wait(2*time.Second, func() bool { return s.status.State == where.end }); err != nil {
			return report.Finding{}, err
		}
		if state := s.status.State; state != where.end {
			return fail(fmt.Sprintf("DISARM %.0f %% of the way from the park position: 2 s later in %v", 100*where.share, state), expected,
				because("state", "stuck", "DISARM leads to %v instead of %v", state, where.end)), s.halt()
		}
	}
	return pass("READY at the park position, HELD away from it", expected), nil
}

func park(s *Subject) (report.Finding, error) {
	if err := s.heldAt(0.5); err != nil {
		return report.Finding{}, err
	}
	const expected = "RESULT 0, PARKING, READY at the park position"
	s.hold(usual) // noted, and nothing more
	s.mark()
	r, heard, err := s.ask(plain(seatlink.TypePark))
	if err != nil {
		return report.Finding{}, err
	}
	if !heard || r != seatlink.ResultOK {
		return fail("PARK in HELD: "+answered(r, heard), expected, nil), nil
	}
	if _, err := s.wait(homeMost, func() bool { return s.status.State != seatlink.StateParking && s.status.State != seatlink.StateHeld }); err != nil {
		return report.Finding{}, err
	}
	passed, trail := false, s.trail
	for i := range s.trail {
		passed = passed || s.trail[i].State == seatlink.StateParking
	}
	if s.status.State != seatlink.StateReady || !passed {
		return fail(fmt.Sprintf("PARKING seen: %v; it ended in %v", passed, s.status.State), expected, nil), nil
	}
	if axis, off := s.offPark(); axis >= 0 {
		return fail(fmt.Sprintf("READY with axis %d %.4f %s off its park position", axis+1, off, s.unit()), expected, because("position", "offset", "PARK ends at the park position")), nil
	}
	measured := ""
	for i := range s.limits {
		said, fast := s.faster(trail, i, s.limits[i].reduced, expected, "it parks faster than the reduced speed")
		measured += said + "; "
		if fast != nil {
			return *fast, s.ready()
		}
	}
	return pass(measured, expected), nil
}
