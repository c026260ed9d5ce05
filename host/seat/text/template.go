package text

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"text/template/parse"
)

// Axis is one actuator, as a template sees it.
type Axis struct {
	Low, High float64 // travel, rad or m
	Speed     float64 // rad/s or m/s
	Level     float64 // where it is while the seat stands level, rad or m
}

// longest is the most bytes that one setpoint may become.
const longest = 1024

// A Template writes setpoints as a controller of another kind reads them. It is a Go text/template over named values:
//
//	.Actuator1.Deg .Rad .Turns               position of a turning actuator; of a sliding one .MM .M
//	.Actuator1.DegPerS .RadPerS .TurnsPerS   speed; .MMPerS .MPerS
//	.Actuator1.Fraction                      position in the travel: 0 at its low end, 1 at its high end
//
// with Actuator2 and so on after it, in the mechanism's order, and these functions beside the language's own:
//
//	int X LOW HIGH            the whole number that is nearest to LOW + X·(HIGH - LOW); X is cut to 0..1
//	scale X A B C D           X of A..B as the number in the same place of C..D; X is cut to A..B
//	clip X LOW HIGH           X cut to LOW..HIGH
//	round X                   the nearest whole number; halves go away from zero
//	u8 N  u16le N  u16be N    a whole number as one byte, or as two with the low or the high byte first
//	printf FORMAT X ...       as Go's; %05d takes what int and round give, %.2f a value
//
// A setpoint is one run of the template from its first byte to its last; line ends are part of it. if, else and
// variables may be used; range, with, define and template may not.
type Template struct {
	template *template.Template
	values   map[string]map[string]float64
	axes     []Axis
	metres   bool
	out      bytes.Buffer
	most     int // bytes in the samples
}

type unit struct {
	name string
	per  float64 // SI in one
}

// units are the names of a position; with PerS behind them those of a speed.
func units(metres bool) []unit {
	if metres {
		return []unit{{"MM", 1e-3}, {"M", 1}}
	}
	return []unit{{"Deg", math.Pi / 180}, {"Rad", 1}, {"Turns", 2 * math.Pi}}
}

var functions = template.FuncMap{
	"int": func(x, low, high any) (int64, error) {
		n, err := numbers(x, low, high)
		if err != nil {
			return 0, err
		}
		return int64(math.Round(n[1] + min(max(n[0], 0), 1)*(n[2]-n[1]))), nil
	},
	"scale": func(x, a, b, c, d any) (float64, error) {
		n, err := numbers(x, a, b, c, d)
		if err != nil {
			return 0, err
		}
		if n[1] == n[2] {
			return 0, fmt.Errorf("%v to %v is no range; give two different ends", a, b)
		}
		return n[3] + min(max((n[0]-n[1])/(n[2]-n[1]), 0), 1)*(n[4]-n[3]), nil
	},
	"clip": func(x, low, high any) (float64, error) {
		n, err := numbers(x, low, high)
		if err != nil {
			return 0, err
		}
		if n[1] > n[2] {
			return 0, fmt.Errorf("%v is above %v; exchange them", low, high)
		}
		return min(max(n[0], n[1]), n[2]), nil
	},
	"round": func(x any) (int64, error) {
		n, err := numbers(x)
		if err != nil {
			return 0, err
		}
		return int64(math.Round(n[0])), nil
	},
	"u8": func(x any) (string, error) { return whole(x, 8, func(n uint16) []byte { return []byte{byte(n)} }) },
	"u16le": func(x any) (string, error) {
		return whole(x, 16, func(n uint16) []byte { return []byte{byte(n), byte(n >> 8)} })
	},
	"u16be": func(x any) (string, error) {
		return whole(x, 16, func(n uint16) []byte { return []byte{byte(n >> 8), byte(n)} })
	},
	"printf": func(format string, a ...any) (string, error) {
		s := fmt.Sprintf(format, a...)
		if i := strings.Index(s, "%!"); i >= 0 && !strings.Contains(format, "%%!") {
			return "", fmt.Errorf("%q does not fit its values: %s; use %%d for whole numbers, such as int and round give, and %%f for others", format, s[i:])
		}
		return s, nil
	},
}

