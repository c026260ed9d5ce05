package signs

import (
	"fmt"
	"slices"
	"strings"

	"perch/sdk"
)

// Answer is what the person says of the drawn vehicle.
type Answer string

// The answers.
const (
	Same      Answer = "same"       // it did what the vehicle did
	Reversed  Answer = "opposite"   // it did the opposite
	Another   Answer = "other"      // another axis moved
	NotIt     Answer = "not_it"     // the vehicle was not moved as asked: once more
	CannotSay Answer = "cannot_say" // the motion cannot be made, or nothing moved
)

// Result is what became of one motion.
type Result struct {
	Motion   Kind      `json:"motion"`
	Outcome  Outcome   `json:"outcome"`
	Answer   Answer    `json:"answer"`
	Readings []Reading `json:"readings"`
	Why      string    `json:"why,omitempty"`
}

// Conclude joins what the signals made of a motion with what the person says of it. An answer and a reading that say
// different things are Unclear: the person then moves it once more.
func Conclude(m Motion, readings []Reading, a Answer) Result {
	r := Result{Motion: m.Kind, Answer: a, Readings: readings}
	var agree, wrong []Reading
	for _, x := range readings {
		switch x.Outcome {
		case Agrees:
			agree = append(agree, x)
		case Opposite, Other:
			wrong = append(wrong, x)
		case NotShown, Unclear:
		}
	}
	switch {
	case a == CannotSay || a == NotIt:
		r.Outcome, r.Why = NotShown, "it was not shown"
	case a == Same && len(wrong) == 0 && len(agree) > 0:
		r.Outcome = Agrees
	case a == Same && len(agree) > 0: // the groups differ, and the person saw the first of them
		r.Outcome, r.Why = wrong[0].Outcome, "but "+list(wrong)
	case a == Same && len(wrong) > 0:
		r.Outcome, r.Why = Unclear, fmt.Sprintf("it was to %s, and %s", m.Kind.Name(), list(wrong))
	case a == Same:
		r.Outcome, r.Why = NotShown, "no reading moved far enough"
	case len(wrong) > 0:
		r.Outcome, r.Why = wrong[0].Outcome, list(wrong)
	case len(agree) > 0:
		r.Outcome, r.Why = Unclear, fmt.Sprintf("it was to %s, and so did the reading: %s", m.Kind.Name(), list(agree))
	case a == Reversed:
		r.Outcome, r.Why = Opposite, "the person saw the opposite"
	default:
		r.Outcome, r.Why = Other, "the person saw another axis move"
	}
	return r
}

func list(readings []Reading) string {
	var out []string
	for _, r := range readings {
		out = append(out, fmt.Sprintf("%s %s", r.Group, r.Words))
	}
	return strings.Join(out, ", ")
}

// Standing is what is known of the signs of a source.
type Standing string

// The standings.
const (
	Confirmed    Standing = "confirmed"
	NotConfirmed Standing = "not_confirmed"
	Contradicted Standing = "contradicted"
)

// Words are the standing to a person.
func (s Standing) Words() string { return "signs " + strings.ReplaceAll(string(s), "_", " ") }

// Whole is what all the motions that were asked for come to: contradicted by any that was wrong, confirmed where every one
// agrees.
func Whole(results []Result) Standing {
	s := NotConfirmed
	agree := 0
	for _, r := range results {
		switch r.Outcome {
		case Opposite, Other:
			return Contradicted
		case Agrees:
			agree++
		case NotShown, Unclear:
		}
	}
	if agree > 0 && agree == len(results) {
		s = Confirmed
	}
	return s
}

