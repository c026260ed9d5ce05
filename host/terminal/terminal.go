// Package terminal is what an operator sees and presses in a terminal while a seat runs.
//
// Display shows a ride and Watch shows one source, each as a panel that is redrawn in place, or as plain lines
// where the output is no terminal. ReadKeys turns key presses into what the operator asks for. Nothing here
// decides anything; nothing is told by colour alone; names and messages from elsewhere cannot carry control
// sequences to the terminal.
package terminal

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/charmbracelet/x/ansi"
	"golang.org/x/term"

	"perch/host/pose"
)

// View is all that one redraw of a ride shows. Angles are in rad, as everywhere in the host; the screen shows degrees.
type View struct {
	Elapsed time.Duration // since the first tick

	Source Source   // the live one
	Others []Source // chosen for this ride too, in the order of the number keys, the live one included

	Attitude    Attitude
	HasAttitude bool
	Derived     bool    // the attitude was completed by the host
	Speed       float64 // m/s
	HasSpeed    bool

	State     string // of the seat: off, homing, parked, riding, settling, stopping, held, fault
	Cause     string // why it is so, or ""
	Armed     bool
	Reduced   bool    // at reduced speed and travel
	Countdown float64 // s until the seat may move; 0: none runs
	Holding   float64 // 0 to 1: how far the arming key has been held

	Axes      pose.Axes // those that the seat has
	Low, High pose.Pose // travel
	Wanted    pose.Pose // out of cueing
	Commanded pose.Pose // out of the guard
	Held      []string  // why the guard held back, in words; empty: it added nothing

	Actuators  []Actuator
	Controller Controller

	Ticks, Skipped uint64 // of the loop: run, and left out because they came too late
}

// Source is one source of a ride.
type Source struct {
	Name      string
	Adapter   string
	Condition string  // in words: fresh, late, stale, paused, absent
	Rate      float64 // Hz; 0: not known
	Age       float64 // s
	Signs     string  // why it is not followed whole, in words, such as "not confirmed: gentle"; "" where it is
	Remedy    string  // what to do about Signs
}

// Attitude is the vehicle's, in rad: roll right side down, pitch nose up, yaw nose right of north.
type Attitude struct{ Roll, Pitch, Yaw float64 }

// Actuator is one motor's end of the mechanism.
type Actuator struct {
	Name                string
	Unit                string // "rad" or "m"
	Position, Low, High float64
}

// Controller is what drives the motors.
type Controller struct {
	State     string // as it reports it
	Port      string
	Simulated bool
}

// FrameTime is how often Render is worth calling.
const FrameTime = time.Second / 15

// mostPending is the most events that one frame adds.
const mostPending = 64

// plainEvery is the time between plain lines.
const plainEvery = time.Second

// Display shows a ride. Its methods may be called from several goroutines.
type Display struct {
	mu       sync.Mutex
	w        io.Writer
	ansi     bool
	size     func() (width, height int)
	colour   bool
	pending  []string // events that the next frame shows
	panel    panel
	lastLine time.Duration
	lastHead string
	begun    bool
}

// NewDisplay makes a display. With ansi it draws a panel in place, else plain lines; size gives columns and rows
// whenever it is asked, zero where not known.
func NewDisplay(w io.Writer, ansi bool, size func() (width, height int)) *Display {
	return &Display{w: w, ansi: ansi, size: size, colour: ansi, panel: panel{w: w}}
}

// Monochrome leaves colours out of the panel, for those who asked for none. Bold, dim and reverse go with them.
func (d *Display) Monochrome() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.colour = false
}

// Event tells of something that happened: a line above the panel, which stays.
func (d *Display) Event(at time.Duration, text string) {
	line := fmt.Sprintf("%8s  %s", seconds(at), clean(text))
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ansi {
		if len(d.pending) == mostPending {
			// More than a frame can show: the latest say more.
			d.pending = append(d.pending[:0], d.pending[1:]...)
		}
		d.pending = append(d.pending, line)
		return
	}
	fmt.Fprintln(d.w, strings.TrimLeft(line, " "))
}

// Render draws what the view shows: the panel each time, or a plain line when a second has passed or the
// seat's state has changed.
func (d *Display) Render(v View) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.ansi {
		head := v.State + v.Cause + v.Source.Name + v.Source.Condition
		if d.begun && v.Elapsed-d.lastLine < plainEvery && head == d.lastHead {
			return
		}
		d.begun, d.lastLine, d.lastHead = true, v.Elapsed, head
		fmt.Fprintln(d.w, Line(v))
		return
	}
	width, height := d.bounds()
	d.panel.draw(Panel(v, width, height), d.pending, width, height, d.colour)
	d.pending = nil
}

