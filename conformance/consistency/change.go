package consistency

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Group is what can be wrong as a whole: a signal of the states table without its component.
type Group string

// The groups.
const (
	AngularVelocity Group = "angular_velocity"
	SpecificForce   Group = "specific_force"
	Velocity        Group = "velocity"
	Position        Group = "position"
	Attitude        Group = "attitude"
	Airspeed        Group = "airspeed"
	AngleOfAttack   Group = "angle_of_attack"
	Sideslip        Group = "sideslip"
	OnGround        Group = "on_ground"
	Clock           Group = "clock"
)

// Kind is what sort of mistake it is.
type Kind string

// The kinds.
const (
	Unit    Kind = "unit"
	Sign    Kind = "sign"
	Axis    Kind = "axis"
	Frame   Kind = "frame"
	Order   Kind = "order"
	Gravity Kind = "gravity"
	Time    Kind = "time"
	Delay   Kind = "delay"
	Stuck   Kind = "stuck"
	Wrap    Kind = "wrap"
	Offset  Kind = "offset"
)

// Matrix takes the components of a given vector to right ones, row by row. Of an attitude it takes roll, pitch, yaw.
type Matrix [9]float64

var identity = Matrix{1, 0, 0, 0, 1, 0, 0, 0, 1}

// Change is one thing that would make a recording right.
type Change struct {
	Group     Group
	Component string // "" for all of it
	Kind      Kind
	Detail    string  // in words
	Scale     float64 // what is given times Scale and Matrix is right; 0 where it is more than that
	Matrix    *Matrix
	Delay     float64 // s by which the group is late

	cost  float64 // how far-fetched it is; of two that explain the same, the cheaper is named
	apply func(*flight) *flight
	clock float64 // factor of the times, 0: none
}

func (m Matrix) times(v r3.Vec) r3.Vec {
	return r3.Vec{X: m[0]*v.X + m[1]*v.Y + m[2]*v.Z, Y: m[3]*v.X + m[4]*v.Y + m[5]*v.Z, Z: m[6]*v.X + m[7]*v.Y + m[8]*v.Z}
}

// unit is a unit that a source may give instead of the right one.
type unit struct {
	name  string
	scale float64 // right = scale * given
	cost  float64
}

// The definitions of the units are those of the SI brochure (2019) and NIST SP 811: 1 kn = 1852/3600 m/s, 1 ft = 0.3048 m,
// 1 mi = 1609.344 m, 1 g = 9.80665 m/s².
var (
	angleRates = []unit{{"deg/s", math.Pi / 180, 1}, {"rpm", math.Pi / 30, 1.2}, {"revolutions/s", 2 * math.Pi, 1.4}, {"mrad/s", 1e-3, 1.3}}
	speeds     = []unit{{"knots", 1852. / 3600, 1}, {"km/h", 1 / 3.6, 1}, {"ft/s", 0.3048, 1}, {"mph", 0.44704, 1.1}, {"ft/min", 0.3048 / 60, 1.2}, {"cm/s", 0.01, 1.2}, {"mm/s", 0.001, 1.4}}
	forces     = []unit{{"g", 9.80665, 1}, {"ft/s²", 0.3048, 1.1}, {"thousandths of g", 9.80665e-3, 1.2}, {"cm/s²", 0.01, 1.4}}
	lengths    = []unit{{"feet", 0.3048, 1}, {"km", 1000, 1.2}, {"cm", 0.01, 1.2}, {"mm", 0.001, 1.3}, {"nautical miles", 1852, 1.4}}
	angleUnits = []unit{{"degrees", math.Pi / 180, 1}}
)

// frames are the axes that vectors come in, as the matrix that takes them to forward, right, down (or north, east, down).
// left says that the source turns left-handed, so that angular velocities have the opposite sign besides.
type frame struct {
	name string
	m    Matrix
	left bool
}

var bodyFrames = []frame{
	{"forward, left, up axes (ISO 8855)", Matrix{1, 0, 0, 0, -1, 0, 0, 0, -1}, false},
	{"right, up, forward axes (left-handed)", Matrix{0, 0, 1, 1, 0, 0, 0, -1, 0}, true},
	{"right, up, back axes", Matrix{0, 0, -1, 1, 0, 0, 0, -1, 0}, false},
	{"right, forward, up axes", Matrix{0, 1, 0, 1, 0, 0, 0, 0, -1}, false},
}

