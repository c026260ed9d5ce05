package text

import (
	"math"
	"strings"
	"testing"
)

const degree = math.Pi / 180

func cranks() []Axis {
	return []Axis{{Low: -60 * degree, High: 60 * degree, Speed: 240 * degree}, {Low: -60 * degree, High: 60 * degree, Speed: 240 * degree}}
}

// What a template gives at 15 deg and -30 deg, with 90 deg/s and -180 deg/s, in a travel of -60 to 60 deg: the numbers follow
// from the definitions, 360 deg = 2π rad = 1 turn.
func TestTemplateSays(t *testing.T) {
	for source, want := range map[string]string{
		"A{{printf \"%.2f\" .Actuator1.Deg}} B{{printf \"%.2f\" .Actuator2.Deg}}\n":                                        "A15.00 B-30.00\n",
		`{{printf "%.6f" .Actuator1.Rad}}`:                                                                                 "0.261799",
		`{{printf "%.5f" .Actuator1.Turns}} {{printf "%.4f" $.Actuator2.Turns}}`:                                           "0.04167 -0.0833",
		`{{printf "%.1f" .Actuator1.DegPerS}}/{{printf "%.3f" .Actuator2.RadPerS}}/{{printf "%.2f" .Actuator1.TurnsPerS}}`: "90.0/-3.142/0.25",
		`{{printf "%.3f" .Actuator1.Fraction}} {{printf "%.2f" .Actuator2.Fraction}}`:                                      "0.625 0.25",
		`{{printf "%05d" (int .Actuator1.Fraction 0 65535)}}`:                                                              "40959", // 0.625 · 65535 = 40959.4
		`{{printf "%05d" (int .Actuator2.Fraction 0 1023)}}`:                                                               "00256", // 255.75
		`{{int .Actuator2.Fraction 1023 0}}`:                                                                               "767",   // mirrored: 767.25
		`{{round (scale .Actuator1.Deg -60 60 1000 2000)}}`:                                                                "1625",
		`{{round (clip .Actuator2.Deg -20 20)}}`:                                                                           "-20",
		`{{u8 (int .Actuator2.Fraction 0 255)}}{{u16le 258}}{{u16be 258}}`:                                                 "\x40\x02\x01\x01\x02", // 63.75; 258 = 0x0102
		`{{if lt .Actuator1.Deg 0.0}}L{{else}}R{{end}}`:                                                                    "R",
		`{{$d := .Actuator1.Deg}}{{printf "%.0f" $d}}`:                                                                     "15",
	} {
		tp, err := ParseTemplate(source, cranks(), false)
		if err != nil {
			t.Errorf("%s: %v", source, err)
			continue
		}
		out, err := tp.Run(&[6]float64{15 * degree, -30 * degree}, &[6]float64{90 * degree, -180 * degree})
		if err != nil || string(out) != want {
			t.Errorf("%s: %q, %v; want %q", source, out, err, want)
		}
	}
	tp, err := ParseTemplate(`{{printf "%.1f" .Actuator1.MM}} {{printf "%.4f" .Actuator1.M}} {{printf "%.0f" .Actuator1.MMPerS}}`, []Axis{{Low: -0.05, High: 0.05, Speed: 0.2}}, true)
	if err != nil {
		t.Fatal(err)
	}
	if out, err := tp.Run(&[6]float64{0.0125}, &[6]float64{0.1}); err != nil || string(out) != "12.5 0.0125 100" {
		t.Errorf("%q, %v", out, err)
	}
}

