package states

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"perch/conformance/consistency"
	"perch/conformance/report"
	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// home is a component of a signal that a check shows right.
type home struct {
	group     consistency.Group
	component string
	signals   vehicle.Set // that hold it
	beside    string      // what else is needed to judge it
}

// rule is a check of what holds between signals.
type rule struct {
	family    string
	id, title string
	homes     []home
	needs     string // the motion that would show it
	doc       string
}

// The families of rules, and the relations of package consistency that each is told by.
var families = map[string]string{
	"turning": "turning", "force": "force", "gravity": "force", "weight": "force", "rest": "force", "track": "velocity", "two_velocities": "velocity",
	"air": "air", "ground": "ground", "arrival": "clock", "rate": "clock", "range": "air",
}

// owns is the family that a signal's mistakes are told in, if one of its relations is broken.
var owns = map[consistency.Group]string{
	consistency.AngularVelocity: "turning", consistency.Attitude: "turning", consistency.SpecificForce: "force", consistency.Velocity: "velocity",
	consistency.Position: "velocity", consistency.Airspeed: "air", consistency.AngleOfAttack: "air", consistency.Sideslip: "air",
}

func vec(first vehicle.Signal) vehicle.Set { return vehicle.Set(0).With(first, first+1, first+2) }

func rules() []rule {
	rates, force, earth, body := vec(vehicle.AngularVelocityP), vec(vehicle.SpecificForceX), vec(vehicle.VelocityN), vec(vehicle.VelocityX)
	position, attitude := vec(vehicle.PositionN), vec(vehicle.AttitudeW).With(vehicle.AttitudeZ)
	turning := func(id, axis, angle, rate, needs, wrong string) rule {
		return rule{family: "turning", id: "turning_" + id, title: "The attitude's " + angle + " turns as angular velocity " + rate + " says",
			homes: []home{{consistency.AngularVelocity, rate, rates, "the attitude beside the angular velocity"}, {consistency.Attitude, angle, attitude, "the angular velocity, or velocity and specific force, beside the attitude"}},
			needs: needs,
			doc: fmt.Sprintf(`Between two moments the attitude must turn about body %s by as much as the angular velocity adds up to, whatever the vehicle does.
Why it matters: the seat's tilt follows the attitude and its quick turns follow the angular velocity. Where the two contradict each other the
seat turns one way and then leans the other, which is what makes riders sick.
Usual mistakes: %s; degrees per second for radians per second; the rates of a left-handed source; Euler angle rates sent as body
rates; a quaternion that is conjugated, or in the order x, y, z, w. From these two signals alone nobody can tell which of them is wrong:
look at the alternatives, and hold the vehicle in your hand.`, axis, wrong)}
	}
	forced := func(axis, what, needs, wrong string) rule {
		return rule{family: "force", id: "force_" + axis, title: "Specific force " + axis + " fits the change of velocity, and gravity",
			homes: []home{{consistency.SpecificForce, axis, force, "the attitude, best with the velocity, beside the specific force"}},
			needs: needs,
			doc: fmt.Sprintf(`Specific force is what an accelerometer feels: %s. Turned into earth axes and with gravity added it must be
the change of the velocity. Without a velocity it must hold gravity where the attitude says that down is; without an attitude its size at rest is 9.81.
Why it matters: it is the signal that the seat's push and lean are made of. With gravity missing, or upside down, the seat
leans for ever; with a wrong axis it brakes when it should turn.
Usual mistakes: %s; g for m/s²; acceleration without gravity; the acceleration of a screen's axes or of earth axes. At rest and level
it must read 0, 0, -9.81.`, what, wrong)}
	}
	moved := func(group string, signals vehicle.Set, c, title, needs string) rule {
		homes := []home{{consistency.Velocity, c, signals, "the position, or attitude and specific force, beside the velocity"}}
		if group == "earth" {
			homes = append(homes, home{consistency.Position, c, position, "the velocity beside the position"})
		}
		return rule{family: "velocity", id: "velocity_" + c, title: title, homes: homes, needs: needs,
			doc: `The velocity, added up over time, must be the change of the position. Where no position is given, the change of the velocity must be
what specific force and gravity make of it; where a velocity is given in body axes and in earth axes, the attitude turns one into the other.
Why it matters: the host finds the long turns, climbs and slips in the velocity. A wrong unit makes them many times too strong or too weak.
Usual mistakes: knots, km/h or feet; a climb rate sent as a velocity down; east and north exchanged; body axes for earth axes; the velocity
through the air for that over the ground (a steady wind, so this is a warning only).`}
	}
	angle := func(id string, g consistency.Group, x vehicle.Signal, title, needs string) rule {
		return rule{family: "air", id: id, title: title, needs: needs, homes: []home{{g, "", vehicle.Set(0).With(x), "velocity and attitude beside it"}},
			doc: `The airspeed and the angles of the air must be those that velocity, attitude and a steady wind make.
Why it matters: they tell a stall and a slip, which a rider feels as shaking and as a push from the side.
Usual mistakes: degrees; knots or km/h; the wrong sign (an angle of attack is positive when the air comes from below, a sideslip when it comes
from the right); angles from 0 to 360 deg.`}
	}
	return []rule{
		turning("roll", "x", "roll", "p", "rolling to and fro, at 20 deg/s or more, for 5 s together", "a roll that is positive left side down"),
		turning("pitch", "y", "pitch", "q", "pitching up and down, at 20 deg/s or more, for 5 s together", "a pitch that is positive nose down"),
		turning("yaw", "z", "yaw", "r", "turning at 20 deg/s or more, for 5 s together", "a heading that is counted counter-clockwise"),
		{family: "turning", id: "turning_together", title: "Roll, pitch and yaw belong together when they are turned at once", needs: "rolled and pitched by 30 deg or more at once, while it turns, for 5 s together",
			homes: []home{{consistency.AngularVelocity, consistency.Axes, rates, "the attitude beside the angular velocity"}, {consistency.Attitude, consistency.Turns, attitude, "the angular velocity, or velocity and specific force, beside the attitude"}},
			doc: `While one angle alone is large, many mistakes look right: angles that are put together in another order, and rates of the angles
(roll', pitch', yaw') in place of the angular velocity about body axes. With roll and pitch at once they do not.
Why it matters: in a steep turn the seat would lean and turn about the wrong axes, just when the rider feels the most.
Usual mistakes: angles from a graphics engine, which turns about y first; the derivative of the three angles sent as p, q, r; angular velocity about
the earth's axes.`},
		forced("x", "forward when it speeds up, and along the nose what is not gravity", "speeding up and braking at 3 m/s² or more, or the nose 20 deg up or down, for 5 s together", "the sign of braking"),
		forced("y", "to the right what the wheels or a slip push", "a skid, a side slip or a turn on the ground, with 3 m/s² or more to the side, for 5 s together", "left for right"),
		forced("z", "minus 9.81 m/s² at rest and level, more in a turn or a loop", "5 s upright, or in a turn or a loop", "load factors in g, positive upwards"),
		{family: "heading", id: "heading", title: "Yaw is counted from north, clockwise", needs: "speeding up, braking or turning at 3 m/s² or more, for 5 s together",
			homes: []home{{consistency.Attitude, consistency.Heading, attitude, "a velocity in earth axes, and the specific force, beside the attitude"}},
			doc: `Where yaw is counted from shows only when a push along the body's axes changes a velocity along the earth's.
Why it matters: with it the host turns the velocity into body axes. Counted from east, a vehicle that drives straight on seems to slide sideways.
Usual mistakes: an angle of mathematics, counter-clockwise from east; a course for a heading; a magnetic heading that was turned twice.`},
		moved("earth", earth, "north", "Velocity north fits the change of position, or the specific force", "moving north or south at 5 m/s or more, for 10 s together"),
		moved("earth", earth, "east", "Velocity east fits the change of position, or the specific force", "moving east or west at 5 m/s or more, for 10 s together"),
		moved("earth", earth, "down", "Velocity down fits the change of position, or the specific force", "a climb or descent of 3 m/s or more, for 10 s together"),
		moved("body", body, "x", "Velocity x, forward, fits the change of position, or the specific force", "moving forward at 5 m/s or more, for 10 s together"),
		moved("body", body, "y", "Velocity y, to the right, fits the change of position, or the specific force", "a skid or a side slip of 3 m/s or more, for 10 s together"),
		moved("body", body, "z", "Velocity z, downwards, fits the change of position, or the specific force", "flying with the nose well above or below its path, at 3 m/s or more along z, for 10 s together"),
		angle("air_speed", consistency.Airspeed, vehicle.Airspeed, "The airspeed is the speed through a steady wind", "flying at 15 m/s or more for 10 s, with the velocity given"),
		angle("air_attack", consistency.AngleOfAttack, vehicle.AngleOfAttack, "The angle of attack fits velocity and attitude", "an angle of attack of 15 deg or more for 5 s together, at 15 m/s or more"),
		angle("air_sideslip", consistency.Sideslip, vehicle.Sideslip, "The sideslip fits velocity and attitude", "a side slip of 15 deg or more for 5 s together, at 15 m/s or more"),
		{family: "ground", id: "ground", title: "On the ground is not said in flight", needs: "a climb, a descent or a bank in flight",
			homes: []home{{consistency.OnGround, "", vehicle.Set(0).With(vehicle.OnGround), "the velocity beside it"}},
			doc: `A vehicle that climbs or sinks steeply, or banks far at speed, is not on the ground.
Why it matters: on the ground the host adds the rumble of the ground and keeps the seat from leaning.
Usual mistakes: the truth value of the opposite question (in the air); weight on one wheel that was stored as a number.`},
		{family: "clock", id: "clock", title: "The source's clock counts real time", needs: "the times of arrival (observed_at_ns) over 5 s or more, or an attitude that turns with its angular velocity",
			doc: `source_time_ns counts nanoseconds of the source's own clock. It must advance as fast as the states arrive, and by it the attitude must
turn as fast as the angular velocity says.
Why it matters: everything that is made of differences in time - rates, filters, the age of a state - is wrong by the same factor.
Usual mistakes: milliseconds or seconds taken for nanoseconds; a counter of frames; a source in slow motion.`},
	}
}

