package preview

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"perch/host/guard"
	"perch/host/perception"
)

// Colours that stay apart for those who see red and green alike.
var (
	ink      = color.RGBA{0x22, 0x22, 0x22, 0xff}
	faint    = color.RGBA{0x8a, 0x8a, 0x8a, 0xff}
	gridC    = color.RGBA{0xe4, 0xe4, 0xe4, 0xff}
	bandC    = color.RGBA{0xe6, 0xe9, 0xee, 0xff}
	falseC   = color.RGBA{0xf7, 0xcf, 0xc4, 0xff}
	vehicleC = color.RGBA{0x22, 0x22, 0x22, 0xff}
	seatC    = color.RGBA{0x1f, 0x6f, 0xb4, 0xff}
	wantedC  = color.RGBA{0xd9, 0x82, 0x1b, 0xff}
	heldC    = color.RGBA{0xc2, 0x3b, 0x22, 0xff}
)

const (
	columnWidth = 22 * vg.Centimeter
	panelHeight = 3.3 * vg.Centimeter
	headHeight  = 1.7 * vg.Centimeter
	footHeight  = 1.2 * vg.Centimeter // times, and what they are
	mostPoints  = 900                 // of a line, before each becomes its lowest and its highest
	inDegrees   = 180 / math.Pi
)

// entry is a line of a panel's legend.
type entry struct {
	name   string
	color  color.Color
	dashes []vg.Length
	area   bool
}

// wider is how much wider a viewer without the font that texts are measured in may set them.
const wider = 1.2

// panel is one plot with what stands above it.
type panel struct {
	plot   *plot.Plot
	title  string
	legend []entry
	height vg.Length
}

// WriteSVG draws runs of one flight side by side, with one scale for all: the vehicle's attitude, what was wanted of the seat and
// what the guard commanded, what is perceived in the vehicle and on the seat in each channel, with the threshold as a
// band and false cues shaded, and when the guard held something back.
func WriteSVG(w io.Writer, runs ...*Result) error {
	if len(runs) == 0 {
		return nil
	}
	columns := make([][]panel, len(runs))
	var reasons guard.Held
	for _, r := range runs {
		for _, x := range r.Guard.Reasons {
			reasons |= x.Held
		}
	}
	for i, r := range runs {
		columns[i] = r.panels(len(runs) == 1, reasons)
	}
	rows := len(columns[0])
	for row := range rows { // one scale for all
		low, high := math.Inf(1), math.Inf(-1)
		for _, c := range columns {
			low, high = min(low, c[row].plot.Y.Min), max(high, c[row].plot.Y.Max)
		}
		for _, c := range columns {
			c[row].plot.Y.Min, c[row].plot.Y.Max = low, high
		}
	}
	height := headHeight + footHeight
	for row := range rows {
		h := vg.Length(0)
		for _, c := range columns {
			h = max(h, c[row].height)
		}
		for _, c := range columns {
			c[row].height = h
		}
		height += h
	}
	width := columnWidth * vg.Length(len(runs))
	if len(runs) > 1 {
		width = 17 * vg.Centimeter * vg.Length(len(runs))
	}
	canvas := vgsvg.New(width, height)
	whole := draw.New(canvas)
	whole.SetColor(color.White)
	whole.Fill(whole.Path())
	each := width / vg.Length(len(runs))
	for i, r := range runs {
		part := draw.Crop(whole, each*vg.Length(i)+0.3*vg.Centimeter, -each*vg.Length(len(runs)-1-i)-0.5*vg.Centimeter, 0, 0)
		r.drawHead(part)
		drawColumn(part, columns[i])
	}
	_, err := canvas.WriteTo(w)
	return err
}

func style(size vg.Length, c color.Color) text.Style {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	return text.Style{Color: c, Font: f, Handler: plot.DefaultTextHandler, YAlign: draw.YTop}
}

