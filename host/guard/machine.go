package guard

import (
	"perch/host/mechanism"
	"perch/host/pose"
)

// State is what the seat is doing.
type State uint8

// The seat's states.
const (
	Off      State = iota // no controller, or one that is not ready
	Homing                // the controller finds its positions, because someone asked
	Parked                // level, holding, disarmed
	Riding                // follows the demand
	Settling              // the demand fades to level
	Stopping              // brakes under power
	Holding               // at rest where it stopped, powered, disarmed
	Fault                 // as holding where it can be, cause latched
)

var stateNames = [...]string{"off", "homing", "parked", "riding", "settling", "stopping", "held", "fault"}

// String is the state's name on screens and in traces.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "unknown"
}

// Ask is what somebody asked for since the last tick: edges, never levels.
type Ask uint8

// The asks.
const (
	AskHome  Ask = 1 << iota // find the positions
	AskArm                   // ride
	AskPark                  // to level, at reduced speed
	AskStop                  // brake and hold
	AskReset                 // forget a fault whose cause is gone
	AskEnd                   // settle, park, disarm, end
)

// Command is what to tell the controller this tick.
type Command uint8

// The commands.
const (
	CommandNone Command = iota
	CommandHome
	CommandArm
	CommandDisarm
	CommandStop
	CommandReset
)

var commandNames = [...]string{"none", "home", "arm", "disarm", "stop", "reset"}

// String is the command's name.
func (c Command) String() string {
	if int(c) < len(commandNames) {
		return commandNames[c]
	}
	return "unknown"
}

// Controller is what the seat's controller last reported.
type Controller struct {
	Present   bool   // status arrives
	Simulated bool   // it said that nothing moves
	Homed     bool   // it knows its positions
	Homing    bool   // it is finding them
	Armed     bool   // it follows setpoints
	Ready     bool   // it would accept home or arm
	Fault     bool   // it latched a fault
	Supply    bool   // the motors have their supply
	Stopped   bool   // it latched a stop of its own
	BootID    uint32 // changes when it restarts
	Position  mechanism.Positions
}

// Input is what the machine sees in one tick.
type Input struct {
	Wanted      pose.Pose // out of cueing and blending
	Live        bool      // the live source is fresh
	Controller  Controller
	Ask         Ask
	OperatorAge float64 // s since whoever armed last gave a sign of life
}

// Cause says why the seat is where it is; empty while nothing is out of the ordinary.
type Cause uint8

// Output is what one tick leads to.
type Output struct {
	State         State
	Pose          pose.Pose
	Actuators     mechanism.Positions
	Speeds        mechanism.Positions // by backward differences, per s
	Accelerations mechanism.Positions // per s²
	Held          Held
	Command       Command
	Cause         Cause
	Setpoint      bool    // send the actuators' positions, speeds and accelerations
	Ended         bool    // AskEnd has been carried out
	Fade          float64 // 0..1, how much of the demand is in the pose
}
