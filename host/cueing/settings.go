package cueing

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"perch/host/estimate"
	"perch/host/pose"
)

// Mode is what the seat shows.
type Mode uint8

// The modes.
const (
	Washout    Mode = iota // onset of turning, tilt for forces, and a share of the attitude
	Follow                 // the attitude alone
	Predictive             // what comes closest to what the vehicle's occupant perceives, by looking ahead
	modes
)

var modeNames = [modes]string{"washout", "follow", "predictive"}

// Modes are the names of the modes.
func Modes() []string { return modeNames[:] }

// ParseMode is the mode of a name.
func ParseMode(name string) (Mode, error) {
	for m, n := range modeNames {
		if n == name {
			return Mode(m), nil
		}
	}
	return 0, fmt.Errorf("cueing: there is no mode %q: take one of %s", name, strings.Join(modeNames[:], ", "))
}

// Limits are how far each axis may go to either side of level, and how fast, m and rad, per s, s² and s³. Only the mode
// Predictive plans with more than the travel.
type Limits struct{ Travel, Speed, Acceleration, Jerk pose.Pose }

// String is the mode's name in a configuration.
func (m Mode) String() string {
	if m < modes {
		return modeNames[m]
	}
	return "unknown"
}

// Intensities that have a name. They are shares of the preset's full cues.
const (
	Gentle = 0.35
	Normal = 0.6
	Hard   = 1.0
)

// Onset shows the start of turning about one axis and then comes home: seat angle = Gain·s/(s+Corner)² of the body
// rate, clipped at Clip. A steady rate is shown for about 1/Corner and reaches Gain·rate/(e·Corner).
type Onset struct {
	Gain   float64
	Corner float64 // rad/s
	Clip   float64 // rad/s
}

// Tilt shows a lasting force by leaning the seat, so that gravity stands in for it (tilt coordination): the specific
// force is clipped at Clip, smoothed by a critically damped low-pass of second order, times Gain, and the seat leans
// by asin of that over g, at most at Rate.
type Tilt struct {
	Gain   float64
	Corner float64 // rad/s
	Clip   float64 // m/s²
	Rate   float64 // rad/s; about 3 deg/s goes unnoticed by a passive rider (Groen & Bles 2004)
}

// Shift shows the start of a push along one axis, on seats that can move so: seat position is Gain times the
// acceleration, clipped at Clip, through s/((s+Home)(s+Corner)²), which is a high-pass of third order integrated twice.
type Shift struct {
	Gain   float64
	Corner float64 // rad/s
	Home   float64 // rad/s
	Clip   float64 // m/s²
}

// Share shows the attitude itself: the up direction in body axes, times these angles, in rad (what is shown of 90 deg).
type Share struct{ Roll, Pitch float64 }

// Settings are one way to turn motion into cues, at full intensity. Those for axes that a seat does not have are not
// used. Gains hold for the travel in Reference; a seat with more or less travel gets more or less of everything on
// that axis, so that the cues keep their proportion.
type Settings struct {
	Mode      Mode
	Intensity float64 // 0..1, times every cue
	LowRate   bool    // telemetry under about 10 Hz: onsets, which would show its steps, at half

	Roll, Pitch, Yaw   Onset
	TiltX, TiltY       Tilt // specific force forward to pitch, to the right to roll
	Surge, Sway, Heave Shift
	Follow             Share     // with the washout
	FollowOnly         Share     // in the mode Follow
	Reference          pose.Pose // m and rad; zero: the axis's gains hold for any travel
	Head               float64   // m, the rider's head above the joint about which the seat turns; in the mode Predictive
}

// Classes are the vehicle classes that Preset knows.
func Classes() []string {
	return []string{"aeroplane", "boat", "car", "glider", "ground", "helicopter", "multirotor"}
}

// Preset gives settings for a vehicle class, at normal intensity. They are starting points, written down from memory
// and not taken from any publication; only that each cue alone stays within 12 deg of travel was computed. A class
// that is not known gets the aeroplane's.
func Preset(class string) Settings {
	const deg = math.Pi / 180
	s := Settings{
		Intensity:  Normal,
		Roll:       Onset{0.30, 0.5, 6},
		Pitch:      Onset{0.50, 0.5, 6},
		Yaw:        Onset{0.30, 0.6, 6},
		TiltX:      Tilt{0.6, 3, 3, 8 * deg},
		TiltY:      Tilt{1.0, 3, 2, 8 * deg},
		Surge:      Shift{0.5, 4, 0.4, 6},
		Sway:       Shift{0.5, 4, 0.4, 6},
		Heave:      Shift{0.5, 4, 0.4, 6},
		Follow:     Share{Roll: 4 * deg, Pitch: 6 * deg},
		FollowOnly: Share{Roll: 12 * deg, Pitch: 12 * deg},
		Head:       0.8, // of a seated rider (common practice, no source)
	}
	for a := range s.Reference {
		s.Reference[a] = 0.15
		if pose.Axis(a).Unit() == "rad" {
			s.Reference[a] = 12 * deg
		}
	}
	switch class {
	case "glider":
		s.Roll, s.Pitch = Onset{0.45, 0.4, 6}, Onset{0.70, 0.4, 6}
		s.TiltX, s.TiltY = Tilt{0.6, 2, 2, 6 * deg}, Tilt{1.0, 2, 1.5, 6 * deg}
		s.Follow = Share{Roll: 5 * deg, Pitch: 7 * deg}
	case "helicopter", "multirotor": // thrust is along z: forces forward and sideways are small
		s.Roll, s.Pitch = Onset{0.40, 0.6, 6}, Onset{0.40, 0.6, 6}
		s.TiltX, s.TiltY = Tilt{1.0, 3, 2, 8 * deg}, Tilt{1.0, 3, 2, 8 * deg}
		s.Follow = Share{Roll: 8 * deg, Pitch: 8 * deg}
	case "ground", "car", "boat":
		s.Roll, s.Pitch = Onset{1.0, 1.0, 6}, Onset{1.0, 1.0, 6}
		s.TiltX, s.TiltY = Tilt{0.33, 5, 6, 15 * deg}, Tilt{0.25, 5, 8, 15 * deg}
		s.Follow = Share{Roll: 6 * deg, Pitch: 6 * deg}
	}
	return s
}

