package ride

import (
	"perch/host/chain"
	"perch/host/guard"
	"perch/host/seat"
	"perch/host/source"
)

// self is what a ride asks of the seat without a key: a controller that says it is simulated homes and arms itself,
// because nothing moves. It does so no more after a stop or a fault.
type self struct {
	ended bool // no more
	homed bool // homing was asked for
}

// ask gives the requests for this tick, from the controller's state now and the row before.
func (a *self) ask(c *guard.Controller, last *chain.Row) guard.Ask {
	state := last.Guarded.State
	if state == guard.Holding || state == guard.Fault {
		a.ended = true
	}
	if a.ended || !c.Present {
		return 0
	}
	fresh := last.Liveness.Condition == source.Fresh
	switch {
	case c.Simulated && state == guard.Off && !c.Homed && !a.homed:
		a.homed = true
		return guard.AskHome
	case c.Simulated && state == guard.Parked && fresh:
		return guard.AskArm
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
	}
	return 0
}
