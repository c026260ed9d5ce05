package report

import (
	"bytes"
	"fmt"
	"html/template"
	"image/color"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Colours that stand for those of the page, which differ by day and by night.
var (
	inkC    = color.RGBA{0x01, 0x01, 0x01, 0xff}
	gridC   = color.RGBA{0x02, 0x02, 0x02, 0xff}
	givenC  = color.RGBA{0x03, 0x03, 0x03, 0xff}
	shouldC = color.RGBA{0x04, 0x04, 0x04, 0xff}
	dyes    = strings.NewReplacer("#010101", "var(--ink)", "#020202", "var(--line)", "#030303", "var(--given)", "#040404", "var(--should)")
)

// drawable says whether the series has anything to draw.
func (s *Series) drawable() bool {
	n := min(len(s.Time), len(s.Given), len(s.Should))
	for i := range n {
		if v := s.Time[i] + s.Given[i] + s.Should[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return n > 1
}

// marks puts about so many ticks at round numbers.
func marks(about vg.Length) plot.Ticker {
	return plot.TickerFunc(func(low, high float64) (out []plot.Tick) {
		step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(about))))
		if !(step > 0) || math.IsInf(step, 0) {
			return nil
		}
		for _, more := range []float64{2, 2.5, 2} { // 2, 5, 10
			if (high-low)/step > 1.4*float64(about) {
				step *= more
			}
		}
		for i := range int(2 * about) {
			if v := (math.Ceil(low/step) + float64(i)) * step; v <= high {
				out = append(out, plot.Tick{Value: v, Label: strconv.FormatFloat(v+0, 'g', 4, 64)})
			}
		}
		return out
	})
}

// svg draws the series for a place so many points wide: the given line solid, as it should be dashed. What the lines are is
// said beside the picture, since a page wraps words and a picture does not.
func (s *Series) svg(width, height vg.Length) (template.HTML, error) {
	p := plot.New()
	p.BackgroundColor = nil
	p.X.Label.Text = "time, s"
	for _, style := range []*text.Style{&p.X.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label} {
		style.Font.Size, style.Font.Variant, style.Color = 9, "Sans", inkC
	}
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Color, axis.Tick.Color = inkC, inkC
	}
	p.X.Tick.Marker, p.Y.Tick.Marker = marks(6*width/520), marks(6)
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = gridC, gridC
	p.Add(grid)
	n := min(len(s.Time), len(s.Given), len(s.Should))
	for _, l := range []struct {
		values []float64
		style  draw.LineStyle
	}{
		{s.Given, draw.LineStyle{Color: givenC, Width: 1.8}},
		{s.Should, draw.LineStyle{Color: shouldC, Width: 1.8, Dashes: []vg.Length{5, 3}}},
	} {
		xy := make(plotter.XYs, n)
		for i := range xy {
			xy[i] = plotter.XY{X: s.Time[i], Y: l.values[i]}
		}
		p.Add(&plotter.Line{XYs: xy, LineStyle: l.style})
	}
	if p.Y.Max-p.Y.Min < 1e-9 {
		p.Y.Min, p.Y.Max = p.Y.Min-1, p.Y.Max+1
	}
	canvas := vgsvg.New(width, height)
	p.Draw(draw.Crop(draw.New(canvas), 0, -8, 0, -4)) // room for the last tick's label
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return "", fmt.Errorf("the plot of %s: %w", s.Title, err)
	}
	drawn := b.String()
	from := strings.Index(drawn, "<svg") // what comes before is for files
	if from < 0 {
		return "", fmt.Errorf("the plot of %s: there is no picture in it", s.Title)
	}
	label := template.HTMLEscapeString(s.Title + " over time, as it was given and as it should be")
	drawn = strings.Replace(dyes.Replace(drawn[from:]), "<svg ", `<svg role="img" aria-label="`+label+`" `, 1)
	return template.HTML(drawn), nil //nolint:gosec // drawn above from numbers; its one text is escaped
}