var earthFrames = []frame{
	{"east, north, up axes", Matrix{0, 1, 0, 1, 0, 0, 0, 0, -1}, false},
	{"north, west, up axes", Matrix{1, 0, 0, 0, -1, 0, 0, 0, -1}, false},
	{"east, up, north axes (left-handed)", Matrix{0, 0, 1, 1, 0, 0, 0, -1, 0}, true},
	{"east, up, south axes", Matrix{0, 0, -1, 1, 0, 0, 0, -1, 0}, false},
}

var permutations = [6][3]int{{0, 1, 2}, {1, 0, 2}, {0, 2, 1}, {2, 1, 0}, {1, 2, 0}, {2, 0, 1}}

// signed is every way to exchange and mirror three axes, the identity aside: 47 of them.
func signed() []Matrix {
	var out []Matrix
	for _, p := range permutations {
		for s := range 8 {
			var m Matrix
			for row, column := range p {
				m[3*row+column] = 1
				if s>>row&1 == 1 {
					m[3*row+column] = -1
				}
			}
			if m != identity {
				out = append(out, m)
			}
		}
	}
	return out
}

// vectors gives the changes of a vector's axes and units.
func vectors(g Group, names [3]string, units []unit, frames []frame, axial bool, apply func(*flight, func(r3.Vec) r3.Vec) *flight) []Change {
	var out []Change
	add := func(c Change, m Matrix, scale float64) {
		c.Group, c.Scale, c.Matrix = g, scale, &m
		c.apply = func(f *flight) *flight {
			return apply(f, func(v r3.Vec) r3.Vec { return r3.Scale(scale, m.times(v)) })
		}
		out = append(out, c)
	}
	named := map[Matrix]bool{}
	for _, from := range frames {
		m := from.m
		if axial && from.left {
			for i := range m {
				m[i] = -m[i]
			}
		}
		named[m] = true
		add(Change{Kind: Frame, Detail: "it looks like " + from.name + ": declare them", cost: 2}, m, 1)
	}
	for _, m := range signed() {
		if named[m] {
			continue
		}
		c := describe(m, names)
		if axial && m == (Matrix{-1, 0, 0, 0, -1, 0, 0, 0, -1}) {
			c = Change{Kind: Frame, Detail: "all of it has the opposite sign, as from a left-handed source whose vectors alone were converted", cost: 2}
		}
		add(c, m, 1)
	}
	for _, u := range units {
		add(Change{Kind: Unit, Detail: fmt.Sprintf("it looks like %s: multiply by %.6g", u.name, u.scale), cost: u.cost}, identity, u.scale)
	}
	return out
}

// describe says what a signed exchange of axes is.
func describe(m Matrix, names [3]string) Change {
	var mirrored, moved []string
	for row := range 3 {
		for column := range 3 {
			if m[3*row+column] < 0 {
				mirrored = append(mirrored, names[row])
			}
			if m[3*row+column] != 0 && row != column {
				moved = append(moved, names[row])
			}
		}
	}
	switch {
	case len(moved) == 0 && len(mirrored) == 1:
		return Change{Kind: Sign, Component: mirrored[0], Detail: mirrored[0] + " has the wrong sign", cost: 1}
	case len(moved) == 0 && len(mirrored) == 3:
		return Change{Kind: Sign, Detail: "all of it has the opposite sign", cost: 1.5}
	case len(moved) == 0:
		return Change{Kind: Sign, Detail: mirrored[0] + " and " + mirrored[1] + " have the wrong sign", cost: 2.2}
	}
	c := Change{Kind: Axis, Detail: moved[0] + " and " + moved[1] + " look exchanged", cost: 1.6}
	if len(moved) == 3 {
		c = Change{Kind: Axis, Detail: "all three components look exchanged", cost: 2.4}
	}
	if len(mirrored) > 0 {
		c.Detail += fmt.Sprintf(", and %d of the signs wrong", len(mirrored))
		c.cost += 0.7 * float64(len(mirrored))
	}
	return c
}

