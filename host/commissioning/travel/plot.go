package travel

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"perch/host/mechanism"
	"perch/host/pose"
)

// Colours that stay apart for those who see red and green alike.
var (
	ink    = color.RGBA{0x22, 0x22, 0x22, 0xff}
	faint  = color.RGBA{0x88, 0x88, 0x88, 0xff}
	reachC = color.RGBA{0xd6, 0xe6, 0xf2, 0xff}
	edgeC  = color.RGBA{0x1f, 0x5f, 0x96, 0xff}
	boxC   = color.RGBA{0x22, 0x22, 0x22, 0xff}
	deadC  = color.RGBA{0xc2, 0x3b, 0x22, 0xff}
	curveC = []color.RGBA{{0x1f, 0x5f, 0x96, 0xff}, {0xd9, 0x82, 0x1b, 0xff}, {0x3a, 0x8a, 0x5f, 0xff}, {0x8a, 0x4f, 0x9e, 0xff}, {0x55, 0x55, 0x55, 0xff}, {0xb0, 0x5a, 0x7a, 0xff}}
)

const (
	panelWidth  = 15 * vg.Centimeter
	panelHeight = 14 * vg.Centimeter
)

// WriteSVG draws the map: what two axes reach together, with the limits, and how the actuators stand along each of the axes.
func (s Seat) WriteSVG(w io.Writer) error {
	x, y, two := s.Pair()
	var panels []*plot.Plot
	if two {
		panels = append(panels, s.plotReach(x, y))
	}
	for _, a := range []pose.Axis{y, x} {
		panels = append(panels, s.plotActuators(a))
		if !two {
			break
		}
	}
	canvas := vgsvg.New(panelWidth*vg.Length(len(panels)), panelHeight)
	whole := draw.New(canvas)
	for i, p := range panels {
		part := draw.Crop(whole, panelWidth*vg.Length(i)+0.3*vg.Centimeter, -panelWidth*vg.Length(len(panels)-1-i)-0.3*vg.Centimeter, 0.3*vg.Centimeter, -0.3*vg.Centimeter)
		p.Draw(part)
	}
	_, err := canvas.WriteTo(w)
	return err
}

// unit is how an axis or an actuator is shown: factor from SI, and name.
func unit(si string) (float64, string) {
	if si == "m" {
		return 1000, "mm"
	}
	return 180 / math.Pi, "deg"
}

func newPlot(title, x, y string) *plot.Plot {
	p := plot.New()
	p.Title.Text = title
	p.Title.TextStyle.Font.Size, p.Title.Padding = 13, 4*vg.Millimeter
	p.X.Label.Text, p.Y.Label.Text = x, y
	p.X.Label.TextStyle.Font.Size, p.Y.Label.TextStyle.Font.Size = 12, 12
	p.X.Tick.Label.Font.Size, p.Y.Tick.Label.Font.Size = 11, 11
	p.Legend.TextStyle.Font.Size = 10
	for _, style := range []*text.Style{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label, &p.Legend.TextStyle} {
		style.Font.Variant = sans
	}
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(ticks), plot.TickerFunc(ticks)
	p.Legend.Padding = 1 * vg.Millimeter
	p.Add(grid())
	return p
}

const sans = "Sans"

// legendRoom is what so many lines of legend add to the height of a plot, as a share of it.
func legendRoom(lines int) float64 {
	share := 0.037*float64(lines) + 0.03
	return share / (1 - share)
}

// ticks are at round numbers, about eight of them.
func ticks(low, high float64) (out []plot.Tick) {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/4)))
	for _, more := range []float64{2, 2.5, 2} {
		if (high-low)/step > 9 {
			step *= more
		}
	}
	for v := math.Ceil(low/step) * step; v <= high; v += step {
		v = math.Round(v/step) * step
		out = append(out, plot.Tick{Value: v, Label: strconv.FormatFloat(v+0, 'g', 4, 64)})
	}
	return out
}

func grid() *plotter.Grid {
	g := plotter.NewGrid()
	g.Vertical.Color, g.Horizontal.Color = color.Gray{0xe4}, color.Gray{0xe4}
	return g
}

// line is a drawn line, in units as shown.
func line(points []Point, fx, fy float64, c color.Color, width vg.Length, dashes ...vg.Length) *plotter.Line {
	xy := make(plotter.XYs, len(points))
	for i, p := range points {
		xy[i] = plotter.XY{X: p.X * fx, Y: p.Y * fy}
	}
	return &plotter.Line{XYs: xy, LineStyle: draw.LineStyle{Color: c, Width: width, Dashes: dashes}}
}

