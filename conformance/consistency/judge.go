package consistency

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// Mistake is a change that makes a recording agree with itself, and what else would.
type Mistake struct {
	Change
	Relations    []string // ids of the relations that it mends
	Votes, Of    int      // spans that it mends, of those in which it would show
	Alternatives []Change // what the data cannot tell from it
}

// Shown is a component of a relation, and whether the recording shows it right.
type Shown struct {
	Relation, Title, Component string
	Group                      Group
	Votes, Of                  int  // spans that show it right, of those in which its sign would matter
	Right                      bool // shown right; else there was too little motion to tell
}

// Unexplained is a relation that does not hold, and no single mistake that is known explains it.
type Unexplained struct {
	Relation, Title string
	Groups          []Group
	Bad, Of         int
}

// Result is what a recording shows.
type Result struct {
	Mistakes    []Mistake
	Unexplained []Unexplained
}

// trial is one relation on one recording: its spans, and what they gave as the recording stands.
type trial struct {
	relation
	spans []span
	null  []gauge
	noise float64 // the share of the tolerances that noise really takes
	quiet float64 // how near the sides come at best, in tolerances
}

const (
	mostSpans = 160 // bounds the work
	fewSpans  = 32  // are enough to see that a change mends nothing
)

func (r relation) try(f *flight) *trial {
	t := &trial{relation: r, spans: r.spans(f), noise: 1, quiet: 1}
	t.null = t.measure(f, 1, len(t.spans))
	order := make([]int, len(t.spans))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(t.null[b].motion, t.null[a].motion) })
	// Those with the most motion come first, and between them some that are spaced evenly.
	taken := make([]bool, len(order))
	var spans []span
	var null []gauge
	take := func(i int) {
		if !taken[i] {
			taken[i] = true
			spans, null = append(spans, t.spans[i]), append(null, t.null[i])
		}
	}
	for k := 0; k < len(order) && len(spans) < mostSpans; k++ {
		take(order[k])
		if k%3 == 2 {
			take(k * 37 % len(order))
		}
	}
	t.spans, t.null = spans, null
	return t
}

// measure gauges a flight over the first of the trial's spans, whose times are multiplied by clock.
func (t *trial) measure(f *flight, clock float64, first int) []gauge {
	out := make([]gauge, min(first, len(t.spans)))
	if t.prepare != nil {
		f = t.prepare(f)
	}
	for i, s := range t.spans[:len(out)] {
		out[i] = t.gauge(f, span{s.from * clock, s.to * clock})
	}
	if f.windy && t.id == "track" {
		steady(out, t.spans)
	}
	return out
}

// typical is the median of how far apart the sides are, in tolerances, over the half of the spans that move most.
func typical(of []gauge) float64 {
	var moving []float64
	for _, g := range of {
		if g.tolerance > 0 {
			moving = append(moving, g.motion)
		}
	}
	if len(moving) == 0 {
		return 1
	}
	least := median(moving)
	var ratios []float64
	for _, g := range of {
		if g.tolerance > 0 && g.motion >= least {
			ratios = append(ratios, length(g.apart)/g.tolerance)
		}
	}
	return median(ratios)
}

// poll counts the spans in which two readings of a recording differ by more than noise can, and in how many of them the
// second is nearer.
func (t *trial) poll(a, b []gauge) (votes, of int) {
	for i := range min(len(a), len(b)) {
		if a[i].tolerance == 0 || b[i].tolerance == 0 {
			continue
		}
		tolerance := t.noise * max(a[i].tolerance, b[i].tolerance)
		if length(r3.Sub(a[i].apart, b[i].apart)) > 2*tolerance {
			of++
			if length(b[i].apart) < length(a[i].apart) {
				votes++
			}
		}
	}
	return votes, of
}

// decisive says whether so many votes cannot be chance. Where the first reading is right, noise exceeds its tolerance in
// at most one span in twenty, so the second gets a vote with a probability of at most 0.05. Below a probability of 1e-4 for
// what was counted, and with four votes in five, it is decided; spans do not overlap and are taken as independent.
func decisive(votes, of int) bool {
	if of < 4 || float64(votes) < 0.8*float64(of) {
		return false
	}
	p, term := 0.0, math.Pow(0.95, float64(of)) // binomial tail, from no vote upwards
	for k := range of + 1 {
		if k >= votes {
			p += term
		}
		term *= float64(of-k) / float64(k+1) * 0.05 / 0.95
	}
	return p < 1e-4
}

// reading is a change with what it makes of each relation; nil where it does not touch it.
type reading struct {
	Change
	gauges    [][]gauge
	votes, of int
	score     float64
	mends     []string
}