func (f *flight) with(change func(*flight)) *flight {
	g := *f
	change(&g)
	g.over = g.velocity()
	return &g
}

// catalogue is every single mistake that is looked for in a flight that has these signals.
func catalogue(f *flight) []Change {
	var out []Change
	body := [3]string{"x", "y", "z"}
	if len(f.rates.t) > 0 {
		out = append(out, vectors(AngularVelocity, [3]string{"p", "q", "r"}, angleRates, bodyFrames, true, func(f *flight, to func(r3.Vec) r3.Vec) *flight {
			return f.with(func(g *flight) { g.rates = f.rates.each(to) })
		})...)
		if len(f.attitude.t) > 0 {
			out = append(out,
				Change{Group: AngularVelocity, Kind: Frame, cost: 1.8, Detail: "it looks like the rates of the Euler angles (roll', pitch', yaw'): turn them into body rates",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) { g.rates = withAttitude(f, f.rates, bodyRates) })
					}},
				Change{Group: AngularVelocity, Kind: Frame, cost: 1.8, Detail: "it seems to be in earth axes: turn it into body axes",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) { g.rates = withAttitude(f, f.rates, intoBody) })
					}})
		}
	}
	if len(f.force.t) > 0 {
		out = append(out, vectors(SpecificForce, body, forces, bodyFrames, false, func(f *flight, to func(r3.Vec) r3.Vec) *flight {
			return f.with(func(g *flight) { g.force = f.force.each(to) })
		})...)
		if len(f.attitude.t) == 0 {
			out = append(out, Change{Group: SpecificForce, Kind: Gravity, cost: 1.1, Detail: "gravity is missing: an accelerometer at rest and level gives (0, 0, -9.80665)",
				apply: func(f *flight) *flight {
					return f.with(func(g *flight) { g.force = f.force.each(func(v r3.Vec) r3.Vec { return r3.Sub(v, down) }) })
				}})
		}
		out = append(out, Change{Group: SpecificForce, Kind: Unit, cost: 1.7, Scale: 9.80665, Matrix: &Matrix{1, 0, 0, 0, 1, 0, 0, 0, -1}, Detail: "it looks like load factors in g, z positive upwards: multiply by 9.80665 and turn z round",
			apply: func(f *flight) *flight {
				return f.with(func(g *flight) {
					g.force = f.force.each(func(v r3.Vec) r3.Vec { return r3.Scale(gravity, r3.Vec{X: v.X, Y: v.Y, Z: -v.Z}) })
				})
			}})
		if len(f.attitude.t) > 0 {
			out = append(out,
				Change{Group: SpecificForce, Kind: Gravity, cost: 1.1, Detail: "gravity is missing: an accelerometer at rest and level gives (0, 0, -9.80665)",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) {
							g.force = withAttitude(f, f.force, func(q quat.Number, v r3.Vec) r3.Vec {
								return r3.Sub(v, rotate(quat.Conj(q), down))
							})
						})
					}},
				Change{Group: SpecificForce, Kind: Gravity, cost: 1.3, Detail: "gravity is counted twice, or was taken off with the wrong sign",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) {
							g.force = withAttitude(f, f.force, func(q quat.Number, v r3.Vec) r3.Vec {
								return r3.Add(v, rotate(quat.Conj(q), down))
							})
						})
					}},
				Change{Group: SpecificForce, Kind: Gravity, cost: 1.4, Detail: "gravity has the wrong sign in it: at rest and level it is (0, 0, -9.80665)",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) {
							g.force = withAttitude(f, f.force, func(q quat.Number, v r3.Vec) r3.Vec {
								return r3.Sub(v, r3.Scale(2, rotate(quat.Conj(q), down)))
							})
						})
					}},
				Change{Group: SpecificForce, Kind: Frame, cost: 1.8, Detail: "it seems to be in earth axes: turn it into body axes",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) { g.force = withAttitude(f, f.force, intoBody) })
					}},
				Change{Group: SpecificForce, Kind: Gravity, cost: 2.3, Detail: "it seems to be the acceleration in earth axes, without gravity: take gravity off and turn it into body axes",
					apply: func(f *flight) *flight {
						return f.with(func(g *flight) {
							g.force = withAttitude(f, f.force, func(q quat.Number, v r3.Vec) r3.Vec { return intoBody(q, r3.Sub(v, down)) })
						})
					}})
		}
	}
	if len(f.earth.t) > 0 {
		onEarth := func(f *flight, to func(r3.Vec) r3.Vec) *flight {
			return f.with(func(g *flight) { g.earth = f.earth.each(to) })
		}
		out = append(out, vectors(Velocity, [3]string{"north", "east", "down"}, speeds, earthFrames, false, onEarth)...)
		if len(f.attitude.t) > 0 && len(f.body.t) == 0 {
			out = append(out, Change{Group: Velocity, Kind: Frame, cost: 1.8, Detail: "it seems to be in body axes: give it as such, or turn it into earth axes",
				apply: func(f *flight) *flight {
					return f.with(func(g *flight) { g.earth = withAttitude(f, f.earth, rotate) })
				}})
		}
	}
	if len(f.body.t) > 0 {
		out = append(out, vectors(Velocity, body, speeds, bodyFrames, false, func(f *flight, to func(r3.Vec) r3.Vec) *flight {
			return f.with(func(g *flight) { g.body = f.body.each(to) })
		})...)
		if len(f.attitude.t) > 0 && len(f.earth.t) == 0 {
			out = append(out, Change{Group: Velocity, Kind: Frame, cost: 1.8, Detail: "it seems to be in earth axes: give it as such, or turn it into body axes",
				apply: func(f *flight) *flight {
					return f.with(func(g *flight) { g.earth, g.body = f.body, series[r3.Vec]{} })
				}})
		}
	}
	if len(f.position.t) > 0 {
		out = append(out, vectors(Position, [3]string{"north", "east", "down"}, lengths, earthFrames, false, func(f *flight, to func(r3.Vec) r3.Vec) *flight {
			return f.with(func(g *flight) { g.position = f.position.each(to) })
		})...)
		if (len(f.earth.t) > 0 || len(f.body.t) > 0) && !f.windy {
			out = append(out, Change{Group: Velocity, Kind: Frame, cost: 1.5, apply: func(f *flight) *flight { return f.with(func(g *flight) { g.windy = true }) },
				Detail: "it differs from the change of position by a constant: it may be relative to the air rather than to the ground"})
		}
	}
	if len(f.attitude.t) > 0 {
		out = append(out, attitudes()...)
	}
	scalar := func(g Group, of func(*flight) *series[float64], units []unit, mirror bool) {
		if len(of(f).t) == 0 {
			return
		}
		times := func(k float64) func(*flight) *flight {
			return func(f *flight) *flight {
				return f.with(func(h *flight) { *of(h) = of(f).each(func(x float64) float64 { return k * x }) })
			}
		}
		for _, u := range units {
			out = append(out, Change{Group: g, Kind: Unit, Scale: u.scale, cost: u.cost, Detail: fmt.Sprintf("it looks like %s: multiply by %.6g", u.name, u.scale), apply: times(u.scale)})
		}
		if mirror {
			out = append(out, Change{Group: g, Kind: Sign, Scale: -1, cost: 1, Detail: "it has the wrong sign", apply: times(-1)})
		}
	}
	scalar(Airspeed, func(f *flight) *series[float64] { return &f.airspeed }, speeds, false)
	scalar(AngleOfAttack, func(f *flight) *series[float64] { return &f.attack }, angleUnits, true)
	scalar(Sideslip, func(f *flight) *series[float64] { return &f.sideslip }, angleUnits, true)
	out = append(out, clocks()...)
	return out
}

