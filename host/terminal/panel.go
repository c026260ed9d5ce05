package terminal

import (
	"fmt"
	"math"
	"strings"

	"github.com/charmbracelet/x/ansi"

	"perch/host/pose"
)

// Line is the view as one plain line.
func Line(v View) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %s", seconds(v.Elapsed), clean(v.State))
	if v.Cause != "" {
		fmt.Fprintf(&b, ": %s", clean(v.Cause))
	}
	if v.Countdown > 0 {
		fmt.Fprintf(&b, "  may move in %.0f s", math.Ceil(v.Countdown))
	}
	fmt.Fprintf(&b, "  source %s", sourceWords(v.Source))
	if v.Source.Signs != "" {
		fmt.Fprintf(&b, "  signs %s", clean(v.Source.Signs))
	}
	if v.HasAttitude {
		fmt.Fprintf(&b, "  vehicle roll %s pitch %s deg", signed(degrees(v.Attitude.Roll), 1), signed(degrees(v.Attitude.Pitch), 1))
		if v.Derived {
			b.WriteString(" (derived)")
		}
	}
	if v.HasSpeed {
		fmt.Fprintf(&b, "  speed %.1f m/s", v.Speed)
	}
	if v.Axes != 0 {
		b.WriteString("  seat")
	}
	for a := range pose.Count {
		if v.Axes.Has(a) {
			value, unit := axisValue(a, v.Commanded[a])
			fmt.Fprintf(&b, " %s %s %s", a, value, unit)
		}
	}
	if len(v.Held) > 0 {
		fmt.Fprintf(&b, "  held back by %s", clean(strings.Join(v.Held, ", ")))
	}
	if v.Skipped > 0 {
		fmt.Fprintf(&b, "  ticks skipped %d of %d", v.Skipped, v.Ticks+v.Skipped)
	}
	return b.String()
}

func axisValue(a pose.Axis, v float64) (value, unit string) {
	if a.Unit() == "rad" {
		return signed(degrees(v), 1), "deg"
	}
	return signed(v*1000, 0), "mm"
}

func sourceWords(s Source) string {
	var b strings.Builder
	b.WriteString(clean(s.Name))
	if s.Adapter != "" && s.Adapter != s.Name {
		fmt.Fprintf(&b, " (%s)", clean(s.Adapter))
	}
	if s.Rate > 0 {
		fmt.Fprintf(&b, " %.0f Hz", s.Rate)
	}
	if s.Condition != "absent" {
		fmt.Fprintf(&b, " age %s", age(s.Age))
	}
	if s.Condition != "" {
		b.WriteString(" " + clean(s.Condition))
	}
	return b.String()
}

func age(s float64) string {
	switch {
	case math.IsNaN(s) || s < 0 || s > 9999:
		return "?"
	case s < 1:
		return fmt.Sprintf("%.0f ms", s*1000)
	}
	return fmt.Sprintf("%.1f s", s)
}

// What the terminal does to a piece of text. Each only adds to what the words say.
const (
	bold    = "\x1b[1m"
	dim     = "\x1b[2m"
	inverse = "\x1b[7m"
	red     = "\x1b[31m"
	green   = "\x1b[32m"
	yellow  = "\x1b[33m"
	cyan    = "\x1b[36m"
	nose    = "\x1b[1;97;48;5;24m"
	sky     = "\x1b[38;5;137;48;5;24m" // ground's colour on the sky's: a block glyph is ground
)

func styled(style, s string) string { return style + s + reset }

const (
	horizonWidth  = 31
	horizonHeight = 9
	widest        = 100
	aroundBar     = 28 // columns that a bar's words take
	fullHeight    = 21 // rows that the panel with a horizon is worth its place in
)

// Panel is the view as lines for a terminal of width columns and height rows. It is at most a row shorter than that.
func Panel(v View, width, height int) []string {
	width = min(width-1, widest)
	var out []string
	out = append(out, head(v, width))
	out = append(out, styled(dim, strings.Repeat("─", max(0, width))))

	var body []string
	if left := horizonWidth + 2 + 2; width >= left+aroundBar+8 && height >= fullHeight {
		body = beside(horizon(v), bars(v, min(36, width-left-aroundBar)))
	} else {
		body = append([]string{vehicleWords(v)}, bars(v, min(32, width-aroundBar))...)
	}
	end := append([]string{out[1]}, foot(v)...)
	// Where the terminal is low, the motors go first; the head, the cautions and the keys are what nobody may miss.
	room := max(0, height-1-len(out)-len(end))
	out = append(append(out, body[:min(room, len(body))]...), end...)
	if over := len(out) - max(1, height-1); over > 0 {
		out = append(out[:1], out[1+over:]...)
	}
	for i := range out {
		out[i] = ansi.Truncate(out[i], max(0, width), "…")
	}
	return out
}