func closed(points []Point) []Point {
	if len(points) == 0 {
		return nil
	}
	return append(points[:len(points):len(points)], points[0])
}

func (s Seat) plotReach(x, y pose.Axis) *plot.Plot {
	fx, ux := unit(x.Unit())
	fy, uy := unit(y.Unit())
	p := newPlot(fmt.Sprintf("What %s and %s reach together", x, y), fmt.Sprintf("%s, %s (%s positive)", x, ux, positive(x)), fmt.Sprintf("%s, %s (%s positive)", y, uy, positive(y)))

	var widest Point // of all that is drawn
	grow := func(points []Point) []Point {
		for _, q := range points {
			widest.X, widest.Y = max(widest.X, math.Abs(q.X)), max(widest.Y, math.Abs(q.Y))
		}
		return points
	}
	named := 0
	add := func(name string, l *plotter.Line) {
		p.Add(l)
		if name != "" {
			named++
			p.Legend.Add(name, l)
		}
	}
	edge := grow(s.Boundary(x, y, pose.Pose{}))
	if len(edge) > 0 {
		area := &plotter.Polygon{XYs: []plotter.XYs{line(edge, fx, fy, nil, 0).XYs}, Color: reachC}
		p.Add(area)
		add("edge of reach", line(closed(edge), fx, fy, edgeC, 1.6))
	}
	if third, ok := s.Third(x, y); ok {
		f, u := unit(third.Unit())
		for i, v := range []float64{s.Limits.Low[third], s.Limits.High[third]} {
			var from pose.Pose
			from[third] = v
			name := fmt.Sprintf("with %s %.3g %s", third, v*f, u)
			if points := s.Boundary(x, y, from); len(points) > 0 {
				add(name, line(closed(grow(points)), fx, fy, edgeC, 1, []vg.Length{vg.Points(float64(2 + 4*i)), vg.Points(2)}...))
			} else {
				name += ": out of reach"
				add(name, line(nil, fx, fy, edgeC, 1, vg.Points(1), vg.Points(6)))
			}
		}
	}
	l := s.Limits
	box := []Point{{l.Low[x], l.Low[y]}, {l.High[x], l.Low[y]}, {l.High[x], l.High[y]}, {l.Low[x], l.High[y]}, {l.Low[x], l.Low[y]}}
	add("limits of the guard", line(grow(box), fx, fy, boxC, 1.4, vg.Points(6), vg.Points(3)))

	var labels plotter.XYLabels
	for _, angle := range []float64{60, 45, 30} {
		points := s.Transmission(x, y, angle*math.Pi/180)
		if len(points) == 0 {
			continue
		}
		name := ""
		if len(labels.Labels) == 0 {
			name = "least transmission angle"
		}
		add(name, line(closed(grow(points)), fx, fy, faint, 0.9))
		at := points[rays/4%len(points)] // straight up
		labels.XYs = append(labels.XYs, plotter.XY{X: at.X * fx, Y: at.Y * fy})
		labels.Labels = append(labels.Labels, fmt.Sprintf("%g deg", angle))
	}
	if dead := grow(s.DeadCentres(x, y)); len(dead) > 0 {
		if len(dead) == rays {
			dead = closed(dead)
		}
		add("dead centre, others level", line(dead, fx, fy, deadC, 2))
	}
	if len(labels.Labels) > 0 {
		words, err := plotter.NewLabels(labels)
		if err == nil { // as many places as words
			for i := range words.TextStyle {
				style := &words.TextStyle[i]
				style.Font.Size, style.Font.Variant, style.Color, style.XAlign = 9, sans, ink, draw.XCenter
			}
			words.Offset = vg.Point{Y: -5.5 * vg.Millimeter}
			p.Add(words)
		}
	}
	p.X.Min, p.X.Max = -1.06*widest.X*fx, 1.06*widest.X*fx
	p.Y.Min, p.Y.Max = -(1.06+legendRoom(named)*2.12)*widest.Y*fy, 1.06*widest.Y*fy
	p.Legend.Left, p.Legend.Top = true, false
	p.Legend.XOffs, p.Legend.YOffs = 2*vg.Millimeter, 1*vg.Millimeter
	return p
}

// positive says in words which way an axis is positive (ISO 1151-1).
func positive(a pose.Axis) string {
	return [...]string{"forward", "right", "down", "right side down", "nose up", "nose right"}[a]
}

