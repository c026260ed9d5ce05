package config

import (
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"perch/host/mechanism"
	"perch/host/seat/text"
)

// Drivers of a controller.
const (
	LinkDriver = "link" // proto/seatlink
	TextDriver = "text" // host/seat/text
)

// Dialect is how a text driver speaks to its controller.
type Dialect struct {
	Template string  // of one setpoint
	OnStart  string  // written when the seat is armed
	OnStop   string  // written when setpoints end
	Rate     float64 // Hz; 0: the loop's
}

// AutoBaud stands for a baud that is chosen for the rate and the axes.
const AutoBaud = "auto"

// readBaud reads a baud, or "auto", which is 0.
func readBaud(top *section, out *int) {
	n := top.node.find("baud")
	if n == nil || n.kind != unstable.String {
		top.integer("baud", minBaud, maxBaud, out)
		return
	}
	var text string
	top.string("baud", &text)
	if text != AutoBaud {
		top.fault(n.line, "baud", "%q is neither a whole number nor \"auto\"; write baud = \"auto\" or such as baud = 500000", text)
		return
	}
	*out = 0
}

// readController reads [controller]. It comes after the mechanism, since a template is tried on its actuators.
func readController(top *section, s *Seat) {
	c := top.sub("controller")
	defer c.done()
	c.string("board", &s.Board)
	c.choice("driver", &s.Driver, LinkDriver, TextDriver)
	t := c.sub("text")
	if s.Driver != TextDriver {
		if t.node != nil {
			c.fault(t.node.line, "text", "is for another driver; write driver = \"text\" above it, or remove it")
		}
		return
	}
	if s.Board != "" {
		c.fault(c.node.find("board").line, "board", "a text driver hears nothing from its controller; remove it")
	}
	if s.Port != Simulated && s.Baud == 0 {
		top.fault(0, "baud", "a text driver cannot choose it; give the baud that the controller is set to")
	}
	if t.node == nil {
		if c.node.find("text") == nil {
			c.fault(0, "text", "missing; add [controller.text] with template = \"...\"")
		}
		return
	}
	defer t.done()
	t.string("on_start", &s.Dialect.OnStart)
	t.string("on_stop", &s.Dialect.OnStop)
	t.quantity("rate", Frequency, 5, 1000, &s.Dialect.Rate)
	if !t.string("template", &s.Dialect.Template) {
		if t.node.find("template") == nil {
			t.fault(0, "template", "missing; add template = \"...\", such as \"A{{printf \\\"%%.2f\\\" .Actuator1.Deg}}\\n\"")
		}
		return
	}
	m, err := s.Mechanism.New()
	if err != nil {
		return // said already
	}
	axes, metres := TextAxes(m)
	if _, err := text.ParseTemplate(s.Dialect.Template, axes, metres); err != nil {
		t.fault(t.node.find("template").line, "template", "%s", strings.TrimPrefix(err.Error(), "template: "))
	}
}

// TextAxes are a mechanism's actuators as a text driver wants them, and whether they slide.
func TextAxes(m mechanism.Mechanism) (axes []text.Axis, metres bool) {
	var level mechanism.Positions
	_ = m.Inverse([6]float64{}, &level) // a mechanism that does not reach level is refused long before
	for i, a := range m.Actuators() {
		axes = append(axes, text.Axis{Low: a.Low, High: a.High, Speed: a.Speed, Level: level[i]})
		metres = a.Unit == "m"
	}
	return axes, metres
}
