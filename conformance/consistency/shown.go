package consistency

// components are the signs that a relation can show, each as the change that would be wrong.
func (t *trial) components(f *flight) []Change {
	var out []Change
	for _, c := range catalogue(f) {
		if c.Kind == Sign && c.Component != "" && c.Group == t.uses[0] {
			out = append(out, c)
		}
	}
	return out
}

// shown says for each component whether the other sign would not do.
func (t *trial) shown(f *flight) []Shown {
	var out []Shown
	for _, c := range t.components(f) {
		wrong := t.measure(c.apply(f), 1, mostSpans)
		votes, of := t.poll(wrong, t.null)
		out = append(out, Shown{Relation: t.id, Title: t.title, Component: c.Component, Group: c.Group, Votes: votes, Of: of, Right: decisive(votes, of)})
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
