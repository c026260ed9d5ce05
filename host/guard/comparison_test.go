package guard_test

import (
	"bytes"
	"flag"
	"fmt"
	"image/color"
	"math"
	"os"
	"regexp"
	"strconv"
	"testing"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

var update = flag.Bool("update", false, "write comparison.md and comparison.svg")

// The seat of the page: one axis, in deg, of a seat of ordinary size.
const (
	tick         = 0.002
	travel       = 15.0
	speed        = 40.0
	acceleration = 300.0
	jerk         = 5000.0
	degree       = math.Pi / 180
	swing        = 2 * math.Pi // rad/s: 1 Hz
)

// cutoff is that of the fastest critically damped second-order low-pass whose answer to the page's step of 10 deg keeps
// the acceleration limit: that answer begins with 10 deg times cutoff squared.
var cutoff = math.Sqrt(acceleration / 10)

// follower gives one position a tick for a wanted one, deg.
type follower struct {
	name  string
	color color.Color
	make  func(t testing.TB, at float64) func(want float64) float64
}

var followers = []follower{
	{"guard", color.RGBA{0, 90, 180, 255}, func(t testing.TB, at float64) func(float64) float64 {
		p := func(x float64) pose.Pose { return pose.Pose{pose.Roll: x * degree} }
		m, err := mechanism.NewBox(mechanism.BoxSettings{Axes: pose.Of(pose.Roll), Low: p(-30), High: p(30),
			Speed: p(400), Acceleration: p(4000), Jerk: p(90000)})
		if err != nil {
			t.Fatal(err)
		}
		g, err := guard.NewLimiter(m, guard.Limits{Low: p(-travel), High: p(travel), Speed: p(speed), Acceleration: p(acceleration), Jerk: p(jerk)}, tick)
		if err != nil {
			t.Fatal(err)
		}
		if err := g.Reset(p(at)); err != nil {
			t.Fatal(err)
		}
		return func(want float64) float64 {
			got, _ := g.Step(p(want))
			return got[pose.Roll] / degree
		}
	}},
	{"rate limiter", color.RGBA{200, 60, 40, 255}, func(_ testing.TB, x float64) func(float64) float64 {
		return func(want float64) float64 {
			x += min(max(want-x, -speed*tick), speed*tick)
			return x
		}
	}},
	{"low-pass", color.RGBA{50, 140, 60, 255}, func(_ testing.TB, x float64) func(float64) float64 {
		first, k := x, 1-math.Exp(-cutoff*tick)
		return func(want float64) float64 {
			first += k * (want - first)
			x += k * (first - x)
			return x
		}
	}},
}

// scenario is one demand, deg, over seconds s.
type scenario struct {
	name, lag string
	length    float64
	want      func(s float64) float64
	// how long an answer lags, s
	measure func(want, got []float64) float64
}

var scenarios = []scenario{
	{
		"step of 10 deg", "until within 0.1 deg", 1.6,
		func(s float64) float64 {
			if s < 0.2 {
				return 0
			}
			return 10
		},
		func(want, got []float64) float64 { return settled(want, got) - 0.2 },
	},
	{
		"sine, 1 Hz, that touches the speed limit", "behind the demand", 6,
		func(s float64) float64 {
			r := min(1, s/2)
			return speed / swing * r * r * r * (10 + r*(6*r-15)) * math.Sin(swing*s)
		},
		func(want, got []float64) float64 {
			// the phase of the fundamental over the last two periods
			phase := func(x []float64) float64 {
				var c, s float64
				for k := len(x) - int(2/tick); k < len(x); k++ {
					sin, cos := math.Sincos(swing * float64(k) * tick)
					c, s = c+x[k]*cos, s+x[k]*sin
				}
				return math.Atan2(c, s)
			}
			return math.Mod(phase(want)-phase(got)+2*math.Pi, 2*math.Pi) / swing
		},
	},
	{
		"respawn: elsewhere in one tick", "until within 0.1 deg for good", 3,
		func(s float64) float64 {
			x := 2 * (1 - math.Cos(2*math.Pi*0.4*s))
			if s < 1 {
				return 6 + x
			}
			return -8 + x
		},
		func(want, got []float64) float64 { return settled(want, got) - 1 },
	},
}

// settled is when an answer is within 0.1 deg of the demand for good, s.
func settled(want, got []float64) float64 {
	k := len(want)
	for k > 0 && math.Abs(want[k-1]-got[k-1]) < 0.1 {
		k--
	}
	if k == len(want) {
		return math.Inf(1)
	}
	return float64(k) * tick
}

// answers are what all followers make of a scenario; the first is the demand.
func answers(t testing.TB, s *scenario) (all [][]float64) {
	n := int(s.length/tick + 0.5)
	want := make([]float64, n)
	for k := range want {
		want[k] = s.want(float64(k) * tick)
	}
	all = append(all, want)
	for _, f := range followers {
		step := f.make(t, want[0])
		got := make([]float64, n)
		for k := range got {
			got[k] = step(want[k])
		}
		all = append(all, got)
	}
	return all
}

// differences are backward ones; the seat was at rest before.
func differences(x []float64) []float64 {
	d := make([]float64, len(x))
	for k := 1; k < len(x); k++ {
		d[k] = (x[k] - x[k-1]) / tick
	}
	return d
}

func most(x []float64) (m float64) {
	for _, v := range x {
		m = max(m, math.Abs(v))
	}
	return m
}

// page writes the table and draws the picture.
func page(t testing.TB) (text, picture []byte) {
	var b bytes.Buffer
	fmt.Fprintf(&b, `# The guard beside a rate limiter and a low-pass

What each makes of a step, of a sine at the limit, and of a vehicle that is suddenly elsewhere; made by
`+"`go test ./host/guard -run Comparison -update`"+`. One axis at 500 Hz: travel ±%g deg, %g deg/s, %g deg/s², %g deg/s³. The rate
limiter is `+"`x += clamp(want-x, ±V·dt)`"+`. The low-pass is critically damped, of second order, at %.2f rad/s: the fastest one
whose answer to this step keeps the acceleration limit.

![position and acceleration of each](comparison.svg)

| demand | | lag: how measured | lag | speed | acceleration | jerk |
| --- | --- | --- | --- | --- | --- | --- |
`, travel, speed, acceleration, jerk, cutoff)
	plots := make([][]*plot.Plot, len(scenarios))
	for i := range scenarios {
		s := &scenarios[i]
		all := answers(t, s)
		plots[i] = panels(t, s, all)
		for f := range followers {
			x := all[f+1]
			v := differences(x)
			a := differences(v)
			j := differences(a)
			lag := "never"
			if l := s.measure(all[0], x); !math.IsInf(l, 0) {
				lag = fmt.Sprintf("%.3f s", math.Abs(l))
			}
			fmt.Fprintf(&b, "| %s | %s | %s | %s | %.2f | %.2f | %.2f |\n", s.name, followers[f].name, s.lag,
				lag, most(v)/speed, most(a)/acceleration, most(j)/jerk)
		}
	}
	b.WriteString(`
Speed, acceleration and jerk are the largest, as multiples of the limit: over 1.00 is a limit broken.

What to read from it: the rate limiter is quick because it takes tens of times the acceleration and thousands of times the jerk,
a blow to rider and gears at both ends of each motion. The low-pass lags behind whatever moves, lessens it, and keeps the
acceleration limit for one size of step only; the jerk limit it never keeps. The guard adds nothing to what obeys, and for
what does not it takes what the limits allow: D/V + V/A + A/J = 0.443 s for the step, to its very end.
`)
	canvas := vgsvg.NewWith(vgsvg.UseWH(24*vg.Centimeter, 26*vg.Centimeter))
	dc := draw.New(canvas)
	dc.SetColor(color.White)
	dc.Fill(dc.Path())
	key(dc)
	tiles := draw.Tiles{Rows: len(plots), Cols: 2, PadX: 8 * vg.Millimeter, PadY: 7 * vg.Millimeter,
		PadTop: 16 * vg.Millimeter, PadBottom: 4 * vg.Millimeter, PadLeft: 4 * vg.Millimeter, PadRight: 6 * vg.Millimeter}
	for r, row := range plot.Align(plots, tiles, dc) {
		for c, cell := range row {
			plots[r][c].Draw(cell)
		}
	}
	var svg bytes.Buffer
	if _, err := canvas.WriteTo(&svg); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), svg.Bytes()
}