func physicsChecks() []Check {
	var out []Check
	for _, r := range rules() {
		out = append(out, Check{ID: r.id, Title: r.title, Doc: r.doc, Run: func(_ context.Context, s *Subject) (report.Finding, error) {
			return s.physics().findings[r.id], nil
		}})
	}
	return out
}

// physics is what is known of what holds between signals.
type physics struct {
	findings map[string]report.Finding
	mistaken []consistency.Group // signals of which a mistake is told
}

// judged is what is known while the rules are gone through.
type judged struct {
	rules   []rule
	found   map[string]report.Finding
	waiting map[string]string // by family: what has to be mended first
	first   string            // of these, the first
}

// tell puts a finding into the rule of a family that suits a component best, of those in which nothing has been told.
func (j *judged) tell(family, component string, f report.Finding) (id string) {
	best := -1
	for i, r := range j.rules {
		if _, told := j.found[r.id]; told || r.family != family {
			continue
		}
		suits := slices.ContainsFunc(r.homes, func(h home) bool {
			return h.component == component && component != "" || f.Diagnosis != nil && component == "" && h.component == "" && string(h.group) == f.Diagnosis.Signal
		})
		if best < 0 || suits {
			best = i
		}
		if suits {
			break
		}
	}
	if best < 0 { // more mistakes than checks: the last one is told with it
		for i := len(j.rules) - 1; i >= 0; i-- {
			if r := j.rules[i]; r.family == family && j.found[r.id].Diagnosis != nil && f.Diagnosis != nil {
				old := j.found[r.id]
				old.Diagnosis.Detail += "; and then " + f.Diagnosis.String()
				return r.id
			}
		}
		return ""
	}
	j.found[j.rules[best].id] = f
	return j.rules[best].id
}

