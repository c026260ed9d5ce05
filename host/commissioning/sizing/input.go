package sizing

import (
	"fmt"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

// Load is what the seat carries. The zero Load says nothing.
type Load struct {
	RiderMass  float64 // kg, of the heaviest rider that the seat is sized for
	SeatMass   float64 // kg, of everything that moves with the rider
	Height     float64 // m, of the centre of mass of both together above the joint, seat level; below is negative
	Forward    float64 // m, of the same point forward of the joint
	Inertia    float64 // kg m², of both about the joint, for roll and pitch; 0: Inertia estimates it
	HeadHeight float64 // m, of the top of the rider's head above the joint; 0: not measured
	Reduced    float64 // rad/s, a lower reduced speed than the head's height gives, for jog and commissioning; 0: none
}

// Given says whether anything is known.
func (l Load) Given() bool { return l.RiderMass > 0 }

// Mass is of all that moves, kg.
func (l Load) Mass() float64 { return l.RiderMass + l.SeatMass }

// Drive is a motor with its gearbox; all of a seat are alike. The zero Drive says nothing.
type Drive struct {
	GearRatio    float64 // turns of the motor for one turn of the crank or the screw
	Efficiency   float64 // of gearbox or screw, 0 to 1
	Lead         float64 // m, of an actuator in m, for one turn of its screw; 0 for cranks
	StepsPerTurn int     // that the driver wants for one turn of the motor
	MotorTorque  float64 // N m, that the motor gives at MotorSpeed; not its holding torque
	MotorSpeed   float64 // rad/s, up to which it gives MotorTorque
	RotorInertia float64 // kg m², of the motor's rotor and what turns with it
	TopStepRate  float64 // steps/s, that the controller can make for each motor
	Held         Held    // what holds the seat when the power is off
}

// Given says whether anything is known.
func (d Drive) Given() bool { return d.GearRatio > 0 }

// Held is what holds a seat without power.
type Held string

// What may hold it. HeldByNothing also where nobody said.
const (
	HeldByNothing Held = "nothing"
	HeldByBrake   Held = "brake"   // closed by a spring, opened by power
	HeldByBalance Held = "balance" // counterweight or springs, so that it rests where it is
	HeldByBuffers Held = "buffers" // it falls, softly, onto buffers
)

// HardStop is where metal or buffers end the seat's travel, m and rad, axis by axis with the others level. An axis whose
// Low and High are both zero has none that is known.
type HardStop struct{ Low, High pose.Pose }

// Has says whether the stops of an axis are known.
func (h HardStop) Has(a pose.Axis) bool { return h.Low[a] != 0 || h.High[a] != 0 }

// Input is a seat on paper.
type Input struct {
	Mechanism mechanism.Mechanism
	Limits    guard.Limits // of the pose
	Load      Load
	Drive     Drive
	HardStop  HardStop
}

// LeastInertia is what the mass has about the joint if all of it is in its centre: m (h² + x²), kg m² (parallel axes).
func (l Load) LeastInertia() float64 { return l.Mass() * (l.Height*l.Height + l.Forward*l.Forward) }

// Admit refuses a rider, in kg, who is heavier than the seat is sized for, or whom nobody has sized it for.
func (l Load) Admit(rider float64) error {
	switch {
	case !(rider > 0):
		return fmt.Errorf("rider of %s: give the rider's own mass, such as \"75 kg\"", Show(rider, "kg"))
	case !l.Given():
		return fmt.Errorf("rider of %s: the seat file does not say for which rider the seat is sized: add [load] with rider_mass, with perch commission measures, and see perch commission sizing",
			Show(rider, "kg"))
	case rider > l.RiderMass:
		return fmt.Errorf("rider of %s: the seat is sized for %s at most: this rider may not ride; for a heavier one raise load.rider_mass in the seat file, see perch commission sizing, and commission the seat again",
			Show(rider, "kg"), Show(l.RiderMass, "kg"))
	}
	return nil
}
