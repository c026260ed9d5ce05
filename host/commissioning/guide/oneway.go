package guide

import (
	"context"
	"fmt"

	"perch/host/commissioning"
	"perch/host/jog"
	"perch/host/pose"
	"perch/host/seat"
	"perch/proto/seatlink"
)

// seen are the steps on a controller that answers nothing: what it cannot tell, a person has to see. The others are as they
// are on any, inside the limits that such a controller has until it was seen to stop (commissioning.RideLimits).
var seen = map[string]func(context.Context, *bench) error{
	commissioning.Identity: identitySeen, commissioning.Directions: directionsSeen, commissioning.Homing: levelSeen, commissioning.Stops: stopsSeen,
}

func identitySeen(ctx context.Context, b *bench) error {
	s := b.status()
	b.Operator.Tell(fmt.Sprintf("A controller on %s that answers nothing: all that is known is what you see.", s.Port))
	if err := b.rodsOff(); err != nil {
		return err
	}
	if err := b.must(fmt.Sprintf("Is %s the port of this seat's controller?", s.Port), "find the right port with perch ports", "this is not the controller that was meant"); err != nil {
		return err
	}
	return b.supply(ctx)
}

// level asks whether the seat stands level, which stands for homing.
func (b *bench) level() error {
	b.Operator.Tell("With the motors on, bring the seat (or, without rods, each crank) to level, and check it with a spirit level.")
	if err := b.must("Does it stand level?", "bring it to level, and do this step again", "it does not stand level"); err != nil {
		return err
	}
	if b.status().Armed {
		b.line.Do(seat.Disarm)
		if err := b.settle("disarms", func(s *seat.Status) bool { return !s.Armed }); err != nil {
			return err
		}
	}
	before := b.status().Answers
	b.line.Do(seat.Home) // writes nothing
	return b.settle("takes it", func(s *seat.Status) bool { return s.Answers != before && s.Homed && s.State == seatlink.StateReady })
}

// again begins the jog anew after the seat was moved by something else.
func (b *bench) again(ctx context.Context) error {
	b.end()
	if err := b.level(); err != nil {
		return err
	}
	return b.begin(ctx, byPose)
}

// supplyBackSeen switches the supply on again.
func (b *bench) supplyBackSeen(ctx context.Context) error {
	if err := b.must("Hands off, and switch the motor supply on again. Did nothing move?",
		"find out why: a driver that snaps to a place of its own must be set not to", "the motors moved when the supply came back"); err != nil {
		return err
	}
	b.note("supply_switch", "seen off and on, nothing moved")
	if b.jog == nil {
		return nil
	}
	return b.again(ctx)
}

func directionsSeen(ctx context.Context, b *bench) error {
	if err := b.rodsOff(); err != nil {
		return err
	}
	b.note("home_switches", noSwitches)
	if err := b.begin(ctx, byActuator); err != nil {
		return err
	}
	if err := b.home(); err != nil {
		return err
	}
	return b.turns()
}

// levelSeen looks whether level stays level.
func levelSeen(ctx context.Context, b *bench) error {
	if err := b.rodsOff(); err != nil {
		return err
	}
	if err := b.begin(ctx, byActuator); err != nil {
		return err
	}
	if err := b.home(); err != nil {
		return err
	}
	for range 2 {
		var to pose.Pose
		for i, a := range b.actuators() {
			to[i] = 0.25 * min(a.High, -a.Low)
		}
		if err := b.goTo("Hold the key: every motor moves away from level.", to); err != nil {
			return err
		}
		if err := b.goTo("Hold the key: back to level.", pose.Pose{}); err != nil {
			return err
		}
		if err := b.must("Is each crank level again, by the spirit level, to a tenth of a degree?",
			"see to couplings, set screws and the motors' step counts, and do this step again", "level is not where it was"); err != nil {
			return err
		}
	}
	b.note("homed", "by hand, with a spirit level; level again after two moves")
	return nil
}

// stopsSeen breaks what can break while the seat moves, and asks whether it stopped.
func stopsSeen(ctx context.Context, b *bench) error {
	if err := b.rodsOn(); err != nil {
		return err
	}
	b.Operator.Tell(
		"Three tests while the seat moves. Have a hand on the switch of the motor supply: nobody knows yet whether it stops.",
		"After each the seat has to be where it stopped.")
	if err := b.begin(ctx, byPose); err != nil {
		return err
	}
	const moved = "do not ride at full limits; this controller needs a watchdog of its own"
	for _, test := range []struct{ name, do, question string }{
		{"stop_key", "Hold the key: the seat sways. While it moves, press Esc.", "Did it stop at once, softly, and stay?"},
		{"cable", "Hold the key: the seat sways. While it moves, pull the data cable.", "Did it stop by itself, within a tenth of a second and softly, and stay?"},
		{"supply", "Hold the key: the seat sways. While it moves, press the switch of the motor supply, then Esc.", "Did the switch take the motors' power at once?"},
	} {
		if err := b.home(); err != nil {
			return err
		}
		stopped := false
		w := b.newSway(b.firstAxis(), stopShare)
		err := b.Operator.Hold(test.do, Hold{
			Press: func() {
				if !stopped {
					b.jog.Press(w.press(b.jog.Snapshot()))
				}
			},
			Stop: func() { stopped = true; b.jog.Stop() },
			Done: func() (bool, error) {
				s := b.jog.Snapshot()
				if test.name == "cable" {
					return s.State == jog.Away, nil
				}
				if s.State == jog.Away {
					return false, fmt.Errorf("the port is gone: %s", s.Status.Problem)
				}
				return stopped && s.State != jog.Moving && s.State != jog.Stopping, nil
			},
		})
		if err != nil {
			return err
		}
		if err := b.must(test.question, moved, "the seat did not stop as it must ("+test.name+")"); err != nil {
			return err
		}
		b.note(test.name, "seen to stop")
		switch test.name {
		case "cable":
			if err := b.Operator.Wait("Plug the cable in again, and watch the seat.", func() bool { return b.status().Connected }); err != nil {
				return err
			}
			if err := b.must("Did nothing move when the cable came back?", "cut the board's reset line from the port, or see what its controller does at a start", "the seat moved when the cable came back"); err != nil {
				return err
			}
			err = b.again(ctx)
		case "supply":
			err = b.supplyBackSeen(ctx)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
