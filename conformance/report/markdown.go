package report

import (
	"cmp"
	"fmt"
	"io"
	"regexp"
	"strings"
)

// escapes are for what Markdown, or what web sites make of it, would not take for text.
var escapes = strings.NewReplacer(`\`, `\\`, "`", "\\`", "*", `\*`, "_", `\_`, "[", `\[`, "]", `\]`, "<", `\<`, ">", `\>`, "|", `\|`, "~", `\~`, "&", `\&`,
	"$", `\$`, "#", `\#`, "!", `\!`, "@", "@<!-- -->", "://", `:\//`, "www.", `www\.`)

// literal is a text of one line in Markdown, meaning nothing but itself.
func literal(s string) string { return escapes.Replace(s) }

var ticks = regexp.MustCompile("`+")

// fence is longer than any run of backticks in s, and than least.
func fence(s string, least int) string {
	for _, run := range ticks.FindAllString(s, -1) {
		least = max(least, len(run)+1)
	}
	return strings.Repeat("`", least)
}

// code is a word of a program in a line of Markdown.
func code(s string) string {
	f := fence(s, 1)
	if strings.Contains(s, "`") || s == "" {
		s = " " + s + " "
	}
	return f + s + f
}

func codes(ids []string) string {
	var out []string
	for _, id := range ids {
		out = append(out, code(id))
	}
	return strings.Join(out, ", ")
}

// icon is an outcome in a table.
func (o Outcome) icon() string {
	switch o {
	case Pass:
		return "✓ pass"
	case Fail:
		return "✗ **fail**"
	case Warn:
		return "! look at it"
	}
	return "– not checkable"
}

// Markdown writes the report as Markdown, for a summary or a comment of a CI server: the verdict, what is wrong and how to
// mend it, then all checks in a table. explain is the command that explains a check, without its id; it may be empty.
func (r *Report) Markdown(w io.Writer, explain string) error {
	r = r.plain()
	var b strings.Builder
	fmt.Fprintf(&b, "# %s %s\n\n%s.\n", literal(r.named()), r.Verdict.words(), capital(r.counts()))
	if r.Problem != "" {
		fmt.Fprintf(&b, "\n**The run ended early:** %s\n", literal(r.Problem))
	}
	s := r.sort()
	for _, part := range []struct {
		title  string
		checks []*Result
	}{{"What is wrong", s.failed}, {"To be looked at", s.warned}} {
		if len(part.checks) > 0 {
			fmt.Fprintf(&b, "\n## %s\n", part.title)
		}
		for _, c := range part.checks {
			c.markdown(&b, explain)
		}
	}
	if len(s.missing) > 0 && r.Problem == "" {
		b.WriteString("\n## Not checkable\n\n")
		for _, m := range s.missing {
			fmt.Fprintf(&b, "- %s: needs %s\n", codes(m.IDs), literal(m.Needs))
		}
	}
	if len(r.Checks) > 0 {
		b.WriteString("\n## All checks\n\n| check | | what it is about |\n| --- | --- | --- |\n")
	}
	for i := range r.Checks {
		c := &r.Checks[i]
		if c.Outcome == NotCheckable && c.Unclaimed {
			continue
		}
		fmt.Fprintf(&b, "| %s | %s | %s |\n", strings.ReplaceAll(code(c.ID), "|", `\|`), c.Outcome.icon(), literal(c.Title))
	}
	if len(s.outside) > 0 && r.Problem == "" {
		fmt.Fprintf(&b, "\n%s: %s\n", literal(capital(r.outside())), codes(s.outside))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (c *Result) markdown(b *strings.Builder, explain string) {
	fmt.Fprintf(b, "\n### %s: %s\n\n", code(c.ID), literal(c.Title))
	if c.Diagnosis != nil {
		fmt.Fprintf(b, "**%s**%s\n\n", literal(cmp.Or(c.Diagnosis.headline(), "wrong")), c.Diagnosis.mend())
		for i := range c.Diagnosis.Alternatives {
			a := &c.Diagnosis.Alternatives[i]
			fmt.Fprintf(b, "- or %s%s\n", literal(a.headline()), a.mend())
		}
	}
	line := func(what, s string) {
		if s != "" {
			fmt.Fprintf(b, "- %s: %s\n", what, literal(s))
		}
	}
	line("measured", c.Measured)
	line("expected", c.Expected)
	line("needs", c.Needs)
	if explain != "" {
		fmt.Fprintf(b, "- what this means: %s\n", code(explain+" "+c.ID))
	}
	if c.Series != nil {
		if drawn := c.Series.Plot(60, 8); drawn != "" {
			f := fence(drawn, 3)
			fmt.Fprintf(b, "\n%stext\n%s%s\n", f, drawn, f)
		}
	}
}

// mend says in Markdown what makes the given values right.
func (d *Diagnosis) mend() string {
	lines := d.correction()
	if len(lines) == 0 {
		return ""
	}
	return " – " + codes(lines)
}
