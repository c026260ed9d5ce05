package chip_test

import (
	"bytes"
	"fmt"
	"math"
	"os/exec"
	"testing"
	"time"

	"perch/host/seat/chip"
	"perch/proto/seatlink"
)

// TestEverySingleBitOfARide gives the firmware's decoder, compiled for this machine, all single-bit errors of a ride of 60 s.
// None makes a frame that nobody sent, and none costs a frame beside its own and, where it hit the 0x00, the next.
func TestEverySingleBitOfARide(t *testing.T) {
	t.Parallel()
	chip.Require(t)
	program := chip.Host(t, "testdata/flips.c")
	h := host{t: t, period: 2 * time.Millisecond, axes: seatlink.Axes{N: 2}}
	h.sway([2]float64{20 * degree, 12 * degree}, [2]float64{0.37 * math.Sqrt2, 0.61 * math.Sqrt(3)})
	var ride bytes.Buffer
	const seconds = 60
	for range seconds * 500 {
		ride.Write(h.frame(h.next))
		h.next += h.period
	}
	cmd := exec.Command(program)
	cmd.Stdin = &ride
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var tried, foreign, setpoints, lost int
	if _, err := fmt.Sscanf(string(out), "tried %d foreign %d setpoints %d lost %d", &tried, &foreign, &setpoints, &lost); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("%d errors, %d frames taken that nobody sent, %d of them setpoints; %d others lost", tried, foreign, setpoints, lost)
	if foreign != 0 || lost != 0 || tried < 29998*8*25 {
		t.Error("want none")
	}
}

// TestLinkCutWhileCatchingUp ends setpoints while the firmware's law, compiled for this machine, catches up with a host that was late
// or that jumps from end to end of the travel: whenever that is, it brakes to rest inside the travel; and where they go on it
// comes to them.
func TestLinkCutWhileCatchingUp(t *testing.T) {
	t.Parallel()
	chip.Require(t)
	out, err := exec.Command(chip.Host(t, "testdata/travel.c"), "1500").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var past, moving, faults, behind int
	if _, err := fmt.Sscanf(string(out), "past %d moving %d faults %d behind %d", &past, &moving, &faults, &behind); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	// 0.1 mrad is what rounding makes of a ride whose stop ends at the very end of the travel.
	if past > 100_000 || moving != 0 || faults != 0 || behind != 0 {
		t.Error(string(out))
	}
}
