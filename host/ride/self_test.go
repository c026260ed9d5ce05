package ride

import (
	"testing"

	"perch/host/chain"
	"perch/host/guard"
	"perch/host/seat"
	"perch/host/source"
	"perch/proto/seatlink"
)

func TestOnlyASimulatedControllerHomesAndArmsItself(t *testing.T) {
	type tick struct {
		asked     guard.Ask
		state     guard.State // that the row before ended in
		homed     bool
		stopped   bool
		condition source.Condition
		want      guard.Ask
	}
	// A seat that has been parked for a tick is steady here.
	off := tick{state: guard.Off, want: guard.AskHome}
	parked := tick{state: guard.Parked, homed: true, condition: source.Fresh, want: guard.AskArm}
	never := func(t tick) tick { t.want = 0; return t }
	for _, c := range []struct {
		name   string
		absent bool
		real   bool
		ticks  []tick
	}{
		{name: "homes once and arms", ticks: []tick{off, never(off), {state: guard.Homing}, parked, never(parked), {state: guard.Riding, homed: true, condition: source.Fresh}}},
		{name: "arms for nothing but a fresh source", ticks: []tick{
			{state: guard.Parked, homed: true, condition: source.Absent}, {state: guard.Parked, homed: true, condition: source.Stale},
			{state: guard.Parked, homed: true, condition: source.Paused}, {state: guard.Parked, homed: true, condition: source.Late}, parked}},
		{name: "a homed one is not homed", ticks: []tick{{state: guard.Off, homed: true}}},
		{name: "a real one does nothing by itself", real: true, ticks: []tick{never(off), never(parked)}},
		{name: "an absent one neither", absent: true, ticks: []tick{never(off), never(parked)}},
		{name: "not after a stop", ticks: []tick{parked, {asked: guard.AskStop, state: guard.Parked, homed: true, condition: source.Fresh}, never(parked)}},
		{name: "not after it was parked", ticks: []tick{parked, {asked: guard.AskPark, state: guard.Riding, homed: true, condition: source.Fresh}, never(parked)}},
		{name: "parks what an earlier ride left held, then arms", ticks: []tick{{state: guard.Holding, homed: true, stopped: true, want: guard.AskPark}, parked}},
		{name: "not after it was held in this ride", ticks: []tick{parked, {state: guard.Holding, homed: true, stopped: true}, never(parked)}},
		{name: "not after a fault", ticks: []tick{off, {state: guard.Fault}, never(off), never(parked)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := self{steady: 1}
			for i, k := range c.ticks {
				var row chain.Row
				row.Guarded.State, row.Liveness.Condition = k.state, k.condition
				got := a.ask(k.asked, &guard.Controller{Present: !c.absent, Simulated: !c.real, Homed: k.homed, Stopped: k.stopped}, &row)
				if got != k.want {
					t.Errorf("tick %d asks %b, want %b", i, got, k.want)
				}
			}
		})
	}
}

func TestTheGuardSeesWhatTheControllerSays(t *testing.T) {
	for _, c := range []struct {
		state seatlink.State
		want  guard.Controller
	}{
		{seatlink.StateDisarmed, guard.Controller{Supply: true}},
		{seatlink.StateHoming, guard.Controller{Supply: true, Homing: true}},
		{seatlink.StateReady, guard.Controller{Supply: true, Ready: true}},
		{seatlink.StateArmed, guard.Controller{Supply: true}},
		{seatlink.StateStopping, guard.Controller{Supply: true, Stopped: true}},
		{seatlink.StateHeld, guard.Controller{Supply: true, Stopped: true}},
		{seatlink.StateFault, guard.Controller{Supply: true, Fault: true}},
		{seatlink.StateSupplyOff, guard.Controller{}},
	} {
		c.want.Present, c.want.Homed, c.want.BootID = true, true, 7
		c.want.Armed = c.state == seatlink.StateArmed
		c.want.Position[1] = 0.25
		s := seat.Status{Connected: true, Homed: true, Armed: c.want.Armed, State: c.state, BootID: 7, Positions: [6]float64{1: 0.25}}
		if got := controller(&s); got != c.want {
			t.Errorf("%v: %+v, want %+v", c.state, got, c.want)
		}
	}
}

func TestEveryCommandOfTheGuardReachesTheDriver(t *testing.T) {
	for c, want := range map[guard.Command]seat.Command{
		guard.CommandNone: 0, guard.CommandHome: seat.Home, guard.CommandArm: seat.Arm, guard.CommandDisarm: seat.Disarm,
		guard.CommandStop: seat.Stop, guard.CommandReset: seat.Reset, guard.CommandPark: seat.Park,
	} {
		if got := commandOf(c); got != want {
			t.Errorf("%v becomes %v, want %v", c, got, want)
		}
	}
}
