package controller

import (
	"context"
	"fmt"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

// Tighten is the check that leaves the limits in force a step narrower until the controller's next reset.
const Tighten = "tighten"

func tightenChecks() []Check {
	return []Check{check(Tighten, "LIMITS_TIGHTEN only ever narrows", `Each limit is made narrower by the smallest step and the hash in force follows; each one a step wider than in force, another park
position, an axis that is not there, and a travel that leaves the present position outside get RESULT 6.
The controller keeps these limits, a millionth narrower, until its next reset.
Why it matters: the limits in the controller are the last thing between a wrong host and the frame.
Usual mistakes: the comparison is with nothing, or with the stored limits, so that what was narrowed can be widened again; the
hash stays.`, tighten)}
}

func tighten(s *Subject) (report.Finding, error) {
	const expected = "narrower: RESULT 0 and the hash of the new limits; wider in any field: RESULT 6 and nothing changes"
	if err := s.ready(); err != nil {
		return report.Finding{}, err
	}
	s.limits = nil
	if err := s.needLimits(); err != nil {
		return report.Finding{}, err
	}
	defer func() { s.limits = nil }()
	if s.hash() != s.status.Hash {
		return report.Finding{}, report.Missing("a hash that is that of the limits (see limits-read)")
	}
	try := func(axis int, l seatlink.AxisLimits) (seatlink.Result, bool, seen, error) {
		r, heard, err := s.ask(&seatlink.Limits{Axis: uint8(axis), Limits: l, Tighten: true})
		if err != nil {
			return 0, false, seen{}, err
		}
		now, err := s.fresh()
		return r, heard, now, err
	}
	refused := 0
	refuse := func(name string, axis int, l seatlink.AxisLimits) (*report.Finding, error) {
		before := s.axes
		r, heard, now, err := try(axis, l)
		if err != nil {
			return nil, err
		}
		refused++
		if r == seatlink.ResultValue && heard && now.Hash == seatlink.Hash(s.hello.Axes, &before) {
			return nil, nil
		}
		if axis < s.n() { // give back what it should not have taken
			if _, _, _, err := try(axis, before[axis]); err != nil {
				return nil, err
			}
		}
		f := fail(fmt.Sprintf("%s: %s, hash %08X", name, answered(r, heard), now.Hash), expected, because("limits", "order", "it takes limits with %s", name))
		return &f, nil
	}
	for i := range s.n() {
		l := s.axes[i]
		l.Low, l.High = min(l.Low+1, l.Park), max(l.High-1, l.Park)
		l.Speed, l.Acceleration, l.Jerk = max(l.Speed-1, 1), max(l.Acceleration-1, 1), max(l.Jerk-1, 1)
		l.ReducedSpeed = min(max(l.ReducedSpeed-1, 1), l.Speed)
		if !l.Valid() {
			return report.Finding{}, report.Missing("limits of axis %d that can be narrowed", i+1)
		}
		r, heard, now, err := try(i, l)
		if err != nil {
			return report.Finding{}, err
		}
		narrowed := s.axes
		narrowed[i] = l
		if !heard || r != seatlink.ResultOK {
			return fail(fmt.Sprintf("axis %d a step narrower: %s", i+1, answered(r, heard)), expected, nil), nil
		}
		if now.Hash != seatlink.Hash(s.hello.Axes, &narrowed) {
			return fail(fmt.Sprintf("axis %d a step narrower: hash %08X, not %08X", i+1, now.Hash, seatlink.Hash(s.hello.Axes, &narrowed)), expected,
				because("hash", "stuck", "the hash in force does not follow the limits")), nil
		}
		s.axes = narrowed
		for _, w := range []struct {
			name   string
			change func(l *seatlink.AxisLimits)
		}{
			{"a lower low end", func(l *seatlink.AxisLimits) { l.Low-- }}, {"a higher high end", func(l *seatlink.AxisLimits) { l.High++ }},
			{"a higher speed", func(l *seatlink.AxisLimits) { l.Speed++ }}, {"a higher reduced speed", func(l *seatlink.AxisLimits) { l.ReducedSpeed++ }},
			{"more acceleration", func(l *seatlink.AxisLimits) { l.Acceleration++ }}, {"more jerk", func(l *seatlink.AxisLimits) { l.Jerk++ }},
			{"another park position", func(l *seatlink.AxisLimits) {
				if l.Park++; l.Park > l.High {
					l.Park -= 2
				}
			}},
			{"low above high", func(l *seatlink.AxisLimits) { l.Low, l.High = l.High, l.Low }},
			{"a speed of 0", func(l *seatlink.AxisLimits) { l.Speed, l.ReducedSpeed = 0, 0 }},
		} {
			l := s.axes[i]
			w.change(&l)
			if f, err := refuse(fmt.Sprintf("%s on axis %d", w.name, i+1), i, l); err != nil || f != nil {
				return must(f), err
			}
		}
	}
	if s.n() < seatlink.MaxAxes {
		if f, err := refuse("an axis that is not there", s.n(), s.axes[0]); err != nil || f != nil {
			return must(f), err
		}
	}
	measured := fmt.Sprintf("%d axes narrowed by a step; %d refused", s.n(), refused)
	s.limits = nil
	if err := s.held(); err != nil {
		return pass(measured+"; a travel that excludes the present position was not tried", expected), nil
	}
	l := s.axes[0]
	if at := s.status.Position[0]; at > l.Park {
		l.High = l.Park + (at-l.Park)/2
	} else {
		l.Low = l.Park + (at-l.Park)/2
	}
	if f, err := refuse("a travel without the present position on axis 1", 0, l); err != nil || f != nil {
		return must(f), err
	}
	return pass(fmt.Sprintf("%d axes narrowed by a step; %d refused", s.n(), refused), expected), s.ready()
}

func must(f *report.Finding) report.Finding {
	if f == nil {
		return report.Finding{}
	}
	return *f
}

func wholeChecks() []Check {
	return []Check{
		check("moves-by-itself", "It never moves or changes its state by itself", `Every STATUS of the whole run is looked at: positions change only while HOMING, ARMED, STOPPING, PARKING, or braking in FAULT;
states change only by a command, by a stop's end or by a fault.
Why it matters: motion is asked for, always. Somebody's hand may be where the crank goes.
Usual mistakes: homing at power on; a hold that drifts; a retry that nobody sees.`, movesByItself),
		check("restarts", "It does not restart during the run", `The boot id stays the same from the first frame to the last.
Why it matters: a restart in motion ends all steps at once, and the position is lost.
Usual mistakes: the processor's watchdog is shorter than the longest loop; the supply dips when the motors start; a pointer
past its buffer.`, func(s *Subject) (report.Finding, error) {
			measured := fmt.Sprintf("%d restarts in %.0f s", s.watch.boots, s.line.Now().Seconds())
			if s.watch.boots > 0 {
				return fail(measured, "none", because("boot_id", "time", "the cause of the last reset is said to be: %v", s.hello.ResetCause)), nil
			}
			return pass(measured, "none"), nil
		}),
	}
}

func movesByItself(s *Subject) (report.Finding, error) {
	const expected = "none"
	if err := s.pass(500 * ms); err != nil {
		return report.Finding{}, err
	}
	moved := s.watch.unanswered()
	measured := fmt.Sprintf("%d STATUS looked at over %.0f s, %d unasked motions or changes", s.watch.looked, s.line.Now().Seconds(), len(moved))
	if len(moved) > 0 {
		return fail(measured, expected, because("state", "order", "the first: %s", moved[0].text)), nil
	}
	return pass(measured, expected), nil
}

// outsideChecks are the rules that the line alone cannot show.
func outsideChecks() []Check {
	outside := func(id, title, doc, needs string) Check {
		return Check{ID: id, Title: title, Doc: doc, Run: func(context.Context, *Subject) (report.Finding, error) {
			return report.Finding{Outcome: report.NotCheckable, Needs: needs, Unclaimed: true}, nil
		}}
	}
	return []Check{
		outside("power-on", "Nothing moves when power comes, and the boot id is a new one", `After power on it is DISARMED, with a HELLO and another boot id.
Why it matters: a seat that moves when the power comes back moves when nobody expects it.
Usual mistake: STEP and ENABLE float while the bootloader runs; fit pull-down resistors.`,
			"a hand at the controller's own supply: switch it off and on, and see that nothing moves and that it wants to be homed"),
		outside("supply", "The motor supply's switch is reported, and nothing moves when it comes back", `Off: SUPPLY_OFF at once, fault bit 4. On again: still SUPPLY_OFF, RESET, then HOME.
Why it matters: drivers may snap to a stale position when they are powered again.
Usual mistake: the input is read only while arming.`,
			"a hand at the switch of the motor supply: perch commission asks for it"),
		outside("driver-alarm", "A driver's alarm is a fault", `The alarm input of each axis leads to FAULT bit 0, the other axes brake, RESET gets RESULT 8 while it lasts.
Why it matters: an axis whose driver has given up no longer follows, and the others would twist the seat against it.
Usual mistake: the polarity of the input, so that a broken wire is never an alarm.`,
			"a hand at the alarm inputs: open each in turn while it is armed at rest"),
		outside("home-edge", "A home edge at the wrong position is a fault", `An axis that was turned by hand by more than a few steps gives FAULT bit 3 when it passes its home switch.
Why it matters: the controller no longer knows where that axis is, so that its limits are in the wrong place.
Usual mistake: the switch is looked at only while homing.`,
			"a hand at the crank with the motors off"),
		outside("processor", "A hung processor is reset by its own watchdog", `The processor's watchdog is slower than 100 ms, so that the controlled stop comes first, and the start after it is DISARMED.
Why it matters: a program that hangs neither brakes nor hears a STOP.
Usual mistake: the watchdog is fed from an interrupt, which goes on when the program hangs.`,
			"a look into the firmware: nothing on the line makes a processor hang"),
	}
}
