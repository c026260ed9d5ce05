package guide

import (
	"context"
	"errors"
	"fmt"
	"math"

	"perch/host/pose"
	"perch/host/seat"
	"perch/proto/seatlink"
)

const degree = math.Pi / 180

// rodsOff is asked before the first steps.
func (b *bench) rodsOff() error {
	return b.must("Are the rods off the cranks, so that the motors move nothing but the cranks, and is nobody in the seat?",
		"take the rods off, see that nobody is near, and do this step again", "the rods are on or somebody is in the seat")
}

// identity finds out which controller it is, and whether the supply switch works.
func identity(ctx context.Context, b *bench) error {
	s := b.status()
	b.Operator.Tell(
		fmt.Sprintf("Controller  %s on %s", s.Board, s.Port),
		"Firmware    "+s.Firmware,
		fmt.Sprintf("Limits      hash %08x", s.Hash),
		fmt.Sprintf("State       %s", s.State))
	if b.Seat.Board != "" && b.Seat.Board != s.Board {
		return wrong("plug the right controller in, or set board under [controller] in the seat file", "this is %q, and the seat file wants %q", s.Board, b.Seat.Board)
	}
	if err := b.rodsOff(); err != nil {
		return err
	}
	if err := b.must(fmt.Sprintf("Is %q the controller of this seat, and %s the firmware that you flashed?", s.Board, s.Firmware),
		"find the right port with perch ports, or flash the firmware again", "this is not the controller that was meant"); err != nil {
		return err
	}
	if err := b.limitsFit(ctx); err != nil {
		return err
	}
	if err := b.supply(ctx); err != nil {
		return err
	}
	return b.alarms()
}

// limitsFit compares the seat file with what the controller holds.
func (b *bench) limitsFit(ctx context.Context) error {
	limits, err := b.line.Limits(ctx)
	if err != nil {
		return err
	}
	for i, a := range b.actuators() {
		l := limits[i]
		low, high := float64(l.Low)*seatlink.PositionQuantum, float64(l.High)*seatlink.PositionQuantum
		speed := float64(l.Speed) * seatlink.SpeedQuantum
		const hair = 1e-6
		const remedy = "make both agree: LIMITS in the firmware's board.h, or the actuators' limits in the seat file"
		if low > a.Low+hair || high < a.High-hair {
			return wrong(remedy, "the controller lets %s go from %s to %s, and the seat file asks for %s to %s", a.Name, b.shown(low), b.shown(high), b.shown(a.Low), b.shown(a.High))
		}
		if speed < a.Speed*(1-1e-6) {
			return wrong(remedy, "the controller lets %s go at %s a second, and the seat file asks for %s", a.Name, b.shown(speed), b.shown(a.Speed))
		}
		const wide = 1.25
		if low < a.Low*wide-hair || high > a.High*wide+hair {
			return wrong(remedy+"; the controller is the second opinion, and a wide one is none",
				"the controller lets %s go from %s to %s, far beyond the %s to %s of the seat file", a.Name, b.shown(low), b.shown(high), b.shown(a.Low), b.shown(a.High))
		}
	}
	return nil
}

func isOff(s *seat.Status) bool { return s.State == seatlink.StateSupplyOff && !s.Supply }

// supply tries the motor supply's switch at rest.
func (b *bench) supply(ctx context.Context) error {
	if s := b.status(); !s.Supply {
		if err := b.wait("Switch the motor supply on.", SupplyOn, 0, func(s *seat.Status) bool { return s.Supply }); err != nil {
			return err
		}
	}
	if s := b.status(); s.State == seatlink.StateSupplyOff || s.State == seatlink.StateFault {
		if err := b.reset(); err != nil {
			return err
		}
	}
	if err := b.wait("Press the switch of the motor supply now.", SupplyOff, 0, isOff); err != nil {
		return err
	}
	if s := b.status(); !s.OneWay {
		b.Operator.Tell("The controller reports it: " + s.State.String() + ".")
	}
	if err := b.must("Can you turn every motor by hand now?",
		"wire the switch so that it cuts the motors' power by itself, without the controller", "the supply switch does not let the motors go"); err != nil {
		return err
	}
	return b.supplyBack(ctx)
}

// supplyBack switches the supply on again and sees that nothing moves.
func (b *bench) supplyBack(ctx context.Context) error {
	if b.status().OneWay {
		return b.supplyBackSeen(ctx)
	}
	if err := b.wait("Hands off. Switch the motor supply on again and watch the seat.", SupplyOn, 0, func(s *seat.Status) bool { return s.Supply }); err != nil {
		return err
	}
	moved, err := b.still(ctx)
	if err != nil {
		return err
	}
	if s := b.status(); moved > 0 || s.State != seatlink.StateSupplyOff {
		return wrong("flash the reference firmware, or one that perch conform controller has passed",
			"after the supply came back the controller is in %s and moved by %s; it must wait for a reset", s.State, b.shown(moved))
	}
	if err := b.must("Did nothing move when the supply came back?",
		"find out why: a driver that snaps to a place of its own must be set not to", "the motors moved when the supply came back"); err != nil {
		return err
	}
	b.note("supply_switch", "seen off and on, nothing moved")
	return b.reset()
}

