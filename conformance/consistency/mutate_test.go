package consistency

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// mutation is a mistake that an author makes, done to a right recording.
type mutation struct {
	name  string
	group Group
	kind  Kind
	also  []Kind // kinds that say the same of the data
	scale float64
	m     *Matrix // what takes it back; nil: not compared
	make  func(s *vehicle.State, a quat.Number)
}

func eachVec(first vehicle.Signal, to func(v r3.Vec, a quat.Number) r3.Vec) func(*vehicle.State, quat.Number) {
	return func(s *vehicle.State, a quat.Number) {
		if v, ok := s.Vec(first); ok {
			s.PutVec(first, to(v, a))
		}
	}
}

func eachAttitude(to func(quat.Number) quat.Number) func(*vehicle.State, quat.Number) {
	return func(s *vehicle.State, _ quat.Number) {
		if q, ok := s.Attitude(); ok {
			s.PutAttitude(to(q))
		}
	}
}

func diag(x, y, z float64) Matrix { return Matrix{x, 0, 0, 0, y, 0, 0, 0, z} }

func mutations() []mutation {
	var out []mutation
	vec := func(name string, g Group, first vehicle.Signal, k Kind, scale float64, m Matrix, also ...Kind) {
		out = append(out, mutation{name: string(g) + " " + name, group: g, kind: k, also: also, scale: scale, m: &m,
			make: eachVec(first, func(v r3.Vec, _ quat.Number) r3.Vec {
				// the matrices here are orthogonal: the transpose takes right to given
				t := Matrix{m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]}
				return r3.Scale(1/scale, t.times(v))
			})})
	}
	for _, v := range []struct {
		g     Group
		first vehicle.Signal
		names [3]string
	}{{AngularVelocity, vehicle.AngularVelocityP, [3]string{"p", "q", "r"}}, {SpecificForce, vehicle.SpecificForceX, [3]string{"x", "y", "z"}},
		{Velocity, vehicle.VelocityN, [3]string{"n", "e", "d"}}, {Position, vehicle.PositionN, [3]string{"n", "e", "d"}}} {
		vec(v.names[0]+" mirrored", v.g, v.first, Sign, 1, diag(-1, 1, 1))
		vec(v.names[1]+" mirrored", v.g, v.first, Sign, 1, diag(1, -1, 1))
		vec(v.names[2]+" mirrored", v.g, v.first, Sign, 1, diag(1, 1, -1))
		vec("1 and 2 exchanged", v.g, v.first, Axis, 1, Matrix{0, 1, 0, 1, 0, 0, 0, 0, 1})
		vec("2 and 3 exchanged", v.g, v.first, Axis, 1, Matrix{1, 0, 0, 0, 0, 1, 0, 1, 0})
		vec("flu", v.g, v.first, Frame, 1, diag(1, -1, -1))
		if v.g == AngularVelocity {
			vec("opposite", v.g, v.first, Frame, 1, diag(-1, -1, -1), Sign)
			vec("left-handed", v.g, v.first, Frame, 1, Matrix{0, 0, -1, -1, 0, 0, 0, 1, 0})
		} else {
			vec("opposite", v.g, v.first, Sign, 1, diag(-1, -1, -1))
			vec("left-handed", v.g, v.first, Frame, 1, Matrix{0, 0, 1, 1, 0, 0, 0, -1, 0})
		}
		units := map[Group][]unit{AngularVelocity: angleRates[:3], SpecificForce: forces[:2], Velocity: speeds[:3], Position: lengths[:1]}[v.g]
		for _, u := range units {
			vec("in "+u.name, v.g, v.first, Unit, u.scale, identity)
		}
	}
	add := func(m mutation) { out = append(out, m) }
	add(mutation{name: "rates earth", group: AngularVelocity, kind: Frame, make: eachVec(vehicle.AngularVelocityP, func(v r3.Vec, a quat.Number) r3.Vec { return rotate(a, v) })})
	add(mutation{name: "euler rates", group: AngularVelocity, kind: Frame, make: eachVec(vehicle.AngularVelocityP, func(w r3.Vec, a quat.Number) r3.Vec {
		roll, pitch, _ := angles(a)
		sr, cr, tp, cp := math.Sin(roll), math.Cos(roll), math.Tan(pitch), math.Cos(pitch)
		return r3.Vec{X: w.X + w.Y*sr*tp + w.Z*cr*tp, Y: w.Y*cr - w.Z*sr, Z: (w.Y*sr + w.Z*cr) / cp}
	})})
	add(mutation{name: "no gravity", group: SpecificForce, kind: Gravity, make: eachVec(vehicle.SpecificForceX, func(v r3.Vec, a quat.Number) r3.Vec { return r3.Add(v, intoBody(a, down)) })})
	add(mutation{name: "gravity wrong sign", group: SpecificForce, kind: Gravity, make: eachVec(vehicle.SpecificForceX, func(v r3.Vec, a quat.Number) r3.Vec { return r3.Add(v, r3.Scale(2, intoBody(a, down))) })})
	add(mutation{name: "force earth", group: SpecificForce, kind: Frame, make: eachVec(vehicle.SpecificForceX, func(v r3.Vec, a quat.Number) r3.Vec { return rotate(a, v) })})
	add(mutation{name: "load factors", group: SpecificForce, kind: Unit, also: []Kind{Frame, Sign}, make: eachVec(vehicle.SpecificForceX, func(v r3.Vec, a quat.Number) r3.Vec {
		return r3.Scale(1/gravity, r3.Vec{X: v.X, Y: v.Y, Z: -v.Z})
	})})
	add(mutation{name: "velocity body", group: Velocity, kind: Frame, make: eachVec(vehicle.VelocityN, func(v r3.Vec, a quat.Number) r3.Vec { return intoBody(a, v) })})
	add(mutation{name: "air for ground", group: Velocity, kind: Frame, make: eachVec(vehicle.VelocityN, func(v r3.Vec, a quat.Number) r3.Vec { return r3.Sub(v, r3.Vec{X: 5, Y: -4}) })})
	add(mutation{name: "conjugate", group: Attitude, kind: Frame, make: eachAttitude(quat.Conj)})
	add(mutation{name: "roll mirrored", group: Attitude, kind: Sign, make: eachAttitude(func(q quat.Number) quat.Number { r, p, y := angles(q); return fromAngles(-r, p, y) })})
	add(mutation{name: "pitch mirrored", group: Attitude, kind: Sign, make: eachAttitude(func(q quat.Number) quat.Number { r, p, y := angles(q); return fromAngles(r, -p, y) })})
	add(mutation{name: "yaw mirrored", group: Attitude, kind: Sign, make: eachAttitude(func(q quat.Number) quat.Number { r, p, y := angles(q); return fromAngles(r, p, -y) })})
	add(mutation{name: "roll pitch exchanged", group: Attitude, kind: Axis, make: eachAttitude(func(q quat.Number) quat.Number { r, p, y := angles(q); return fromAngles(p, r, y) })})
	add(mutation{name: "attitude flu nwu", group: Attitude, kind: Frame, make: eachAttitude(func(q quat.Number) quat.Number { return quat.Mul(quat.Mul(aboutX, q), aboutX) })})
	add(mutation{name: "attitude flu enu", group: Attitude, kind: Frame, make: eachAttitude(func(q quat.Number) quat.Number { return quat.Mul(quat.Mul(swapNE, q), aboutX) })})
	add(mutation{name: "xyzw", group: Attitude, kind: Order, make: eachAttitude(func(q quat.Number) quat.Number {
		return quat.Number{Real: q.Imag, Imag: q.Jmag, Jmag: q.Kmag, Kmag: q.Real}
	})})
	for _, axes := range [][3]int{{0, 1, 2}, {1, 0, 2}, {2, 0, 1}} {
		add(mutation{name: "order " + string([]byte{'x' + byte(axes[0]), 'x' + byte(axes[1]), 'x' + byte(axes[2])}), group: Attitude, kind: Order, make: eachAttitude(func(q quat.Number) quat.Number {
			r, p, y := angles(q)
			a := [3]float64{r, p, y}
			out := one
			for _, k := range axes {
				out = quat.Mul(out, exp(r3.Scale(a[k], axisOf[k])))
			}
			return out
		})})
	}
	add(mutation{name: "angles in degrees", group: Attitude, kind: Unit, scale: math.Pi / 180, make: eachAttitude(func(q quat.Number) quat.Number {
		r, p, y := angles(q)
		k := 180 / math.Pi
		return fromAngles(k*r, k*p, k*y)
	})})
	add(mutation{name: "yaw from east", group: Attitude, kind: Offset, make: eachAttitude(func(q quat.Number) quat.Number { return quat.Mul(exp(r3.Vec{Z: -math.Pi / 2}), q) })})
	return out
}