func TestTemplateIsRefused(t *testing.T) {
	for source, want := range map[string]string{
		"A{{.Actuator3.Deg}}":                          "template line 1: .Actuator3 is not known; this seat has .Actuator1, .Actuator2",
		"x\n{{if false}}{{.Actuator1.MM}}{{end}}":      "template line 2: .Actuator1.MM is not known; use one of .Actuator1.Deg, .Rad, .Turns, .Fraction, .DegPerS, .RadPerS, .TurnsPerS",
		"{{.Actuator1}}":                               "is not one value; add one of .Actuator1.Deg",
		"{{.}}":                                        "a dot alone is all values",
		"{{$}}":                                        "$ alone is all values",
		"hello":                                        "no value is in it",
		"":                                             "template: ",
		"a\n\n{{.Actuator1.Deg":                        "template line 3: unclosed action",
		"{{degrees .Actuator1.Rad}}":                   "template line 1: no function is called degrees; use one of and, clip, eq, ge, gt, int, le, len, lt, ne, not, or, print, printf, round, scale, u16be, u16le, u8",
		"{{printf \"%d\" .Actuator1.Deg}}":             `"%d" does not fit its values: %!d(float64=0); use %d for whole numbers`,
		"{{u8 .Actuator1.Deg}}":                        "not a whole number; put int or round before it",
		"{{u8 (int .Actuator1.Fraction 0 256)}}":       "256 does not fit into 8 bits; it must be 0 to 255",
		"{{scale .Actuator1.Deg 5 5 0 1}}":             "5 to 5 is no range",
		"{{clip .Actuator1.Deg 5 4}}":                  "5 is above 4; exchange them",
		"{{int \"x\" 0 1}}{{.Actuator1.Deg}}":          "x is not a number",
		"{{range .Actuator1}}x{{end}}":                 "cannot be used here",
		"{{with .Actuator1}}{{.Deg}}{{end}}":           "cannot be used here",
		"{{define \"a\"}}{{end}}{{.Actuator1.Deg}}":    "without define and block",
		"{{printf \"%2000s\" \"\"}}{{.Actuator1.Deg}}": "at most 1024",
		"{{if gt .Actuator1.Deg 0.0}}x{{end}}":         "gives nothing",
	} {
		_, err := ParseTemplate(source, cranks(), false)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v\nwant %s", source, err, want)
		}
	}
}

func TestTheLineIsChecked(t *testing.T) {
	s := Settings{Port: "x", Baud: 115200, Template: "A{{printf \"%08.3f\" .Actuator1.Deg}}B{{printf \"%08.3f\" .Actuator2.Deg}}\r\n", Loop: 500, Axes: cranks()}
	// 1 + 8 + 1 + 8 + 2 bytes, 10 bits a byte, 500 a second
	want := `setpoints of 20 bytes at 500 Hz need 100 kbit/s`
	if _, err := s.Check(); err != nil {
		t.Errorf("115200 carries 100 kbit/s: %v", err)
	}
	s.Baud = 57600
	if _, err := s.Check(); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), `rate = "230 Hz"`) {
		t.Errorf("57600: %v", err)
	}
	s.Rate = 230 // every third of the loop's: 167 Hz
	if _, err := s.Check(); err != nil || s.every() != 3 {
		t.Errorf("at 230 Hz: %v, every %d", err, s.every())
	}
	s.Rate = 600
	if _, err := s.Check(); err == nil || !strings.Contains(err.Error(), "outside 5 Hz to the loop's 500 Hz") {
		t.Errorf("at 600 Hz: %v", err)
	}
	s.Rate, s.Baud = 100, 0
	if _, err := s.Check(); err == nil || !strings.Contains(err.Error(), "give the baud that it is set to") {
		t.Errorf("no baud: %v", err)
	}
}

// Whatever a template is, it is refused or writes a bounded, non-empty setpoint anywhere in the travel.
func FuzzTemplate(f *testing.F) {
	for _, s := range []string{"A{{.Actuator1.Deg}}", "{{u8 (int .Actuator2.Fraction 0 255)}}", "{{printf \"%*d\" 5 (round .Actuator1.Rad)}}", "{{if .Actuator1.Deg}}{{end}}", "{{/*"} {
		f.Add(s, 0.1)
	}
	f.Fuzz(func(t *testing.T, source string, at float64) {
		tp, err := ParseTemplate(source, cranks(), false)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "template") {
				t.Errorf("%q: %v", source, err)
			}
			return
		}
		if !(at >= -1 && at <= 1) {
			at = 0
		}
		if out, err := tp.Run(&[6]float64{at, -at}, &[6]float64{}); err == nil && len(out) > longest {
			t.Errorf("%q: %d bytes", source, len(out))
		}
	})
}

func BenchmarkRun(b *testing.B) {
	tp, err := ParseTemplate("A{{printf \"%08.3f\" .Actuator1.Deg}}B{{printf \"%05d\" (int .Actuator2.Fraction 0 65535)}}\r\n", cranks(), false)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := tp.Run(&[6]float64{0.1, 0.2}, &[6]float64{}); err != nil {
			b.Fatal(err)
		}
	}
}