// alarms tries the drivers' alarms, where they are wired.
func (b *bench) alarms() error {
	wired, err := b.Operator.Confirm("Are your drivers' alarm outputs wired to the controller?")
	if err != nil {
		return err
	}
	if !wired {
		b.note("driver_alarms", "not wired")
		return nil
	}
	for i, a := range b.actuators() {
		if err := b.wait(fmt.Sprintf("Make the driver of %s report an alarm now: pull its encoder's plug.", a.Name), AlarmOn, i,
			func(s *seat.Status) bool { return s.Alarms != 0 }); err != nil {
			return err
		}
		if s := b.status(); s.Alarms != 1<<i {
			return wrong("exchange the alarm wires, or ALARM_0 and ALARM_1 in the firmware's board.h", "the alarm of %s arrives as %08b", a.Name, s.Alarms)
		}
		if err := b.wait("Plug it in again, and clear the alarm at the driver if it wants that.", AlarmOff, i, func(s *seat.Status) bool { return s.Alarms == 0 }); err != nil {
			return err
		}
		if s := b.status(); s.State == seatlink.StateFault || s.State == seatlink.StateSupplyOff {
			if err := b.reset(); err != nil {
				return err
			}
		}
	}
	b.note("driver_alarms", "seen")
	return nil
}

// directions finds out which way each motor turns. The firmware owns the signs: a wrong one is set right there.
func directions(ctx context.Context, b *bench) error {
	if err := b.rodsOff(); err != nil {
		return err
	}
	if err := b.switches(); err != nil {
		return err
	}
	if err := b.begin(ctx, byActuator); err != nil {
		return err
	}
	b.Operator.Tell("Now it homes for the first time. Let the key go at once if a crank runs away from its switch: it stops by itself a second later; Esc stops it at once.")
	if err := b.home(); err != nil {
		if fault := new(Fault); errors.As(err, &fault) && b.status().Faults&seatlink.FaultHoming != 0 {
			return wrong("if a crank ran away from its switch, change DIR_UP_0 or DIR_UP_1 in the firmware's board.h; if it did not stop at it, HOME_CLOSED_BELOW or HOME_CLOSED; build, flash, and begin again with perch commission identity",
				"the seat does not home: %s", fault.What)
		}
		return err
	}
	return b.turns()
}

// turns lets each motor turn a little, and asks which way it went.
func (b *bench) turns() error {
	for i, a := range b.actuators() {
		step, words := degree, "1 degree, its tip up"
		if a.Unit == "m" {
			step, words = 0.002, "2 mm, longer"
		}
		var to pose.Pose
		to[i] = step
		if err := b.goTo(fmt.Sprintf("Hold the key and look at %s: it should turn by %s, and nothing else.", a.Name, words), to); err != nil {
			return err
		}
		yes, err := b.Operator.Confirm(fmt.Sprintf("Did %s move by %s, and nothing else?", a.Name, words))
		if err != nil {
			return err
		}
		if !yes {
			return b.wrongWay(i)
		}
		if err := b.goTo("Hold the key: it goes back.", pose.Pose{}); err != nil {
			return err
		}
		b.note(a.Name, "up is positive, alone")
	}
	return nil
}

// wrongWay says what to change.
func (b *bench) wrongWay(i int) error {
	a := b.actuators()[i]
	if b.status().OneWay {
		return wrong("change the sign or the order in the template of the seat file, and begin again with perch commission identity", "%s does not move up as it is told", a.Name)
	}
	other, err := b.Operator.Confirm("Was it another one that moved?")
	if err != nil {
		return err
	}
	if other {
		return wrong("exchange the motors' wires, or the STEP and DIR pins in the firmware's board.h, and begin again with perch commission identity", "%s is moved by another motor's name", a.Name)
	}
	return wrong(fmt.Sprintf("change DIR_UP_%d in the firmware's board.h from 1 to 0 or back, build, flash, and begin again with perch commission identity; if it moved by another amount, STEPS_PER_TURN_%d", i, i),
		"%s does not move up as it is told", a.Name)
}

const noSwitches = "none: homed by hand"

// switches lets each home switch be pressed by hand.
func (b *bench) switches() error {
	if b.status().HandHomed {
		b.note("home_switches", noSwitches)
		return nil
	}
	hand, err := b.Operator.Confirm("Has the seat home switches? (no: it is homed by hand, with a spirit level)")
	if err != nil {
		return err
	}
	if !hand {
		b.note("home_switches", noSwitches)
		return nil
	}
	base := b.status().HomeSwitches
	for i, a := range b.actuators() {
		if err := b.wait(fmt.Sprintf("Press the home switch of %s by hand, and hold it.", a.Name), SwitchClosed, i,
			func(s *seat.Status) bool { return s.HomeSwitches != base }); err != nil {
			return err
		}
		if got := b.status().HomeSwitches ^ base; got != 1<<i {
			return wrong("exchange the switches' wires, or HOME_0 and HOME_1 in the firmware's board.h", "the switch of %s arrives as %08b", a.Name, got)
		}
		if err := b.wait("Let it go.", SwitchOpen, i, func(s *seat.Status) bool { return s.HomeSwitches == base }); err != nil {
			return err
		}
	}
	b.note("home_switches", "each seen alone")
	return nil
}