// Judge looks for what is wrong in a recording, one mistake after the other.
func Judge(states []vehicle.State) Result {
	f := newFlight(states)
	var out Result
	for _, look := range []func(*flight) *Mistake{clock, wrapped, degrees} {
		if m := look(f); m != nil {
			out.Mistakes = append(out.Mistakes, *m)
			f = m.apply(f)
		}
	}
	for range 4 {
		m := find(f)
		if m == nil {
			break
		}
		out.Mistakes = append(out.Mistakes, *m)
		f = m.apply(f)
	}
	if m := grounded(f); m != nil {
		out.Mistakes = append(out.Mistakes, *m)
	}
	for _, r := range relations() {
		t := r.try(f)
		if len(t.spans) == 0 {
			continue
		}
		t.noise = max(r.least, min(1, 3*typical(t.null)))
		if u := t.unexplained(); u != nil {
			out.Unexplained = append(out.Unexplained, *u)
		}
	}
	return out
}

// find names the change that explains most.
func find(f *flight) *Mistake {
	var trials []*trial
	for _, r := range relations() {
		if t := r.try(f); len(t.spans) > 0 {
			trials = append(trials, t)
		}
	}
	for _, t := range trials {
		t.noise = t.least
	}
	still := stuck(f, trials) // believed unless something explains all: what turns evenly and level stands still too
	few := f.around(trials)
	changes := catalogue(f)
	var kept []reading
	screen := func(changes []Change) {
		screened := make([]reading, len(changes))
		for k, c := range changes {
			screened[k] = read(few, c, trials, fewSpans)
		}
		for i, t := range trials {
			best := min(t.quiet, typical(t.null))
			for _, r := range screened {
				if r.gauges[i] != nil {
					best = min(best, typical(r.gauges[i]))
				}
			}
			t.quiet, t.noise = best, max(t.least, min(1, 3*best))
		}
		for _, r := range screened {
			votes, of := 0, 0
			for i, t := range trials {
				if r.gauges[i] != nil {
					v, n := t.poll(t.null, r.gauges[i])
					votes, of = votes+v, of+n
				}
			}
			if of > 0 && (of < 4 || 2*votes >= of) || r.Kind == Sign && r.Component != "" {
				kept = append(kept, read(f, r.Change, trials, mostSpans))
			}
		}
	}
	screen(changes)
	if slices.ContainsFunc(trials, (*trial).uneasy) {
		few = f
		screen(delays(f))
	}
	standing := score(trials, nil)
	var candidates []*reading
	for k := range kept {
		r := &kept[k]
		for i, t := range trials {
			if r.gauges[i] == nil {
				continue
			}
			votes, of := t.poll(t.null, r.gauges[i])
			r.votes, r.of = r.votes+votes, r.of+of
			if decisive(votes, of) {
				r.mends = append(r.mends, t.id)
			}
		}
		r.score = score(trials, r.gauges)
		if !decisive(r.votes, r.of) || len(r.mends) == 0 || r.assumed(trials) {
			continue
		}
		if r.score < 0.8*standing {
			candidates = append(candidates, r)
		}
	}
	if len(candidates) == 0 {
		return still
	}
	best := candidates[0]
	for _, c := range candidates[1:] {
		if c.score < best.score {
			best = c
		}
	}
	if still != nil && best.score > 0.2*standing {
		return still
	}
	// Of those that the data cannot tell from the best, the least far-fetched is named.
	var even []*reading
	for k := range kept {
		c := &kept[k]
		if c == best || c.score < min(1.5*best.score+0.02, 0.97*standing) && !told(trials, c, best) {
			even = append(even, c)
		}
	}
	slices.SortStableFunc(even, func(a, b *reading) int {
		switch d := a.cost + 2*a.score - b.cost - 2*b.score; {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	m := &Mistake{Change: even[0].Change, Relations: even[0].mends, Votes: even[0].votes, Of: even[0].of}
	for _, c := range even[1:] {
		if c.cost <= m.cost+1.2 && len(m.Alternatives) < 5 {
			m.Alternatives = append(m.Alternatives, c.Change)
		}
	}
	return m
}

// uneasy says whether noise would have to be large for the relation to hold as it stands.
func (t *trial) uneasy() bool {
	bad, of := 0, 0
	for _, g := range t.null {
		if g.tolerance > 0 {
			of++
			if length(g.apart) > t.least*g.tolerance {
				bad++
			}
		}
	}
	return bad >= 4 && 20*bad > of
}

// around is the flight with only the samples that the first spans of the trials need.
func (f *flight) around(trials []*trial) *flight {
	var spans []span
	for _, t := range trials {
		spans = append(spans, t.spans[:min(fewSpans, len(t.spans))]...)
	}
	slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	var wanted []span
	for _, s := range spans {
		if n := len(wanted); n > 0 && s.from <= wanted[n-1].to {
			wanted[n-1].to = max(wanted[n-1].to, s.to)
		} else {
			wanted = append(wanted, s)
		}
	}
	return f.with(func(g *flight) {
		g.attitude, g.rates, g.force = f.attitude.only(wanted), f.rates.only(wanted), f.force.only(wanted)
		g.earth, g.body, g.position = f.earth.only(wanted), f.body.only(wanted), f.position.only(wanted)
	})
}

func read(f *flight, c Change, trials []*trial, first int) reading {
	r := reading{Change: c, gauges: make([][]gauge, len(trials))}
	var changed *flight
	for i, t := range trials {
		if !t.about(c.Group) {
			continue
		}
		if changed == nil {
			changed = c.apply(f)
		}
		clock := c.clock
		if clock == 0 {
			clock = 1
		}
		r.gauges[i] = t.measure(changed, clock, first)
	}
	return r
}

// assumed says that a change mends only what holds for a vehicle that hardly accelerates, and that this one does: more than
// one span in five is beyond the tolerance after the change too.
func (r *reading) assumed(trials []*trial) bool {
	for i, t := range trials {
		if !slices.Contains(r.mends, t.id) {
			continue
		}
		if !t.assumes {
			return false
		}
		bad, of := 0, 0
		for _, g := range r.gauges[i] {
			if g.tolerance > 0 {
				of++
				if length(g.apart) > g.tolerance {
					bad++
				}
			}
		}
		if 5*bad <= of {
			return false
		}
	}
	return true
}

// told says whether the data tell two readings apart, in favour of the second: all relations together, or any of those
// that it mends by itself.
func told(trials []*trial, a, b *reading) bool {
	votes, of := 0, 0
	for i, t := range trials {
		x, y := a.gauges[i], b.gauges[i]
		if x == nil {
			x = t.null
		}
		if y == nil {
			y = t.null
		}
		v, n := t.poll(x, y)
		if slices.Contains(b.mends, t.id) && decisive(v, n) {
			return true
		}
		votes, of = votes+v, of+n
	}
	return decisive(votes, of)
}

// score is how badly the relations hold, from 0 to 1: the mean over relations and their moving spans of how far apart the
// sides are, in tolerances, squared and bounded.
func score(trials []*trial, gauges [][]gauge) float64 {
	sum := 0.0
	for i, t := range trials {
		of := t.null
		if gauges != nil && gauges[i] != nil {
			of = gauges[i]
		}
		bad, n := 0.0, 0.0
		for k, g := range of {
			if t.null[k].tolerance == 0 {
				continue
			}
			weight := min(4, t.null[k].motion)
			n += weight
			if g.tolerance == 0 {
				bad += weight
				continue
			}
			x := length(g.apart) / (t.noise * g.tolerance)
			bad += weight * min(1, x*x/9)
		}
		if n > 0 {
			sum += bad / n
		}
	}
	return sum / float64(max(1, len(trials)))
}

// steady takes a constant difference of velocity out of the gauges.
func steady(of []gauge, spans []span) {
	var x, y, z []float64
	for i, g := range of {
		if g.tolerance > 0 {
			d := r3.Scale(1/(spans[i].to-spans[i].from), g.apart)
			x, y, z = append(x, d.X), append(y, d.Y), append(z, d.Z)
		}
	}
	if len(x) == 0 {
		return
	}
	wind := r3.Vec{X: median(x), Y: median(y), Z: median(z)}
	for i := range of {
		of[i].apart = r3.Sub(of[i].apart, r3.Scale(spans[i].to-spans[i].from, wind))
	}
}

// delays are the changes that move one group in time. Below 8 Hz nothing is said of delays: undersampling looks alike.
func delays(f *flight) []Change {
	var out []Change
	for _, g := range []struct {
		group Group
		dt    float64
	}{{AngularVelocity, f.rates.dt}, {SpecificForce, f.force.dt}, {Velocity, f.over.dt}, {Position, f.position.dt}, {Attitude, f.attitude.dt}} {
		if !(g.dt < 0.125) {
			continue
		}
		for _, d := range []float64{0.04, 0.07, 0.1, 0.15, 0.2, 0.3, 0.5, 0.8, 1.3, 2} {
			for _, d := range []float64{d, -d} {
				c := Change{Group: g.group, Kind: Delay, Delay: d, cost: 1.6, apply: func(f *flight) *flight { return f.late(g.group, d) }}
				if d < 0 {
					c.cost = 2
				}
				out = append(out, c)
			}
		}
	}
	return out
}

// unexplained says that a relation does not hold in a third of the spans that move most.
func (t *trial) unexplained() *Unexplained {
	u := Unexplained{Relation: t.id, Title: t.title, Groups: t.uses}
	for _, g := range t.null {
		if g.tolerance > 0 && g.motion > 1 {
			u.Of++
			if length(g.apart) > 1.5*g.tolerance {
				u.Bad++
			}
		}
	}
	if u.Of < 6 || 3*u.Bad < u.Of {
		return nil
	}
	return &u
}