// check says everything that is wrong.
func (s *Settings) check(axes pose.Axes, limits Limits, dt float64) error {
	var faults []error
	add := func(format string, a ...any) { faults = append(faults, fmt.Errorf("cueing: "+format, a...)) }
	within := func(name string, v, low, high float64, remedy string) {
		if !(v >= low && v <= high) {
			add("%s is %g, not from %g to %g: %s", name, v, low, high, remedy)
		}
	}
	if s.Mode >= modes {
		add("Mode is %d: take one of %s", s.Mode, strings.Join(modeNames[:], ", "))
	}
	within("the time step", dt, 1e-4, 0.05, "take a loop rate from 20 to 10000 Hz")
	within("Intensity", s.Intensity, 0, 1, "0 is no motion, 1 the full cues")
	if axes == 0 || axes >= 1<<pose.Count {
		add("the axes %#x name no axis or one that is none: take those of the mechanism", uint8(axes))
	}
	for a := range pose.Count {
		if axes.Has(a) {
			within(a.String()+" travel", limits.Travel[a], 1e-4, 10, "give how far the axis goes to either side of level, in "+a.Unit())
			within(a.String()+" Reference", s.Reference[a], 0, 10, "give the travel that the gains are for in "+a.Unit()+", or 0")
			if s.Reference[a] > 0 && s.Reference[a] < 1e-3 {
				add("%v Reference is %g %s: give the travel that the gains are for, or 0", a, s.Reference[a], a.Unit())
			}
		}
	}
	if s.Mode == Predictive {
		within("Head", s.Head, 0, 3, "give how far the rider's head is above the joint in m")
		for _, a := range [...]pose.Axis{pose.Roll, pose.Pitch} {
			if !axes.Has(a) {
				continue
			}
			const remedy = "give what the guard lets the axis do"
			within(a.String()+" speed", limits.Speed[a], 1e-3, 1e3, remedy)
			within(a.String()+" acceleration", limits.Acceleration[a], 1e-2, 1e5, remedy)
			within(a.String()+" jerk", limits.Jerk[a], 1e-1, 1e8, remedy)
		}
	}
	corner := func(name string, w float64) {
		within(name, w, 0.01, min(100, 1/dt), "give it in rad/s")
	}
	gain := func(name string, k, high float64) {
		within(name, k, 0, high, "0 turns the cue off; a cue the wrong way round is not a setting but a sign error in the source")
	}
	for _, c := range []struct {
		name string
		axis pose.Axis
		Onset
	}{{"Roll", pose.Roll, s.Roll}, {"Pitch", pose.Pitch, s.Pitch}, {"Yaw", pose.Yaw, s.Yaw}} {
		if axes.Has(c.axis) {
			gain(c.name+".Gain", c.Gain, 10)
			corner(c.name+".Corner", c.Corner)
			within(c.name+".Clip", c.Clip, 0.01, 100, "give the fastest body rate that still counts in rad/s")
		}
	}
	for _, c := range []struct {
		name string
		axis pose.Axis
		Tilt
	}{{"TiltX", pose.Pitch, s.TiltX}, {"TiltY", pose.Roll, s.TiltY}} {
		if axes.Has(c.axis) {
			gain(c.name+".Gain", c.Gain, 10)
			corner(c.name+".Corner", c.Corner)
			within(c.name+".Clip", c.Clip, 0.01, 100, "give the largest force that still counts in m/s²")
			within(c.name+".Rate", c.Rate, 1e-3, 10, "give it in rad/s")
			if !(c.Gain*c.Clip <= 0.9*estimate.Gravity) {
				add("%s.Gain %g times Clip %g m/s² asks for more than 0.9 g, which no lean gives: lower one of them", c.name, c.Gain, c.Clip)
			}
		}
	}
	for _, c := range []struct {
		name string
		axis pose.Axis
		Shift
	}{{"Surge", pose.Surge, s.Surge}, {"Sway", pose.Sway, s.Sway}, {"Heave", pose.Heave, s.Heave}} {
		if axes.Has(c.axis) {
			gain(c.name+".Gain", c.Gain, 10)
			corner(c.name+".Corner", c.Corner)
			corner(c.name+".Home", c.Home)
			within(c.name+".Clip", c.Clip, 0.01, 200, "give the largest acceleration that still counts in m/s²")
		}
	}
	for _, c := range []struct {
		name string
		v    float64
	}{
		{"Follow.Roll", s.Follow.Roll}, {"Follow.Pitch", s.Follow.Pitch},
		{"FollowOnly.Roll", s.FollowOnly.Roll}, {"FollowOnly.Pitch", s.FollowOnly.Pitch},
	} {
		within(c.name, c.v, 0, 1, "give the seat's angle at 90 deg of attitude in rad")
	}
	return errors.Join(faults...)
}
