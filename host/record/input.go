package record

import (
	"perch/host/chain"
	"perch/host/guard"
	"perch/sdk/recording"
)

// flags are the controller's truths in the order of the schema's bits (proto/recording/v1, GuardInput).
func flags(c *guard.Controller) []*bool {
	return []*bool{&c.Present, &c.Simulated, &c.Homed, &c.Homing, &c.Armed, &c.Ready, &c.Fault, &c.Supply, &c.Stopped, &c.Commissioned}
}

func controllerBits(c *guard.Controller) (bits uint32) {
	for i, b := range flags(c) {
		if *b {
			bits |= 1 << i
		}
	}
	return bits
}

// Input is what a chain was told at the tick of a recorded command, so that the ride can be run again. A truth that the
// recording is too old to hold is false: from one without Commissioned, a ride on a real seat does not arm when run again.
func Input(c *recording.Command) (in chain.Input) {
	in.Ask, in.OperatorAge = guard.Ask(c.Input.Ask), c.Input.OperatorAge
	for i, b := range flags(&in.Controller) {
		*b = c.Input.Controller&(1<<i) != 0
	}
	in.Controller.BootID = c.Input.BootID
	copy(in.Controller.Position[:], c.Input.Positions)
	return in
}
