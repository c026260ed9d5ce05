package report

import (
	_ "embed"
	"html/template"
	"io"
	"slices"
)

//go:embed page.html
var pageText string

// finding is a check that is told at length.
type finding struct {
	*Result
	Headline   string
	Correction []string
	Others     []other
	Wide       template.HTML
	Narrow     template.HTML
	About      []paragraph
}

// other is what would explain the same data.
type other struct {
	Headline   string
	Correction []string
}

// HTML writes the report as one page that needs nothing else: no script, no font, no other file. It follows the reader's
// light or dark colours and prints in light ones. pages explain the checks; they may be nil.
func (r *Report) HTML(w io.Writer, pages []Page) error {
	t, err := template.New("page").Parse(pageText)
	if err != nil {
		return err
	}
	r = r.plain()
	s := r.sort()
	told := func(checks []*Result) (out []finding, err error) {
		for _, c := range checks {
			f := finding{Result: c, Headline: capital(c.headline())}
			if d := c.Diagnosis; d != nil {
				f.Correction = d.correction()
				for i := range d.Alternatives {
					a := &d.Alternatives[i]
					f.Others = append(f.Others, other{a.headline(), a.correction()})
				}
			}
			if c.Series != nil && c.Series.drawable() {
				if f.Wide, err = c.Series.svg(520, 190); err != nil {
					return nil, err
				}
				if f.Narrow, err = c.Series.svg(255, 170); err != nil {
					return nil, err
				}
			}
			if at := slices.IndexFunc(pages, func(p Page) bool { return p.ID == c.ID }); at >= 0 {
				f.About = pages[at].paragraphs()
			}
			out = append(out, f)
		}
		return out, nil
	}
	failed, err := told(s.failed)
	if err != nil {
		return err
	}
	warned, err := told(s.warned)
	if err != nil {
		return err
	}
	return t.Execute(w, map[string]any{
		"Subject": r.named(), "Verdict": string(r.Verdict), "Words": r.Verdict.words(), "Icon": r.Verdict.icon(), "Counts": r.counts(), "Problem": r.Problem,
		"Failed": failed, "Warned": warned, "Missing": s.missing, "Passed": s.passed, "Outside": s.outside, "OutsideWords": capital(r.outside()),
	})
}

// icon is a verdict at a glance.
func (v Verdict) icon() string {
	switch v {
	case Conforms, ConformsInPart:
		return "✓"
	case DoesNot:
		return "✗"
	}
	return "?"
}
