package terminal

import (
	"math"
	"strings"
	"testing"

	"github.com/charmbracelet/x/ansi"
)

// TestAPictureBesideWhatToDo fits the terminal, and takes no control sequences from elsewhere.
func TestAPictureBesideWhatToDo(t *testing.T) {
	p := Picture{Attitude: Attitude{Roll: 20 * math.Pi / 180}, HasAttitude: true, Beside: []string{"1 of 3", "Now roll it right: right wing down, by 30 degrees or more, and hold it there.", "from an adapter \x1b[2J"}}
	for _, width := range []int{40, 80, 120} {
		lines := PictureLines(p, width)
		text := ansi.Strip(strings.Join(lines, "\n"))
		for _, want := range []string{"━━━━┓", "1 of 3", "hold it there", "roll +20.0°"} {
			if !strings.Contains(strings.ReplaceAll(text, "\n", " "), want) && !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
				t.Errorf("%d columns lack %q:\n%s", width, want, text)
			}
		}
		if strings.Contains(strings.Join(lines, ""), "[2J") && strings.Contains(strings.Join(lines, ""), "\x1b[2J") {
			t.Errorf("%d columns: a control sequence from elsewhere", width)
		}
		for _, l := range lines {
			if w := ansi.StringWidth(l); w >= width {
				t.Errorf("%d columns: a line of %d: %q", width, w, ansi.Strip(l))
			}
		}
	}
}

// TestSignsThatNobodyHasConfirmed are on the panel and in the line, with what to do.
func TestSignsThatNobodyHasConfirmed(t *testing.T) {
	v := View{State: "riding", Source: Source{Name: "model", Condition: "fresh", Signs: "not confirmed: gentle", Remedy: "do perch signs --source model"}}
	panel := ansi.Strip(strings.Join(Panel(v, 80, 24), "\n"))
	if !strings.Contains(panel, " signs   not confirmed: gentle; do perch signs --source model") {
		t.Errorf("the panel:\n%s", panel)
	}
	if line := Line(v); !strings.Contains(line, "signs not confirmed: gentle") {
		t.Errorf("the line: %s", line)
	}
	v.Source.Signs, v.Source.Remedy = "", ""
	if panel := ansi.Strip(strings.Join(Panel(v, 80, 24), "\n")); strings.Contains(panel, "signs") {
		t.Errorf("confirmed:\n%s", panel)
	}
}