func (r *Result) drawHead(c draw.Canvas) {
	top := c.Max.Y - 0.35*vg.Centimeter
	c.FillText(style(13, ink), vg.Point{X: c.Min.X, Y: top}, r.Settings.Name)
	line := fmt.Sprintf("perceived error %.2f", r.Commanded.Error)
	if r.Floor != nil {
		line += fmt.Sprintf(" (floor %.2f)", r.Floor.Error)
	}
	line += fmt.Sprintf(" · false cues %.0f %% · held back %.1f %% · travel", 100*r.Commanded.False, 100*r.Guard.Share)
	comma := ""
	for _, a := range r.Axes {
		line += fmt.Sprintf("%s %s %.0f %%", comma, a.Axis, 100*a.Share)
		comma = ","
	}
	c.FillText(style(9, ink), vg.Point{X: c.Min.X, Y: top - 0.62*vg.Centimeter}, line)
}

func drawColumn(c draw.Canvas, panels []panel) {
	// All panels begin at one place: where the one with the longest labels does.
	left := vg.Length(0)
	for _, p := range panels {
		d := p.plot.DataCanvas(c)
		left = max(left, d.Min.X-c.Min.X)
	}
	y := c.Max.Y - headHeight
	for i, p := range panels {
		h := p.height
		if i == len(panels)-1 {
			h += footHeight
		}
		part := draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: y - h}, Max: vg.Point{X: c.Max.X, Y: y}}}
		x := part.Min.X + left
		at := vg.Point{X: x, Y: y - 0.12*vg.Centimeter}
		title := style(9.5, ink)
		c.FillText(title, at, p.title)
		at.X += wider*title.Width(p.title) + 0.5*vg.Centimeter
		for _, e := range p.legend {
			mid := at.Y - 0.17*vg.Centimeter
			thick := vg.Length(1.6)
			if e.area {
				thick = 8
			}
			c.StrokeLine2(draw.LineStyle{Color: e.color, Width: thick, Dashes: e.dashes}, at.X, mid, at.X+0.6*vg.Centimeter, mid)
			at.X += 0.75 * vg.Centimeter
			small := style(8.5, ink)
			c.FillText(small, at, e.name)
			at.X += wider*small.Width(e.name) + 0.45*vg.Centimeter
		}
		body := draw.Crop(part, 0, 0, 0, -0.55*vg.Centimeter)
		own := p.plot.DataCanvas(body).Min.X - body.Min.X
		p.plot.Draw(draw.Crop(body, left-own, 0, 0, 0))
		y -= h
	}
}

// newPlot is a plot against time; only the last of a column says so.
func (r *Result) newPlot(last bool) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	p.X.Min, p.X.Max = r.Time[0], r.Time[len(r.Time)-1]
	p.X.Padding, p.Y.Padding = 0, 0
	p.X.Tick.Marker = ticks(8, last)
	p.Y.Tick.Marker = ticks(4, true)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Color, a.Tick.Color = faint, faint
		a.Width, a.Tick.Width = 0.5, 0.5
		a.Tick.Label = style(8, ink)
		a.Tick.Length = 3
	}
	p.X.Tick.Label.XAlign, p.X.Tick.Label.YAlign = draw.XCenter, draw.YTop
	p.Y.Tick.Label.XAlign, p.Y.Tick.Label.YAlign = draw.XRight, draw.YCenter
	if last {
		p.X.Label.Text = "time, s"
		p.X.Label.TextStyle = style(9, ink)
		p.X.Label.TextStyle.XAlign, p.X.Label.TextStyle.YAlign = draw.XCenter, draw.YBottom
	}
	return p
}

// ticks puts about so many marks at round numbers.
func ticks(about float64, labels bool) plot.Ticker {
	return plot.TickerFunc(func(low, high float64) (out []plot.Tick) {
		step := math.Pow(10, math.Floor(math.Log10((high-low)/about)))
		if !(step > 0) || math.IsInf(step, 0) {
			return nil
		}
		for _, more := range []float64{2, 2.5, 2} { // 2, 5, 10
			if (high-low)/step > 1.4*about {
				step *= more
			}
		}
		for i := math.Ceil(low / step); i*step <= high; i++ {
			t := plot.Tick{Value: i * step, Label: " "}
			if labels {
				t.Label = fmt.Sprintf("%.4g", i*step+0)
			}
			out = append(out, t)
		}
		return out
	})
}

