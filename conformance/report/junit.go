package report

import (
	"cmp"
	"encoding/xml"
	"io"
	"strings"
)

// The elements of the XML that CI servers read, as Surefire's schema has them (surefire-test-report.xsd, in testdata).
type (
	junitSuite struct {
		XMLName    xml.Name        `xml:"testsuite"`
		Name       string          `xml:"name,attr"`
		Time       string          `xml:"time,attr"`
		Tests      int             `xml:"tests,attr"`
		Errors     int             `xml:"errors,attr"`
		Skipped    int             `xml:"skipped,attr"`
		Failures   int             `xml:"failures,attr"`
		Properties []junitProperty `xml:"properties>property"`
		Cases      []junitCase     `xml:"testcase"`
	}
	junitProperty struct {
		Name  string `xml:"name,attr"`
		Value string `xml:"value,attr"`
	}
	junitCase struct {
		Name    string       `xml:"name,attr"`
		Class   string       `xml:"classname,attr"`
		Time    string       `xml:"time,attr"`
		Failure *junitOdd    `xml:"failure"`
		Skipped *junitReason `xml:"skipped"`
		Error   *junitOdd    `xml:"error"`
		Out     *junitOut    `xml:"system-out"`
	}
	junitOdd struct {
		Message string `xml:"message,attr"`
		Type    string `xml:"type,attr"`
		Text    string `xml:",cdata"`
	}
	junitOut struct {
		Text string `xml:",cdata"`
	}
	junitReason struct {
		Message string `xml:"message,attr"`
	}
)

// noTime is written where the schema wants a time: the suite measures none.
const noTime = "0"

// JUnit writes the report in the XML of JUnit that CI servers read, as one test suite after Surefire's schema: a check that
// failed is a failure, one that was not checkable is skipped, a run that ended early has an error. What is to be looked
// at passes, with what was seen as its output. Test cases are named by the checks' ids, which stay.
func (r *Report) JUnit(w io.Writer) error {
	r = r.plain()
	subject := strings.TrimRight(r.named(), ", ")
	s := junitSuite{Name: "perch conform: " + subject, Time: noTime, Properties: []junitProperty{{"verdict", string(r.Verdict)}, {"subject", subject}}}
	add := func(c junitCase) {
		c.Class, c.Time = "conform", noTime
		s.Cases = append(s.Cases, c)
		s.Tests++
	}
	for i := range r.Checks {
		c := &r.Checks[i]
		one := junitCase{Name: c.ID}
		switch c.Outcome {
		case Fail:
			message, kind := c.headline(), "check"
			if d := c.Diagnosis; d != nil {
				kind = cmp.Or(d.Kind, kind)
				if how := d.correction(); len(how) > 0 {
					message += " (" + strings.Join(how, ", ") + ")"
				}
			}
			one.Failure = &junitOdd{message, kind, c.block()}
			s.Failures++
		case NotCheckable:
			one.Skipped = &junitReason{"needs " + c.Needs}
			s.Skipped++
		case Warn:
			one.Out = &junitOut{c.block()}
		}
		add(one)
	}
	if r.Problem != "" {
		add(junitCase{Name: "run", Error: &junitOdd{r.Problem, "problem", "the run ended early: " + r.Problem}})
		s.Errors++
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	e := xml.NewEncoder(w)
	e.Indent("", "  ")
	if err := e.Encode(&s); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

// block is what the terminal shows of a check.
func (c *Result) block() string {
	var b strings.Builder
	c.write(&b, "")
	return "\n" + b.String()
}
