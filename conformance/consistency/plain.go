package consistency

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// clock compares the source's clock with the arrival of its states. Factors that no unit explains are told as they are.
func clock(f *flight) *Mistake {
	if m := rate(f); m != nil {
		return m
	}
	n := len(f.arrival.t)
	if n < 20 {
		return nil
	}
	// The slope between the first and the last quarter, by medians, since arrivals come late and in clumps.
	var slopes []float64
	for i := range n / 4 {
		j := n - 1 - n/4 + i
		if d := f.arrival.t[j] - f.arrival.t[i]; d > 0 {
			slopes = append(slopes, (f.arrival.v[j]-f.arrival.v[i])/d)
		}
	}
	span := f.arrival.v[n-1] - f.arrival.v[0]
	if len(slopes) == 0 || span < 2 {
		return nil
	}
	k := median(slopes)
	if k > 0.8 && k < 1.25 {
		return nil
	}
	if k <= 0 || math.IsInf(k, 0) {
		return nil
	}
	scale, detail := k, fmt.Sprintf("the source's clock runs %.3g times too fast", 1/k)
	for _, c := range clocks() {
		if math.Abs(k/c.Scale-1) < 0.15 {
			scale, detail = c.Scale, c.Detail
			break
		}
	}
	if k > 1 && scale == k {
		detail = fmt.Sprintf("the source's clock runs %.3g times too slow", k)
	}
	return &Mistake{Change: Change{Group: Clock, Kind: Time, Scale: scale, Detail: detail, apply: func(f *flight) *flight { return f.slower(scale) }}, Relations: []string{"arrival"}, Votes: len(slopes), Of: len(slopes)}
}

// rate finds a clock by which the states come at a rate that no source has.
func rate(f *flight) *Mistake {
	dt := min(f.attitude.dt, f.rates.dt, f.force.dt, f.over.dt, f.position.dt)
	if math.IsInf(dt, 1) || dt > 2e-4 && dt < 8 {
		return nil
	}
	for _, c := range clocks() {
		if by := dt * c.Scale; math.Abs(math.Log10(c.Scale)) > 2.5 && by > 2e-3 && by < 1 {
			return &Mistake{Change: c, Relations: []string{"rate"}, Votes: 1, Of: 1}
		}
	}
	return nil
}

// wrapped finds angles that are counted from 0 to a full turn.
func wrapped(f *flight) *Mistake {
	for _, a := range []struct {
		g Group
		s *series[float64]
	}{{Sideslip, &f.sideslip}, {AngleOfAttack, &f.attack}} {
		high := 0
		for _, v := range a.s.v {
			if v > 1.5*math.Pi && v <= 2*math.Pi+0.01 {
				high++
			}
		}
		if high >= 4 && high < len(a.s.v) {
			return &Mistake{Change: Change{Group: a.g, Kind: Wrap, Detail: "it jumps by 360 deg: angles run from -180 to 180 deg", apply: func(f *flight) *flight {
				unwrap := func(x float64) float64 { return math.Remainder(x, 2*math.Pi) }
				return f.with(func(h *flight) {
					if a.g == Sideslip {
						h.sideslip = f.sideslip.each(unwrap)
					} else {
						h.attack = f.attack.each(unwrap)
					}
				})
			}}, Relations: []string{"range"}, Votes: high, Of: len(a.s.v)}
		}
	}
	return nil
}

// grounded says whether a vehicle that says it stands on the ground flies, most of the time that it can be told.
func grounded(f *flight) *Mistake {
	flying, says := 0, 0
	for i, t := range f.ground.t {
		v, ok := vector(&f.over, t, gap(f.over.dt))
		q, turned := f.turned(t, gap(f.attitude.dt))
		roll := 0.0
		if turned {
			roll, _, _ = angles(q)
		}
		if ok && math.Abs(v.Z) > 2 && math.Abs(v.Z) > 0.3*math.Hypot(v.X, v.Y) || turned && ok && math.Abs(roll) > 0.7 && length(v) > 8 {
			flying++
			if f.ground.v[i] != 0 {
				says++
			}
		}
	}
	if flying < 10 || 2*says < flying {
		return nil
	}
	return &Mistake{Change: Change{Group: OnGround, Kind: Sign, Detail: "it says on the ground while the vehicle climbs, sinks or banks in flight", apply: func(f *flight) *flight {
		return f.with(func(g *flight) { g.ground = f.ground.each(func(x float64) float64 { return 1 - x }) })
	}}, Relations: []string{"ground"}, Votes: says, Of: flying}
}

