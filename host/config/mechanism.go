package config

import (
	"fmt"
	"math"
	"strings"
	"unicode"

	"perch/host/mechanism"
	"perch/host/pose"
)

// Kinds of mechanism.
const (
	TwoCrank    = "two-crank"
	TwoLinear   = "two-linear"
	ThreeLinear = "three-linear"
	SixLinear   = "six-linear"
	SixCrank    = "six-crank"
	Box         = "box"
)

// Kinds are all kinds of mechanism that a seat file may name.
func Kinds() []string { return []string{TwoCrank, TwoLinear, ThreeLinear, SixLinear, SixCrank, Box} }

// Mechanism is the geometry, of which Kind says which one counts.
type Mechanism struct {
	Kind        string
	TwoCrank    mechanism.TwoCrankSettings
	TwoLinear   mechanism.TwoLinearSettings
	ThreeLinear mechanism.ThreeLinearSettings
	SixLinear   mechanism.SixLinearSettings
	SixCrank    mechanism.SixCrankSettings
	Box         mechanism.BoxSettings
}

// OrdinaryMechanism is a mechanism of ordinary size of a kind, for a maker to start from; a box has none.
func OrdinaryMechanism(kind string) Mechanism {
	m := Mechanism{Kind: kind}
	switch kind {
	case TwoCrank:
		m.TwoCrank = mechanism.DefaultTwoCrank()
	case TwoLinear:
		m.TwoLinear = mechanism.DefaultTwoLinear()
	case ThreeLinear:
		m.ThreeLinear = mechanism.DefaultThreeLinear()
	case SixLinear:
		m.SixLinear = mechanism.DefaultSixLinear()
	case SixCrank:
		m.SixCrank = mechanism.DefaultSixCrank()
	}
	return m
}

// New makes the mechanism.
func (m Mechanism) New() (mechanism.Mechanism, error) {
	switch m.Kind {
	case TwoCrank:
		return mechanism.NewTwoCrank(m.TwoCrank)
	case TwoLinear:
		return mechanism.NewTwoLinear(m.TwoLinear)
	case ThreeLinear:
		return mechanism.NewThreeLinear(m.ThreeLinear)
	case SixLinear:
		return mechanism.NewSixLinear(m.SixLinear)
	case SixCrank:
		return mechanism.NewSixCrank(m.SixCrank)
	case Box:
		return mechanism.NewBox(m.Box)
	}
	return nil, fmt.Errorf("mechanism %q is not known; use one of %s", m.Kind, strings.Join(Kinds(), ", "))
}

// Axes are those that it moves.
func (m Mechanism) Axes() pose.Axes {
	switch m.Kind {
	case TwoCrank, TwoLinear:
		return pose.Of(pose.Roll, pose.Pitch)
	case ThreeLinear:
		return pose.Of(pose.Heave, pose.Roll, pose.Pitch)
	case SixLinear, SixCrank:
		return 1<<pose.Count - 1
	}
	return m.Box.Axes
}

// Drawing is an SVG that shows which length is which, "" for a box.
func (m Mechanism) Drawing() string {
	switch m.Kind {
	case TwoCrank:
		return m.TwoCrank.Drawing()
	case TwoLinear:
		return m.TwoLinear.Drawing()
	case ThreeLinear:
		return m.ThreeLinear.Drawing()
	case SixLinear:
		return m.SixLinear.Drawing()
	case SixCrank:
		return m.SixCrank.Drawing()
	}
	return ""
}

// A form is how a kind of mechanism other than a box stands in a seat file. Reading and writing go by the same list.
type form struct {
	measures []measure
	sides    []side
	motor    string    // the table of a motor in that of the mechanism
	limits   []measure // in it
}

// A measure is one number of the mechanism's settings.
type measure struct {
	name      string // of the settings' field; the file's key is the same in small letters
	dimension Dimension
	low, high float64
	at        *float64
	optional  bool
	usual     float64 // where an optional one is left out
}

// A side is a choice between two words, of which the second is true.
type side struct {
	name, key string
	words     [2]string
	at        *bool
}

