package preview

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"perch/host/perception"
	"perch/host/pose"
)

//go:embed page.html
var page string

// Figures are a result in numbers, for machines: SI, shares from 0 to 1.
type Figures struct {
	Name       string             `json:"name"`
	Seconds    float64            `json:"judged_s"`
	Error      *float64           `json:"perceived_error"` // null: the seat moves and the vehicle does not
	Unguarded  *float64           `json:"perceived_error_before_guard"`
	Floor      *float64           `json:"floor,omitempty"`
	FloorFalse *float64           `json:"floor_false_cues_share,omitempty"`
	False      float64            `json:"false_cues_share"`
	Derived    bool               `json:"vehicle_motion_derived"`
	Whole      float64            `json:"riding_share"`
	Held       float64            `json:"held_back_share"`
	Reasons    map[string]float64 `json:"held_back_by"`
	Delay      float64            `json:"estimation_delay_s"`
	Channels   []ChannelFigures   `json:"channels"`
	Axes       []AxisFigures      `json:"axes"`
	Notes      []string           `json:"notes,omitempty"`
}

// ChannelFigures are those of one channel of perception.
type ChannelFigures struct {
	Channel string   `json:"channel"`
	Error   *float64 `json:"error"` // null: the seat moves and the vehicle does not
	RMS     float64  `json:"difference_rms_thresholds"`
	Still   float64  `json:"vehicle_rms_thresholds"`
	False   float64  `json:"false_cues_share"`
}

// AxisFigures are those of one axis of the seat, in its unit.
type AxisFigures struct {
	Axis         string  `json:"axis"`
	Unit         string  `json:"unit"`
	Low          float64 `json:"travel_low"`
	High         float64 `json:"travel_high"`
	Least        float64 `json:"least"`
	Most         float64 `json:"most"`
	Share        float64 `json:"travel_used_share"`
	Speed        float64 `json:"peak_speed_per_s"`
	SpeedLimit   float64 `json:"speed_limit_per_s"`
	Acceleration float64 `json:"peak_acceleration_per_s2"`
}

// Figures are the result in numbers.
func (r *Result) Figures() Figures {
	f := Figures{
		Name: r.Settings.Name, Seconds: float64(len(r.Time)) * perception.Step, Error: finite(r.Commanded.Error), Unguarded: finite(r.Wanted.Error),
		False: r.Commanded.False, Derived: r.Derived, Whole: r.Actual, Held: r.Guard.Share, Reasons: map[string]float64{}, Delay: r.Delay, Notes: r.Notes,
	}
	if r.Floor != nil {
		f.Floor, f.FloorFalse = finite(r.Floor.Error), finite(r.Floor.False)
	}
	for _, x := range r.Guard.Reasons {
		f.Reasons[x.Held.String()] = x.Share
	}
	for c := range perception.Channels {
		x := &r.Commanded.Channel[c]
		f.Channels = append(f.Channels, ChannelFigures{c.String(), finite(x.Error), x.RMS, x.Still, x.False})
	}
	for _, a := range r.Axes {
		f.Axes = append(f.Axes, AxisFigures{a.Axis.String(), a.Axis.Unit(), a.Low, a.High, a.Least, a.Most, a.Share, a.Speed, a.SpeedLimit, a.Acceleration})
	}
	return f
}

