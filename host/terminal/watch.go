package terminal

import (
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"gonum.org/v1/gonum/num/quat"

	"perch/sdk/vehicle"
)

// A row shows one signal to a person.
type row struct {
	label  string
	signal vehicle.Signal
	factor float64 // from SI to unit
	unit   string
	digits int
}

const perDegree = 180 / math.Pi

// Attitude has rows of its own: a quaternion says nothing to a person.
var rows = [...]row{
	{"position north", vehicle.PositionN, 1, "m", 1},
	{"position east", vehicle.PositionE, 1, "m", 1},
	{"position down", vehicle.PositionD, 1, "m", 1},
	{"velocity forward", vehicle.VelocityX, 1, "m/s", 2},
	{"velocity right", vehicle.VelocityY, 1, "m/s", 2},
	{"velocity down (body)", vehicle.VelocityZ, 1, "m/s", 2},
	{"velocity north", vehicle.VelocityN, 1, "m/s", 2},
	{"velocity east", vehicle.VelocityE, 1, "m/s", 2},
	{"velocity down", vehicle.VelocityD, 1, "m/s", 2},
	{"roll rate (p)", vehicle.AngularVelocityP, perDegree, "deg/s", 1},
	{"pitch rate (q)", vehicle.AngularVelocityQ, perDegree, "deg/s", 1},
	{"yaw rate (r)", vehicle.AngularVelocityR, perDegree, "deg/s", 1},
	{"felt force forward", vehicle.SpecificForceX, 1, "m/s2", 2},
	{"felt force right", vehicle.SpecificForceY, 1, "m/s2", 2},
	{"felt force down", vehicle.SpecificForceZ, 1, "m/s2", 2},
	{"airspeed", vehicle.Airspeed, 1, "m/s", 1},
	{"angle of attack", vehicle.AngleOfAttack, perDegree, "deg", 1},
	{"sideslip", vehicle.Sideslip, perDegree, "deg", 1},
	{"engine", vehicle.EngineRPM, 1, "rpm", 0},
	{"rotor", vehicle.RotorRPM, 1, "rpm", 0},
	{"gear down", vehicle.GearRatio, 100, "%", 0},
	{"flaps out", vehicle.FlapRatio, 100, "%", 0},
}

// Angles gives an attitude as yaw, pitch and roll, intrinsic z-y-x, in rad (ISO 1151-1).
func Angles(q quat.Number) Attitude {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	return Attitude{
		Roll:  math.Atan2(2*(w*x+y*z), 1-2*(x*x+y*y)),
		Pitch: math.Asin(min(1, max(-1, 2*(w*y-z*x)))),
		Yaw:   math.Atan2(2*(w*z+x*y), 1-2*(y*y+z*z)),
	}
}

// Watch shows one source's states as they come.
type Watch struct {
	mu       sync.Mutex
	w        io.Writer
	ansi     bool
	size     func() (width, height int)
	panel    panel
	lastLine time.Duration
	begun    bool
}

// NewWatch makes a Watch, in the manner of NewDisplay.
func NewWatch(w io.Writer, ansi bool, size func() (width, height int)) *Watch {
	return &Watch{w: w, ansi: ansi, size: size, panel: panel{w: w}}
}

// Render shows a state: the table each time, or without a terminal a plain line a second.
func (x *Watch) Render(elapsed time.Duration, source Source, s *vehicle.State) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if !x.ansi {
		if x.begun && elapsed-x.lastLine < plainEvery {
			return
		}
		x.begun, x.lastLine = true, elapsed
		fmt.Fprintln(x.w, WatchLine(elapsed, source, s))
		return
	}
	width, height := bounds(x.size)
	x.panel.draw(WatchTable(elapsed, source, s, width, height), nil, width, height, true)
}

// Close leaves the last table on the screen, and the terminal as it was.
func (x *Watch) Close() error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.ansi {
		width, height := bounds(x.size)
		x.panel.close(nil, width, height)
	}
	return nil
}

type cell struct{ label, value, unit string }

func cells(s *vehicle.State) []cell {
	var out []cell
	if q, ok := s.Attitude(); ok {
		a := Angles(q)
		heading := math.Mod(math.Round(degrees(a.Yaw)*10)/10+360, 360)
		out = append(out, cell{"roll", signed(degrees(a.Roll), 1), "deg"}, cell{"pitch", signed(degrees(a.Pitch), 1), "deg"},
			cell{"heading (yaw)", fmt.Sprintf("%.1f", heading), "deg"})
	}
	for _, r := range rows {
		if v, ok := s.Value(r.signal); ok {
			out = append(out, cell{r.label, signed(v*r.factor, r.digits), r.unit})
		}
	}
	if v, ok := s.Value(vehicle.OnGround); ok {
		word := "no"
		if v != 0 {
			word = "yes"
		}
		out = append(out, cell{"on the ground", word, ""})
	}
	for _, e := range s.Extra {
		out = append(out, cell{clean(e.Name), fmt.Sprintf("%.4g", e.Value), clean(e.Unit)})
	}
	return out
}

// WatchLine is a state as one plain line.
func WatchLine(elapsed time.Duration, source Source, s *vehicle.State) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  source %s", seconds(elapsed), sourceWords(source))
	if s == nil {
		return b.String() + "  nothing yet"
	}
	if s.Condition != vehicle.Running {
		fmt.Fprintf(&b, "  %s", s.Condition)
	}
	for _, c := range cells(s) {
		fmt.Fprintf(&b, "  %s %s", c.label, strings.TrimSpace(c.value+" "+c.unit))
	}
	if s.Discontinuity {
		b.WriteString("  (jump)")
	}
	return b.String()
}

// WatchTable is a state as lines for a terminal of width columns and height rows, in two columns where one does not hold it.
func WatchTable(elapsed time.Duration, source Source, s *vehicle.State, width, height int) []string {
	out := []string{fmt.Sprintf(" %s  %s", seconds(elapsed), styled(bold, sourceWords(source)))}
	if s == nil {
		return append(out, " nothing yet")
	}
	who := strings.TrimSpace(clean(s.Name) + " " + clean(s.Class))
	if who == "" {
		who = "vehicle not named"
	}
	out = append(out, fmt.Sprintf(" %s, %s, source time %.3f s", who, s.Condition, float64(s.SourceTime)/1e9),
		styled(dim, strings.Repeat("─", max(0, min(width-1, widest)))))
	all := cells(s)
	if len(all) == 0 {
		return append(out, " this state gives no signal")
	}
	room := max(1, height-1-len(out))
	columns := 1
	if len(all) > room {
		columns = 2
	}
	per := (len(all) + columns - 1) / columns
	for i := range per {
		line := ""
		for c := range columns {
			if k := c*per + i; k < len(all) {
				line += fmt.Sprintf(" %-20.20s %9s %-6s ", all[k].label, all[k].value, all[k].unit)
			}
		}
		out = append(out, strings.TrimRight(line, " "))
	}
	if len(out) > height-1 {
		out = out[:max(0, height-1)]
	}
	return out
}