// clocks are the units that a source time may be in by mistake.
func clocks() (out []Change) {
	for _, k := range []struct {
		factor, cost float64
		detail       string
	}{
		{1e3, 1, "the source's clock runs 1000 times too slow: milliseconds taken for seconds' thousandths, or the like"},
		{1e-3, 1, "the source's clock runs 1000 times too fast"},
		{1e6, 1.2, "the source's clock runs a million times too slow"}, {1e-6, 1.2, "the source's clock runs a million times too fast"},
		{1e9, 1.3, "the source's clock runs a thousand million times too slow"}, {1e-9, 1.3, "the source's clock runs a thousand million times too fast"},
		{2, 2, "the source's clock runs at half speed"}, {0.5, 2, "the source's clock runs at double speed"},
		{10, 1.6, "the source's clock runs 10 times too slow"}, {0.1, 1.6, "the source's clock runs 10 times too fast"},
		{60, 1.8, "the source's clock counts minutes as seconds"}, {100, 1.7, "the source's clock runs 100 times too slow"}, {0.01, 1.7, "the source's clock runs 100 times too fast"},
	} {
		out = append(out, Change{Group: Clock, Kind: Time, Scale: k.factor, Detail: k.detail, cost: k.cost + 0.5, clock: k.factor, apply: func(f *flight) *flight { return f.slower(k.factor) }})
	}
	return out
}