// The lines that are no follower's. The guard's is thick and lies under the others, so that what coincides is seen.
var (
	demandLine = draw.LineStyle{Color: color.Gray{40}, Width: 1.1, Dashes: []vg.Length{4, 3}}
	limitLine  = draw.LineStyle{Color: color.Gray{110}, Width: 0.9, Dashes: []vg.Length{1.5, 2.5}}
)

func (f *follower) line() draw.LineStyle {
	if f.name == "guard" {
		return draw.LineStyle{Color: f.color, Width: 3.2}
	}
	return draw.LineStyle{Color: f.color, Width: 1.3}
}

var sans = font.Font{Typeface: "Liberation", Variant: "Sans", Size: 11}

// key is what the lines mean, in a row at the top.
func key(dc draw.Canvas) {
	style := draw.TextStyle{Color: color.Black, Font: sans, Handler: plot.DefaultTextHandler, YAlign: draw.YCenter}
	x, y := dc.Min.X+14*vg.Millimeter, dc.Max.Y-8*vg.Millimeter
	entry := func(name string, l draw.LineStyle) {
		dc.StrokeLine2(l, x, y, x+10*vg.Millimeter, y)
		dc.FillText(style, vg.Point{X: x + 12*vg.Millimeter, Y: y}, name)
		x += 44 * vg.Millimeter
	}
	for i := range followers {
		entry(followers[i].name, followers[i].line())
	}
	entry("demand", demandLine)
	entry("acceleration limit", limitLine)
}