// numbers takes whole and other numbers, so that a template need not tell 0 from 0.0.
func numbers(in ...any) ([]float64, error) {
	out := make([]float64, len(in))
	for i, x := range in {
		switch x := x.(type) {
		case float64:
			out[i] = x
		case int:
			out[i] = float64(x)
		case int64:
			out[i] = float64(x)
		default:
			return nil, fmt.Errorf("%v is not a number", x)
		}
		if math.IsNaN(out[i]) || math.Abs(out[i]) > 1<<53 {
			return nil, fmt.Errorf("%v is too large", x)
		}
	}
	return out, nil
}

func whole(x any, bits int, bytes func(uint16) []byte) (string, error) {
	n, err := numbers(x)
	if err != nil {
		return "", err
	}
	if _, float := x.(float64); float {
		return "", fmt.Errorf("%v is not a whole number; put int or round before it", x)
	}
	if n[0] < 0 || n[0] >= float64(int(1)<<bits) {
		return "", fmt.Errorf("%v does not fit into %d bits; it must be 0 to %d", x, bits, 1<<bits-1)
	}
	return string(bytes(uint16(n[0]))), nil
}

// ParseTemplate reads a template for those axes, in rad or in m, and tries it on all of their travel. The error gives the template's line.
func ParseTemplate(source string, axes []Axis, metres bool) (*Template, error) {
	t := &Template{axes: axes, metres: metres, values: map[string]map[string]float64{}}
	var names []string
	for i := range axes {
		of := map[string]float64{}
		t.values[actuator(i)] = of
		names = append(names, "."+actuator(i))
	}
	t.set(&[6]float64{}, &[6]float64{})
	var err error
	if t.template, err = template.New("").Option("missingkey=error").Funcs(functions).Parse(source); err != nil {
		return nil, explain(err)
	}
	if len(t.template.Templates()) > 1 || t.template.Tree == nil {
		return nil, errors.New("template: holds other templates, or nothing; write one setpoint without define and block")
	}
	check := checker{t: t, names: names}
	if check.node(t.template.Root); check.err != nil {
		return nil, check.err
	}
	if !check.used {
		return nil, fmt.Errorf("template: no value is in it, so every setpoint would be the same; use such as {{%s.%s}}", names[0], units(metres)[0].name)
	}
	return t, t.try()
}

func actuator(i int) string { return "Actuator" + strconv.Itoa(i+1) }

// try runs the template at both ends, in the middle and at level, at rest and at full speed to either side.
func (t *Template) try() error {
	for _, at := range []func(a Axis) float64{
		func(a Axis) float64 { return a.Level }, func(a Axis) float64 { return a.Low }, func(a Axis) float64 { return a.High },
		func(a Axis) float64 { return a.Low + 0.123456789*(a.High-a.Low) },
	} {
		for _, run := range [...]float64{0, 1, -1} {
			var position, speed [6]float64
			for i, a := range t.axes {
				position[i], speed[i] = at(a), run*a.Speed
			}
			out, err := t.Run(&position, &speed)
			if err != nil {
				return err
			}
			if len(out) == 0 {
				return errors.New("template: gives nothing; write what the controller reads")
			}
			t.most = max(t.most, len(out))
		}
	}
	return nil
}

// Length is the most bytes of a setpoint, as tried over the travel.
func (t *Template) Length() int { return t.most }

func (t *Template) set(position, speed *[6]float64) {
	for i, a := range t.axes {
		of := t.values[actuator(i)]
		for _, u := range units(t.metres) {
			of[u.name], of[u.name+"PerS"] = position[i]/u.per, speed[i]/u.per
		}
		of["Fraction"] = (position[i] - a.Low) / (a.High - a.Low)
	}
}

// Run gives one setpoint. It is valid until the next Run. Not for several goroutines at once.
func (t *Template) Run(position, speed *[6]float64) ([]byte, error) {
	t.set(position, speed)
	t.out.Reset()
	if err := t.template.Execute(&t.out, t.values); err != nil {
		return nil, explain(err)
	}
	if t.out.Len() > longest {
		return nil, fmt.Errorf("template: a setpoint has %d bytes; at most %d", t.out.Len(), longest)
	}
	return t.out.Bytes(), nil
}