func (d *Display) bounds() (width, height int) { return bounds(d.size) }

func bounds(size func() (int, int)) (width, height int) {
	if size != nil {
		width, height = size()
	}
	if width <= 0 || height <= 0 {
		return 80, 24
	}
	return width, height
}

// Close leaves the last panel on the screen, and the terminal as it was. Further calls draw again.
func (d *Display) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.ansi {
		return nil
	}
	width, height := d.bounds()
	d.panel.close(d.pending, width, height)
	d.pending = nil
	return nil
}

// panel is lines that are drawn over the ones drawn before.
type panel struct {
	w             io.Writer
	last          []string
	width, height int
	drawn         bool
	out           strings.Builder
}

const (
	hideCursor  = "\x1b[?25l"
	showCursor  = "\x1b[?25h"
	beginUpdate = "\x1b[?2026h" // synchronised output: a terminal that knows it shows whole frames only
	endUpdate   = "\x1b[?2026l"
	eraseLine   = "\x1b[K"
	eraseBelow  = "\x1b[J"
	reset       = "\x1b[0m"
)

func (p *panel) draw(lines, above []string, width, height int, colour bool) {
	p.out.Reset()
	p.out.WriteString(beginUpdate + hideCursor)
	if p.drawn && (width != p.width || height != p.height) {
		p.out.WriteString("\x1b[2J\x1b[H") // lines may have wrapped: nothing on the screen is where it was
		p.last = nil
	}
	p.back()
	for _, l := range above {
		// What is left of the old panel below goes when the new one is drawn over it.
		for i, part := range strings.Split(ansi.Wrap(l, max(20, width-11), ""), "\n") {
			if i > 0 {
				part = strings.Repeat(" ", 10) + part // below the text, not below the time
			}
			p.line(part, width, true)
		}
	}
	if len(lines) > height-1 {
		lines = lines[:max(0, height-1)]
	}
	for _, l := range lines {
		p.line(l, width, colour)
	}
	p.out.WriteString(eraseBelow + endUpdate)
	p.last, p.width, p.height, p.drawn = lines, width, height, true
	io.WriteString(p.w, p.out.String())
}

// back moves to the first column of the panel's first line.
func (p *panel) back() {
	p.out.WriteString("\r")
	if n := len(p.last); n > 0 {
		fmt.Fprintf(&p.out, "\x1b[%dA", n)
	}
}

func (p *panel) line(l string, width int, colour bool) {
	if !colour {
		l = ansi.Strip(l)
	}
	// The last column stays free: a terminal that has written it is about to wrap.
	p.out.WriteString(ansi.Truncate(l, width-1, "…") + reset + eraseLine + "\r\n")
}

func (p *panel) close(above []string, width, height int) {
	if len(above) > 0 {
		p.draw(p.last, above, width, height, true)
	}
	p.out.Reset()
	p.out.WriteString(reset + showCursor)
	p.last, p.drawn = nil, false
	io.WriteString(p.w, p.out.String())
}

// clean makes text from elsewhere fit for a terminal: one line, no control sequences.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case unicode.IsPrint(r):
			return r
		}
		return '?'
	}, s)
}

func seconds(d time.Duration) string { return fmt.Sprintf("%.1f s", d.Seconds()) }

func degrees(rad float64) float64 { return rad * 180 / math.Pi }

// signed writes a number with its sign, and no sign on what rounds to zero.
func signed(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "?"
	}
	s := fmt.Sprintf("%+.*f", digits, v)
	if strings.Trim(s, "+-0.") == "" {
		return " " + s[1:]
	}
	return s
}

// StateLabel is the plain label of a seat's state, with the state's name in brackets.
func StateLabel(state string) string {
	label := map[string]string{
		"off":      "No seat ready",
		"homing":   "Finding its zero, slowly",
		"parked":   "Level and holding",
		"riding":   "Moving with the vehicle",
		"settling": "Fading to level",
		"stopping": "Braking",
		"held":     "Stopped and holding",
		"fault":    "Needs attention",
	}[state]
	if label == "" {
		return clean(state)
	}
	return label + " (" + state + ")"
}

// Size gives NewDisplay and NewWatch the size of the terminal that a file is, zero where it is none.
func Size(f *os.File) func() (width, height int) {
	return func() (int, int) {
		width, height, err := term.GetSize(int(f.Fd()))
		if err != nil {
			return 0, 0
		}
		return width, height
	}
}
