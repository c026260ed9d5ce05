package report

import (
	"bytes"
	"context"
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file in testdata, or writes it.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s, -update writes it anew: %s", path, d)
	}
}

// wrong is a report with one of each.
func wrong() *Report {
	r := &Report{Subject: "box 1.0", Outside: "not given, so not judged", Checks: []Result{
		{"rate", "States come at a steady rate", Finding{Outcome: Pass, Measured: "50 Hz"}},
		{"turning_pitch", "The attitude's pitch turns as angular velocity q says", Finding{Outcome: Fail, Measured: "it does not", Expected: "it does",
			Diagnosis: &Diagnosis{Signal: "angular_velocity", Component: "q", Kind: "sign", Detail: "q has the wrong sign", Scale: 1, Matrix: []float64{1, 0, 0, 0, -1, 0, 0, 0, 1},
				Alternatives: []Diagnosis{{Signal: "attitude", Component: "pitch", Kind: "sign", Detail: "pitch has the wrong sign", Scale: 1, Matrix: []float64{1, 0, 0, 0, -1, 0, 0, 0, 1}}}},
			Series: &Series{Title: "angular velocity q", Unit: "rad/s", GivenIs: "angular velocity", ShouldIs: "as the attitude turns",
				Time: []float64{0, 1, 2, 3}, Given: []float64{0, -1, -1, 0}, Should: []float64{0, 1, 1, 0}}}},
		{"air_speed", "The airspeed is the speed through a steady wind", Finding{Outcome: Warn, Measured: "41 m/s", Expected: "21 m/s",
			Diagnosis: &Diagnosis{Signal: "airspeed", Kind: "unit", Detail: "it looks like knots: multiply by 0.514444", Scale: 0.514444}}},
		{"force_x", "Specific force x fits", Finding{Outcome: NotCheckable, Needs: "speeding up"}},
		{"force_y", "Specific force y fits", Finding{Outcome: NotCheckable, Needs: "speeding up"}},
		{"ground", "On the ground is not said in flight", Finding{Outcome: NotCheckable, Needs: "on_ground", Unclaimed: true}},
	}}
	r.Judge()
	return r
}

func wrongPages() []Page {
	return []Page{{"turning_pitch", "The attitude's pitch turns as angular velocity q says", "The two must agree,\nwhatever the vehicle does.\nWhy it matters: riders\nget sick.\nUsual mistakes: degrees; a < b."}}
}

// forms are a report in all forms in which it is written.
func forms(t *testing.T, r *Report) map[string]string {
	t.Helper()
	out := map[string]string{}
	for name, write := range map[string]func(io.Writer) error{
		"xml": r.JUnit, "md": func(w io.Writer) error { return r.Markdown(w, "explain") }, "html": func(w io.Writer) error { return r.HTML(w, wrongPages()) },
		"txt": func(w io.Writer) error { return r.Write(w, "explain") },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = b.String()
	}
	return out
}

var drawing = regexp.MustCompile(`(?s)<svg.*?</svg>`)

// TestForms holds what a report looks like.
func TestForms(t *testing.T) {
	for form, text := range forms(t, wrong()) {
		if n := len(drawing.FindAllString(text, -1)); form == "html" && n != 2 {
			t.Errorf("%d pictures, want a wide and a narrow one", n)
		}
		golden(t, "wrong."+form, []byte(drawing.ReplaceAllString(text, "[picture]")))
	}
}

// hostile is a report of which every text was written by somebody who means harm.
func hostile() *Report {
	const text = "x\x1b[2J\u202e]]> --> </script></style><script>alert(1)</script> <img src=x onerror=alert(1)> & \"'|` ```\n\n# *_~[a](http://evil.test) www.evil.test @everyone $x$\x00\xff"
	c := Finding{Measured: text, Expected: text, Needs: text, Diagnosis: &Diagnosis{Signal: text, Component: text, Kind: text, Detail: text, Scale: 2, Alternatives: []Diagnosis{{Signal: text, Detail: text}}},
		Series: &Series{Title: text, Unit: text, GivenIs: text, ShouldIs: text, Time: []float64{0, 1}, Given: []float64{0, 1}, Should: []float64{1, 0}}}
	r := &Report{Subject: text, Problem: text, Outside: text}
	for _, o := range []Outcome{Pass, Fail, Warn, NotCheckable, NotCheckable} {
		c.Outcome, c.Unclaimed = o, len(r.Checks) == 4
		r.Checks = append(r.Checks, Result{ID: text, Title: text, Finding: c})
	}
	r.Judge()
	return r
}

