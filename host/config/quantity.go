package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Dimension is what a quantity measures; it decides which units may follow the number.
type Dimension uint8

// The dimensions, with the SI unit that values come back in.
const (
	Angle               Dimension = iota // rad
	AngularSpeed                         // rad/s
	AngularAcceleration                  // rad/s²
	AngularJerk                          // rad/s³
	Length                               // m
	Speed                                // m/s
	Acceleration                         // m/s²
	Jerk                                 // m/s³
	Time                                 // s
	Frequency                            // Hz
	Ratio                                // 1
	Mass                                 // kg
	Inertia                              // kg m²
	Torque                               // N m
	StepRate                             // steps/s
)

type unit struct {
	name   string  // as it follows a number
	suffix string  // as it ends a key
	factor float64 // to SI
}

const degree = math.Pi / 180

// The first unit of a dimension is the one that messages and Format use.
var units = [...]struct {
	name  string
	units []unit
}{
	Angle:               {"an angle", []unit{{"deg", "deg", degree}, {"rad", "rad", 1}, {"mrad", "mrad", 1e-3}}},
	AngularSpeed:        {"an angular speed", []unit{{"deg/s", "deg_s", degree}, {"rad/s", "rad_s", 1}, {"rpm", "rpm", math.Pi / 30}}},
	AngularAcceleration: {"an angular acceleration", []unit{{"deg/s2", "deg_s2", degree}, {"rad/s2", "rad_s2", 1}}},
	AngularJerk:         {"an angular jerk", []unit{{"deg/s3", "deg_s3", degree}, {"rad/s3", "rad_s3", 1}}},
	Length:              {"a length", []unit{{"mm", "mm", 1e-3}, {"cm", "cm", 1e-2}, {"m", "m", 1}, {"in", "in", 0.0254}}},
	Speed:               {"a speed", []unit{{"mm/s", "mm_s", 1e-3}, {"cm/s", "cm_s", 1e-2}, {"m/s", "m_s", 1}}},
	Acceleration:        {"an acceleration", []unit{{"m/s2", "m_s2", 1}, {"cm/s2", "cm_s2", 1e-2}, {"mm/s2", "mm_s2", 1e-3}}},
	Jerk:                {"a jerk", []unit{{"m/s3", "m_s3", 1}, {"cm/s3", "cm_s3", 1e-2}, {"mm/s3", "mm_s3", 1e-3}}},
	Time:                {"a time", []unit{{"s", "s", 1}, {"ms", "ms", 1e-3}}},
	Frequency:           {"a frequency", []unit{{"Hz", "hz", 1}, {"kHz", "khz", 1e3}}},
	Ratio:               {"a share", []unit{{"%", "percent", 1e-2}, {"percent", "percent", 1e-2}}},
	Mass:                {"a mass", []unit{{"kg", "kg", 1}, {"g", "g", 1e-3}, {"lb", "lb", 0.45359237}}},
	Inertia:             {"a moment of inertia", []unit{{"kg m2", "kg_m2", 1}, {"kg cm2", "kg_cm2", 1e-4}, {"g cm2", "g_cm2", 1e-7}}},
	Torque:              {"a torque", []unit{{"N m", "n_m", 1}, {"Nm", "n_m", 1}, {"N cm", "n_cm", 1e-2}, {"Ncm", "n_cm", 1e-2}}},
	StepRate:            {"a step rate", []unit{{"steps/s", "steps_s", 1}, {"Hz", "hz", 1}, {"kHz", "khz", 1e3}}},
}

// String is the dimension in words, with its article.
func (d Dimension) String() string {
	if int(d) < len(units) {
		return units[d].name
	}
	return "unknown"
}

func (d Dimension) names() string {
	var s []string
	for _, u := range units[d].units {
		s = append(s, u.name)
	}
	return strings.Join(s, ", ")
}

// Format writes an SI value as ParseQuantity reads it, in the unit that people use.
func (d Dimension) Format(v float64) string {
	u := units[d].units[0]
	// Twelve digits hide what the conversion rounds.
	return strconv.FormatFloat(v/u.factor, 'g', 12, 64) + " " + u.name
}

var superscript = strings.NewReplacer("²", "2", "³", "3", "^", "", "°", "deg", "·", " ")

// ParseQuantity reads a number and its unit, such as "3 deg/s" or "120mm", and gives it in SI. A missing unit, a unit of
// another dimension and a number that is not finite are errors.
func ParseQuantity(text string, d Dimension) (float64, error) {
	s := superscript.Replace(strings.TrimSpace(text))
	end := numberEnd(s)
	number, name := s[:end], strings.TrimSpace(s[end:])
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%q is not a number and a unit; write %s such as %q", text, d, d.Format(example(d)))
	}
	if name == "" {
		return 0, fmt.Errorf("%q has no unit; add one of %s", text, d.names())
	}
	for _, u := range units[d].units {
		if u.name == name {
			return v * u.factor, nil
		}
	}
	for other := range units {
		for _, u := range units[other].units {
			if u.name == name {
				return 0, fmt.Errorf("%q is %s, and %s is wanted; use one of %s", text, Dimension(other), d, d.names())
			}
		}
	}
	return 0, fmt.Errorf("%q has an unknown unit %q; use one of %s", text, name, d.names())
}

// numberEnd finds where the number that starts s ends: at the first byte that cannot continue one.
func numberEnd(s string) int {
	i := 0
	digits := func() {
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
			i++
		}
	}
	sign := func() {
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
	}
	sign()
	digits()
	if i < len(s) && s[i] == '.' {
		i++
		digits()
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		mark := i
		i++
		sign()
		first := i
		digits()
		if i == first {
			i = mark
		}
	}
	return i
}

func example(d Dimension) float64 {
	return 10 * units[d].units[0].factor
}

// Round writes an SI value as Format does, with five digits, for a drawing or a list.
func (d Dimension) Round(v float64) string {
	u := units[d].units[0]
	return strconv.FormatFloat(v/u.factor, 'g', 5, 64) + " " + u.name
}