// slower is the flight with all its times multiplied.
func (f *flight) slower(k float64) *flight {
	return f.with(func(g *flight) {
		g.attitude, g.rates, g.force = f.attitude.slower(k), f.rates.slower(k), f.force.slower(k)
		g.earth, g.body, g.position = f.earth.slower(k), f.body.slower(k), f.position.slower(k)
		g.airspeed, g.attack, g.sideslip, g.ground = f.airspeed.slower(k), f.attack.slower(k), f.sideslip.slower(k), f.ground.slower(k)
		g.breaks = nil
		for _, t := range f.breaks {
			g.breaks = append(g.breaks, k*t)
		}
		g.length = k * f.length
	})
}

// late is the flight with one group's times moved back by d seconds.
func (f *flight) late(g Group, d float64) *flight {
	return f.with(func(h *flight) {
		switch g {
		case AngularVelocity:
			h.rates = f.rates.later(-d)
		case SpecificForce:
			h.force = f.force.later(-d)
		case Velocity:
			h.earth, h.body = f.earth.later(-d), f.body.later(-d)
		case Position:
			h.position = f.position.later(-d)
		case Attitude:
			h.attitude = f.attitude.later(-d)
		}
	})
}

const gravity = 9.80665 // m/s², standard (CGPM 1901)

var down = r3.Vec{Z: gravity}

func intoBody(q quat.Number, v r3.Vec) r3.Vec { return rotate(quat.Conj(q), v) }

// withAttitude changes each sample by the attitude at its time; samples without one are left out.
func withAttitude(f *flight, s series[r3.Vec], change func(quat.Number, r3.Vec) r3.Vec) series[r3.Vec] {
	g := gap(f.attitude.dt)
	var out series[r3.Vec]
	for i, t := range s.t {
		if q, ok := f.turned(t, g); ok {
			out.add(t, change(q, s.v[i]))
		}
	}
	out.dt = s.dt
	return out
}

// angles are roll, pitch, yaw of an attitude: intrinsic z-y-x, ISO 1151-1.
func angles(q quat.Number) (roll, pitch, yaw float64) {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	roll = math.Atan2(2*(w*x+y*z), 1-2*(x*x+y*y))
	pitch = math.Asin(max(-1, min(1, 2*(w*y-z*x))))
	yaw = math.Atan2(2*(w*z+x*y), 1-2*(y*y+z*z))
	return roll, pitch, yaw
}

func fromAngles(roll, pitch, yaw float64) quat.Number {
	return quat.Mul(quat.Mul(exp(r3.Vec{Z: yaw}), exp(r3.Vec{Y: pitch})), exp(r3.Vec{X: roll}))
}

// bodyRates turns rates of roll, pitch, yaw into body rates: p = roll' - yaw' sin pitch, q = pitch' cos roll + yaw' sin roll
// cos pitch, r = yaw' cos roll cos pitch - pitch' sin roll (Etkin 1972, ch. 5).
func bodyRates(q quat.Number, e r3.Vec) r3.Vec {
	roll, pitch, _ := angles(q)
	sr, cr, sp, cp := math.Sin(roll), math.Cos(roll), math.Sin(pitch), math.Cos(pitch)
	return r3.Vec{X: e.X - e.Z*sp, Y: e.Y*cr + e.Z*sr*cp, Z: e.Z*cr*cp - e.Y*sr}
}