func (s *Subject) judgePhysics() physics {
	dead, mender := s.dead()
	ordered := s.ordered(dead)
	result := consistency.Judge(ordered)
	j := &judged{rules: rules(), found: map[string]report.Finding{}, waiting: map[string]string{}}
	out := physics{findings: j.found}
	angles := false // they were in degrees, and may have been lost
	for i, m := range result.Mistakes {
		if m.Group == consistency.Attitude && angles {
			continue
		}
		angles = angles || m.Group == consistency.Attitude && m.Kind == consistency.Unit
		s.tellMistake(j, result, ordered, i, m)
		out.mistaken = append(out.mistaken, m.Group)
	}
	for _, u := range result.Unexplained { // one: what is left may be of the same cause
		if u.Relation == "gravity" || u.Relation == "rest" { // the vehicle may accelerate as much as that
			if j.waiting["force"] == "" {
				j.waiting["force"] = "the velocity beside attitude and specific force, since this vehicle accelerates too much to show gravity alone"
			}
			continue
		}
		out.mistaken = append(out.mistaken, u.Groups...)
		if j.first == "" {
			s.tellUnexplained(j, result, ordered, u)
		} else if family := families[u.Relation]; j.waiting[family] == "" {
			j.waiting[family] = j.first
		}
	}
	evidence := result.Evidence(ordered)
	for _, r := range j.rules {
		if _, told := j.found[r.id]; told {
			continue
		}
		f := s.standing(r, evidence)
		if what := j.waiting[r.family]; what != "" && !f.Unclaimed {
			f = report.Finding{Outcome: report.NotCheckable, Needs: what}
		}
		for _, h := range r.homes {
			if h.signals&dead != 0 {
				f = report.Finding{Outcome: report.NotCheckable, Needs: mender}
			}
		}
		j.found[r.id] = f
	}
	if _, told := j.found["clock"]; told && j.found["clock"].Outcome == report.NotCheckable {
		j.found["clock"] = s.clock(j)
	}
	s.demand(j, evidence)
	return out
}