// degrees finds angles in degrees that were taken for radians: the attitude then turns some 57 times as far as the angular
// velocity says, or as fast as its sampling can show.
func degrees(f *flight) *Mistake {
	var ratios, steps []float64
	for i := 1; i < len(f.attitude.t); i++ {
		dt := f.attitude.t[i] - f.attitude.t[i-1]
		w, ok := vector(&f.rates, f.attitude.t[i], gap(f.rates.dt))
		if !ok || dt > gap(f.attitude.dt) || length(w) < 0.1 || length(w)*dt > 0.7 {
			continue
		}
		step := length(log(quat.Mul(quat.Conj(f.attitude.v[i-1]), f.attitude.v[i])))
		ratios, steps = append(ratios, step/(length(w)*dt)), append(steps, step)
	}
	if len(ratios) < 12 || quantile(ratios, 0.2) < 12 && (median(steps) < 1.3 || median(ratios) < 4) || median(ratios) > 200 {
		return nil
	}
	m := &Mistake{Change: Change{Group: Attitude, Kind: Unit, Scale: math.Pi / 180, Matrix: &identity, Detail: "its angles look like degrees taken for radians: convert them first"},
		Relations: []string{"turning"}, Votes: len(ratios), Of: len(ratios)}
	m.apply = func(f *flight) *flight {
		right := f.with(func(g *flight) { g.attitude = fromDegrees(f.attitude) })
		if again := relations()[0].try(right); typical(again.null) < 0.7 {
			return right
		}
		return f.with(func(g *flight) { g.attitude = series[quat.Number]{dt: math.Inf(1)} }) // turned too far between samples to be undone
	}
	return m
}

// stuck finds a component that keeps one value while the others of its vector go on, in spans where a relation then fails.
func stuck(f *flight, trials []*trial) *Mistake {
	for _, s := range []struct {
		g     Group
		names [3]string
		of    *series[r3.Vec]
		drop  func(g *flight, without series[r3.Vec])
	}{
		{AngularVelocity, [3]string{"p", "q", "r"}, &f.rates, func(g *flight, s series[r3.Vec]) { g.rates = s }},
		{SpecificForce, [3]string{"x", "y", "z"}, &f.force, func(g *flight, s series[r3.Vec]) { g.force = s }},
		{Velocity, [3]string{"north", "east", "down"}, &f.earth, func(g *flight, s series[r3.Vec]) { g.earth = s }},
		{Velocity, [3]string{"x", "y", "z"}, &f.body, func(g *flight, s series[r3.Vec]) { g.body = s }},
		{Position, [3]string{"north", "east", "down"}, &f.position, func(g *flight, s series[r3.Vec]) { g.position = s }},
	} {
		for c, name := range s.names {
			still := stillest(s.of, c)
			if still.to-still.from < 3 {
				continue
			}
			votes, of, where := failing(trials, s.g, still, c)
			if votes < 4 || s.g != AngularVelocity && 2*votes < of {
				continue
			}
			drop := s.drop
			kept := s.of.without(still)
			return &Mistake{Change: Change{Group: s.g, Component: name, Kind: Stuck, Detail: fmt.Sprintf("%s does not change for %.0f s while the rest moves", name, still.to-still.from),
				apply: func(f *flight) *flight { return f.with(func(g *flight) { drop(g, kept) }) }}, Relations: where, Votes: votes, Of: of}
		}
	}
	for c, name := range [3]string{"roll", "pitch", "yaw"} {
		var e series[r3.Vec]
		for i, q := range f.attitude.v {
			roll, pitch, yaw := angles(q)
			e.add(f.attitude.t[i], r3.Vec{X: math.Round(roll * 1e5), Y: math.Round(pitch * 1e5), Z: math.Round(yaw * 1e5)})
		}
		still := stillest(&e, c)
		if still.to-still.from < 3 {
			continue
		}
		votes, of, where := failing(trials, Attitude, still, -1)
		if votes < 3 || 2*votes < of {
			continue
		}
		kept := f.attitude.without(still)
		return &Mistake{Change: Change{Group: Attitude, Component: name, Kind: Stuck, Detail: fmt.Sprintf("%s does not change for %.0f s while the rest moves", name, still.to-still.from),
			apply: func(f *flight) *flight { return f.with(func(g *flight) { g.attitude = kept }) }}, Relations: where, Votes: votes, Of: of}
	}
	return nil
}

// stillest is the longest piece in which a component keeps one value while one of the others does not.
func stillest(s *series[r3.Vec], c int) (longest span) {
	at := func(i int) float64 { return [3]float64{s.v[i].X, s.v[i].Y, s.v[i].Z}[c] }
	start, others := 0, false
	for i := 1; i < len(s.t); i++ {
		if at(i) != at(start) {
			start, others = i, false
			continue
		}
		others = others || s.v[i] != s.v[start]
		if others && i-start >= 8 && s.t[i]-s.t[start] > longest.to-longest.from {
			longest = span{s.t[start], s.t[i]}
		}
	}
	return longest
}

// failing counts the spans within a piece of time in which relations about a group do not hold. Of angular velocity, whose
// component c is suspected, those count in which most of the difference is about that axis.
func failing(trials []*trial, g Group, in span, c int) (bad, of int, where []string) {
	for _, t := range trials {
		if !t.about(g) {
			continue
		}
		here := 0
		for i, s := range t.spans {
			if t.null[i].tolerance == 0 || s.from < in.from || s.to > in.to || t.null[i].motion < 1.2 {
				continue
			}
			of++
			apart := t.null[i].apart
			if g == AngularVelocity {
				if along := math.Abs([3]float64{apart.X, apart.Y, apart.Z}[c]); along < 0.7*length(apart) {
					continue
				}
			}
			if length(apart) > t.noise*t.null[i].tolerance {
				here++
			}
		}
		if bad += here; here > 2 {
			where = append(where, t.id)
		}
	}
	return bad, of, where
}

func (s *series[T]) without(x span) series[T] {
	out := series[T]{dt: s.dt}
	for i, t := range s.t {
		if t < x.from || t > x.to {
			out.add(t, s.v[i])
		}
	}
	return out
}
