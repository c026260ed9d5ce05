package chip_test

import (
	"bytes"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"perch/host/seat/chip"
)

// TestFlood fills the line at the highest baud rate with bytes that end no frame: the program still looks at everything else.
func TestFlood(t *testing.T) {
	t.Parallel()
	f := chip.Build(t, "BAUD=1000000UL")
	c := f.Start(t, nearEdge(f, 100)...)
	h := meet(t, c)
	h.during(100 * ms)
	c.Write(bytes.Repeat([]byte{1}, 20_000))
	h.during(200 * ms)
	h.c.Write([]byte{0})
	h.during(50 * ms)
	if n := len(c.Resets()); n != 0 {
		t.Errorf("reset %d times", n)
	}
	if s := h.fresh(); s.Framing == 0 || s.LoopWorst > 5000 {
		t.Errorf("%d frames dropped, main loop %d µs", s.Framing, s.LoopWorst)
	}
}

// TestPortIsWrittenWhole: STEP and DIR share a port with ENABLE, and the step timer may write it between any two
// instructions. So whoever else writes more than a bit of it has the timer's interrupt off, or a direction would be undone.
func TestPortIsWrittenWhole(t *testing.T) {
	t.Parallel()
	f := chip.Build(t)
	out, err := exec.Command("avr-objdump", "-d", f.ELF).Output()
	if err != nil {
		t.Fatal(err)
	}
	writes := 0
	port := regexp.MustCompile(`\tout\t0x0b,`) // PORTD of the chip
	for _, function := range strings.Split(string(out), "\n\n") {
		if at := port.FindStringIndex(function); at != nil && !strings.Contains(function, "<__vector_") {
			writes++
			if !strings.Contains(function[:at[0]], "\tcli") {
				t.Errorf("interrupts are on:\n%s", function)
			}
		}
	}
	if writes == 0 {
		t.Error("nobody writes ENABLE")
	}
}
