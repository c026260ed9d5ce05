package report

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// plain makes one line of a text from anywhere: an adapter's name and what it says may hold anything. Line ends become
// blanks; control characters, those that change the direction of writing, and what XML cannot hold become U+FFFD.
func plain(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "\uFFFD")), " ")
	return strings.Map(func(c rune) rune {
		if unicode.IsControl(c) || unicode.Is(unicode.Bidi_Control, c) || unicode.Is(unicode.Noncharacter_Code_Point, c) {
			return '\uFFFD'
		}
		return c
	}, s)
}

// plain is the report with each of its texts made plain: what every form is written from.
func (r *Report) plain() *Report {
	out := *r
	out.Subject, out.Problem, out.Outside = plain(r.Subject), plain(r.Problem), plain(r.Outside)
	out.Checks = slices.Clone(r.Checks)
	for i := range out.Checks {
		c := &out.Checks[i]
		for _, s := range []*string{&c.ID, &c.Title, &c.Measured, &c.Expected, &c.Needs} {
			*s = plain(*s)
		}
		if c.Diagnosis != nil {
			d := c.Diagnosis.plain()
			c.Diagnosis = &d
		}
		if c.Series != nil {
			s := *c.Series
			s.Title, s.Unit, s.GivenIs, s.ShouldIs = plain(s.Title), plain(s.Unit), plain(s.GivenIs), plain(s.ShouldIs)
			c.Series = &s
		}
	}
	return &out
}

func (d Diagnosis) plain() Diagnosis {
	d.Signal, d.Component, d.Kind, d.Detail = plain(d.Signal), plain(d.Component), plain(d.Kind), plain(d.Detail)
	d.Alternatives = slices.Clone(d.Alternatives)
	for i, a := range d.Alternatives {
		d.Alternatives[i] = a.plain()
	}
	return d
}

// capital begins a sentence.
func capital(s string) string {
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(s[:n]) + s[n:]
}

// named is what was judged, in a line.
func (r *Report) named() string {
	if r.Subject == "" {
		return "it"
	}
	return r.Subject
}

// counts says how many checks had which outcome.
func (r *Report) counts() string {
	var out []string
	left := len(r.sort().outside)
	for _, o := range []struct {
		outcome Outcome
		word    string
	}{{Pass, "passed"}, {Fail, "failed"}, {Warn, "to be looked at"}, {NotCheckable, "not checkable"}} {
		n := r.Count(o.outcome)
		if o.outcome == NotCheckable {
			n -= left
		}
		if n > 0 {
			out = append(out, fmt.Sprintf("%d %s", n, o.word))
		}
	}
	if left > 0 {
		out = append(out, fmt.Sprintf("%d left out", left))
	}
	if len(out) == 0 {
		return "nothing was checked"
	}
	return strings.Join(out, ", ")
}

// wanting is what is missing to try some checks.
type wanting struct {
	Needs string
	IDs   []string
}

// sorted are a report's checks by what a reader does with them.
type sorted struct {
	failed, warned, passed []*Result
	missing                []wanting // promised and not checkable, by what they need
	outside                []string  // ids of what was neither promised nor checkable
}

func (r *Report) sort() (out sorted) {
	for i := range r.Checks {
		c := &r.Checks[i]
		switch {
		case c.Outcome == Fail:
			out.failed = append(out.failed, c)
		case c.Outcome == Warn:
			out.warned = append(out.warned, c)
		case c.Outcome == Pass:
			out.passed = append(out.passed, c)
		case c.Unclaimed:
			out.outside = append(out.outside, c.ID)
		default:
			at := slices.IndexFunc(out.missing, func(w wanting) bool { return w.Needs == c.Needs })
			if at < 0 {
				at = len(out.missing)
				out.missing = append(out.missing, wanting{Needs: c.Needs})
			}
			out.missing[at].IDs = append(out.missing[at].IDs, c.ID)
		}
	}
	return out
}

// outside is how checks are called that were neither checkable nor promised.
func (r *Report) outside() string {
	if r.Outside != "" {
		return r.Outside
	}
	return "not for this suite to see, try them by hand"
}

// headline says in a line what is wrong: the diagnosis, or what was measured.
func (c *Result) headline() string {
	for _, s := range []string{c.Diagnosis.headline(), c.Measured, c.Needs} {
		if s != "" {
			return s
		}
	}
	return c.Title
}

// headline names the signal and says what is wrong with it; "" without a diagnosis.
func (d *Diagnosis) headline() string {
	if d == nil {
		return ""
	}
	what := strings.TrimSpace(strings.ReplaceAll(d.Signal, "_", " ") + " " + d.Component)
	detail := d.Detail
	if detail == "" {
		detail = d.Kind
	}
	if what == "" || detail == "" {
		return what + detail
	}
	return what + ": " + detail
}

// Correction says what makes the given values right, an equation for each component that changes, such as
// "q = -1 × given q"; or in one line, where all of it is multiplied. It is empty where Scale and Matrix do not say.
func (d *Diagnosis) Correction() []string {
	if d.Scale == 0 {
		return nil
	}
	m := d.Matrix
	if len(m) != 9 {
		m = []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}
	}
	if slices.Equal(m, []float64{m[0], 0, 0, 0, m[0], 0, 0, 0, m[0]}) {
		if k := m[0] * d.Scale; k != 1 {
			return []string{fmt.Sprintf("multiply by %.6g", k)}
		}
		return nil
	}
	names := d.components()
	var out []string
	for row := range 3 {
		var b strings.Builder
		for column := range 3 {
			k := m[3*row+column] * d.Scale
			if k == 0 {
				continue
			}
			switch {
			case b.Len() > 0 && k < 0:
				b.WriteString(" - ")
				k = -k
			case b.Len() > 0:
				b.WriteString(" + ")
			}
			if k != 1 {
				fmt.Fprintf(&b, "%.6g × ", k)
			}
			b.WriteString("given " + names[column])
		}
		if b.Len() == 0 {
			b.WriteString("0")
		}
		if b.String() != "given "+names[row] {
			out = append(out, names[row]+" = "+b.String())
		}
	}
	return out
}

// correction is the Correction, unless Detail says it already.
func (d *Diagnosis) correction() []string {
	lines := d.Correction()
	if len(lines) == 1 {
		if by, all := strings.CutPrefix(lines[0], "multiply by "); all && strings.Contains(d.Detail, by) {
			return nil
		}
	}
	return lines
}

// components are the names of the three numbers that a matrix works on.
func (d *Diagnosis) components() [3]string {
	earth, body := [3]string{"north", "east", "down"}, [3]string{"x", "y", "z"}
	switch d.Signal {
	case "angular_velocity":
		return [3]string{"p", "q", "r"}
	case "specific_force":
		return body
	case "position":
		return earth
	case "attitude":
		return [3]string{"roll", "pitch", "yaw"}
	}
	for _, names := range [][3]string{earth, body} {
		if slices.Contains(names[:], d.Component) {
			return names
		}
	}
	switch { // a velocity may be in either axes, and then the words tell
	case strings.Contains(d.Detail, "north"):
		return earth
	case strings.Contains(d.Detail, "forward"):
		return body
	}
	return [3]string{"1st", "2nd", "3rd"}
}