// TestHostileTexts: an adapter's name, and what it says, are text and nothing else wherever a report is read.
func TestHostileTexts(t *testing.T) {
	got := forms(t, hostile())
	for form, text := range got {
		if i := strings.IndexFunc(text, func(c rune) bool { return c < ' ' && c != '\n' && c != '\t' || c == '\u202e' }); i >= 0 {
			t.Errorf("%s: holds the character %q", form, text[i])
		}
	}

	// The page: every element is one of ours, and none of them runs anything.
	parsed, err := html.Parse(strings.NewReader(got["html"]))
	if err != nil {
		t.Fatal(err)
	}
	for n := range parsed.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if n.Data == "script" || n.Data == "img" {
			t.Errorf("html: an element %s", n.Data)
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "href" && !strings.HasPrefix(a.Val, "#") {
				t.Errorf("html: %s has %s=%q", n.Data, a.Key, a.Val)
			}
		}
	}

	// The XML: as many elements as checks and the end of the run.
	var suite struct {
		Cases []struct {
			Name string `xml:"name,attr"`
		} `xml:"testcase"`
	}
	if err := xml.Unmarshal([]byte(got["xml"]), &suite); err != nil || len(suite.Cases) != 6 {
		t.Errorf("xml: %v, %d cases", err, len(suite.Cases))
	}

	// Markdown: nothing foreign begins a line, and outside of code nothing foreign has a meaning.
	fenced := regexp.MustCompile("(?ms)^(`{3,})text$.*?^(`{3,})$")
	for _, m := range fenced.FindAllStringSubmatch(got["md"], -1) {
		if m[1] != m[2] || len(m[1]) < 4 {
			t.Errorf("md: a fence of %q is ended by %q", m[1], m[2])
		}
	}
	prose := regexp.MustCompile("(`+)[^`].*?[^`](`+)").ReplaceAllStringFunc(fenced.ReplaceAllString(got["md"], ""), func(s string) string { return "" })
	for _, evil := range []string{"<script", "<img", " [a](", "http://", " www.", "@e"} {
		if i := strings.Index(strings.ReplaceAll(prose, `\<`, "&lt;"), evil); i >= 0 {
			t.Errorf("md: holds %q: %q", evil, prose[max(0, i-60):min(len(prose), i+60)])
		}
	}
	for l := range strings.Lines(prose) {
		if !regexp.MustCompile(`^($|\n|#{1,3} |\*\*|- |\| |[A-Z0-9X])`).MatchString(l) {
			t.Errorf("md: a line begins %q", l)
		}
	}
}

// TestEmptyReports: with nothing checked every form still says so.
func TestEmptyReports(t *testing.T) {
	empty := &Report{}
	empty.Judge()
	broken := &Report{Subject: "box", Problem: "the port has gone", Checks: []Result{}}
	broken.Judge()
	nothing := &Report{Checks: []Result{{"a", "A", Finding{Outcome: Fail, Series: &Series{}}},
		{"b", "B", Finding{Outcome: Fail, Diagnosis: &Diagnosis{}, Series: &Series{Time: []float64{0, 1}, Given: []float64{0, math.NaN()}, Should: []float64{0, math.Inf(1)}}}}}}
	nothing.Judge()
	for form, text := range forms(t, empty) {
		if form == "xml" && !strings.Contains(text, `tests="0"`) || form != "xml" && !strings.Contains(text, "could not be judged") {
			t.Errorf("%s: %s", form, text)
		}
	}
	for form, text := range forms(t, broken) {
		if !strings.Contains(text, "the port has gone") {
			t.Errorf("%s: %s", form, text)
		}
	}
	for form, text := range forms(t, nothing) {
		if drawing.MatchString(text) || strings.Contains(text, "```") {
			t.Errorf("%s draws what cannot be drawn: %s", form, text)
		}
	}
}

