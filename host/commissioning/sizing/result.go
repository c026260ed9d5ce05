package sizing

import (
	"fmt"
	"math"
	"strconv"
)

// Verdict is about one line.
type Verdict string

// The verdicts. Only TooLittle makes the whole too little.
const (
	Enough    Verdict = "enough"
	Caution   Verdict = "caution"
	TooLittle Verdict = "too little"
	Given     Verdict = "" // a number that others are made from
)

// Line is one number of the check.
type Line struct {
	ID      string  `json:"id"`
	Title   string  `json:"title"`
	Formula string  `json:"formula"` // with the symbols of the package's page
	Working string  `json:"working"` // the same with the numbers of this seat
	Value   float64 `json:"value"`   // Unit
	Unit    string  `json:"unit"`    // SI
	Shown   string  `json:"shown"`   // value and unit as people read them
	Against float64 `json:"against,omitempty"`
	Verdict Verdict `json:"verdict,omitempty"`
	Note    string  `json:"note,omitempty"` // what it means, what to do
}

// Result is a check, in the order in which a person reads it.
type Result struct {
	Lines []Line `json:"lines"`
}

// Enough says whether no line is too little.
func (r Result) Enough() bool { return len(r.With(TooLittle)) == 0 }

// With gives the lines of a verdict.
func (r Result) With(v Verdict) (out []Line) {
	for _, l := range r.Lines {
		if l.Verdict == v {
			out = append(out, l)
		}
	}
	return out
}

// Line finds one by its id.
func (r Result) Line(id string) (Line, bool) {
	for _, l := range r.Lines {
		if l.ID == id {
			return l, true
		}
	}
	return Line{}, false
}

func (r *Result) add(l Line) {
	if l.Shown == "" {
		l.Shown = Show(l.Value, l.Unit)
	}
	r.Lines = append(r.Lines, l)
}

// shown are SI units as people read them.
var shown = map[string]struct {
	factor float64
	unit   string
}{
	"rad": {180 / math.Pi, "deg"}, "rad/s": {180 / math.Pi, "deg/s"}, "rad/s²": {180 / math.Pi, "deg/s²"}, "rad/s³": {180 / math.Pi, "deg/s³"},
	"m": {1000, "mm"}, "m/s": {1000, "mm/s"}, "1": {100, "%"},
}

// Show writes an SI value as people read it: angles in deg, lengths in mm.
func Show(v float64, unit string) string {
	if s, ok := shown[unit]; ok {
		v, unit = v*s.factor, s.unit
	}
	return number(v) + " " + unit
}

// rpm writes a motor's speed.
func rpm(v float64) string { return number(v*30/math.Pi) + " rpm" }

// number has four digits, and no exponent where a person would write none.
func number(v float64) string {
	if v == 0 || math.Abs(v) >= 1000 && math.Abs(v) < 1e7 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return fmt.Sprintf("%.4g", v)
}
