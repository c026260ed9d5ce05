package config

import (
	"fmt"
	"math"

	"perch/host/commissioning/sizing"
	"perch/host/pose"
)

// What a file may say of load and drive. These bounds catch slips of unit.
const (
	leastMass, mostMass       = 1., 1000.             // kg
	leastInertia, mostInertia = 1e-3, 5000.           // kg m²
	mostRotorInertia          = 1.                    // kg m²
	leastGear, mostGear       = 0.1, 1000.            // 1
	leastSteps, mostSteps     = 4, 1_000_000          // a turn
	leastTorque, mostTorque   = 1e-3, 1000.           // N m
	mostMotorSpeed            = 30_000 * math.Pi / 30 // rad/s
	mostStepRate              = 1e7                   // steps/s
)

// What Entries asks for, in the order of readLoad and readDrive.
var (
	loadEntries = []Entry{
		{Key: "load.rider_mass", Dimension: Mass}, {Key: "load.seat_mass", Dimension: Mass},
		{Key: "load.centre_of_mass_height", Dimension: Length}, {Key: "load.centre_of_mass_forward", Dimension: Length, Optional: true},
		{Key: "load.inertia", Dimension: Inertia, Optional: true}, {Key: "load.head_height", Dimension: Length, Optional: true},
		{Key: "load.reduced_speed", Dimension: AngularSpeed, Optional: true},
	}
	driveEntries = []Entry{
		{Key: "drive.gear_ratio", Plain: true}, {Key: "drive.efficiency", Dimension: Ratio}, {Key: "drive.lead", Dimension: Length, Optional: true},
		{Key: "drive.steps_per_turn", Plain: true}, {Key: "drive.motor_torque", Dimension: Torque}, {Key: "drive.motor_speed", Dimension: AngularSpeed},
		{Key: "drive.rotor_inertia", Dimension: Inertia, Optional: true}, {Key: "drive.top_step_rate", Dimension: StepRate},
		{Key: "drive.held_by", Words: holdings, Optional: true},
	}
	holdings = []string{string(sizing.HeldByNothing), string(sizing.HeldByBrake), string(sizing.HeldByBalance), string(sizing.HeldByBuffers)}
)

func readLoad(s *section, l *sizing.Load) {
	if s.node == nil {
		return
	}
	s.need("rider_mass", Mass, leastMass, mostMass, &l.RiderMass)
	s.need("seat_mass", Mass, leastMass, mostMass, &l.SeatMass)
	s.need("centre_of_mass_height", Length, -mostLength, mostLength, &l.Height)
	s.quantity("centre_of_mass_forward", Length, -mostLength, mostLength, &l.Forward)
	s.quantity("inertia", Inertia, leastInertia, mostInertia, &l.Inertia)
	s.quantity("head_height", Length, 0.1, mostLength, &l.HeadHeight)
	s.quantity("reduced_speed", AngularSpeed, leastRate, mostAngularSpeed, &l.Reduced)
	if least := l.LeastInertia(); l.Inertia > 0 && l.Inertia < least {
		s.fault(0, "inertia", "%s is under %s, which this mass has about the joint if all of it is in one point; measure it again, or leave it out",
			Inertia.Format(l.Inertia), Inertia.Format(least))
	}
	s.done()
}

func readDrive(s *section, d *sizing.Drive) {
	if s.node == nil {
		return
	}
	s.number("gear_ratio", leastGear, mostGear, &d.GearRatio)
	s.need("efficiency", Ratio, 0.05, 1, &d.Efficiency)
	s.quantity("lead", Length, 1e-4, 1, &d.Lead)
	if !s.integer("steps_per_turn", leastSteps, mostSteps, &d.StepsPerTurn) && s.node.find("steps_per_turn") == nil {
		s.fault(0, "steps_per_turn", "missing; add the steps that the driver wants for one turn of the motor, such as steps_per_turn = 1600")
	}
	s.need("motor_torque", Torque, leastTorque, mostTorque, &d.MotorTorque)
	s.need("motor_speed", AngularSpeed, leastRate, mostMotorSpeed, &d.MotorSpeed)
	s.quantity("rotor_inertia", Inertia, 0, mostRotorInertia, &d.RotorInertia)
	s.need("top_step_rate", StepRate, 1, mostStepRate, &d.TopStepRate)
	held := string(sizing.HeldByNothing)
	s.choice("held_by", &held, holdings...)
	d.Held = sizing.Held(held)
	s.done()
}