func (s *Subject) tellMistake(j *judged, result consistency.Result, ordered []vehicle.State, i int, m consistency.Mistake) {
	d := diagnosis(m.Change)
	for _, a := range m.Alternatives {
		d.Alternatives = append(d.Alternatives, *diagnosis(a))
	}
	f := fail(fmt.Sprintf("it does not, and with the change named here it would in %d of the %d stretches of the recording that tell", m.Votes, m.Of), "", d)
	switch {
	case m.Group == consistency.Clock:
		f.Measured = s.lasts()
	case m.Kind == consistency.Wrap:
		f.Measured = fmt.Sprintf("it is beyond 270 deg in %d of %d values", m.Votes, m.Of)
	case m.Kind == consistency.Stuck || m.Group == consistency.OnGround:
		f.Measured = fmt.Sprintf("it does not, in %d of the %d moments that tell", m.Votes, m.Of)
	}
	if side, ok := result.Sides(ordered, i); ok {
		f.Series = series(side)
	}
	if m.Air() {
		f.Outcome = report.Warn
		f.Measured = fmt.Sprintf("it differs from the change of position by what a steady wind would explain, in %d of %d stretches", m.Votes, m.Of)
	}
	family := "clock"
	if m.Group != consistency.Clock && len(m.Relations) > 0 {
		family = families[m.Relations[0]]
		for _, r := range m.Relations[1:] { // that of the signal itself, where it is among those that are broken
			if families[r] == owns[m.Group] {
				family = families[r]
			}
		}
	}
	if m.Group == consistency.Attitude && m.Component == "yaw" && (m.Kind == consistency.Offset || m.Kind == consistency.Frame) {
		family = "heading"
	}
	f.Expected = expected(family)
	part := m.Component
	switch {
	case m.Group == consistency.Attitude && m.Kind == consistency.Order && !strings.HasPrefix(m.Detail, "its elements"):
		part = consistency.Turns
	case m.Group == consistency.AngularVelocity && m.Kind == consistency.Frame && m.Matrix == nil:
		part = consistency.Axes
	}
	id := j.tell(family, part, f)
	if m.Air() {
		return
	}
	needs := fmt.Sprintf("%s, to be mended first", id)
	if j.first == "" {
		j.first = needs
	}
	wait := func(family string) {
		if j.waiting[family] == "" {
			j.waiting[family] = needs
		}
	}
	wait(family)
	for _, r := range m.Relations {
		wait(families[r])
	}
	if m.Group == consistency.Clock {
		for _, family := range families {
			wait(family)
		}
	}
}

