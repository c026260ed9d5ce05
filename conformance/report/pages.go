package report

import (
	"fmt"
	"io"
	"regexp"
	"strings"
)

// Page explains one check.
type Page struct {
	ID, Title, Doc string
}

// Chapter holds the pages of one suite.
type Chapter struct {
	Title string
	About string // a sentence or two
	Pages []Page
}

// Pages are those of a suite's checks.
func Pages[Subject any](checks []Check[Subject]) []Page {
	out := make([]Page, len(checks))
	for i, c := range checks {
		out[i] = Page{c.ID, c.Title, c.Doc}
	}
	return out
}

// Write writes a page as it is read in a terminal.
func (p Page) Write(w io.Writer) error {
	_, err := fmt.Fprintf(w, "%s: %s\n\n%s\n", p.ID, p.Title, p.Doc)
	return err
}

// lead is how a paragraph of a page begins that needs no empty line before it, such as "Usual mistakes:".
var lead = regexp.MustCompile(`^(Why|How|Usual|What|To mend)\b[a-z' ]*:( |$)`)

// paragraph is a part of a page, Lead being its first words.
type paragraph struct{ Lead, Text string }

// paragraphs takes a page's text apart.
func (p Page) paragraphs() []paragraph {
	var out []paragraph
	fresh := true
	for l := range strings.Lines(p.Doc) {
		l = strings.TrimSpace(l)
		begins := lead.FindString(l)
		switch {
		case l == "":
			fresh = true
			continue
		case begins != "":
			out = append(out, paragraph{strings.TrimSpace(begins), strings.TrimPrefix(l, begins)})
		case fresh:
			out = append(out, paragraph{"", l})
		default:
			last := &out[len(out)-1]
			last.Text = strings.TrimSpace(last.Text + " " + l)
		}
		fresh = false
	}
	return out
}

// WritePages writes all pages as one document in Markdown.
func WritePages(w io.Writer, title, about string, chapters []Chapter) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\n\n%s\n", literal(title), literal(about))
	met := map[string]int{} // of an id that two suites have, the second's link ends in -1
	for _, c := range chapters {
		fmt.Fprintf(&b, "\n- %s: ", literal(c.Title))
		for i, p := range c.Pages {
			if i > 0 {
				b.WriteString(", ")
			}
			link := p.ID
			if n := met[p.ID]; n > 0 {
				link = fmt.Sprintf("%s-%d", p.ID, n)
			}
			met[p.ID]++
			fmt.Fprintf(&b, "[%s](#%s)", code(p.ID), link)
		}
	}
	b.WriteByte('\n')
	for _, c := range chapters {
		fmt.Fprintf(&b, "\n## %s\n\n%s\n", literal(c.Title), literal(c.About))
		for _, p := range c.Pages {
			fmt.Fprintf(&b, "\n### %s\n\n**%s**\n", p.ID, literal(p.Title)) // an id alone, so that its link is the id
			for _, one := range p.paragraphs() {
				b.WriteByte('\n')
				if one.Lead != "" {
					fmt.Fprintf(&b, "**%s** ", literal(one.Lead))
				}
				fmt.Fprintf(&b, "%s\n", literal(one.Text))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