var (
	location = regexp.MustCompile(`^template: :(\d+)(?::\d+)?: `)
	running  = regexp.MustCompile(`executing "" at <([^>]*)>: (?:error calling \w+: )?`)
	unknown  = regexp.MustCompile(`function "(\w+)" not defined`)
)

// explain makes an error of the template library one for people.
func explain(err error) error {
	text := err.Error()
	line := ""
	if m := location.FindStringSubmatch(text); m != nil {
		line, text = " line "+m[1], text[len(m[0]):]
	}
	text = running.ReplaceAllString(text, "{{$1}}: ")
	if unknown.MatchString(text) {
		text = unknown.ReplaceAllString(text, "no function is called $1; use one of ") + strings.Join(functionNames(), ", ")
	}
	return fmt.Errorf("template%s: %s", line, text)
}

func functionNames() []string {
	out := []string{"print", "len", "and", "or", "not", "eq", "ne", "lt", "le", "gt", "ge"}
	for name := range functions {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

// checker looks at every node, so that a wrong name in a branch that is never taken is found, too.
type checker struct {
	t     *Template
	names []string
	used  bool
	err   error
}

func (c *checker) fault(n parse.Node, format string, a ...any) {
	if c.err != nil {
		return
	}
	where, _ := c.t.template.ErrorContext(n) // ":LINE:COLUMN"
	line := strings.Split(where, ":")[1]
	c.err = fmt.Errorf("template line %s: %s", line, fmt.Sprintf(format, a...))
}

func (c *checker) node(n parse.Node) {
	switch n := n.(type) {
	case *parse.ListNode:
		if n != nil {
			for _, m := range n.Nodes {
				c.node(m)
			}
		}
	case *parse.ActionNode:
		c.node(n.Pipe)
	case *parse.PipeNode:
		for _, m := range n.Cmds {
			c.node(m)
		}
	case *parse.CommandNode:
		for _, m := range n.Args {
			c.node(m)
		}
	case *parse.IfNode:
		c.node(n.Pipe)
		c.node(n.List)
		c.node(n.ElseList)
	case *parse.FieldNode:
		c.value(n, n.Ident)
	case *parse.VariableNode:
		if n.Ident[0] == "$" {
			c.value(n, n.Ident[1:])
		} else if len(n.Ident) > 1 {
			c.fault(n, "%s: a variable here is a number and has no parts", n)
		}
	case *parse.DotNode:
		c.fault(n, "a dot alone is all values; name one, such as %s.Fraction", c.names[0])
	case *parse.RangeNode, *parse.WithNode, *parse.TemplateNode, *parse.ChainNode, *parse.BreakNode, *parse.ContinueNode:
		c.fault(n, "%s cannot be used here; name each value, such as %s.Fraction", n, c.names[0])
	}
}

func (c *checker) value(n parse.Node, ident []string) {
	if len(ident) == 0 {
		c.fault(n, "%s alone is all values; name one, such as %s.Fraction", n, c.names[0])
		return
	}
	of, known := c.t.values[ident[0]]
	if !known {
		c.fault(n, ".%s is not known; this seat has %s", ident[0], strings.Join(c.names, ", "))
		return
	}
	if len(ident) != 2 {
		c.fault(n, "%s is not one value; add one of %s", n, c.of(ident[0]))
		return
	}
	if _, known := of[ident[1]]; !known {
		c.fault(n, "%s is not known; use one of %s", n, c.of(ident[0]))
		return
	}
	c.used = true
}

// of lists the values of an actuator.
func (c *checker) of(name string) string {
	var out []string
	for _, u := range units(c.t.metres) {
		out = append(out, u.name)
	}
	out = append(out, "Fraction")
	for _, u := range units(c.t.metres) {
		out = append(out, u.name+"PerS")
	}
	return "." + name + "." + strings.Join(out, ", .")
}