// attitudes are the changes of an attitude.
func attitudes() []Change {
	var out []Change
	add := func(c Change, to func(quat.Number) quat.Number) {
		c.Group = Attitude
		c.apply = func(f *flight) *flight {
			return f.with(func(g *flight) { g.attitude = f.attitude.each(to) })
		}
		out = append(out, c)
	}
	// Three angles and three others give the same attitude; what becomes of them differs, and the one that moves on from
	// the sample before is meant.
	follow := func(c Change, to func(quat.Number) (quat.Number, quat.Number)) {
		c.Group = Attitude
		c.apply = func(f *flight) *flight {
			return f.with(func(g *flight) {
				last := one
				g.attitude = f.attitude.each(func(q quat.Number) quat.Number {
					a, b := to(q)
					if math.Abs(dot(a, last)) < 0.8 && math.Abs(dot(b, last)) > 0.9 { // by more than 74 deg, and by less than 52
						a = b
					}
					last = a
					return a
				})
			})
		}
		out = append(out, c)
	}
	add(Change{Kind: Frame, cost: 1.2, Detail: "it looks inverted, a rotation from earth to body: give its conjugate"}, quat.Conj)
	names := [3]string{"roll", "pitch", "yaw"}
	for _, m := range signed() {
		c := describe(m, names)
		if m[0] == 0 && m[4] == 0 && m[8] == 0 { // all three exchanged: an order of Euler angles, or of elements, looks like that sooner
			continue
		}
		if m == (Matrix{1, 0, 0, 0, -1, 0, 0, 0, -1}) {
			c = Change{Kind: Frame, Detail: "pitch and yaw have the wrong sign: it looks like forward, left, up axes over north, west, up axes", cost: 1.9}
		}
		c.Scale, c.Matrix = 1, &m
		follow(c, func(q quat.Number) (quat.Number, quat.Number) {
			roll, pitch, yaw := angles(q)
			a, b := m.times(r3.Vec{X: roll, Y: pitch, Z: yaw}), m.times(r3.Vec{X: roll + math.Pi, Y: math.Pi - pitch, Z: yaw + math.Pi})
			return fromAngles(a.X, a.Y, a.Z), fromAngles(b.X, b.Y, b.Z)
		})
	}
	for _, b := range []struct {
		name        string
		earth, body quat.Number
		cost        float64
	}{
		{"from forward, left, up axes into north, east, down axes", one, aboutX, 2},
		{"from forward, right, down axes into north, west, up axes", aboutX, one, 2},
		{"from forward, left, up axes into east, north, up axes", swapNE, aboutX, 1.9},
		{"from forward, right, down axes into east, north, up axes", swapNE, one, 2},
	} {
		add(Change{Kind: Frame, cost: b.cost, Detail: "it looks like a rotation " + b.name}, func(q quat.Number) quat.Number { return quat.Mul(quat.Mul(b.earth, q), b.body) })
	}
	add(Change{Kind: Order, cost: 1.2, Detail: "its elements look like x, y, z, w read as w, x, y, z"}, func(q quat.Number) quat.Number {
		return quat.Number{Real: q.Kmag, Imag: q.Real, Jmag: q.Imag, Kmag: q.Jmag}
	})
	add(Change{Kind: Order, cost: 1.4, Detail: "its elements look like w, x, y, z read as x, y, z, w"}, func(q quat.Number) quat.Number {
		return quat.Number{Real: q.Imag, Imag: q.Jmag, Jmag: q.Kmag, Kmag: q.Real}
	})
	for _, o := range []struct {
		name string
		axes [3]int // of the turns, first to last, intrinsic
		cost float64
	}{
		{"roll, pitch, yaw (x-y-z)", [3]int{0, 1, 2}, 1.5}, {"pitch, yaw, roll (y-z-x)", [3]int{1, 2, 0}, 1.8}, {"pitch, roll, yaw (y-x-z)", [3]int{1, 0, 2}, 1.8},
		{"yaw, roll, pitch (z-x-y)", [3]int{2, 0, 1}, 1.7}, {"roll, yaw, pitch (x-z-y)", [3]int{0, 2, 1}, 1.8},
	} {
		follow(Change{Kind: Order, cost: o.cost, Detail: "its angles look composed in the order " + o.name + " instead of yaw, pitch, roll (z-y-x)"}, func(q quat.Number) (quat.Number, quat.Number) {
			a := decompose(q, o.axes)
			b := [3]float64{a[0] + math.Pi, a[1] + math.Pi, a[2] + math.Pi}
			b[o.axes[1]] = math.Pi - a[o.axes[1]]
			return fromAngles(a[0], a[1], a[2]), fromAngles(b[0], b[1], b[2])
		})
	}
	for _, turn := range []struct {
		deg    float64
		detail string
	}{{90, "yaw is 90 deg too small: is it counted from east?"}, {-90, "yaw is 90 deg too large: is it counted from west?"}, {180, "yaw points backwards"}} {
		add(Change{Kind: Offset, Component: "yaw", cost: 1.5, Detail: turn.detail}, func(q quat.Number) quat.Number {
			return quat.Mul(exp(r3.Vec{Z: turn.deg * math.Pi / 180}), q)
		})
	}
	add(Change{Kind: Frame, Component: "yaw", cost: 1.7, Detail: "yaw looks counted counter-clockwise from east"}, func(q quat.Number) quat.Number {
		roll, pitch, yaw := angles(q)
		return fromAngles(roll, pitch, math.Pi/2-yaw)
	})
	return out
}