// beside puts two blocks next to each other; the left one's lines are all as wide as the horizon's.
func beside(left, right []string) []string {
	out := make([]string, max(len(left), len(right)))
	for i := range out {
		l, r := strings.Repeat(" ", horizonWidth+2), ""
		if i < len(left) {
			l = left[i]
		}
		if i < len(right) {
			r = right[i]
		}
		out[i] = l + "  " + r
	}
	return out
}

func head(v View, width int) string {
	style := bold
	switch v.State {
	case "riding":
		style += green
	case "fault":
		style += inverse + red
	case "stopping", "held", "settling":
		style += inverse + yellow
	}
	left := fmt.Sprintf(" %s  %s", clock(v), styled(style, " "+StateLabel(v.State)+" "))
	if v.Cause != "" {
		left += " " + clean(v.Cause)
	}
	right := "[disarmed]"
	if v.Armed {
		right = styled(bold, "[ARMED]")
	}
	if v.Reduced {
		right = "reduced speed " + right
	}
	switch {
	case v.Countdown > 0:
		right = styled(bold+inverse, fmt.Sprintf(" MAY MOVE IN %.0f s ", math.Ceil(v.Countdown))) + " "
	case v.Holding > 0 && !v.Armed:
		right = "keep holding a " + gauge(v.Holding, 10) + " "
	}
	room := width - ansi.StringWidth(right) - 1
	left = ansi.Truncate(left, max(0, room), "…")
	return left + strings.Repeat(" ", max(1, width-ansi.StringWidth(left)-ansi.StringWidth(right))) + right
}

func clock(v View) string {
	s := v.Elapsed.Seconds()
	return fmt.Sprintf("%d:%04.1f", int(s)/60, math.Mod(math.Floor(s*10)/10, 60))
}

func gauge(share float64, n int) string {
	full := min(n, max(0, int(share*float64(n)+0.5)))
	return "[" + strings.Repeat("#", full) + strings.Repeat("·", n-full) + "]"
}

func vehicleWords(v View) string {
	attitude, more := attitudeWords(v)
	return " vehicle  " + strings.TrimRight(attitude+"  "+more, " ")
}

// attitudeWords is two pieces, each as narrow as the horizon.
func attitudeWords(v View) (attitude, more string) {
	attitude = "attitude not known"
	var parts []string
	if v.HasAttitude {
		attitude = fmt.Sprintf("roll %s° pitch %s°", signed(degrees(v.Attitude.Roll), 1), signed(degrees(v.Attitude.Pitch), 1))
		parts = append(parts, fmt.Sprintf("heading %03.0f°", math.Mod(math.Round(degrees(v.Attitude.Yaw))+720, 360)))
	}
	if v.HasSpeed {
		parts = append(parts, fmt.Sprintf("%.1f m/s", v.Speed))
	}
	if v.HasAttitude && v.Derived {
		parts = append(parts, "derived")
	}
	return attitude, strings.Join(parts, "  ")
}

// horizon is the view forward out of the vehicle: ground below the line, and a mark where the nose points. It shows 25°
// up and down.
func horizon(v View) []string {
	border := strings.Repeat("─", horizonWidth)
	out := []string{styled(dim, "┌"+border+"┐")}
	var grid [horizonHeight][horizonWidth]rune
	for row := range grid {
		for col := range grid[row] {
			grid[row][col] = ' '
			if v.HasAttitude {
				grid[row][col] = ground(v.Attitude, row, col)
			}
		}
	}
	for row := range grid {
		line := string(grid[row][:])
		switch {
		case row != horizonHeight/2:
			line = styled(sky, line)
		case !v.HasAttitude:
			const words = "attitude not known"
			line = strings.Repeat(" ", (horizonWidth-len(words))/2) + words + strings.Repeat(" ", (horizonWidth-len(words)+1)/2)
		default:
			cells, left, right := grid[row][:], horizonWidth/2-6, horizonWidth/2+2
			line = styled(sky, string(cells[:left])) + styled(nose, "━━━━┓") + styled(sky, string(cells[left+5:left+6])) + styled(nose, "◆") +
				styled(sky, string(cells[right-1:right])) + styled(nose, "┏━━━━") + styled(sky, string(cells[right+5:]))
		}
		out = append(out, styled(dim, "│")+line+styled(dim, "│"))
	}
	out = append(out, styled(dim, "└"+border+"┘"))
	pad := func(s string) string {
		return s + strings.Repeat(" ", max(0, horizonWidth+2-ansi.StringWidth(s)))
	}
	words, more := attitudeWords(v)
	return append(out, pad(ansi.Truncate(" "+words, horizonWidth+2, "…")), pad(ansi.Truncate(" "+more, horizonWidth+2, "…")))
}