// panels are position and acceleration of one scenario.
func panels(t testing.TB, s *scenario, all [][]float64) []*plot.Plot {
	fresh := func(title, y string, low, high float64) *plot.Plot {
		p := plot.New()
		p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, "time, s", y
		p.Title.Padding = 2 * vg.Millimeter
		for _, f := range []*font.Font{&p.Title.TextStyle.Font, &p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font,
			&p.X.Tick.Label.Font, &p.Y.Tick.Label.Font} {
			*f = sans
		}
		p.Title.TextStyle.Font.Size = 12
		p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, s.length, low, high
		grid := plotter.NewGrid()
		grid.Horizontal.Color, grid.Vertical.Color = color.Gray{228}, color.Gray{228}
		p.Add(grid)
		return p
	}
	line := func(p *plot.Plot, x []float64, style draw.LineStyle, clip float64) {
		var points plotter.XYs
		// the highest and the lowest of every eight ticks, so that no spike is lost
		for k := 0; k < len(x); k += 8 {
			lo, hi := k, k
			for i := k; i < min(k+8, len(x)); i++ {
				if x[i] < x[lo] {
					lo = i
				}
				if x[i] > x[hi] {
					hi = i
				}
			}
			for _, i := range []int{min(lo, hi), max(lo, hi)} {
				if n := len(points); n > 0 && points[n-1].X == float64(i)*tick {
					continue
				}
				points = append(points, plotter.XY{X: float64(i) * tick, Y: min(max(x[i], -clip), clip)})
			}
		}
		l, err := plotter.NewLine(points)
		if err != nil {
			t.Fatal(err)
		}
		l.LineStyle = style
		p.Add(l)
	}
	low, high := -12.0, 12.0
	if most(all[0]) == all[0][len(all[0])-1] {
		low = -2
	}
	position := fresh(s.name, "position, deg", low, high)
	rates := fresh("its acceleration; spikes are cut off", "deg/s²", -500, 500)
	for i := range followers {
		line(position, all[i+1], followers[i].line(), 1e9)
		line(rates, differences(differences(all[i+1])), followers[i].line(), 480)
	}
	line(position, all[0], demandLine, 1e9)
	for _, y := range []float64{-acceleration, acceleration} {
		limit, err := plotter.NewLine(plotter.XYs{{X: 0, Y: y}, {X: s.length, Y: y}})
		if err != nil {
			t.Fatal(err)
		}
		limit.LineStyle = limitLine
		rates.Add(limit)
	}
	return []*plot.Plot{position, rates}
}

var number = regexp.MustCompile(`-?\d+(\.\d+)?(e[-+]?\d+)?`)

// same says whether two texts are the same but for the rounding of their numbers.
func same(t *testing.T, file string, fresh []byte) {
	t.Helper()
	old, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(number.ReplaceAll(old, []byte("#")), number.ReplaceAll(fresh, []byte("#"))) {
		t.Fatalf("%s is not what the guard does today: go test ./host/guard -run Comparison -update", file)
	}
	a, b := number.FindAll(old, -1), number.FindAll(fresh, -1)
	for i := range a {
		x, _ := strconv.ParseFloat(string(a[i]), 64)
		y, _ := strconv.ParseFloat(string(b[i]), 64)
		if math.Abs(x-y) > 0.0051+0.005*math.Abs(x) {
			t.Fatalf("%s has %g, today it is %g: go test ./host/guard -run Comparison -update", file, x, y)
		}
	}
}

func TestComparisonPageIsFresh(t *testing.T) {
	text, picture := page(t)
	if *update {
		for file, data := range map[string][]byte{"comparison.md": text, "comparison.svg": picture} {
			if err := os.WriteFile(file, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	same(t, "comparison.md", text)
	same(t, "comparison.svg", picture)
}

// What the page says in words.
func TestComparisonHoldsWhatItSays(t *testing.T) {
	for i := range scenarios {
		s := &scenarios[i]
		all := answers(t, s)
		lag := func(f int) float64 { return s.measure(all[0], all[f+1]) }
		a := func(f int) float64 { return most(differences(differences(all[f+1]))) / acceleration }
		if a(0) > 1+1e-6 || most(differences(differences(differences(all[1]))))/jerk > 1+2e-6 {
			t.Errorf("%s: the guard breaks a limit", s.name)
		}
		if lag(0) >= lag(2) {
			t.Errorf("%s: the guard lags %.3f s, a low-pass %.3f s", s.name, lag(0), lag(2))
		}
		if i == 1 && lag(0) > 1e-9 {
			t.Errorf("the guard adds %g s to a sine that obeys", lag(0))
		}
		if i != 1 && a(1) < 30 {
			t.Errorf("%s: the rate limiter takes %.1f times the acceleration", s.name, a(1))
		}
	}
}
