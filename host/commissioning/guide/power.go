package guide

import (
	"context"
	"fmt"

	"perch/host/commissioning/sizing"
	"perch/host/config"
	"perch/host/jog"
	"perch/host/pose"
)

// power looks at what the seat does when its motors have none.
func power(ctx context.Context, b *bench) error {
	if err := b.rodsOn(); err != nil {
		return err
	}
	if err := b.begin(ctx, byPose); err != nil {
		return err
	}
	if err := b.home(); err != nil {
		return err
	}
	var to pose.Pose
	a := b.firstAxis()
	to[a] = 0.75 * b.Seat.Limits.High[a]
	if err := b.goTo(fmt.Sprintf("Hold the key: %s to %s, where it has most to fall.", a, showAxis(a, to[a])), to); err != nil {
		return err
	}
	if err := b.wait("Keep clear of the seat. Press the switch of the motor supply.", SupplyOff, 0, isOff); err != nil {
		return err
	}
	stays, err := b.Operator.Confirm("Did the seat stay where it was?")
	if err != nil {
		return err
	}
	held := b.Seat.Drive.Held
	if held == "" {
		held = sizing.HeldByNothing
	}
	switch {
	case stays:
		b.note("without_power", "stays where it is")
	case held == sizing.HeldByBuffers:
		if err := b.must("Did it come down so softly onto its buffers that you would sit in it?", "fit softer buffers or more of them, and do this step again",
			"without power the seat falls hard"); err != nil {
			return err
		}
		b.note("without_power", "comes down softly onto buffers")
	case held == sizing.HeldByNothing:
		return wrong(`no rider until a brake, a balance or buffers hold it: fit one, write held_by = "brake", "balance" or "buffers" under [drive] in the seat file, and begin again with perch commission identity`,
			"without power the seat falls, and the seat file names nothing that holds it")
	default:
		return wrong("mend it and do this step again; no rider until it holds", "without power the seat falls, and the %s in the seat file does not hold it", held)
	}
	b.note("held_by", "%s", held)
	if err := b.must("Can a rider get out now, without power, and can you free somebody whom the seat has caught?",
		"make a way down and a way to free somebody without power, try both, and do this step again", "there is no way out without power"); err != nil {
		return err
	}
	if err := b.supplyBack(ctx); err != nil {
		return err
	}
	return b.home()
}

// raise moves the seat at a growing share of its limits with the heaviest rider's ballast.
func raise(ctx context.Context, b *bench) error {
	if err := b.rodsOn(); err != nil {
		return err
	}
	weight := "the heaviest rider"
	if b.Seat.Load.Given() {
		weight = fmt.Sprintf("%s, the heaviest rider of the seat file", config.Mass.Format(b.Seat.Load.RiderMass))
	}
	if err := b.must(fmt.Sprintf("Does the ballast weigh as much as %s?", weight), "put in as much ballast as the heaviest rider weighs, and do this step again", "the ballast is not that of the heaviest rider"); err != nil {
		return err
	}
	for _, share := range []float64{0.25, 0.5, 1} {
		percent := int(100 * share)
		if err := b.start(ctx, jog.Settings{Mechanism: b.m, Limits: jog.Share(b.Seat.Limits, share), Full: true}); err != nil {
			return err
		}
		if err := b.home(); err != nil {
			return err
		}
		for a := range pose.Count {
			if !b.m.Axes().Has(a) {
				continue
			}
			err := b.patiently(func() error {
				return b.toAndFro(fmt.Sprintf("Hold the key: %s at %d %% of the limits, to both sides.", a, percent), a)
			})
			if err != nil {
				return err
			}
		}
		if err := b.goTo("Hold the key: back to level.", pose.Pose{}); err != nil {
			return err
		}
		b.end()
		if err := b.must("Did it run without knocks, without scraping, without an alarm, and is every bolt still tight?",
			"mend it, and do this step again", fmt.Sprintf("at %d %% of the limits something is wrong", percent)); err != nil {
			return err
		}
	}
	b.note("raised_to", "100 %%")
	return b.must("Are motors, drivers and gearboxes cool enough to keep a hand on them?", "let them cool and see perch commission sizing: they may be too weak", "something gets hot")
}

// toAndFro moves one axis to both sides and back.
func (b *bench) toAndFro(instruction string, a pose.Axis) error {
	w := b.newSway(a, 0.9)
	seen := 0
	return b.hold(instruction, func() jog.Press {
		before := w.on
		p := w.press(b.jog.Snapshot())
		if w.on != before {
			seen++
		}
		return p
	}, func(s *jog.Snapshot) bool { return seen >= 1 && at(s, w.to[1]) })
}
