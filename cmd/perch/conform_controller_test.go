package main

import (
	"bytes"
	"context"
	"strings"
	"testing"
)

// TestCranksOffIsAsked: without a terminal, a real controller is judged only where the operator has said that the cranks
// are off, and on a seat with a commissioning record only where that was meant too.
func TestCranksOffIsAsked(t *testing.T) {
	for _, c := range []struct {
		name     string
		o        conformControllerOptions
		recorded bool
		byHand   bool
		want     string
	}{
		{"nothing said", conformControllerOptions{}, false, false, "--cranks-off"},
		{"nothing said, recorded", conformControllerOptions{despiteRecord: true}, true, false, "--cranks-off"},
		{"cranks off", conformControllerOptions{cranksOff: true}, false, false, ""},
		{"cranks off, recorded", conformControllerOptions{cranksOff: true, file: "seat.toml"}, true, false, "seat.toml: has a commissioning record"},
		{"homed by hand", conformControllerOptions{cranksOff: true}, false, true, "--levelled"},
		{"homed by hand, said", conformControllerOptions{cranksOff: true, levelled: true}, false, true, ""},
		{"all said", conformControllerOptions{cranksOff: true, despiteRecord: true}, true, false, ""},
	} {
		var out bytes.Buffer
		err := cranksOff(context.Background(), &out, c.o, c.recorded, c.byHand)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
