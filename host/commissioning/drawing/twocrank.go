package drawing

import (
	"fmt"
	"html"
	"math"
	"strings"

	"perch/host/config"
	"perch/host/mechanism"
	"perch/host/pose"
)

const head = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-labelledby="title">
  <title id="title">This two-crank seat, to scale</title>
  <style>
    text { font: 15px sans-serif; fill: #222 }
    .head { font-weight: bold; font-size: 17px }
    .small { font-size: 13px; fill: #555 }
    .value { font-weight: bold; paint-order: stroke; stroke: #fff; stroke-width: 4px }
    .seat { fill: none; stroke: #36648b; stroke-width: 6; stroke-linecap: round; stroke-linejoin: round }
    .rod { stroke: #444; stroke-width: 5; stroke-linecap: round }
    .crank { stroke: #b3541e; stroke-width: 8; stroke-linecap: round }
    .arc { fill: none; stroke: #b3541e; stroke-width: 1.2; stroke-dasharray: 3 3 }
    .ball { fill: #fff; stroke: #222; stroke-width: 2.5 }
    .measure { fill: none; stroke: #222; stroke-width: 1.2; marker-start: url(#a); marker-end: url(#a) }
    .help { stroke: #aaa; stroke-width: 1; stroke-dasharray: 4 4 }
    .grid { stroke: #eee; stroke-width: 1 }
  </style>
  <defs>
    <marker id="a" viewBox="0 0 10 10" refX="10" refY="5" markerWidth="8" markerHeight="8" orient="auto-start-reverse"><path d="M0 1 10 5 0 9z" fill="#222"/></marker>
  </defs>
  <rect width="100%%" height="100%%" fill="#fff"/>
`

// canvas is one view: places in m become pixels.
type canvas struct {
	b      *strings.Builder
	ox, oy float64 // pixel of the joint
	scale  float64 // pixels for one m
}

func (c canvas) at(x, y float64) (float64, float64) { return c.ox + c.scale*x, c.oy + c.scale*y }

func (c canvas) line(class string, x1, y1, x2, y2 float64) {
	px, py := c.at(x1, y1)
	qx, qy := c.at(x2, y2)
	c.pixels(class, px, py, qx, qy)
}

func (c canvas) pixels(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(c.b, "  <path class=%q d=\"M%.1f %.1fL%.1f %.1f\"/>\n", class, x1, y1, x2, y2)
}

func (c canvas) ball(x, y, r float64) {
	px, py := c.at(x, y)
	fmt.Fprintf(c.b, "  <circle class=\"ball\" cx=\"%.1f\" cy=\"%.1f\" r=\"%g\"/>\n", px, py, r)
}

func (c canvas) text(class, anchor string, px, py float64, words string) {
	fmt.Fprintf(c.b, "  <text class=%q x=\"%.1f\" y=\"%.1f\" text-anchor=%q>%s</text>\n", class, px, py, anchor, html.EscapeString(words))
}

// across draws a level measure at a height in pixels, with help lines from the places that it joins.
func (c canvas) across(label string, x1, y1, x2, y2, py float64) {
	ax, ay := c.at(x1, y1)
	bx, by := c.at(x2, y2)
	c.pixels("help", ax, ay, ax, py)
	c.pixels("help", bx, by, bx, py)
	c.span(label, min(ax, bx), max(ax, bx), py)
}

func (c canvas) span(label string, ax, bx, py float64) {
	if bx-ax > 8 {
		c.pixels("measure", ax, py, bx, py)
	}
	c.text("value", "middle", (ax+bx)/2, py-7, label)
}

// upright draws an upright measure at a column in pixels, its label on the side given.
func (c canvas) upright(label, anchor string, x1, y1, x2, y2, px float64) {
	ax, ay := c.at(x1, y1)
	bx, by := c.at(x2, y2)
	c.pixels("help", ax, ay, px, ay)
	c.pixels("help", bx, by, px, by)
	if math.Abs(by-ay) > 8 {
		c.pixels("measure", px, min(ay, by), px, max(ay, by))
	}
	off := 8.0
	if anchor == "end" {
		off = -8
	}
	c.text("value", anchor, px+off, (ay+by)/2+5, label)
}

// grid draws lines 100 mm apart over a part of the view.
func (c canvas) grid(x1, y1, x2, y2 float64) {
	const step = 0.1
	for x := math.Floor(x1/step) * step; x <= math.Ceil(x2/step)*step+step/2; x += step {
		c.line("grid", x, math.Floor(y1/step)*step, x, math.Ceil(y2/step)*step)
	}
	for y := math.Floor(y1/step) * step; y <= math.Ceil(y2/step)*step+step/2; y += step {
		c.line("grid", math.Floor(x1/step)*step, y, math.Ceil(x2/step)*step, y)
	}
}

func twoCrank(m config.Mechanism) (string, error) {
	s := m.TwoCrank
	made, err := mechanism.NewTwoCrank(s)
	if err != nil {
		return "", err
	}
	var level mechanism.Positions
	if err := made.CrankAngles(pose.Pose{}, &level); err != nil {
		return "", err
	}
	way := 1.0
	if s.TipBackward {
		way = -1
	}
	measures := m.Measures()
	label := map[string]string{}
	for i, x := range measures {
		label[x.Name] = short(i, x)
	}
	const (
		width, top    = 1160, 90
		viewW, viewH  = 330.0, 400.0
		sideX, aboveX = 150.0, 690.0 // left edges of the views
		tableY        = 640
	)
	var b strings.Builder
	fmt.Fprintf(&b, head, width, tableY+rowHigh*(len(measures)+3))

	// side view: x forward, z down
	px, pz := -s.JointToSeatPointBack, -s.SeatPointHeight
	cx, cz := px+s.CrankForward, s.CrankDrop
	tip := func(angle float64) (x, z float64) {
		return cx + way*s.CrankRadius*math.Cos(angle), cz - s.CrankRadius*math.Sin(angle)
	}
	tx, tz := tip(level[0])
	lowX, highX := min(px, cx-s.CrankRadius), max(0, cx+s.CrankRadius)
	lowZ, highZ := min(0, pz, cz-s.CrankRadius), max(0, pz, cz+s.CrankRadius)
	reach := s.HalfWidth + max(0, s.CrankOutward)
	scale := min(viewW/(highX-lowX), viewH/(highZ-lowZ), viewH/(2*reach+0.05))

	side := canvas{&b, sideX - scale*lowX, top + 20 - scale*lowZ, scale}
	side.grid(lowX, lowZ, highX, highZ)
	side.text("head", "start", sideX, 40, "From the right side, the seat level")
	side.text("small", "start", sideX, 60, "forward is to the right")
	side.line("seat", px, pz, 0, pz)
	side.line("seat", 0, pz, 0.25*s.JointToSeatPointBack, pz)
	if pz != 0 {
		side.line("seat", 0, pz, 0, 0)
	}
	var arc []string
	for i := range 41 {
		x, z := tip(s.Low + (s.High-s.Low)*float64(i)/40)
		ax, az := side.at(x, z)
		arc = append(arc, fmt.Sprintf("%.1f %.1f", ax, az))
	}
	fmt.Fprintf(&b, "  <path class=\"arc\" d=\"M%s\"/>\n", strings.Join(arc, "L"))
	side.line("crank", cx, cz, tx, tz)
	side.line("rod", px, pz, tx, tz)
	side.ball(0, 0, 9)
	side.ball(px, pz, 7)
	side.ball(tx, tz, 7)
	side.ball(cx, cz, 4)
	_, yTop := side.at(0, lowZ)
	_, yBottom := side.at(0, highZ)
	xLeft, _ := side.at(lowX, 0)
	xRight, _ := side.at(highX, 0)
	side.across(label["JointToSeatPointBack"], px, pz, 0, 0, yTop-18)
	side.upright(label["SeatPointHeight"], "end", px, pz, 0, 0, xLeft-26)
	side.upright(label["CrankDrop"], "start", 0, 0, cx, cz, xRight+26)
	side.across(label["CrankForward"], px, pz, cx, cz, yBottom+52)
	mx, mz := side.at((px+tx)/2, (pz+tz)/2)
	side.text("value", "start", mx+12, mz, label["RodLength"])
	gx, gz := side.at((cx+tx)/2, (cz+tz)/2)
	side.text("value", "middle", gx, gz+24, label["CrankRadius"])

	// from above: x forward, y right, which is down on the paper
	above := canvas{&b, aboveX - scale*lowX, top + 20 + scale*reach + 20, scale}
	above.grid(lowX, -reach, highX, reach)
	above.text("head", "start", aboveX, 40, "From above, the seat level")
	above.text("small", "start", aboveX, 60, "forward is to the right, the rider's right is below")
	above.line("seat", px, -s.HalfWidth, px, s.HalfWidth)
	above.line("seat", px, 0, 0.25*s.JointToSeatPointBack, 0)
	for i, y := range []float64{-1, 1} {
		x, _ := tip(level[i])
		out := y * (s.HalfWidth + s.CrankOutward)
		above.line("crank", cx, out, x, out)
		above.line("rod", px, y*s.HalfWidth, x, out)
		above.ball(px, y*s.HalfWidth, 7)
		above.ball(x, out, 7)
		above.ball(cx, out, 4)
	}
	above.ball(0, 0, 9)
	xLeft, _ = above.at(lowX, 0)
	xRight, _ = above.at(highX, 0)
	above.upright(label["HalfWidth"], "end", 0, 0, px, s.HalfWidth, xLeft-26)
	above.upright(label["CrankOutward"], "start", px, s.HalfWidth, cx, s.HalfWidth+s.CrankOutward, xRight+26)
	ux, uy := above.at(0, 0)
	above.text("small", "start", ux+12, uy-10, "joint")

	page, y := canvas{b: &b}, table(&b, measures, tableY)
	tips := "forward"
	if s.TipBackward {
		tips = "backward"
	}
	y += rowHigh + 8
	page.text("", "start", 40, y, fmt.Sprintf("With the seat level the cranks stand at %.1f deg (tip up is positive), their tips %s. Their travel, %s to %s, is the dotted arc.",
		level[0]*180/math.Pi, tips, config.Angle.Format(s.Low), config.Angle.Format(s.High)))
	y += rowHigh
	page.text("small", "start", 40, y, "To scale: one square of the grid is 100 mm, in both views.")
	b.WriteString("</svg>\n")
	return b.String(), nil
}
