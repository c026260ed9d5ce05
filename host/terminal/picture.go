package terminal

import (
	"io"
	"strings"

	"github.com/charmbracelet/x/ansi"
)

// Picture is a drawn vehicle beside what is to be done with the real one.
type Picture struct {
	Attitude    Attitude
	HasAttitude bool
	Derived     bool     // the attitude was completed by the host
	Beside      []string // lines: what to do, what the reading says
}

// PictureLines are a picture as lines for a terminal of width columns.
func PictureLines(p Picture, width int) []string {
	width = min(width-1, widest)
	view := horizon(View{Attitude: p.Attitude, HasAttitude: p.HasAttitude, Derived: p.Derived})
	var words []string
	room := width - horizonWidth - 4
	if room < aroundBar {
		room = width
	}
	for _, l := range p.Beside {
		words = append(words, strings.Split(ansi.Wrap(clean(l), room, ""), "\n")...)
	}
	if room == width {
		return append(view, words...)
	}
	return beside(view, words)
}

// Drawing redraws pictures in one place on a terminal.
type Drawing struct {
	panel  panel
	size   func() (width, height int)
	colour bool
}

// NewDrawing makes one; size gives columns and rows whenever it is asked, zero where not known.
func NewDrawing(w io.Writer, size func() (width, height int), colour bool) *Drawing {
	return &Drawing{panel: panel{w: w}, size: size, colour: colour}
}

// Render draws a picture over the one before.
func (d *Drawing) Render(p Picture) {
	width, height := bounds(d.size)
	d.panel.draw(PictureLines(p, width), nil, width, height, d.colour)
}

// Close leaves the last picture on the screen; what is drawn next comes below it.
func (d *Drawing) Close() {
	width, height := bounds(d.size)
	d.panel.close(nil, width, height)
}
