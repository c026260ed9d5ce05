package guide

import (
	"perch/host/jog"
	"perch/host/seat"
	"perch/proto/seatlink"
)

// homeByHand homes a seat without home switches: levelled while its motors have no power, which the operator then says.
func (b *bench) homeByHand() error {
	b.Operator.Tell("This seat is homed by hand: whoever levels it sets the zero of everything that follows.")
	if err := b.wait("Switch the motor supply off. Then level the seat (or, without rods, each crank) by a spirit level, both ways, and block it.", SupplyOff, 0, isOff); err != nil {
		return err
	}
	if err := b.must("Does it stand level, by the spirit level?", "level it and block it, and do this step again", "the seat does not stand level"); err != nil {
		return err
	}
	if err := b.wait("Stand clear: a motor may snap to its nearest pole. Switch the motor supply on again.", SupplyOn, 0, func(s *seat.Status) bool { return s.Supply }); err != nil {
		return err
	}
	if s := b.status(); s.State == seatlink.StateSupplyOff || s.State == seatlink.StateFault {
		if err := b.reset(); err != nil {
			return err
		}
	}
	return b.homeHeld("Hold the key: the drivers take hold, and it goes to its park position.")
}

// homeHeld lets the controller home while the key is held.
func (b *bench) homeHeld(instruction string) error {
	begun := false
	return b.hold(instruction, func() jog.Press { return jog.Press{Kind: jog.Home} }, func(s *jog.Snapshot) bool {
		begun = begun || s.State == jog.Homing || s.State == jog.Unhomed
		return begun && s.State == jog.Ready
	})
}