func (s *Subject) tellUnexplained(j *judged, result consistency.Result, ordered []vehicle.State, u consistency.Unexplained) {
	family := families[u.Relation]
	if j.waiting[family] != "" {
		return
	}
	var groups []string
	for _, g := range u.Groups {
		if s.gives(g) {
			groups = append(groups, words(string(g)))
		}
	}
	f := fail(fmt.Sprintf("it does not, in %d of the %d stretches of the recording in which enough moves, and no single mistake that is known explains it", u.Bad, u.Of), expected(family),
		&report.Diagnosis{Signal: string(u.Groups[0]), Kind: "unexplained", Detail: "one of " + strings.Join(groups, ", ") + " is wrong, or more than one: convert them one by one, and judge again"})
	if family == "force" {
		f.Diagnosis.Detail += "; an acceleration that is filtered or clipped, or measured far from the point whose velocity is given, looks like this too"
	}
	if 2*u.Bad < u.Of {
		f.Outcome = report.Warn
	}
	if side, ok := result.UnexplainedSides(ordered, u.Relation); ok {
		f.Series = series(side)
	}
	id := j.tell(family, "", f)
	j.waiting[family] = id + ", to be mended first"
	j.first = j.waiting[family]
}

// standing is the finding about a rule of which nothing wrong is known.
func (s *Subject) standing(r rule, evidence []consistency.Shown) report.Finding {
	given := 0
	shown := true
	var seen []string
	beside := ""
	for _, h := range r.homes {
		if !s.has(h.signals) {
			continue
		}
		given++
		right, tried := false, false
		var most consistency.Shown
		for _, e := range evidence {
			if e.Group != h.group || e.Component != h.component {
				continue
			}
			tried = true
			if e.Right && (!right || e.Of > most.Of) {
				right, most = true, e
			}
		}
		if h.group == consistency.OnGround {
			right, tried = s.flies() >= 10, s.find(vehicle.VelocityN).n > 0
			most.Votes, most.Of = s.flies(), s.flies()
		}
		switch {
		case right:
			seen = append(seen, fmt.Sprintf("%d of %d", most.Votes, most.Of))
		case !tried:
			beside = h.beside
			shown = false
		default:
			shown = false
		}
	}
	switch {
	case r.id == "heading" && !s.has(vec(vehicle.VelocityN)):
		return none(r.homes[0].beside) // where the velocity is in body axes, nothing depends on it
	case r.family == "clock":
		return report.Finding{Outcome: report.NotCheckable, Needs: r.needs}
	case given == 0:
		var groups []string
		promised := false
		for _, h := range r.homes {
			promised = promised || s.options.Promised&h.signals != 0
			for _, k := range s.tracks {
				if k.signals() == h.signals {
					groups = append(groups, k.title)
				}
			}
		}
		f := none(strings.Join(groups, " and ") + ", given")
		f.Unclaimed = !promised
		return f
	case shown:
		return pass("it holds, and its opposite would not, in %s stretches of the recording that tell", seen[0])
	case beside != "":
		return report.Finding{Outcome: report.NotCheckable, Needs: beside}
	}
	return report.Finding{Outcome: report.NotCheckable, Needs: r.needs}
}

// clock passes where the arrival was compared, or what turns and moves agrees with the time.
func (s *Subject) clock(j *judged) report.Finding {
	f := j.found["clock"]
	if j.waiting["clock"] != "" {
		return f
	}
	if n := len(s.states); s.arrives && n >= 20 {
		var least, most int64 = math.MaxInt64, 0
		for i := range s.states {
			if x := &s.states[i]; x.Condition == vehicle.Running && x.ObservedAt != 0 {
				least, most = min(least, x.ObservedAt), max(most, x.ObservedAt)
			}
		}
		if most-least >= 5e9 {
			return pass("it advances as the states arrive, over %.1f s", float64(most-least)*1e-9)
		}
	}
	for _, r := range j.rules {
		if r.family == "turning" && j.found[r.id].Outcome == report.Pass {
			return pass("by it the attitude turns as fast as the angular velocity says")
		}
	}
	return f
}

// lasts says how long the recording is by either clock.
func (s *Subject) lasts() string {
	step := s.fastest()
	out := fmt.Sprintf("by it the recording lasts %.4g s, and states come every %.3g s", s.seconds(len(s.states)-1), step)
	if s.arrives {
		out += fmt.Sprintf("; they arrived over %.4g s", float64(s.states[len(s.states)-1].ObservedAt-s.states[0].ObservedAt)*1e-9)
	}
	return out
}

