// Package seattest has a seat.Driver that records what it is given.
package seattest

import (
	"sync"

	"perch/host/seat"
	"perch/proto/seatlink"
)

// Driver records setpoints and commands, and answers with the status that it was given.
// Its methods may be called from several goroutines.
type Driver struct {
	mu        sync.Mutex
	status    seat.Status
	setpoints []seat.Setpoint
	commands  []seat.Command
	closed    bool
	obedient  bool
}

var _ seat.Driver = (*Driver)(nil)

// New gives a driver that is connected, simulated, homed, and ready, with n actuators. Commands change its state at
// once, as a controller without inertia would: arm, disarm, stop, park, home, reset; positions follow setpoints while armed.
func New(n int) *Driver {
	return &Driver{obedient: true, status: seat.Status{Connected: true, Simulated: true, Homed: true, Supply: true, Port: "recorded",
		Board: "recorded", BootID: 1, State: seatlink.StateReady, N: n}}
}

// Send records the setpoint.
func (d *Driver) Send(sp *seat.Setpoint) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.setpoints = append(d.setpoints, *sp)
	d.status.Sent++
	d.status.LastSequence++
	if d.obedient && d.status.State == seatlink.StateArmed {
		d.status.Positions = sp.Position
	}
}

// Status copies the present status.
func (d *Driver) Status(out *seat.Status) {
	d.mu.Lock()
	defer d.mu.Unlock()
	*out = d.status
}

// Do records the command and obeys it.
func (d *Driver) Do(c seat.Command) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.commands = append(d.commands, c)
	if !d.obedient || !d.status.Connected {
		return
	}
	s := &d.status
	switch c {
	case seat.Home:
		if s.State == seatlink.StateDisarmed || s.State == seatlink.StateReady || s.State == seatlink.StateHeld {
			s.State, s.Homed, s.Positions = seatlink.StateReady, true, [6]float64{}
		}
	case seat.Arm, seat.ArmReduced:
		if s.State == seatlink.StateReady {
			s.State, s.Reduced = seatlink.StateArmed, c == seat.ArmReduced
		}
	case seat.Disarm, seat.Stop:
		if s.State == seatlink.StateArmed || s.State == seatlink.StateParking {
			s.State = seatlink.StateHeld
			if c == seat.Disarm && s.Positions == ([6]float64{}) {
				s.State = seatlink.StateReady
			}
		}
	case seat.Park:
		if s.State == seatlink.StateHeld {
			s.State, s.Positions = seatlink.StateReady, [6]float64{}
		}
	case seat.Reset:
		if s.State == seatlink.StateFault || s.State == seatlink.StateSupplyOff {
			s.State, s.Faults, s.Homed = seatlink.StateDisarmed, 0, false
		}
	}
	s.Armed = s.State == seatlink.StateArmed
}

// Close records that it was closed.
func (d *Driver) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	return nil
}

// Set changes the status under the lock, such as to break the connection.
func (d *Driver) Set(change func(s *seat.Status)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	change(&d.status)
}

// Disobey makes commands and setpoints be recorded only.
func (d *Driver) Disobey() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.obedient = false
}

// Setpoints gives a copy of those so far.
func (d *Driver) Setpoints() []seat.Setpoint {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]seat.Setpoint(nil), d.setpoints...)
}

// Commands gives a copy of those so far.
func (d *Driver) Commands() []seat.Command {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]seat.Command(nil), d.commands...)
}

// Closed says whether Close was called.
func (d *Driver) Closed() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closed
}
