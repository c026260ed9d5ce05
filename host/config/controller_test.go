package config

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const linear = `[mechanism]
kind = "box"
[mechanism.heave]
low = "-50 mm"
high = "50 mm"
speed = "200 mm/s"
acceleration = "2 m/s2"
jerk = "30 m/s3"
`

func TestTextDriver(t *testing.T) {
	s, err := ParseSeat("seat.toml", []byte("port = \"/dev/ttyUSB0\"\nbaud = 115200\n"+linear+`[controller]
driver = "text"
[controller.text]
template = '{{printf "%.2f" .Actuator1.MM}};'
on_start = "\u0002"
on_stop = "x\r\n"
rate = "100 Hz"
`))
	if err != nil {
		t.Fatal(err)
	}
	want := Dialect{Template: `{{printf "%.2f" .Actuator1.MM}};`, OnStart: "\x02", OnStop: "x\r\n", Rate: 100}
	if diff := cmp.Diff(want, s.Dialect); diff != "" || s.Driver != TextDriver {
		t.Error(s.Driver, diff)
	}
	// What is written is read back.
	again, err := ParseSeat("seat.toml", s.Text())
	if diff := cmp.Diff(s, again); err != nil || diff != "" {
		t.Error(err, diff)
	}
}

// What the text driver's page shows is what can be read.
func TestTheTextDriversPage(t *testing.T) {
	page, err := os.ReadFile("../seat/text/README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "```toml\n")
	block, rest, ok := strings.Cut(rest, "```")
	if !ok {
		t.Fatal("no block of TOML")
	}
	_, axis, _ := strings.Cut(linear, "[mechanism.heave]")
	two := linear + "[mechanism.surge]" + axis
	read := func(template string) {
		t.Helper()
		file := "port = \"COM3\"\nbaud = 115200\n" + two + "[controller]\ndriver = \"text\"\n[controller.text]\ntemplate = '" + template + "'\n"
		if _, err := ParseSeat("seat.toml", []byte(file)); err != nil {
			t.Errorf("%s: %v", template, err)
		}
	}
	sliding := strings.NewReplacer("Deg", "MM")
	for _, row := range regexp.MustCompile("(?m)^\\| .* \\| `(.*{{.*}}.*)` \\|$").FindAllStringSubmatch(rest, -1) {
		read(sliding.Replace(row[1]))
	}
	block = strings.Replace(sliding.Replace(block), "[controller]", two+"[controller]", 1)
	if _, err := ParseSeat("seat.toml", []byte(block)); err != nil {
		t.Errorf("%v in\n%s", err, block)
	}
}

func TestControllerIsRefused(t *testing.T) {
	for name, c := range map[string]struct{ top, controller, want string }{
		"baud in words": {`baud = "fast"`, "", `seat.toml:1: baud: "fast" is neither a whole number nor "auto"`},
		"no baud":       {`port = "COM3"`, "driver = \"text\"\n[controller.text]\ntemplate = \"{{.Actuator1.MM}}\"", "baud: a text driver cannot choose it"},
		"no table":      {"", `driver = "text"`, "seat.toml:10: controller.text: missing"},
		"no template":   {"", "driver = \"text\"\n[controller.text]\non_stop = \"x\"", "seat.toml:12: controller.text.template: missing"},
		"wrong unit":    {"", "driver = \"text\"\n[controller.text]\ntemplate = \"{{.Actuator1.Deg}}\"", "seat.toml:13: controller.text.template: template line 1: .Actuator1.Deg is not known; use one of .Actuator1.MM, .M, .Fraction, .MMPerS, .MPerS"},
		"wrong rate":    {"", "driver = \"text\"\n[controller.text]\ntemplate = \"{{.Actuator1.MM}}\"\nrate = \"2 Hz\"", "seat.toml:14: controller.text.rate: 2 Hz is outside 5 Hz to 1000 Hz"},
		"with a board":  {"", "driver = \"text\"\nboard = \"b\"\n[controller.text]\ntemplate = \"{{.Actuator1.MM}}\"", "seat.toml:12: controller.board: a text driver hears nothing"},
		"not its table": {"", "[controller.text]\ntemplate = \"{{.Actuator1.MM}}\"", `controller.text: is for another driver; write driver = "text"`},
		"no driver":     {"", `driver = "telepathy"`, `controller.driver: "telepathy" is not known; use one of link, text`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseSeat("seat.toml", []byte(c.top+"\n"+linear+"[controller]\n"+c.controller+"\n"))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v\nwant %s", err, c.want)
			}
		})
	}
}

func TestAutoBaud(t *testing.T) {
	for text, want := range map[string]int{`baud = "auto"`: 0, "": 0, "baud = 250000": 250000} {
		s, err := ParseSeat("seat.toml", []byte(text+"\n"+linear))
		if err != nil || s.Baud != want {
			t.Errorf("%s: %d, %v", text, s.Baud, err)
		}
		if again, err := ParseSeat("seat.toml", s.Text()); err != nil || again.Baud != want {
			t.Errorf("%s: written and read: %d, %v", text, again.Baud, err)
		}
	}
}
