package guide

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"perch/host/config"
	"perch/host/jog"
	"perch/host/pose"
)

// What the measured angles have to keep (common practice, no source, but for the residual).
const (
	mostResidual = 0.5 * degree // of a pose after scale and offset are taken out
	mostOffset   = 0.5 * degree // of level
	mostScale    = 0.05         // from one
	perRadian    = 0.1          // m/rad: what is allowed of axes that slide, a tenth of a metre for a radian
)

// Fit is a straight line through what was measured on an axis: measured = Scale told + Offset.
type Fit struct {
	Scale, Offset float64 // 1; rad or m
	Residual      float64 // the largest distance of a reading from the line, rad or m
}

// FitLine is the line of least squares. It needs two different values of told.
func FitLine(told, measured []float64) (Fit, error) {
	if len(told) != len(measured) || len(told) < 2 || slices.Min(told) == slices.Max(told) {
		return Fit{}, errors.New("fit: give as many readings as poses, of two different poses at least")
	}
	var f Fit
	f.Offset, f.Scale = stat.LinearRegression(told, measured, nil, false)
	for i := range told {
		f.Residual = max(f.Residual, math.Abs(measured[i]-f.Scale*told[i]-f.Offset))
	}
	return f, nil
}

// rodsOn is asked before the steps in which the seat moves.
func (b *bench) rodsOn() error {
	if err := b.must("Are the rods on and locked, the guards in place, and is nobody in the seat nor near it?",
		"fit the rods and the guards, see that nobody is near, and do this step again", "the seat is not ready to move"); err != nil {
		return err
	}
	return b.must("Is ballast in the seat, tied down, about as heavy as a rider and as high?",
		"tie ballast into the seat (bags of sand or water), and do this step again", "the seat has no ballast")
}

// words for the way in which an axis is positive (ISO 1151-1).
var positive = [pose.Count]string{
	pose.Surge: "forward", pose.Sway: "to the right", pose.Heave: "down",
	pose.Roll: "its right side down", pose.Pitch: "its nose up", pose.Yaw: "its nose to the right",
}

// angles moves each axis to both sides at reduced speed, asks for its sign, and compares what was told with what is measured.
func angles(ctx context.Context, b *bench) error {
	if err := b.rodsOn(); err != nil {
		return err
	}
	if err := b.begin(ctx, byPose); err != nil {
		return err
	}
	if err := b.home(); err != nil {
		return err
	}
	b.Operator.Tell("Put an inclinometer, or a phone with such a program, flat on the seat; set it to zero on a level table first.")
	var axes []pose.Axis
	told, measured := map[pose.Axis][]float64{}, map[pose.Axis][]float64{}
	for a := range pose.Count {
		if b.m.Axes().Has(a) {
			axes = append(axes, a)
		}
	}
	if err := b.goTo("Hold the key: the seat is armed and stays level.", pose.Pose{}); err != nil {
		return err
	}
	for _, a := range axes {
		v, err := b.measure(a, "level")
		if err != nil {
			return err
		}
		told[a], measured[a] = append(told[a], 0), append(measured[a], v)
	}
	for _, a := range axes {
		for _, side := range []float64{1, -1} {
			var to pose.Pose
			to[a] = side * 0.75 * min(b.Seat.Limits.High[a], -b.Seat.Limits.Low[a])
			where := showAxis(a, to[a])
			if err := b.goTo(fmt.Sprintf("Hold the key: %s to %s. Listen, and look for what touches.", a, where), to); err != nil {
				return err
			}
			if side > 0 {
				if err := b.must(fmt.Sprintf("Has the seat moved with %s?", positive[a]),
					"see that the left motor is on the left and that crank_tip and the measures under [mechanism] are those of your seat; then begin again with perch commission identity",
					fmt.Sprintf("%s goes the wrong way, or another axis moves", a)); err != nil {
					return err
				}
			}
			v, err := b.measure(a, where)
			if err != nil {
				return err
			}
			told[a], measured[a] = append(told[a], to[a]), append(measured[a], v)
		}
		if err := b.goTo("Hold the key: back to level.", pose.Pose{}); err != nil {
			return err
		}
	}
	if err := b.must("Did nothing touch, pinch, scrape or come loose?", "make room and fit guards, then do this step again", "something touched"); err != nil {
		return err
	}
	for _, a := range axes {
		if err := b.judge(a, told[a], measured[a]); err != nil {
			return err
		}
	}
	return nil
}

// measure asks for a reading.
func (b *bench) measure(a pose.Axis, where string) (float64, error) {
	d, how := config.Length, "in mm from where it was level"
	if a.Unit() == "rad" {
		d, how = config.Angle, "in deg"
	}
	return b.Operator.Number(fmt.Sprintf("Told: %s %s. What do you measure, %s (%s is positive)? ", a, where, how, positive[a]), d)
}

// judge compares.
func (b *bench) judge(a pose.Axis, told, measured []float64) error {
	f, err := FitLine(told, measured)
	if err != nil {
		return err
	}
	unit := 1.0
	if a.Unit() == "m" {
		unit = perRadian
	}
	b.note(a.String()+"_scale", "%.4f", f.Scale)
	b.note(a.String()+"_offset", "%s", showAxis(a, f.Offset))
	b.note(a.String()+"_residual", "%s", showAxis(a, f.Residual))
	switch {
	case !(f.Residual < mostResidual*unit):
		return wrong("measure again; if it stays, the geometry under [mechanism] is not that of the seat: perch commission measures",
			"%s: the readings lie up to %s off a straight line; less than %s is needed", a, showAxis(a, f.Residual), showAxis(a, mostResidual*unit))
	case math.Abs(f.Scale-1) > mostScale:
		return wrong("measure the crank's radius and the distance from joint to rods again (perch commission measures), and see STEPS_PER_TURN in the firmware's board.h",
			"%s: the seat moves %.1f %% of what it is told", a, 100*f.Scale)
	case math.Abs(f.Offset) > mostOffset*unit:
		return wrong("make the seat level in its park position: HOME_EDGE in the firmware's board.h, or the rods' length", "%s: the seat is %s off level", a, showAxis(a, f.Offset))
	}
	return nil
}

// showAxis writes a value of an axis for people.
func showAxis(a pose.Axis, v float64) string {
	if a.Unit() == "m" {
		return fmt.Sprintf("%.1f mm", v*1e3)
	}
	return fmt.Sprintf("%.2f deg", v/degree)
}

// sway moves the seat from side to side on its first axis while the key is held.
type sway struct {
	to [2]pose.Pose
	on int
}

// newSway takes a share of the travel, 0 to 1, on one axis.
func (b *bench) newSway(a pose.Axis, share float64) *sway {
	s := new(sway)
	s.to[0][a], s.to[1][a] = share*b.Seat.Limits.High[a], share*b.Seat.Limits.Low[a]
	return s
}

// press turns round where it has arrived.
func (s *sway) press(now jog.Snapshot) jog.Press {
	if at(&now, s.to[s.on]) {
		s.on = 1 - s.on
	}
	return jog.Press{Kind: jog.Toward, To: s.to[s.on]}
}

// firstAxis is the axis that the stop tests move: roll where there is one, since a fall shows there best.
func (b *bench) firstAxis() pose.Axis {
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch, pose.Heave, pose.Surge, pose.Sway, pose.Yaw} {
		if b.m.Axes().Has(a) {
			return a
		}
	}
	return pose.Roll
}