// TestPicturesOfAnything: whatever is drawn, it is drawn at once.
func TestPicturesOfAnything(t *testing.T) {
	for _, s := range []Series{
		{Time: []float64{0, 0}, Given: []float64{1e17, 1e17 + 16}, Should: []float64{1e17, 1e17}},
		{Time: []float64{1e300, -1e300}, Given: []float64{1e307, -1e307}, Should: []float64{5e-324, 0}},
		{Time: []float64{1, 1 + 1e-15, 1}, Given: []float64{3, 3, 3}, Should: []float64{3, 3, 3}},
	} {
		if !s.drawable() {
			t.Fatal("not drawn")
		}
		if _, err := s.svg(200, 100); err != nil {
			t.Error(err)
		}
	}
}

// TestSchema judges the XML by the published schema of Surefire's reports, in testdata, whose writer CI servers follow.
func TestSchema(t *testing.T) {
	tool, err := exec.LookPath("xmllint")
	if err != nil {
		if os.Getenv("PERCH_TEST_XML") != "" {
			t.Fatal("xmllint is missing; apt-get install libxml2-utils")
		}
		t.Skip("xmllint is missing")
	}
	empty := &Report{}
	empty.Judge()
	for name, r := range map[string]*Report{"wrong": wrong(), "hostile": hostile(), "empty": empty} {
		c := exec.CommandContext(context.Background(), tool, "--noout", "--schema", "testdata/surefire-test-report.xsd", "-")
		c.Stdin = strings.NewReader(forms(t, r)["xml"])
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", name, err, out)
		}
	}
}

// TestCorrection: scale and matrix in words; a value that is right already is not named.
func TestCorrection(t *testing.T) {
	for _, c := range []struct {
		name string
		d    Diagnosis
		want []string
	}{
		{"nothing known", Diagnosis{Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}, nil},
		{"no change", Diagnosis{Scale: 1}, nil},
		{"a unit", Diagnosis{Signal: "angular_velocity", Scale: math.Pi / 180, Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}, []string{"multiply by 0.0174533"}},
		{"all of it turned round", Diagnosis{Signal: "specific_force", Scale: 1, Matrix: []float64{-1, 0, 0, 0, -1, 0, 0, 0, -1}}, []string{"multiply by -1"}},
		{"one sign", Diagnosis{Signal: "angular_velocity", Scale: 1, Matrix: []float64{1, 0, 0, 0, -1, 0, 0, 0, 1}}, []string{"q = -1 × given q"}},
		{"exchanged", Diagnosis{Signal: "position", Scale: 1, Matrix: []float64{0, 1, 0, 1, 0, 0, 0, 0, 1}}, []string{"north = given east", "east = given north"}},
		{"load factors", Diagnosis{Signal: "specific_force", Scale: 9.80665, Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, -1}}, []string{"x = 9.80665 × given x", "y = 9.80665 × given y", "z = -9.80665 × given z"}},
		{"turned by less than a right angle", Diagnosis{Signal: "velocity", Component: "north", Scale: 1, Matrix: []float64{0.8, -0.6, 0, 0.6, 0.8, 0, 0, 0, 1}},
			[]string{"north = 0.8 × given north - 0.6 × given east", "east = 0.6 × given north + 0.8 × given east"}},
		{"a velocity in earth axes", Diagnosis{Signal: "velocity", Detail: "it looks like east, north, up axes", Scale: 1, Matrix: []float64{0, 1, 0, 1, 0, 0, 0, 0, -1}},
			[]string{"north = given east", "east = given north", "down = -1 × given down"}},
		{"a velocity in whichever axes", Diagnosis{Signal: "velocity", Scale: 1, Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, -1}}, []string{"3rd = -1 × given 3rd"}},
	} {
		if d := cmp.Diff(c.want, c.d.Correction()); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
}

// TestPages: paragraphs are found without empty lines between them, and two suites may have an id in common.
func TestPages(t *testing.T) {
	var b bytes.Buffer
	err := WritePages(&b, "What is checked", "All of it.", []Chapter{{"States", "Of states.", wrongPages()}, {"Controllers", "Of controllers.", wrongPages()}})
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "pages.md", b.Bytes())
}