// plotActuators draws the actuators' positions along one axis, the others level.
func (s Seat) plotActuators(a pose.Axis) *plot.Plot {
	fa, ua := unit(a.Unit())
	actuators := s.Mechanism.Actuators()
	f, u := unit(actuators[0].Unit)
	what := "Actuators"
	if actuators[0].Unit == "rad" {
		what = "Cranks"
	}
	p := newPlot(fmt.Sprintf("%s along %s, the other axes level", what, a), fmt.Sprintf("%s, %s (%s positive)", a, ua, positive(a)), fmt.Sprintf("actuator, %s", u))
	var low, high pose.Pose
	low[a], high[a] = -1, 1
	from, to := s.reach(pose.Pose{}, low)[a], s.reach(pose.Pose{}, high)[a]
	_, isCrank := s.Mechanism.(cranks)
	if isCrank { // to dead centre, beyond what is used
		m := s.Mechanism.(cranks)
		if d, _, ok := m.DeadCentre(low); ok {
			from = d[a]
		}
		if d, _, ok := m.DeadCentre(high); ok {
			to = d[a]
		}
	}
	const steps = 240
	curves := make([][]Point, len(actuators))
	lowest, highest := actuators[0].Low, actuators[0].High
	for n := range steps + 1 {
		var at pose.Pose
		at[a] = from + (to-from)*float64(n)/steps
		q, ok := s.positions(at)
		if !ok {
			continue
		}
		for i := range actuators {
			curves[i] = append(curves[i], Point{at[a], q[i]})
			lowest, highest = min(lowest, q[i]), max(highest, q[i])
		}
	}
	var ends plotter.XYs
	for i, c := range curves {
		if len(c) == 0 {
			continue
		}
		name := actuators[i].Name
		same := -1
		for k := range i {
			if alike(curves[k], c) {
				same = k
			}
		}
		var dashes []vg.Length
		if same >= 0 { // a dashed line over the first, so that both are seen
			dashes = []vg.Length{vg.Points(6), vg.Points(6)}
		}
		l := line(c, fa, f, curveC[i%len(curveC)], 2, dashes...)
		p.Add(l)
		p.Legend.Add(name, l)
		if isCrank {
			for _, end := range []Point{c[0], c[len(c)-1]} {
				ends = append(ends, plotter.XY{X: end.X * fa, Y: end.Y * f})
			}
		}
	}
	if dots, err := plotter.NewScatter(ends); err == nil && len(ends) > 0 {
		dots.GlyphStyle = draw.GlyphStyle{Color: deadC, Radius: 3.5, Shape: draw.CircleGlyph{}}
		p.Add(dots)
		p.Legend.Add("dead centre, where it ends", dots)
	}
	room := 0.08 * (highest - lowest)
	bottom, top := lowest-room, highest+room
	left, right := from-0.05*(to-from), to+0.05*(to-from)
	l := s.Limits
	for i, v := range []float64{l.Low[a], l.High[a]} {
		limit := line([]Point{{v, bottom}, {v, top}}, fa, f, boxC, 1.4, vg.Points(6), vg.Points(3))
		p.Add(limit)
		if i == 0 {
			p.Legend.Add("limits of the guard", limit)
		}
	}
	for i, v := range []float64{actuators[0].Low, actuators[0].High} {
		travel := line([]Point{{left, v}, {right, v}}, fa, f, faint, 1.2, vg.Points(2), vg.Points(2))
		p.Add(travel)
		if i == 0 {
			p.Legend.Add("travel of the actuator", travel)
		}
	}
	p.X.Min, p.X.Max = min(left, l.Low[a])*fa, max(right, l.High[a])*fa
	named := 2
	for _, c := range curves {
		named += min(1, len(c))
	}
	named += min(1, len(ends))
	p.Y.Min, p.Y.Max = (bottom-legendRoom(named)*(top-bottom))*f, top*f
	p.Legend.Left, p.Legend.Top = true, false
	p.Legend.XOffs, p.Legend.YOffs = 2*vg.Millimeter, 1*vg.Millimeter
	return p
}

// positions are the actuators' at a pose, those of cranks whatever their limits.
func (s Seat) positions(p pose.Pose) (q mechanism.Positions, ok bool) {
	if m, isCrank := s.Mechanism.(cranks); isCrank {
		return q, m.CrankAngles(p, &q) == nil
	}
	return q, s.Mechanism.Inverse(p, &q) == nil
}

func alike(a, b []Point) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if math.Abs(a[i].Y-b[i].Y) > 1e-6 {
			return false
		}
	}
	return true
}