// demand turns what was required and not shown into failures.
func (s *Subject) demand(j *judged, evidence []consistency.Shown) {
	for _, r := range j.rules {
		f := j.found[r.id]
		if f.Outcome != report.NotCheckable || strings.HasSuffix(f.Needs, "mended first") {
			continue
		}
		for i, h := range r.homes {
			part := h.signals
			if h.component == consistency.Turns || h.component == consistency.Axes || h.component == consistency.Heading && f.Unclaimed {
				continue // few recordings show it, or nothing depends on it
			}
			if h.component != "" && h.group != consistency.Attitude {
				part = vehicle.Set(0).With(nth(h.signals, component(h.component)))
			}
			elsewhere := slices.ContainsFunc(evidence, func(e consistency.Shown) bool { return e.Right && e.Group == h.group && e.Component == h.component })
			if s.required&part == 0 || !s.has(h.signals) || elsewhere && i > 0 {
				continue
			}
			f.Outcome, f.Unclaimed = report.Fail, false
			f.Measured = "this recording does not show it"
			f.Expected = words(string(h.group)) + " shown right: it is required"
			j.found[r.id] = f
			break
		}
	}
}

func component(name string) int {
	for i, names := range [][]string{{"p", "x", "north", "roll"}, {"q", "y", "east", "pitch"}, {"r", "z", "down", "yaw"}} {
		if slices.Contains(names, name) {
			return i
		}
	}
	return 0
}

// nth is the n-th signal of a set, from 0.
func nth(set vehicle.Set, n int) vehicle.Signal {
	for x := range vehicle.SignalCount {
		if set.Has(x) {
			if n == 0 {
				return x
			}
			n--
		}
	}
	return vehicle.SignalCount
}

// has says whether the recording gives all these signals together, more than once.
func (s *Subject) has(signals vehicle.Set) bool {
	for _, k := range s.tracks {
		if k.signals() == signals {
			return len(k.at) > 1
		}
	}
	return false
}

func (s *Subject) gives(g consistency.Group) bool {
	return slices.ContainsFunc(s.tracks, func(k *track) bool { return k.name == string(g) && len(k.at) > 1 })
}

// flies counts the moments in flight, by a steep climb or descent or by a bank at speed, at which the states say that it is
// not on the ground.
func (s *Subject) flies() (n int) {
	k, v, a := s.find(vehicle.OnGround), s.find(vehicle.VelocityN), s.find(vehicle.AttitudeW)
	j, l := 0, 0
	near := func(of *track, at *int, state int) bool {
		for *at+1 < len(of.at) && of.at[*at+1] <= state {
			*at++
		}
		return *at < len(of.at) && math.Abs(s.seconds(of.at[*at])-s.seconds(state)) < 1
	}
	for i := range k.at {
		if s.value(k, i, 0) != 0 || !near(v, &j, k.at[i]) {
			continue
		}
		climb, along := math.Abs(s.value(v, j, 2)), math.Hypot(s.value(v, j, 0), s.value(v, j, 1))
		roll := 0.0
		if near(a, &l, k.at[i]) {
			q, _ := s.states[a.at[l]].Attitude()
			_, _, roll = axes.ToEuler(q)
		}
		if climb > 2 && climb > 0.3*along || math.Abs(roll) > 0.7 && along > 8 {
			n++
		}
	}
	return n
}

func series(x consistency.Sides) *report.Series {
	title := words(string(x.Group))
	if x.Component != "" {
		title += " " + x.Component
	}
	for i := range x.Time {
		if v := x.Time[i] + x.Given[i] + x.Should[i]; v-v != 0 { // no JSON holds what is not finite
			return nil
		}
	}
	return &report.Series{Title: title, Unit: x.Unit, GivenIs: x.GivenIs, ShouldIs: x.ShouldIs, Time: x.Time, Given: x.Given, Should: x.Should}
}

func words(id string) string { return strings.ReplaceAll(id, "_", " ") }

// expected is what a family of rules holds.
func expected(family string) string {
	switch family {
	case "turning":
		return "the attitude turns as the angular velocity says"
	case "force":
		return "specific force is the change of velocity without gravity; 0, 0, -9.81 m/s² at rest and level"
	case "velocity":
		return "the position changes as the velocity says, and velocity in body and earth axes agree"
	case "air":
		return "airspeed and angles of the air are those of velocity, attitude and a steady wind"
	case "heading":
		return "yaw counted from north, clockwise"
	case "ground":
		return "on_ground only while the vehicle stands on the ground"
	}
	return "source_time_ns counts nanoseconds"
}
