// Package signs is the sign check by a person: does the reading turn the way the vehicle does?
//
// Signals can agree with each other and still be wrong together: a world that is mirrored as a whole is consistent
// with itself. So a person moves the vehicle, one motion at a time, and says whether the reading did the same. What
// they said is kept for that source, that version of its adapter and those of its settings that change what it means;
// until then the source rides a real seat gently, and one that was seen to be wrong does not ride it.
//
// Motions says what to ask for, a Tracker finds the motion in the states and what each group of signals made of it,
// Conclude joins that with what the person said, and a Book keeps it. Nothing here reads a clock; only Load and Save
// touch files.
package signs

import (
	"fmt"
	"math"
	"slices"

	"perch/sdk/vehicle"
)

// Gentle is the most that the intensity of a source may be on a real seat while its signs are not confirmed: one that
// turns the wrong way is then felt before it throws anybody (common practice, no source; it is the intensity at which a
// first ride is advised).
const Gentle = 0.25

// Way is how the vehicle is moved.
type Way string

// The ways.
const (
	InHand   Way = "hand"   // the model is held in the hands
	OnScreen Way = "screen" // it drives or flies, and is watched
)

// Group is a group of the states table.
type Group string

// The groups that have signs.
const (
	Attitude        Group = "attitude"
	AngularVelocity Group = "angular_velocity"
	SpecificForce   Group = "specific_force"
	Velocity        Group = "velocity"
)

// first is the group's first signal of three, or of four.
func (g Group) first() vehicle.Signal {
	switch g {
	case Attitude:
		return vehicle.AttitudeW
	case AngularVelocity:
		return vehicle.AngularVelocityP
	case SpecificForce:
		return vehicle.SpecificForceX
	}
	return vehicle.VelocityX
}

// gives says whether signals hold a group whole. Velocity over the ground needs an attitude to be brought into the
// vehicle's axes.
func gives(s vehicle.Set, g Group) bool {
	f := g.first()
	switch g {
	case Attitude:
		return s.Has(f, f+1, f+2, f+3)
	case Velocity:
		return s.Has(f, f+1, f+2) || gives(s, Attitude) && s.Has(vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD)
	}
	return s.Has(f, f+1, f+2)
}

// Kind is a motion that can be asked for.
type Kind string

// The motions, each positive in our axes (ISO 1151-1): roll right side down, pitch nose up, yaw nose right, x forward.
const (
	RollRight Kind = "roll_right"
	NoseUp    Kind = "nose_up"
	TurnRight Kind = "turn_right"
	SpeedUp   Kind = "speed_up"
)

// axis is the index of the axis that a motion is about, or along.
func (k Kind) axis() int {
	return map[Kind]int{RollRight: 0, NoseUp: 1, TurnRight: 2, SpeedUp: 0}[k]
}

// Motion is one motion that a person is asked for.
type Motion struct {
	Kind    Kind
	Way     Way
	Ready   string  // what comes before it, to a person
	Say     string  // the motion, to a person
	Groups  []Group // those that can show it
	Enough  float64 // rad, or m/s of SpeedUp: how far the reading has to move
	Still   float64 // rad: it is ready when nothing turned further than this for StillTime; 0: it is ready at once
	Banking bool    // other axes move with it, as a bank does with a turn
}

const degree = math.Pi / 180

// How far a reading has to move, so that it was the motion that was asked for, and not gusts, drift or a hand that is
// not still (common practice, no source). A hand tilts further than a car; a turn in the air is long.
const (
	handTurn  = 20 * degree
	flyTurn   = 15 * degree
	driveTurn = 4 * degree
	heading   = 30 * degree // of what turns by driving or by banking
	speed     = 2.0         // m/s: several times the noise of a satellite receiver's velocity
	walk      = 1.0         // m/s
)