// Mend says what to do about what was wrong, in words that fit the adapter; nothing where nothing was. name is what the
// adapter is called on the command line.
func Mend(name string, d sdk.Description, results []Result) []string {
	type fault struct {
		group   Group
		outcome Outcome
		axis    int
	}
	wrong := map[fault][]Kind{}
	var order []fault
	for _, r := range results {
		if r.Outcome != Opposite && r.Outcome != Other {
			continue
		}
		named := false
		for _, x := range r.Readings {
			if x.Outcome == Opposite || x.Outcome == Other {
				f := fault{x.Group, x.Outcome, x.Axis}
				if x.Outcome == Opposite {
					f.axis = 0
				}
				if wrong[f] == nil {
					order = append(order, f)
				}
				wrong[f] = append(wrong[f], r.Motion)
				named = true
			}
		}
		if !named {
			f := fault{"", r.Outcome, 0}
			if wrong[f] == nil {
				order = append(order, f)
			}
			wrong[f] = append(wrong[f], r.Motion)
		}
	}
	if len(order) == 0 {
		return nil
	}
	var out []string
	for _, f := range order {
		motions := wrong[f]
		var said []string
		for _, k := range motions {
			said = append(said, component(f.group, k))
		}
		what := strings.Join(said, " and ")
		switch {
		case f.group == "":
			out = append(out, fmt.Sprintf("what the picture shows of %s is wrong, and no reading moved far enough to say how", what))
		case f.outcome == Other:
			out = append(out, fmt.Sprintf("%s: what should be %s comes out as %s: two axes are exchanged", f.group, what, [3]string{"roll or x", "pitch or y", "yaw or z"}[f.axis]))
		default:
			have := "has"
			if len(said) > 1 {
				have = "have"
			}
			out = append(out, fmt.Sprintf("%s: %s %s the wrong sign%s", f.group, what, have, pattern(f.group, motions)))
		}
	}
	if keys := axisSettings(d); len(keys) > 0 {
		out = append(out, fmt.Sprintf("look at the adapter's own settings about axes: %s; set with --set KEY=VALUE", strings.Join(keys, ", ")))
	} else {
		out = append(out, fmt.Sprintf("%s has no setting for that: its author declares the source's axes with a convention of sdk/axes (Python: perch_adapter.axes), never a minus sign by hand", d.Name))
	}
	return append(out, fmt.Sprintf("perch conform %s shows which signals agree with each other; then do perch signs --source %s again", name, name))
}

// component is what a motion moves in a group.
func component(g Group, k Kind) string {
	turn := [3]string{"roll", "pitch", "yaw"}[k.axis()]
	switch {
	case g == AngularVelocity:
		return [3]string{"p", "q", "r"}[k.axis()]
	case g == SpecificForce && (k == RollRight || k == TurnRight):
		return "y"
	case g == SpecificForce || g == Velocity:
		return "x"
	case k == SpeedUp:
		return "speed"
	}
	return turn
}

// pattern says which axes a source usually has whose signs are wrong in these motions together.
func pattern(g Group, motions []Kind) string {
	if g == SpecificForce {
		if slices.Contains(motions, RollRight) && slices.Contains(motions, NoseUp) {
			return ": it is the reaction, what the rider is pushed by, and not what an accelerometer feels"
		}
		return ""
	}
	if g == Velocity {
		return ": it is the motion of the world past the vehicle, or its x points backward"
	}
	roll, pitch, yaw := slices.Contains(motions, RollRight), slices.Contains(motions, NoseUp), slices.Contains(motions, TurnRight)
	switch {
	case roll && pitch && yaw:
		return ": turns are counted by the other hand, or its quaternion is the inverse (earth into body)"
	case pitch && yaw:
		return ": its axes are forward, left, up (ISO 8855)"
	case roll && yaw:
		return ": its world is a mirror image: y points left while z points down, or it is left-handed"
	case roll && pitch:
		return ": it is turned round: x points backward and y left"
	}
	return ""
}

// axisSettings are those settings of an adapter that are about axes or signs, by their names.
func axisSettings(d sdk.Description) []string {
	var out []string
	for _, s := range d.Settings {
		for _, word := range []string{"axis", "axes", "sign", "invert", "reverse", "flip", "mirror", "convention", "frame", "orientation", "roll", "pitch", "yaw", "handed"} {
			if strings.Contains(s.Key, word) {
				out = append(out, s.Key)
				break
			}
		}
	}
	return out
}