var (
	one    = quat.Number{Real: 1}
	aboutX = quat.Number{Imag: 1}                                    // half a turn about x: y and z mirrored
	swapNE = quat.Number{Imag: math.Sqrt2 / 2, Jmag: math.Sqrt2 / 2} // half a turn about north-east: north and east exchanged, down mirrored
	axisOf = [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}                       // roll, pitch, yaw turn about x, y, z
	parity = map[[3]int]float64{{0, 1, 2}: 1, {1, 2, 0}: 1, {2, 0, 1}: 1, {1, 0, 2}: -1, {0, 2, 1}: -1, {2, 1, 0}: -1}
)

// decompose gives the angles about x, y, z that make q when they are turned one after the other about the axes' order,
// intrinsically: q = turn(axes[0]) turn(axes[1]) turn(axes[2]). The middle one is within a quarter turn.
func decompose(q quat.Number, axes [3]int) [3]float64 {
	i, j, k := axes[0], axes[1], axes[2]
	e := parity[axes]
	column := func(c int) r3.Vec { return rotate(q, axisOf[c]) }
	at := func(v r3.Vec, r int) float64 { return [3]float64{v.X, v.Y, v.Z}[r] }
	ck := column(k)
	var a [3]float64
	a[j] = math.Asin(max(-1, min(1, e*at(ck, i))))
	a[i] = math.Atan2(-e*at(ck, j), at(ck, k))
	a[k] = math.Atan2(-e*at(column(j), i), at(column(i), i))
	return a
}

// fromDegrees undoes angles in degrees that were taken for radians: it follows roll, pitch, yaw from sample to sample by
// the nearest way and divides them. Where they turn by more than half a turn between samples it goes astray.
func fromDegrees(s series[quat.Number]) series[quat.Number] {
	out := series[quat.Number]{t: s.t, v: make([]quat.Number, len(s.v)), dt: s.dt}
	var last r3.Vec
	near := func(x, to float64) float64 { return x + 2*math.Pi*math.Round((to-x)/(2*math.Pi)) }
	for i, q := range s.v {
		roll, pitch, yaw := angles(q)
		a := r3.Vec{X: near(roll, last.X), Y: near(pitch, last.Y), Z: near(yaw, last.Z)}
		b := r3.Vec{X: near(roll+math.Pi, last.X), Y: near(math.Pi-pitch, last.Y), Z: near(yaw+math.Pi, last.Z)}
		if r3.Norm2(r3.Sub(b, last)) < r3.Norm2(r3.Sub(a, last)) {
			a = b
		}
		last = a
		k := math.Pi / 180
		out.v[i] = fromAngles(k*a.X, k*a.Y, k*a.Z)
	}
	return out
}
