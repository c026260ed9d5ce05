package config

import (
	"bytes"
	"fmt"
	"strings"

	"perch/host/pose"
)

// Text is the seat as a seat file, which ParseSeat reads back to within twelve digits. Comments that a person wrote are not
// in it.
func (s Seat) Text() []byte {
	var b bytes.Buffer
	b.WriteString("# Written by commissioning. Every number carries its unit.\n\n")
	text := func(key, v string) { fmt.Fprintf(&b, "%s = %s\n", key, quote(v)) }
	quantity := func(key string, d Dimension, v float64) { text(key, d.Format(v)) }
	table := func(format string, a ...any) { fmt.Fprintf(&b, "\n["+format+"]\n", a...) }
	axis := func(a pose.Axis, low, high, speed, acceleration, jerk pose.Pose) {
		d := [...]Dimension{Length, Speed, Acceleration, Jerk}
		if a.Unit() == "rad" {
			d = [...]Dimension{Angle, AngularSpeed, AngularAcceleration, AngularJerk}
		}
		quantity("low", d[0], low[a])
		quantity("high", d[0], high[a])
		quantity("speed", d[1], speed[a])
		quantity("acceleration", d[2], acceleration[a])
		quantity("jerk", d[3], jerk[a])
	}

	text("port", s.Port)
	if s.Baud == 0 {
		text("baud", AutoBaud)
	} else {
		fmt.Fprintf(&b, "baud = %d\n", s.Baud)
	}
	table("mechanism")
	text("kind", s.Mechanism.Kind)
	axes := s.Mechanism.Axes()
	if m := s.Mechanism.Box; s.Mechanism.Kind == Box {
		for a := range pose.Count {
			if axes.Has(a) {
				table("mechanism.%s", a)
				axis(a, m.Low, m.High, m.Speed, m.Acceleration, m.Jerk)
			}
		}
	} else {
		s.Mechanism.form().write(table, text)
	}
	for a := range pose.Count {
		if axes.Has(a) {
			table("limits.%s", a)
			axis(a, s.Limits.Low, s.Limits.High, s.Limits.Speed, s.Limits.Acceleration, s.Limits.Jerk)
		}
	}
	s.writeLoad(table, text, func(key, v string) { fmt.Fprintf(&b, "%s = %s\n", key, v) })
	table("controller")
	if s.Driver == TextDriver {
		text("driver", s.Driver)
		table("controller.text")
		text("template", s.Dialect.Template)
		text("on_start", s.Dialect.OnStart)
		text("on_stop", s.Dialect.OnStop)
		if s.Dialect.Rate != 0 {
			quantity("rate", Frequency, s.Dialect.Rate)
		}
	} else {
		text("board", s.Board)
	}
	if !s.Record.IsZero() {
		b.WriteByte('\n')
		s.Record.text(&b)
	}
	return b.Bytes()
}

// quote writes a TOML basic string. TOML knows fewer escapes than Go, and takes no control character bare.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			b.WriteString(`\u` + fmt.Sprintf("%04X", r))
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