// ground is the glyph for how much of one cell lies under the horizon.
func ground(a Attitude, row, col int) rune {
	const perRow = 50.0 / horizonHeight // degrees; a cell is twice as high as it is wide
	const perCol = perRow / 2
	sin, cos := math.Sincos(a.Roll)
	// Elevation of a point right by u and up by w of the nose: the right side of a vehicle rolled right looks lower.
	below := func(u, w float64) bool { return degrees(a.Pitch)+w*cos-u*sin < 0 }
	const n = 8
	covered := 0
	lowest := true // what is covered is the lower part of the cell
	for j := range n {
		line := 0
		for i := range n {
			u := (float64(col) - horizonWidth/2 + (float64(i)+0.5)/n - 0.5) * perCol
			w := (horizonHeight/2 - float64(row) + 0.5 - (float64(j)+0.5)/n) * perRow
			if below(u, w) {
				line++
			}
		}
		covered += line
		if j == 0 && line > n/2 {
			lowest = false
		}
	}
	if lowest && cos > 0.5 {
		return []rune(" ▁▂▃▄▅▆▇█")[covered/n]
	}
	return []rune(" ░▒▓█")[(covered*4+n*n/2)/(n*n)]
}

// bars shows each axis and each actuator in its travel.
func bars(v View, width int) []string {
	width = max(width, 5)
	out := []string{styled(bold, "seat") + "   ○ wanted  ● commanded  ◉ both"}
	sides := [pose.Count][2]string{{"back", "fwd"}, {"left", "right"}, {"up", "down"}, {"left", "right"}, {"down", "up"}, {"left", "right"}}
	for a := range pose.Count {
		if !v.Axes.Has(a) {
			continue
		}
		value, unit := axisValue(a, v.Commanded[a])
		out = append(out, fmt.Sprintf("%-5s %5s %s %-6s %s", a, sides[a][0],
			styled(cyan, bar(v.Low[a], v.High[a], v.Wanted[a], v.Commanded[a], width)), sides[a][1], value+short(unit)))
	}
	if len(v.Held) > 0 {
		out = append(out, styled(yellow, "held back by "+clean(strings.Join(v.Held, ", ")))+" (guard)")
	} else {
		out = append(out, styled(dim, "nothing held back (guard)"))
	}
	if len(v.Actuators) > 0 {
		out = append(out, styled(bold, "motors")+" (actuators)")
	}
	for _, a := range v.Actuators {
		value := signed(degrees(a.Position), 1) + "°"
		if a.Unit != "rad" {
			value = signed(a.Position*1000, 0) + " mm"
		}
		name := ansi.Truncate(clean(a.Name), 11, "…")
		name += strings.Repeat(" ", max(0, 11-ansi.StringWidth(name)))
		out = append(out, fmt.Sprintf("%s %s        %s", name, styled(cyan, bar(a.Low, a.High, math.NaN(), a.Position, width)), value))
	}
	return append(out, styled(dim, fmt.Sprintf("loop: %d ticks, %d skipped", v.Ticks, v.Skipped)))
}

func short(unit string) string {
	if unit == "deg" {
		return "°"
	}
	return " " + unit
}

// bar is a scale from low to high with marks for what is wanted and what is commanded. A mark beyond an end is an
// arrow there.
func bar(low, high, wanted, commanded float64, width int) string {
	cells := []rune(strings.Repeat("─", width))
	at := func(x float64) int {
		if !(high > low) {
			return width / 2
		}
		return min(width-1, max(0, int(math.Round((x-low)/(high-low)*float64(width-1)))))
	}
	if low <= 0 && high >= 0 {
		cells[at(0)] = '┼'
	}
	mark := func(x float64, r rune) {
		switch hair := 1e-9 * (high - low); {
		case math.IsNaN(x):
			return
		case x < low-hair:
			r = '◁'
		case x > high+hair:
			r = '▷'
		}
		i := at(x)
		if r == '●' && cells[i] == '○' {
			r = '◉'
		}
		cells[i] = r
	}
	mark(wanted, '○')
	mark(commanded, '●')
	return "├" + string(cells) + "┤"
}

func foot(v View) []string {
	source := " source  " + sourceWords(v.Source)
	if c := v.Source.Condition; c != "" && c != "fresh" {
		source = styled(yellow, source)
	}
	out := []string{source}
	if v.Source.Signs != "" {
		out = append(out, styled(bold+yellow, " signs   "+clean(v.Source.Signs))+"; "+clean(v.Source.Remedy))
	}
	if len(v.Others) > 1 {
		var names []string
		for i, s := range v.Others {
			n := fmt.Sprintf("%d %s %s", i+1, clean(s.Name), clean(s.Condition))
			if s.Name == v.Source.Name {
				n = styled(bold, n+" (live)")
			}
			names = append(names, n)
		}
		out = append(out, " sources "+strings.Join(names, "   "))
	}
	seat := " seat    "
	if v.Controller.Simulated {
		seat += "simulated: nothing moves"
	} else {
		seat += clean(v.Controller.Port) + ": a real seat"
	}
	if v.Controller.State != "" {
		seat += ", controller " + clean(v.Controller.State)
	}
	out = append(out, seat)
	if !v.Controller.Simulated {
		out = append(out, " "+styled(bold, "No safety rating, no emergency stop. What stops the seat: the supply switch."))
	}
	return append(out, styled(dim, " "+KeysHelp))
}
