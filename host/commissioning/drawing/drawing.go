package drawing

import (
	"fmt"
	"html"
	"io"
	"strings"

	"perch/host/config"
)

// WriteSVG draws the seat with its numbers written in, for its builder to hold against the real thing. Two cranks are
// drawn to scale, from the side and from above; of the other kinds it is their general drawing with this seat's numbers.
func WriteSVG(w io.Writer, m config.Mechanism) error {
	if m.Kind == config.TwoCrank {
		text, err := twoCrank(m)
		if err != nil {
			return err
		}
		_, err = io.WriteString(w, text)
		return err
	}
	text, err := numbered(m)
	if err != nil {
		return err
	}
	_, err = io.WriteString(w, text)
	return err
}

// short is a measure's letter and number, as it stands in a drawing.
func short(i int, x config.Measure) string { return fmt.Sprintf("%c %s", 'A'+i, x.Value) }

const rowHigh = 24 // of the table, pixels

// table lists the measures below a drawing, and says how far down it goes.
func table(b *strings.Builder, measures []config.Measure, top int) (bottom float64) {
	page, y := canvas{b: b}, float64(top)
	page.text("head", "start", 40, y, "Measure each of these on the seat, from centre to centre. Where one differs, mend the number or the seat.")
	for i, x := range measures {
		y += rowHigh
		page.text("", "start", 40, y, string(rune('A'+i)))
		page.text("", "start", 70, y, x.Key)
		page.text("value", "start", 290, y, x.Value)
		page.text("", "start", 430, y, Words("mechanism."+x.Key))
	}
	return y
}

// numbered puts a letter and a number in place of each name in the general drawing of a kind, and a table below.
func numbered(m config.Mechanism) (string, error) {
	var x, y, width, height int
	text := m.Drawing()
	if _, after, ok := strings.Cut(text, `viewBox="`); ok {
		if _, err := fmt.Sscanf(after, "%d %d %d %d", &x, &y, &width, &height); err != nil {
			return "", fmt.Errorf("drawing of kind %q: viewBox: %w", m.Kind, err)
		}
	} else {
		return "", fmt.Errorf("a seat of kind %q has no drawing: its axes move by themselves", m.Kind)
	}
	measures := m.Measures()
	words := []string{
		fmt.Sprintf(`viewBox="0 0 %d %d"`, width, height),
		fmt.Sprintf(`viewBox="0 0 %d %d"`, max(width, 1000), height+rowHigh*(len(measures)+3)),
		"</style>", ".value { font-weight: bold; paint-order: stroke; stroke: #fff; stroke-width: 4px }\n  </style>",
	}
	for i, m := range measures {
		words = append(words, ">"+m.Name+"<", ` class="value">`+html.EscapeString(short(i, m))+"<", ">"+m.Name+" to<", ` class="value">`+html.EscapeString(short(i, m))+" to<")
	}
	var b strings.Builder
	table(&b, measures, height+rowHigh)
	words = append(words, "</svg>", b.String()+"</svg>")
	return strings.NewReplacer(words...).Replace(text), nil
}