// Motions are the motions to ask for: those that the signals given can show. Class is one of the vehicle classes of a
// profile; what is on the ground or the water cannot roll at will, and turns flat.
func Motions(way Way, class string, given vehicle.Set) []Motion {
	flat := slices.Contains([]string{"ground", "car", "boat"}, class)
	winged := slices.Contains([]string{"aeroplane", "glider", ""}, class)
	side := "right side down"
	if winged {
		side = "right wing down"
	}
	shows := func(groups ...Group) (out []Group) {
		for _, g := range groups {
			if gives(given, g) {
				out = append(out, g)
			}
		}
		return out
	}
	var all []Motion
	if way == InHand {
		const ready = "hold it level and still"
		all = []Motion{
			{Kind: RollRight, Ready: ready, Say: "roll it right: " + side + ", by 30 degrees or more, and hold it there", Groups: shows(Attitude, AngularVelocity, SpecificForce), Enough: handTurn, Still: 4 * degree},
			{Kind: NoseUp, Ready: ready, Say: "lift its nose by 30 degrees or more, and hold it there", Groups: shows(Attitude, AngularVelocity, SpecificForce), Enough: handTurn, Still: 4 * degree},
			{Kind: TurnRight, Ready: ready, Say: "turn it right: nose to the right, flat, by 45 degrees or more", Groups: shows(Attitude, AngularVelocity), Enough: handTurn, Still: 4 * degree},
		}
		if !gives(given, SpecificForce) { // the tilts prove specific force; velocity has to be walked
			all = append(all, Motion{Kind: SpeedUp, Ready: "stand still where the sky is free", Say: "carry it straight ahead, nose first, at a brisk walk", Groups: shows(Velocity), Enough: walk})
		}
	} else {
		ready, turn := "fly straight and level", flyTurn
		roll, up, ahead := "roll it right: "+side, "lift its nose", "speed up, straight and level"
		if flat {
			ready, turn = "stand still, or go straight on level ground", driveTurn
			roll, up, ahead = "lean it right: stand or drive where its right side is the lower one", "bring its nose up: drive up a slope", "speed up straight ahead"
			if class == "boat" {
				ready, roll, up = "stand still, or go straight on flat water", "lean it right: right side down", "bring its nose up: speed up, or meet a wave"
			}
		}
		force := []Group{Velocity, SpecificForce}
		turning := []Group{Attitude, AngularVelocity}
		if flat {
			turning = append(turning, SpecificForce)
		}
		all = []Motion{
			{Kind: RollRight, Ready: ready, Say: roll, Groups: shows(Attitude, AngularVelocity), Enough: turn, Still: 6 * degree},
			{Kind: NoseUp, Ready: ready, Say: up, Groups: shows(Attitude, AngularVelocity), Enough: turn, Still: 6 * degree},
			{Kind: TurnRight, Ready: ready, Say: "turn right", Groups: shows(turning...), Enough: heading, Still: 6 * degree, Banking: true},
			{Kind: SpeedUp, Ready: ready, Say: ahead, Groups: shows(force...), Enough: speed},
		}
		if len(all[2].Groups) == 1 && all[2].Groups[0] == SpecificForce {
			all[2].Groups = nil // a force alone says nothing of how far it has turned
		}
	}
	out := all[:0]
	for _, m := range all {
		if m.Way = way; len(m.Groups) > 0 {
			out = append(out, m)
		}
	}
	return out
}

// Name is the motion's name to a person.
func (k Kind) Name() string {
	return map[Kind]string{RollRight: "roll right", NoseUp: "nose up", TurnRight: "turn right", SpeedUp: "speed up"}[k]
}

// words say what a group's reading did on an axis, to a person.
func words(g Group, axis int, amount float64) string {
	way := 0
	if amount < 0 {
		way, amount = 1, -amount
	}
	turns := [3][2]string{{"rolled right", "rolled left"}, {"nose up", "nose down"}, {"turned right", "turned left"}}
	along := [3][2]string{{"forward", "backward"}, {"to the right", "to the left"}, {"down", "up"}}
	switch g {
	case SpecificForce:
		return fmt.Sprintf("pushed %s by %.1f m/s²", along[axis][way], amount)
	case Velocity:
		return fmt.Sprintf("faster %s by %.1f m/s", along[axis][way], amount)
	}
	return fmt.Sprintf("%s by %.0f°", turns[axis][way], amount/degree)
}