// mutate does a mutation to a copy of a recording.
func mutate(f *flight, states []vehicle.State, m mutation) []vehicle.State {
	out := slices.Clone(states)
	g := gap(f.attitude.dt)
	start := states[0].SourceTime
	for i := range out {
		a, ok := f.turned(float64(out[i].SourceTime-start)*1e-9, g)
		if !ok {
			a, _ = out[i].Attitude()
			if a == (quat.Number{}) {
				a = one
			}
		}
		m.make(&out[i], a)
	}
	return out
}

// delayed moves one group in time by putting its values on later states.
func delayed(states []vehicle.State, signals []vehicle.Signal, d float64) []vehicle.State {
	var out []vehicle.State
	for i := range states {
		s := states[i]
		moved := vehicle.State{SourceTime: s.SourceTime + int64(d*1e9), ObservedAt: s.ObservedAt}
		for _, x := range signals {
			if v, ok := s.Value(x); ok {
				moved.Put(x, v)
				s.Present &^= vehicle.Set(0).With(x)
			}
		}
		out = append(out, s)
		if moved.Present != 0 {
			out = append(out, moved)
		}
	}
	slices.SortStableFunc(out, func(a, b vehicle.State) int { return int(min(1, max(-1, a.SourceTime-b.SourceTime))) })
	return out
}