func grid(p *plot.Plot) {
	g := plotter.NewGrid()
	g.Vertical = draw.LineStyle{Color: gridC, Width: 0.5}
	g.Horizontal = g.Vertical
	p.Add(g)
}

// line adds a line, thinned to what can be seen, and broken where it wraps around.
func (r *Result) line(p *plot.Plot, v []float64, factor, wrap float64, s draw.LineStyle) {
	size := max(1, (len(v)+mostPoints-1)/mostPoints)
	var xy plotter.XYs
	flush := func() {
		if len(xy) > 1 {
			p.Add(&plotter.Line{XYs: xy, LineStyle: s})
		}
		xy = nil
	}
	before := math.NaN()
	for from := 0; from < len(v); from += size {
		to := min(from+size, len(v))
		low, high := from, from
		for i := from; i < to; i++ {
			if v[i] < v[low] {
				low = i
			}
			if v[i] > v[high] {
				high = i
			}
		}
		if low > high {
			low, high = high, low
		}
		for k, i := range []int{low, high} {
			if k == 1 && low == high {
				break
			}
			y := v[i] * factor
			if wrap > 0 && math.Abs(y-before) > wrap {
				flush()
			}
			xy, before = append(xy, plotter.XY{X: r.Time[i], Y: y}), y
		}
	}
	flush()
	for _, y := range v {
		p.Y.Min, p.Y.Max = min(p.Y.Min, y*factor), max(p.Y.Max, y*factor)
	}
}

// spans are the times in which something is so, joined where a gap cannot be seen.
func (r *Result) spans(is func(i int) bool) [][2]float64 {
	var out [][2]float64
	least := (r.Time[len(r.Time)-1] - r.Time[0]) / mostPoints
	for i := range r.Time {
		if !is(i) {
			continue
		}
		from, to := r.Time[i], r.Time[i]+perception.Step
		if n := len(out); n > 0 && from-out[n-1][1] <= least {
			out[n-1][1] = to
		} else {
			out = append(out, [2]float64{from, max(to, from+least)})
		}
	}
	return out
}

// areas fills rectangles; an infinite height is the whole of the plot.
type areas struct {
	x         [][2]float64
	low, high float64
	color     color.Color
}

// Plot is for plot.Plotter.
func (a areas) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for _, s := range a.x {
		low, high := max(a.low, p.Y.Min), min(a.high, p.Y.Max)
		from, to := max(s[0], p.X.Min), min(s[1], p.X.Max)
		if low >= high || from >= to {
			continue
		}
		r := vg.Rectangle{Min: vg.Point{X: x(from), Y: y(low)}, Max: vg.Point{X: x(to), Y: y(high)}}
		c.SetColor(a.color)
		c.Fill(r.Path())
	}
}

func level(p *plot.Plot, r *Result, y float64) {
	p.Add(&plotter.Line{XYs: plotter.XYs{{X: r.Time[0], Y: y}, {X: r.Time[len(r.Time)-1], Y: y}}, LineStyle: draw.LineStyle{Color: faint, Width: 0.7, Dashes: []vg.Length{1, 2}}})
}

func widen(p *plot.Plot, least float64) {
	p.Y.Min, p.Y.Max = min(p.Y.Min, -least), max(p.Y.Max, least)
	room := 0.05 * (p.Y.Max - p.Y.Min)
	p.Y.Min, p.Y.Max = p.Y.Min-room, p.Y.Max+room
}