// readHardStop reads where the metal stops are; they must not stand within the travel.
func readHardStop(top *section, out *Seat) {
	s := top.sub("hard_stop")
	axes := out.Mechanism.Axes()
	h, l := &out.HardStop, &out.Limits
	for a := range pose.Count {
		if !axes.Has(a) {
			continue
		}
		axis := s.sub(a.String())
		if axis.node == nil {
			continue
		}
		d, most := Length, mostLength
		if a.Unit() == "rad" {
			d, most = Angle, mostAngle
		}
		axis.need("low", d, -most, 0, &h.Low[a])
		axis.need("high", d, 0, most, &h.High[a])
		for _, c := range []struct {
			key         string
			stop, limit float64
			inside      bool
		}{{"low", h.Low[a], l.Low[a], h.Low[a] > l.Low[a]}, {"high", h.High[a], l.High[a], h.High[a] < l.High[a]}} {
			if c.inside && axis.node.find(c.key) != nil {
				axis.fault(axis.node.find(c.key).line, c.key, "%s is within the travel, which ends at %s; lessen limits.%s.%s or move the stop",
					d.Format(c.stop), d.Format(c.limit), a, c.key)
			}
		}
		axis.done()
	}
	s.done()
}

// number reads a number without a unit that has no default.
func (s *section) number(key string, low, high float64, out *float64) {
	n := s.ask(key)
	if n == nil {
		s.fault(0, key, "missing; add it as a number, such as %s = 10", key)
		return
	}
	v, err := n.number()
	if err != nil || !(v >= low && v <= high) {
		s.fault(n.line, key, "%s is not a number from %g to %g; write it without quotes and without a unit", n.text, low, high)
		return
	}
	*out = v
}

// writeLoad writes what readLoad, readDrive and readHardStop read.
func (s Seat) writeLoad(table func(string, ...any), text func(key, v string), plain func(key, v string)) {
	optional := func(key string, d Dimension, v float64) {
		if v != 0 {
			text(key, d.Format(v))
		}
	}
	for a := range pose.Count {
		if s.HardStop.Has(a) {
			d := Length
			if a.Unit() == "rad" {
				d = Angle
			}
			table("hard_stop.%s", a)
			text("low", d.Format(s.HardStop.Low[a]))
			text("high", d.Format(s.HardStop.High[a]))
		}
	}
	if l := s.Load; l.Given() {
		table("load")
		text("rider_mass", Mass.Format(l.RiderMass))
		text("seat_mass", Mass.Format(l.SeatMass))
		text("centre_of_mass_height", Length.Format(l.Height))
		optional("centre_of_mass_forward", Length, l.Forward)
		optional("inertia", Inertia, l.Inertia)
		optional("head_height", Length, l.HeadHeight)
		optional("reduced_speed", AngularSpeed, l.Reduced)
	}
	if d := s.Drive; d.Given() {
		table("drive")
		plain("gear_ratio", fmt.Sprintf("%.12g", d.GearRatio))
		text("efficiency", Ratio.Format(d.Efficiency))
		optional("lead", Length, d.Lead)
		plain("steps_per_turn", fmt.Sprint(d.StepsPerTurn))
		text("motor_torque", Torque.Format(d.MotorTorque))
		text("motor_speed", AngularSpeed.Format(d.MotorSpeed))
		optional("rotor_inertia", Inertia, d.RotorInertia)
		text("top_step_rate", StepRate.Format(d.TopStepRate))
		text("held_by", string(d.Held))
	}
}