func (x measure) key() string {
	var b strings.Builder
	for i, r := range x.name {
		if unicode.IsUpper(r) && i > 0 {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// form points into the settings of the kind.
func (m *Mechanism) form() form {
	long := func(name string, at *float64) measure {
		return measure{name: name, dimension: Length, high: mostLength, at: at}
	}
	signed := func(name string, at *float64) measure {
		return measure{name: name, dimension: Length, low: -mostLength, high: mostLength, at: at}
	}
	zero := func(x measure) measure { x.optional = true; return x }
	angle := func(name string, at *float64, usual float64) measure {
		return measure{name: name, dimension: Angle, high: math.Pi / 2, at: at, optional: true, usual: usual}
	}
	crank := func(s *mechanism.CrankSettings) (measures, limits []measure) {
		return []measure{
				long("CrankRadius", &s.CrankRadius), long("RodLength", &s.RodLength),
				angle("LeastTransmissionAngle", &s.LeastTransmissionAngle, mechanism.DefaultTwoCrank().LeastTransmissionAngle),
			}, []measure{
				{name: "Low", dimension: Angle, low: -mostAngle, at: &s.Low},
				{name: "High", dimension: Angle, high: mostAngle, at: &s.High},
				{name: "Speed", dimension: AngularSpeed, low: leastRate, high: mostAngularSpeed, at: &s.Speed},
				{name: "Acceleration", dimension: AngularAcceleration, low: leastRate, high: mostAngularAccel, at: &s.Acceleration},
				{name: "Jerk", dimension: AngularJerk, low: leastRate, high: mostAngularJerk, at: &s.Jerk},
			}
	}
	actuator := func(s *mechanism.ActuatorSettings) (measures, limits []measure) {
		return []measure{angle("MostJointAngle", &s.MostJointAngle, mechanism.DefaultTwoLinear().MostJointAngle)},
			[]measure{
				long("Shortest", &s.Shortest), long("Longest", &s.Longest),
				{name: "Speed", dimension: Speed, low: leastRate, high: mostSpeed, at: &s.Speed},
				{name: "Acceleration", dimension: Acceleration, low: leastRate, high: mostAcceleration, at: &s.Acceleration},
				{name: "Jerk", dimension: Jerk, low: leastRate, high: mostJerk, at: &s.Jerk},
			}
	}
	ring := func(f *form, s *mechanism.RingSettings) {
		f.measures = append(f.measures, long("SeatRadius", &s.SeatRadius), long("SeatSpacing", &s.SeatSpacing),
			long("BaseRadius", &s.BaseRadius), long("BaseSpacing", &s.BaseSpacing), long("Height", &s.Height))
		f.sides = append(f.sides, side{"SeatPairBack", "seat_pair", [2]string{"front", "back"}, &s.SeatPairBack})
	}
	var f form
	var more []measure
	switch m.Kind {
	case TwoCrank:
		s := &m.TwoCrank
		f.measures = []measure{
			long("JointToSeatPointBack", &s.JointToSeatPointBack), long("HalfWidth", &s.HalfWidth),
			zero(signed("SeatPointHeight", &s.SeatPointHeight)), signed("CrankDrop", &s.CrankDrop),
			zero(signed("CrankForward", &s.CrankForward)), zero(signed("CrankOutward", &s.CrankOutward)),
		}
		f.sides = []side{{"TipBackward", "crank_tip", [2]string{"forward", "backward"}, &s.TipBackward}}
		f.motor = "crank"
		more, f.limits = crank(&s.CrankSettings)
	case TwoLinear:
		s := &m.TwoLinear
		f.measures = []measure{
			long("JointToSeatPointBack", &s.JointToSeatPointBack), long("HalfWidth", &s.HalfWidth),
			zero(signed("SeatPointHeight", &s.SeatPointHeight)), signed("FootDrop", &s.FootDrop),
			zero(signed("FootForward", &s.FootForward)), zero(signed("FootOutward", &s.FootOutward)),
		}
		f.motor = "actuator"
		more, f.limits = actuator(&s.ActuatorSettings)
	case ThreeLinear:
		s := &m.ThreeLinear
		f.measures = []measure{
			long("JointToFrontPoint", &s.JointToFrontPoint), long("JointToRearPointBack", &s.JointToRearPointBack),
			long("HalfWidth", &s.HalfWidth), zero(signed("SeatPointHeight", &s.SeatPointHeight)), signed("FootDrop", &s.FootDrop),
			zero(signed("FrontFootForward", &s.FrontFootForward)), zero(signed("RearFootForward", &s.RearFootForward)),
			zero(signed("RearFootOutward", &s.RearFootOutward)),
		}
		f.motor = "actuator"
		more, f.limits = actuator(&s.ActuatorSettings)
	case SixLinear:
		s := &m.SixLinear
		ring(&f, &s.RingSettings)
		f.motor = "actuator"
		more, f.limits = actuator(&s.ActuatorSettings)
	case SixCrank:
		s := &m.SixCrank
		ring(&f, &s.RingSettings)
		f.sides = append(f.sides, side{"TipsTogether", "crank_tips", [2]string{"apart", "together"}, &s.TipsTogether})
		f.motor = "crank"
		more, f.limits = crank(&s.CrankSettings)
		more = append(more, angle("MostJointAngle", &s.MostJointAngle, mechanism.DefaultSixCrank().MostJointAngle))
	}
	f.measures = append(f.measures, more...)
	return f
}

// keys turns the mechanism's names for its measures into the file's.
func (f form) keys() *strings.Replacer {
	words := []string{"Low", "low", "High", "high", "Speed", "speed", "Acceleration", "acceleration", "Jerk", "jerk"}
	for _, list := range [][]measure{f.measures, f.limits} {
		for _, x := range list {
			words = append(words, x.name, x.key())
		}
	}
	for _, x := range f.sides {
		words = append(words, x.name, x.key)
	}
	return strings.NewReplacer(words...)
}

func readMechanism(top *section, m *Mechanism) {
	s := top.sub("mechanism")
	defer s.done()
	before := len(*top.faults)
	quoted := `"` + strings.Join(Kinds(), `", "`) + `"`
	if s.node == nil {
		if top.node.find("mechanism") == nil {
			s.fault(1, "", "missing; add [mechanism] with kind = one of %s and the measures of this seat", quoted)
		}
		return
	}
	if !s.choice("kind", &m.Kind, Kinds()...) {
		if s.node.find("kind") == nil {
			s.fault(0, "kind", "missing; add kind = one of %s", quoted)
		}
		for _, n := range s.node.table { // which keys are right depends on the kind
			s.asked = append(s.asked, n.key)
		}
		return
	}
	f := m.form()
	if m.Kind == Box {
		readBox(s, &m.Box)
	} else {
		f.read(s)
	}
	if len(*top.faults) > before {
		return
	}
	if _, err := m.New(); err != nil {
		for _, line := range strings.Split(err.Error(), "\n") {
			s.fault(0, "", "%s", f.keys().Replace(line))
		}
	}
}

// need reads a quantity that has no default.
func (s *section) need(key string, d Dimension, low, high float64, out *float64) {
	before := len(*s.faults)
	if !s.quantity(key, d, low, high, out) && len(*s.faults) == before {
		s.fault(0, key, "missing; add %s as %s in %s", key, d, d.names())
	}
}

func (f form) read(s *section) {
	for _, x := range f.measures {
		if x.optional {
			*x.at = x.usual
			s.quantity(x.key(), x.dimension, x.low, x.high, x.at)
			continue
		}
		s.need(x.key(), x.dimension, x.low, x.high, x.at)
	}
	for _, x := range f.sides {
		word := x.words[0]
		s.choice(x.key, &word, x.words[:]...)
		*x.at = word == x.words[1]
	}
	motor := s.sub(f.motor)
	if motor.node == nil {
		if s.node.find(f.motor) == nil {
			var keys []string
			for _, x := range f.limits {
				keys = append(keys, x.key())
			}
			s.fault(0, f.motor, "missing; add [%s] with %s and %s of the %ss", motor.path,
				strings.Join(keys[:len(keys)-1], ", "), keys[len(keys)-1], f.motor)
		}
		return
	}
	for _, x := range f.limits {
		motor.need(x.key(), x.dimension, x.low, x.high, x.at)
	}
	motor.done()
}

// write writes what read reads.
func (f form) write(table func(string, ...any), text func(key, v string)) {
	for _, x := range f.measures {
		text(x.key(), x.dimension.Format(*x.at))
	}
	for _, x := range f.sides {
		word := x.words[0]
		if *x.at {
			word = x.words[1]
		}
		text(x.key, word)
	}
	table("mechanism.%s", f.motor)
	for _, x := range f.limits {
		text(x.key(), x.dimension.Format(*x.at))
	}
}

// readReach refuses limits of which an end cannot be reached even with all other axes level.
func readReach(s *section, out *Seat) {
	m, err := out.Mechanism.New()
	if err != nil {
		return // said already
	}
	for a := range pose.Count {
		if !m.Axes().Has(a) {
			continue
		}
		for _, end := range []struct {
			key string
			v   float64
		}{{"low", out.Limits.Low[a]}, {"high", out.Limits.High[a]}} {
			reached := reach(m, a, end.v)
			if reached == end.v {
				continue
			}
			d, line := Length, 0
			if a.Unit() == "rad" {
				d = Angle
			}
			if axis := findIn(s.node, a.String()); axis != nil {
				line = axis.line
				for _, n := range axis.table {
					if n.key == end.key || strings.HasPrefix(n.key, end.key+"_") {
						line = n.line
					}
				}
			}
			// rounded towards level, so that what is said can be written down
			factor := units[d].units[0].factor / 10
			s.fault(line, a.String()+"."+end.key, "%s is out of reach: with the other axes level this mechanism goes to %s; choose a value up to that, or look over its measures",
				d.Format(end.v), d.Format(math.Trunc(reached/factor)*factor))
		}
	}
}

// reach is how far towards an end the mechanism moves one axis from level without a gap.
func reach(m mechanism.Mechanism, a pose.Axis, end float64) float64 {
	at := func(v float64) bool {
		var p pose.Pose
		var q mechanism.Positions
		p[a] = v
		return m.Inverse(p, &q) == nil
	}
	const parts = 200
	for i := 1; i <= parts; i++ {
		if at(end * float64(i) / parts) {
			continue
		}
		low, high := end*float64(i-1)/parts, end*float64(i)/parts
		for range 40 {
			if middle := (low + high) / 2; at(middle) {
				low = middle
			} else {
				high = middle
			}
		}
		return low
	}
	return end
}

// Measure is one length or angle of a mechanism, as its drawing names it and as a seat file does.
type Measure struct{ Name, Key, Value string }

// Measures are the lengths, in the order of the file.
func (m Mechanism) Measures() (out []Measure) {
	f := m.form()
	add := func(table string, list []measure) {
		for _, x := range list {
			if x.dimension == Length {
				out = append(out, Measure{x.name, table + x.key(), x.dimension.Round(*x.at)})
			}
		}
	}
	add("", f.measures)
	add(f.motor+".", f.limits)
	return out
}
