package main

import (
	"testing"
	"time"

	"perch/adapters/demo"
	"perch/host/chain"
	"perch/host/cueing"
	"perch/host/guard"
	"perch/sdk/vehicle"
)

// TestTheDemoRideIsNotTakenForASwing flies the demo's loops, turns and gusts through every class's chain, as gently and as
// hard as it goes: the guard may hold back, but never because the ride swings near the limits.
func TestTheDemoRideIsNotTakenForASwing(t *testing.T) {
	t.Parallel()
	c, err := configured(runOptions{})
	if err != nil {
		t.Fatal(err)
	}
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	for _, class := range cueing.Classes() {
		for _, mode := range []cueing.Mode{cueing.Washout, cueing.Follow, cueing.Predictive} {
			t.Run(class+" "+mode.String(), func(t *testing.T) {
				t.Parallel()
				s := chainSettings(c, m)
				cue := cueing.Preset(class)
				cue.Mode, cue.Intensity = mode, 1
				s.Cueing = []cueing.Settings{cue}
				run, err := chain.New(s)
				if err != nil {
					t.Fatal(err)
				}
				var row chain.Row
				var state vehicle.State
				flight := demo.NewFlight(1)
				in := chain.Input{Controller: guard.Controller{Present: true, Simulated: true, Homed: true, Ready: true, Supply: true}}
				riding := 0
				for k := range int(demo.Period.Seconds() * s.Rate) {
					at := time.Duration(float64(k) / s.Rate * float64(time.Second))
					if k%5 == 0 {
						flight.At(at, &state)
						state.ObservedAt = state.SourceTime
						run.See(0, &state)
					}
					in.Ask = 0
					if row.Guarded.State == guard.Parked && k%500 == 499 {
						in.Ask = guard.AskArm
					}
					run.Step(&in, &row)
					if row.Guarded.Command == guard.CommandArm {
						in.Controller.Armed = true
					}
					in.Controller.Position = row.Guarded.Actuators
					if row.Guarded.State == guard.Riding {
						riding++
					}
					if row.Guarded.Held&guard.HeldSwing != 0 {
						t.Fatalf("at %v: %v", at, row.Guarded.Held)
					}
				}
				if riding < 1000 {
					t.Fatalf("rode %d ticks, in %v (%v)", riding, row.Guarded.State, row.Guarded.Cause)
				}
			})
		}
	}
}
