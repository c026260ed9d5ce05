package drawing

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"perch/host/config"
)

// TestEveryMeasureIsInTheDrawing: with its key and this seat's number, in a picture that is well-formed.
func TestEveryMeasureIsInTheDrawing(t *testing.T) {
	seats := map[string]config.Mechanism{}
	for _, kind := range config.Kinds() {
		if kind != config.Box {
			seats[kind] = config.OrdinaryMechanism(kind)
		}
	}
	odd := config.OrdinaryMechanism(config.TwoCrank)
	s := &odd.TwoCrank
	s.SeatPointHeight, s.CrankForward, s.CrankOutward, s.TipBackward, s.RodLength = 0.05, 0.08, 0.03, true, 0.655
	seats["odd"] = odd
	for name, m := range seats {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := WriteSVG(&b, m); err != nil {
				t.Fatal(err)
			}
			if out := os.Getenv("PERCH_DRAWINGS"); out != "" { // to look at them
				if err := os.WriteFile(filepath.Join(out, name+".svg"), b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			words := " "
			for d := xml.NewDecoder(bytes.NewReader(b.Bytes())); ; {
				token, err := d.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if c, ok := token.(xml.CharData); ok {
					words += string(c) + " "
				}
			}
			for _, x := range m.Measures() {
				if x.Name == "Shortest" { // the actuators are drawn run out
					continue
				}
				if !strings.Contains(words, x.Key) || !strings.Contains(words, x.Value) {
					t.Errorf("it does not show %s with %s", x.Key, x.Value)
				}
			}
			if strings.Contains(b.String(), "NaN") || strings.Contains(b.String(), "Inf") {
				t.Error("a number that is none")
			}
		})
	}
	if err := WriteSVG(io.Discard, config.Mechanism{Kind: config.Box}); err == nil {
		t.Error("a box has a drawing")
	}
}

// TestWords: whatever commissioning asks for is said in plain words, limits and stops aside, whose keys say all.
func TestWords(t *testing.T) {
	for _, kind := range config.Kinds() {
		s := config.Seat{Mechanism: config.OrdinaryMechanism(kind)}
		if kind == config.Box {
			continue
		}
		for _, e := range s.Entries() {
			if strings.HasPrefix(e.Key, "limits.") || strings.HasPrefix(e.Key, "hard_stop.") {
				continue
			}
			if Words(e.Key) == "" {
				t.Errorf("%s: %s has no words", kind, e.Key)
			}
		}
	}
}