// finite is the address of a number, nil for one that has no end.
func finite(x float64) *float64 {
	if math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// errorWords shows an error.
func errorWords(x float64) string {
	if math.IsInf(x, 0) {
		return "- (the vehicle is still)"
	}
	return fmt.Sprintf("%.3f", x)
}

// A figure is a row of the table: what, and a value for each run.
type figure struct {
	Name   string
	Values []string
}

func figures(runs []*Result) []figure {
	var out []figure
	row := func(name string, value func(*Result) string) {
		f := figure{Name: name}
		for _, r := range runs {
			f.Values = append(f.Values, value(r))
		}
		out = append(out, f)
	}
	percent := func(x float64) string { return fmt.Sprintf("%.1f %%", 100*x) }
	row("perceived error (0 as in the vehicle, 1 a chair at rest)", func(r *Result) string { return errorWords(r.Commanded.Error) })
	row("  before the guard", func(r *Result) string { return errorWords(r.Wanted.Error) })
	ofFloor := func(name string, value func(l *perception.Least) string) {
		if runs[0].Floor != nil {
			row(name, func(r *Result) string { return value(r.Floor) })
		}
	}
	ofFloor("  least with the flight known beforehand (floor)", func(l *perception.Least) string { return errorWords(l.Error) })
	for c := range perception.Channels {
		row("  of "+c.String(), func(r *Result) string { return errorWords(r.Commanded.Channel[c].Error) })
	}
	row("false cues, of the time", func(r *Result) string { return percent(r.Commanded.False) })
	ofFloor("  where the error is least (floor)", func(l *perception.Least) string { return percent(l.False) })
	for c := range perception.Channels {
		row("  of "+c.String(), func(r *Result) string { return percent(r.Commanded.Channel[c].False) })
	}
	var axes []pose.Axis
	for a := range pose.Count {
		for _, r := range runs {
			if _, ok := r.axis(a); ok {
				axes = append(axes, a)
				break
			}
		}
	}
	for _, a := range axes {
		factor, unit := 1000., "mm"
		if a.Unit() == "rad" {
			factor, unit = inDegrees, "deg"
		}
		each := func(value func(u AxisUse) string) func(r *Result) string {
			return func(r *Result) string {
				if u, ok := r.axis(a); ok {
					return value(u)
				}
				return "-"
			}
		}
		row("travel of "+a.String()+" used", each(func(u AxisUse) string {
			return fmt.Sprintf("%.0f %% (%.1f to %.1f %s)", 100*u.Share, u.Least*factor, u.Most*factor, unit)
		}))
		row("  peak speed", each(func(u AxisUse) string {
			return fmt.Sprintf("%.1f of %.4g %s/s", u.Speed*factor, u.SpeedLimit*factor, unit)
		}))
	}
	row("held back by the guard, of the time", func(r *Result) string { return percent(r.Guard.Share) })
	seen := map[string]bool{}
	for _, r := range runs {
		for _, x := range r.Guard.Reasons {
			if name := x.Held.String(); !seen[name] {
				seen[name] = true
				row("  for "+name, func(r *Result) string {
					for _, y := range r.Guard.Reasons {
						if y.Held == x.Held {
							return percent(y.Share)
						}
					}
					return "-"
				})
			}
		}
	}
	row("riding, faded in whole, of the time", func(r *Result) string { return percent(r.Actual) })
	row("delay that estimation adds", func(r *Result) string { return fmt.Sprintf("%.0f ms", 1000*r.Delay) })
	return out
}

func (r *Result) axis(a pose.Axis) (AxisUse, bool) {
	for _, u := range r.Axes {
		if u.Axis == a {
			return u, true
		}
	}
	return AxisUse{}, false
}

// heading says which flight it is.
func (r *Result) heading() string {
	f := r.Flight
	s := fmt.Sprintf("%s: %.1f s, %d states", f.Name, f.Seconds(), f.States())
	if f.Source != "" {
		s += ", source " + f.Source
	}
	if f.Class != "" {
		s += ", " + f.Class
	}
	return s
}

// WriteTable writes runs of one flight as a table for a terminal.
func WriteTable(w io.Writer, runs ...*Result) error {
	if len(runs) == 0 {
		return nil
	}
	fmt.Fprintf(w, "%s\n\n", runs[0].heading())
	t := tabwriter.NewWriter(w, 0, 4, 3, ' ', 0)
	names := make([]string, len(runs))
	for i, r := range runs {
		names[i] = strings.ToUpper(r.Settings.Name)
	}
	fmt.Fprintf(t, "\t%s\t\n", strings.Join(names, "\t"))
	for _, f := range figures(runs) {
		fmt.Fprintf(t, "%s\t%s\t\n", f.Name, strings.Join(f.Values, "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, n := range notes(runs) {
		if _, err := fmt.Fprintf(w, "\nnote: %s\n", n); err != nil {
			return err
		}
	}
	return nil
}

// notes are those of all runs, each once.
func notes(runs []*Result) []string {
	var out []string
	seen := map[string]bool{}
	for _, r := range runs {
		for _, n := range r.Notes {
			if !seen[n] {
				seen[n] = true
				out = append(out, n)
			}
		}
	}
	return out
}

// WriteHTML writes a page that needs nothing else: the picture of WriteSVG, and the figures.
func WriteHTML(w io.Writer, runs ...*Result) error {
	if len(runs) == 0 {
		return nil
	}
	picture, err := inline(runs)
	if err != nil {
		return err
	}
	t, err := template.New("page").Parse(page)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := t.Execute(&b, struct {
		Heading string
		Runs    []*Result
		Rows    []figure
		Picture template.HTML
		Notes   []string
	}{runs[0].heading(), runs, figures(runs), template.HTML(picture), notes(runs)}); err != nil { //nolint:gosec // drawn from numbers; its texts are escaped by the canvas
		return err
	}
	_, err = b.WriteTo(w)
	return err
}
