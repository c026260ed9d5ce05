package report

import (
	"fmt"
	"io"
	"strings"
)

// words are what a verdict is called in front of people.
func (v Verdict) words() string {
	switch v {
	case Conforms:
		return "conforms"
	case ConformsInPart:
		return "conforms in part: something could not be checked"
	case DoesNot:
		return "does not conform"
	}
	return "could not be judged"
}

// Write writes the report for people: a line when all is well, and what is wrong otherwise. explain is the command
// that explains a check, without its id, such as "perch conform controller --explain"; it may be empty.
func (r *Report) Write(w io.Writer, explain string) error {
	var b strings.Builder
	r = r.plain()
	s := r.sort()
	for i := range r.Checks {
		if c := &r.Checks[i]; c.Outcome == Fail || c.Outcome == Warn {
			c.write(&b, explain)
		}
	}
	if r.Problem == "" {
		for _, m := range s.missing {
			fmt.Fprintf(&b, "not checkable  %s\n      %-9s %s\n\n", strings.Join(m.IDs, ", "), "needs", m.Needs)
		}
	} else {
		fmt.Fprintf(&b, "the run ended early: %s\n", r.Problem)
	}
	fmt.Fprintf(&b, "%s %s (%s)\n", r.named(), r.Verdict.words(), r.counts())
	if len(s.outside) > 0 && r.Problem == "" {
		fmt.Fprintf(&b, "%s: %s\n", r.outside(), strings.Join(s.outside, ", "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// write writes what one check found.
func (c *Result) write(b *strings.Builder, explain string) {
	mark := "warn"
	if c.Outcome == Fail {
		mark = "FAIL"
	}
	fmt.Fprintf(b, "%s  %s: %s\n", mark, c.ID, c.Title)
	line := func(what, text string) {
		if text != "" {
			fmt.Fprintf(b, "      %-9s %s\n", what, text)
		}
	}
	line("measured", c.Measured)
	line("expected", c.Expected)
	line("needs", c.Needs)
	if c.Diagnosis != nil {
		line("diagnosis", c.Diagnosis.line())
		for i := range c.Diagnosis.Alternatives {
			line("or", c.Diagnosis.Alternatives[i].line())
		}
	}
	if c.Series != nil {
		for l := range strings.Lines(c.Series.Plot(60, 8)) {
			b.WriteString("      " + l)
		}
	}
	if explain != "" && c.Outcome == Fail {
		line("more", explain+" "+c.ID)
	}
	b.WriteByte('\n')
}

// String says the diagnosis in a line, with its alternatives.
func (d *Diagnosis) String() string {
	out := d.line()
	for i := range d.Alternatives {
		out += "; or " + d.Alternatives[i].String()
	}
	return out
}

// line says the diagnosis without its alternatives.
func (d *Diagnosis) line() string {
	var parts []string
	for _, p := range []string{d.Signal, d.Component, d.Kind} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	out := strings.Join(parts, ", ")
	if d.Detail != "" {
		if out != "" {
			out += ": "
		}
		out += d.Detail
	}
	if how := d.correction(); len(how) > 0 {
		out += " (" + strings.Join(how, ", ") + ")"
	}
	return out
}