// panels are those of a column; reasons are those of every run, so that the columns can be compared.
func (r *Result) panels(wide bool, reasons guard.Held) []panel {
	var out []panel
	solid := func(c color.Color, w vg.Length) draw.LineStyle { return draw.LineStyle{Color: c, Width: w} }
	attitude := r.newPlot(false)
	grid(attitude)
	r.line(attitude, r.AttitudeRoll, inDegrees, 180, solid(vehicleC, 1))
	r.line(attitude, r.AttitudePitch, inDegrees, 180, solid(wantedC, 1))
	widen(attitude, 5)
	out = append(out, panel{attitude, "Vehicle's attitude, deg", []entry{{name: "roll, right side down", color: vehicleC}, {name: "pitch, nose up", color: wantedC}}, panelHeight})
	for i, t := range []Track{r.Roll, r.Pitch} {
		p := r.newPlot(false)
		grid(p)
		r.line(p, t.Wanted, inDegrees, 0, solid(wantedC, 1.6))
		r.line(p, t.Commanded, inDegrees, 0, solid(seatC, 1))
		limits := &r.Settings.Chain.Limits
		a := seatAxes[i]
		for _, y := range []float64{limits.Low[a], limits.High[a]} {
			level(p, r, y*inDegrees)
			p.Y.Min, p.Y.Max = min(p.Y.Min, y*inDegrees), max(p.Y.Max, y*inDegrees)
		}
		widen(p, 1)
		out = append(out, panel{p, "Seat's " + a.String() + ", deg", []entry{
			{name: "wanted by cueing", color: wantedC}, {name: "commanded by the guard", color: seatC}, {name: "travel", color: faint, dashes: []vg.Length{1, 2}},
		}, panelHeight})
	}
	for c := range perception.Channels {
		p := r.newPlot(false)
		p.Add(areas{[][2]float64{{p.X.Min, p.X.Max}}, -1, 1, bandC})
		p.Add(areas{r.spans(func(i int) bool { return perception.IsFalse(r.Vehicle[c][i], r.Seat[c][i]) }), math.Inf(-1), math.Inf(1), falseC})
		grid(p)
		r.line(p, r.Vehicle[c], 1, 0, solid(vehicleC, 1))
		r.line(p, r.Seat[c], 1, 0, solid(seatC, 1))
		widen(p, 2)
		title := fmt.Sprintf("Perceived %s, thresholds", c)
		if e := r.Commanded.Channel[c].Error; !math.IsInf(e, 0) {
			title += fmt.Sprintf(" (error %.2f)", e)
		}
		legend := []entry{{name: "vehicle", color: vehicleC}, {name: "seat", color: seatC}}
		if wide {
			legend = append(legend, entry{name: "too little to notice", color: bandC, area: true}, entry{name: "false cue", color: falseC, area: true})
		}
		out = append(out, panel{p, title, legend, panelHeight})
	}
	return append(out, r.strips(reasons))
}

// strips say when the guard held the demand back, and why.
func (r *Result) strips(reasons guard.Held) panel {
	p := r.newPlot(true)
	type strip struct {
		name string
		is   func(i int) bool
	}
	var list []strip
	for h := guard.Held(1); h != 0 && h <= reasons; h <<= 1 {
		if reasons&h != 0 {
			list = append(list, strip{h.String(), func(i int) bool { return r.Held[i]&h != 0 }})
		}
	}
	list = append(list, strip{"fading", func(i int) bool { return !r.Riding[i] }})
	var marks []plot.Tick
	for i, s := range list {
		y := -float64(i)
		p.Add(areas{r.spans(s.is), y - 0.35, y + 0.35, heldC})
		marks = append(marks, plot.Tick{Value: y, Label: s.name})
	}
	p.Y.Min, p.Y.Max = min(-0.6-float64(len(list)-1), -1.6), 0.6
	p.Y.Tick.Marker = plot.ConstantTicks(marks)
	return panel{p, "Held back by the guard, and why", nil, vg.Length(0.55+0.42*max(2, float64(len(list)))) * vg.Centimeter}
}

// inline is the picture as an element of a page.
func inline(runs []*Result) (string, error) {
	var b bytes.Buffer
	if err := WriteSVG(&b, runs...); err != nil {
		return "", err
	}
	drawn := b.String()
	from := strings.Index(drawn, "<svg")
	if from < 0 {
		return "", fmt.Errorf("the picture of %s has nothing in it", runs[0].Settings.Name)
	}
	return strings.Replace(drawn[from:], "<svg ", `<svg role="img" aria-label="vehicle and seat over time" `, 1), nil
}
