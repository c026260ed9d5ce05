package ride

import (
	"perch/host/chain"
	"perch/host/guard"
	"perch/host/seat"
	"perch/host/source"
)

// self is what a ride asks of the seat without a key: a controller that says it is simulated homes and arms itself,
// because nothing moves, and parks first where an earlier ride left it held. It does so no more after a fault,
// nor after somebody stopped or parked it: then a key arms.
type self struct {
	ended  bool // no more
	homed  bool // homing was asked for
	rode   bool // this ride has armed it, or tried
	steady int  // ticks parked before it is armed
	level  int  // ticks parked: a controller arms on setpoints that have come for half a second
}

// ask gives the requests for this tick, from what the operator asks in it, the controller's state now and the row before.
func (a *self) ask(asked guard.Ask, c *guard.Controller, last *chain.Row) guard.Ask {
	state := last.Guarded.State
	if asked&(guard.AskStop|guard.AskPark) != 0 || state == guard.Fault || state == guard.Holding && a.rode {
		a.ended = true
	}
	if a.ended || !c.Present || !c.Simulated {
		return 0
	}
	if state != guard.Parked {
		a.level = 0
	}
	switch {
	case state == guard.Off && !c.Homed && !a.homed:
		a.homed = true
		return guard.AskHome
	case state == guard.Holding && c.Stopped:
		return guard.AskPark
	case state == guard.Parked && last.Liveness.Condition == source.Fresh:
		if a.level++; a.level == a.steady {
			a.rode = true
			return guard.AskArm
		}
	}
	return 0
}

// commandOf is the guard's command in the driver's words; 0: none.
func commandOf(c guard.Command) seat.Command {
	switch c {
	case guard.CommandHome:
		return seat.Home
	case guard.CommandArm:
		return seat.Arm
	case guard.CommandDisarm:
		return seat.Disarm
	case guard.CommandStop:
		return seat.Stop
	case guard.CommandReset:
		return seat.Reset
	case guard.CommandPark:
		return seat.Park
	}
	return 0
}
