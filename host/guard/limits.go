package guard

import (
	"fmt"
	"math"
	"strings"

	"perch/host/pose"
)

// Limits are what the pose may do, axis by axis, in m and rad, per s, s² and s³. Axes that the mechanism does not
// move are ignored.
type Limits struct {
	Low, High    pose.Pose // travel
	Speed        pose.Pose
	Acceleration pose.Pose
	Jerk         pose.Pose
}

// check names the first axis of the set whose limits cannot be meant.
func (l Limits) check(axes pose.Axes) error {
	for a := pose.Axis(0); a < pose.Count; a++ {
		if !axes.Has(a) {
			continue
		}
		for _, f := range []struct {
			name  string
			value float64
		}{{"low", l.Low[a]}, {"high", l.High[a]}} {
			if math.IsNaN(f.value) || math.Abs(f.value) > 1e3 {
				return fmt.Errorf("limits: %s %s is %g %s: give a finite travel", a, f.name, f.value, a.Unit())
			}
		}
		if l.Low[a] > l.High[a] {
			return fmt.Errorf("limits: %s low %g is above high %g %s: exchange them", a, l.Low[a], l.High[a], a.Unit())
		}
		for _, f := range []struct {
			name  string
			unit  string
			value float64
		}{{"speed", "/s", l.Speed[a]}, {"acceleration", "/s²", l.Acceleration[a]}, {"jerk", "/s³", l.Jerk[a]}} {
			if !(f.value > 0) || f.value > 1e9 {
				return fmt.Errorf("limits: %s %s is %g %s%s: give a number above zero", a, f.name, f.value, a.Unit(), f.unit)
			}
		}
	}
	return nil
}

// Held says why the output is not the wanted pose. Zero: it is, bit for bit.
type Held uint16

// The reasons, any of them together.
const (
	HeldTravel       Held = 1 << iota // the pose, or a stop from it, would leave the travel
	HeldSpeed                         // the pose would move too fast
	HeldAcceleration                  // the pose would accelerate too much
	HeldJerk                          // the pose's acceleration would change too fast
	HeldReach                         // no actuator position gives the pose, or a pose on the way to rest
	HeldActuator                      // an actuator would leave its travel, speed, acceleration or jerk
	HeldNotFinite                     // the wanted pose has no meaning
	HeldLimits                        // new limits wait until the seat can keep them
	HeldBrake                         // a stop was asked for
	HeldSwing                         // the demand swung near the limits for so long that it is faded
)

var heldNames = [...]string{"travel", "speed", "acceleration", "jerk", "reach", "actuator", "not finite", "new limits", "braking", "sustained swing"}

// String lists the reasons in words.
func (h Held) String() string {
	if h == 0 {
		return "free"
	}
	var b strings.Builder
	for i, n := range heldNames {
		if h&(1<<i) == 0 {
			continue
		}
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		b.WriteString(n)
	}
	return b.String()
}
