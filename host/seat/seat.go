// Package seat drives the seat's controller over a serial line, as proto/seatlink describes it.
//
// A Link owns the port: one goroutine reads, one writes. The loop hands it setpoints through a mailbox that
// keeps only the newest, and commands through a set of bits, so neither can be held up by the other or by a
// port that takes no bytes. The controller has its own watchdog and its own brake: a link that is cut needs
// nothing from here to come to rest.
package seat

import (
	"perch/proto/seatlink"
)

// Setpoint is where each actuator is to be in this tick.
type Setpoint struct {
	N            int        // actuators in use
	Metres       bool       // else radians
	Position     [6]float64 // rad or m
	Speed        [6]float64 // rad/s or m/s
	Acceleration [6]float64 // rad/s² or m/s²
}

// Command is what the controller can be asked to do.
type Command uint8

// The commands.
const (
	Home       Command = iota + 1 // find the home switches, slowly, and end in the park position
	Arm                           // follow setpoints; the driver adds the nonce
	ArmReduced                    // the same at the controller's reduced speed
	Disarm                        // brake if moving, and follow no more
	Stop                          // brake, and hold where it stopped
	Reset                         // clear a latched fault whose cause is gone
	Park                          // from held to the park position, at reduced speed
)

// String gives the command in lower case.
func (c Command) String() string {
	names := [...]string{"", "home", "arm", "arm at reduced speed", "disarm", "stop", "reset", "park"}
	if int(c) < len(names) {
		return names[c]
	}
	return "unknown"
}

// Status is what is known of the controller.
type Status struct {
	Connected bool // the controller answered HELLO and its STATUS keeps coming
	Simulated bool // it says that no motor is connected
	HandHomed bool // it has no home switches: before Home an operator levels the seat, and says so
	Homed     bool // it knows its position
	Armed     bool // it follows setpoints
	Supply    bool // it sees the motor supply
	Late      bool // it is armed and has had no setpoint for 20 ms
	Own       bool // it is armed and brakes, or catches up, by its own law
	Reduced   bool // it is armed at reduced speed
	OneWay    bool // it answers nothing: what stands here is what it was told, not what it did

	Port, Board          string
	Firmware             string
	BootID               uint32 // a new one means: position lost, home again
	State                seatlink.State
	Faults               seatlink.Faults
	LastSequence         uint16 // of the last setpoint that it accepted
	Nonce                uint32
	Hash                 uint32 // of the limits in force
	Alarms, HomeSwitches uint8  // driver alarms and home switches, a bit for each actuator

	N         int
	Positions [6]float64 // commanded to the motors, rad or m
	Age       float64    // of this status, s; +Inf before the first

	LastCommand seatlink.Type   // the last command that was answered
	LastResult  seatlink.Result // and the answer
	Answers     uint64          // answers so far, to see a new one

	// Late frames, refused setpoints, CRC and framing errors as the controller counts them; its counters have 16 bits and wrap.
	ControllerLate, ControllerRefused, ControllerCRC, ControllerFraming uint16

	Sent       uint64 // setpoints written
	Dropped    uint64 // setpoints replaced by a newer one, or held back because the controller does not keep up
	CRCErrors  uint64 // frames from the controller with a wrong CRC
	Framing    uint64 // frames from the controller that were torn
	Stalls     uint64 // writes that the port did not take: the port was given up and opened again
	Reconnects uint64 // times that the controller was found again after it was lost
	Boots      uint64 // times that the boot id changed under us

	RoundTripP50, RoundTripWorst float64 // of the last 64 status requests, s; 0 when none was answered
	Problem                      string  // why it is not connected, for people; empty when it is
}

// Driver is what the loop sees of the controller. Send, Status and Do neither block nor allocate.
type Driver interface {
	// Send hands over the newest setpoint. An older one that has not been written yet is dropped and counted.
	Send(sp *Setpoint)
	// Status gives the newest status.
	Status(out *Status)
	// Do asks the controller. Stop and disarm overtake everything, drop what else was asked for, and are repeated until answered.
	Do(c Command)
	// Close stops the seat under the controller's own law and gives the port up.
	Close() error
}
