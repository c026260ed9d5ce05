package consistency

import (
	"math"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// Sides are the two sides of a relation over time, for one component of one signal.
type Sides struct {
	Relation, Title   string
	Group             Group
	Component, Unit   string
	GivenIs, ShouldIs string // where each side comes from, in words
	Time              []float64
	Given, Should     []float64
}

// What Evidence calls components that are shown right where several other ones are refused, all of them.
const (
	Heading = "heading" // of an attitude: the direction from which yaw is counted
	Turns   = "order"   // of an attitude: the order in which its angles are put together, and its elements stand
	Axes    = "axes"    // of an angular velocity: that it is about body axes, neither earth axes nor the rates of angles
)

// mostSides is how many points of time sides have at most.
const mostSides = 60

// Air says that the change is a velocity relative to the air, which a rider need not care about much.
func (c Change) Air() bool { return c.apply != nil && c.apply(&flight{}).windy }

// mended is a recording after the first n of its mistakes were mended.
func (r Result) mended(states []vehicle.State, n int) *flight {
	f := newFlight(states)
	for _, m := range r.Mistakes[:n] {
		f = m.apply(f)
	}
	return f
}

// Evidence says of each component of each signal whether the recording shows it right, once the mistakes that were found
// are mended: for every relation that it has a part in, whether the wrong sign would be refused. An airspeed is shown by
// what knots would make of it, what has many ways to be wrong by all of them.
func (r Result) Evidence(states []vehicle.State) []Shown {
	f := r.mended(states, len(r.Mistakes))
	var out []Shown
	changes := catalogue(f)
	for _, relation := range relations() {
		t := relation.try(f)
		if len(t.spans) == 0 {
			continue
		}
		t.noise = max(t.least, min(1, 3*typical(t.null)))
		several := []Shown{{Component: Heading, Group: Attitude}, {Component: Turns, Group: Attitude}, {Component: Axes, Group: AngularVelocity}}
		for _, c := range changes {
			scalar := c.Group == AngleOfAttack || c.Group == Sideslip
			wrong := c.Kind == Sign && (c.Component != "" || scalar) || c.Group == Airspeed && strings.Contains(c.Detail, "knots")
			var one *Shown
			switch {
			case c.Group == Attitude && c.Kind == Offset:
				one = &several[0]
			case c.Group == Attitude && c.Kind == Order:
				one = &several[1]
			case c.Group == AngularVelocity && c.Kind == Frame && c.Matrix == nil:
				one = &several[2]
			}
			if !wrong && one == nil || c.Group == Clock || !t.about(c.Group) {
				continue
			}
			votes, of := t.poll(t.measure(c.apply(f), 1, mostSpans), t.null)
			if one != nil {
				first := one.Title == ""
				one.Relation, one.Title = t.id, t.title
				if first || of < one.Of {
					one.Votes, one.Of = votes, of
				}
				one.Right = (first || one.Right) && decisive(votes, of)
				continue
			}
			out = append(out, Shown{Relation: t.id, Title: t.title, Component: c.Component, Group: c.Group, Votes: votes, Of: of, Right: decisive(votes, of)})
		}
		for _, one := range several {
			if one.Title != "" {
				out = append(out, one)
			}
		}
	}
	return out
}

// Sides gives the sides of the relation that a mistake breaks and that is the most about its signal, as they are before it
// is mended; false where the mistake is not one between two signals.
func (r Result) Sides(states []vehicle.State, mistake int) (Sides, bool) {
	m := r.Mistakes[mistake]
	if len(m.Relations) == 0 || m.Group == Clock {
		return Sides{}, false
	}
	best := m.Relations[0]
	for _, id := range m.Relations {
		if (m.Group == Velocity || m.Group == Position) && (id == "track" || id == "two_velocities") {
			best = id
			break
		}
	}
	return sides(r.mended(states, mistake), best, m.Group, m.Component)
}

// UnexplainedSides gives the sides of a relation that does not hold.
func (r Result) UnexplainedSides(states []vehicle.State, relation string) (Sides, bool) {
	return sides(r.mended(states, len(r.Mistakes)), relation, "", "")
}

var (
	bodyNames  = [3]string{"x", "y", "z"}
	earthNames = [3]string{"north", "east", "down"}
	rateNames  = [3]string{"p", "q", "r"}
	angleNames = [3]string{"roll", "pitch", "yaw"}
	airGroups  = [3]Group{Airspeed, AngleOfAttack, Sideslip}
)

func component(name string) int {
	for _, names := range [][3]string{bodyNames, earthNames, rateNames, angleNames} {
		for i, n := range names {
			if n == name {
				return i
			}
		}
	}
	return -1
}

// side is both sides of a relation over a span: its first signal, and what the others say of it.
type side func(f *flight, s span) (given, should r3.Vec, ok bool)

func sides(f *flight, id string, g Group, of string) (Sides, bool) {
	for _, r := range relations() {
		if r.id != id {
			continue
		}
		if r.prepare != nil {
			f = r.prepare(f)
		}
		out := Sides{Relation: id, Title: r.title, Group: r.uses[0]}
		names, which := bodyNames, component(of)
		var both side
		width := 0.0
		switch id {
		case "turning":
			both, names, out.Unit = turningSides, rateNames, "rad/s"
			out.GivenIs, out.ShouldIs = "angular velocity", "as the attitude turns"
		case "force":
			both, out.Unit, width = forceSides, "m/s²", max(0.4, 4*max(f.over.dt, f.force.dt, f.attitude.dt))
			out.GivenIs, out.ShouldIs = "specific force", "as velocity's change and gravity say"
		case "gravity":
			both, out.Unit = gravitySides, "m/s²"
			out.GivenIs, out.ShouldIs = "specific force", "gravity alone, by the attitude"
		case "rest":
			both, out.Unit = restSides, "m/s²"
			out.GivenIs, out.ShouldIs = "specific force", "gravity alone, level"
		case "track":
			body := len(f.earth.t) < 2 || g == Velocity && (of == "x" || of == "y" || of == "z")
			both, out.Unit = trackSides(body), "m/s"
			if !body {
				names = earthNames
			}
			out.GivenIs, out.ShouldIs = "velocity", "as the position changes"
		case "two_velocities":
			earth := of == "north" || of == "east" || of == "down"
			both, out.Unit = twoSides(earth), "m/s"
			out.GivenIs, out.ShouldIs = "velocity in body axes", "velocity in earth axes, turned by the attitude"
			if earth {
				names, out.GivenIs, out.ShouldIs = earthNames, "velocity in earth axes", "velocity in body axes, turned by the attitude"
			}
		case "air":
			both = airSides
			out.GivenIs, out.ShouldIs = "as given", "as velocity, attitude and a steady wind say"
		default:
			return Sides{}, false
		}
		spans := r.spans(f)
		if width > 0 {
			spans = cut(f, f.over.t, width)
		}
		var at []float64
		var given, should []r3.Vec
		for _, s := range spans {
			if a, b, ok := both(f, s); ok {
				at, given, should = append(at, (s.from+s.to)/2), append(given, a), append(should, b)
			}
		}
		if len(at) < 2 {
			return Sides{}, false
		}
		if id == "air" {
			which = -1
			for i, a := range airGroups {
				if a == g {
					which = i
				}
			}
		} else if g != r.uses[0] && g != Position && id != "turning" {
			which = -1 // an angle shows in more than one component of what it turns
		}
		if which < 0 {
			most := 0.0
			for c := range 3 {
				sum := 0.0
				for i := range at {
					sum += math.Abs(pick(given[i], c) - pick(should[i], c))
				}
				if which < 0 || sum > most {
					which, most = c, sum
				}
			}
		}
		from := window(given, should, which)
		to := min(from+mostSides, len(at))
		for i := from; i < to; i++ {
			out.Time, out.Given, out.Should = append(out.Time, at[i]), append(out.Given, pick(given[i], which)), append(out.Should, pick(should[i], which))
		}
		out.Component = names[which]
		if id == "air" {
			out.Group, out.Component = airGroups[which], ""
			out.Unit = [3]string{"m/s", "rad", "rad"}[which]
		}
		if g != "" && g != out.Group { // the other side is the wrong one
			out.Given, out.Should, out.GivenIs, out.ShouldIs = out.Should, out.Given, out.ShouldIs, out.GivenIs
		}
		return out, true
	}
	return Sides{}, false
}

func pick(v r3.Vec, c int) float64 { return [3]float64{v.X, v.Y, v.Z}[c] }

// window is where the sides begin to be most apart.
func window(given, should []r3.Vec, c int) int {
	best, at, sum := 0.0, 0, 0.0
	for i := range given {
		sum += math.Abs(pick(given[i], c) - pick(should[i], c))
		if i >= mostSides {
			sum -= math.Abs(pick(given[i-mostSides], c) - pick(should[i-mostSides], c))
		}
		if sum > best*1.02 {
			best, at = sum, max(0, i-mostSides+1)
		}
	}
	return at
}

// mean is a vector's mean over a span; turned, by the attitude in each piece, unless nil.
func mean(s *series[r3.Vec], x span, turned func(t float64) (quat.Number, bool)) (r3.Vec, bool) {
	var sum r3.Vec
	fine := true
	ok := through(s, x, gap(s.dt), func(from, to float64, a, b r3.Vec) {
		if turned != nil {
			qa, oka := turned(from)
			qb, okb := turned(to)
			fine = fine && oka && okb
			a, b = rotate(qa, a), rotate(qb, b)
		}
		sum = r3.Add(sum, r3.Scale((to-from)/2/(x.to-x.from), r3.Add(a, b)))
	})
	return sum, ok && fine
}

func (f *flight) attitudeAt(t float64) (quat.Number, bool) { return f.turned(t, gap(f.attitude.dt)) }

// slope is how fast a vector changes over a span.
func slope(s *series[r3.Vec], x span) (r3.Vec, bool) {
	a, oka := vector(s, x.from, gap(s.dt))
	b, okb := vector(s, x.to, gap(s.dt))
	return r3.Scale(1/(x.to-x.from), r3.Sub(b, a)), oka && okb
}

func turningSides(f *flight, s span) (given, should r3.Vec, ok bool) {
	a, oka := f.attitudeAt(s.from)
	b, okb := f.attitudeAt(s.to)
	given, ok = mean(&f.rates, s, nil)
	return given, r3.Scale(1/(s.to-s.from), log(quat.Mul(quat.Conj(a), b))), ok && oka && okb
}

func forceSides(f *flight, s span) (given, should r3.Vec, ok bool) {
	q, okq := f.attitudeAt((s.from + s.to) / 2)
	earth, oke := mean(&f.force, s, f.attitudeAt)
	change, okc := slope(&f.over, s)
	return intoBody(q, earth), intoBody(q, r3.Sub(change, down)), okq && oke && okc
}

func gravitySides(f *flight, s span) (given, should r3.Vec, ok bool) {
	q, okq := f.attitudeAt((s.from + s.to) / 2)
	earth, oke := mean(&f.force, s, f.attitudeAt)
	return intoBody(q, earth), intoBody(q, r3.Scale(-1, down)), okq && oke
}

func restSides(f *flight, s span) (given, should r3.Vec, ok bool) {
	given, ok = mean(&f.force, s, nil)
	return given, r3.Scale(-1, down), ok
}

func trackSides(body bool) side {
	return func(f *flight, s span) (given, should r3.Vec, ok bool) {
		given, okg := mean(&f.over, s, nil)
		should, oks := slope(&f.position, s)
		if !body {
			return given, should, okg && oks
		}
		q, okq := f.attitudeAt((s.from + s.to) / 2)
		return intoBody(q, given), intoBody(q, should), okg && oks && okq
	}
}

func twoSides(earth bool) side {
	return func(f *flight, s span) (given, should r3.Vec, ok bool) {
		q, okq := f.attitudeAt(s.from)
		b, okb := vector(&f.body, s.from, gap(f.body.dt))
		e, oke := vector(&f.earth, s.from, gap(f.earth.dt))
		if earth {
			return e, rotate(q, b), okq && okb && oke
		}
		return b, intoBody(q, e), okq && okb && oke
	}
}

func airSides(f *flight, s span) (given, should r3.Vec, ok bool) {
	v, ok := vector(&f.over, s.from, gap(f.over.dt))
	if !ok {
		return given, should, false
	}
	air := r3.Sub(v, f.wind)
	if x, ok := number(&f.airspeed, s.from, gap(f.airspeed.dt)); ok {
		given.X, should.X = x, length(air)
	}
	q, ok := f.attitudeAt(s.from)
	if b := intoBody(q, air); ok && b.X > 0.7*length(air) && length(air) > 3 {
		if x, ok := number(&f.attack, s.from, gap(f.attack.dt)); ok {
			given.Y, should.Y = x, math.Atan2(b.Z, b.X)
		}
		if x, ok := number(&f.sideslip, s.from, gap(f.sideslip.dt)); ok {
			given.Z, should.Z = x, math.Asin(b.Y/length(air))
		}
	}
	return given, should, true
}
