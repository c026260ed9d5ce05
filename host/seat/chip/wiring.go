package chip

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Input is an input pin. Active is its level when the switch is closed, the alarm on, the supply present.
type Input struct {
	Pin    string
	Active int
}

func (in Input) level(active bool) int {
	if active {
		return in.Active
	}
	return 1 - in.Active
}

// AxisWiring is the pins of one motor and what stands beside its crank. Positions of the crank are in steps from level.
type AxisWiring struct {
	Step, Dir, Enable string
	Up                int // level of DIR at which the position grows
	Enabled           int // level of ENABLE at which the motor holds
	Home              Input
	HomeEdge          int64 // the home switch is closed on the whole side below it, this step included
	HomeAbove         bool  // or above
	Alarm             Input
	Over              Input // over-travel
	OverLow, OverHigh int64 // its switches are pressed here and beyond
	StepsPerUnit      float64
}

// Wiring is what is connected to the chip, as the builder's header says.
type Wiring struct {
	Axes   []AxisWiring
	Supply Input
	Baud   int
}

// overTravel is how far beyond the travel of the header the over-travel switches stand, in rad. Homing searches up to 3
// degrees beyond.
const overTravel = 4 * math.Pi / 180

// beyond is further than any crank turns.
const beyond = int64(1) << 40

// tell prints what the header says. Pins are written as the port's letter and the bit.
const tell = `#include <stdio.h>
#include "board.h"
#define TEXT_OF(x) #x
#define TEXT(x) TEXT_OF(x)
#define PIN(name, port, bit) printf(name " %c%d\n", TEXT(port)[4], bit)
#define NUMBER(name, x) printf(name " %lld\n", (long long)(x))
struct limits { long long low, high, park, speed, reduced, acceleration, jerk; };
#define AXIS(n) do { \
	struct limits l = LIMITS_##n; \
	NUMBER("low" #n, l.low); NUMBER("high" #n, l.high); \
	NUMBER("turn" #n, STEPS_PER_TURN_##n); NUMBER("edge" #n, HOME_EDGE_##n); NUMBER("below" #n, HOME_CLOSED_BELOW_##n); NUMBER("up" #n, DIR_UP_##n); \
	PIN("step" #n, OUT_PORT, STEP_##n); PIN("dir" #n, OUT_PORT, DIR_##n); PIN("enable" #n, OUT_PORT, ENABLE_##n); \
	PIN("home" #n, IN_PORT, HOME_##n); PIN("over" #n, IN_PORT, OVER_##n); PIN("alarm" #n, IN_PORT, ALARM_##n); \
} while (0)
int main(void)
{
	NUMBER("axes", AXES); NUMBER("metres", METRES); NUMBER("baud", BAUD);
	NUMBER("homeclosed", HOME_CLOSED); NUMBER("overactive", OVER_ACTIVE); NUMBER("alarmactive", ALARM_ACTIVE);
	NUMBER("supplypresent", SUPPLY_PRESENT); NUMBER("enableon", ENABLE_ON);
	PIN("supply", AUX_PORT, SUPPLY);
	AXIS(0);
#if AXES > 1
	AXIS(1);
#endif
	return 0;
}
`

// readWiring compiles the builder's header and asks it.
func readWiring(t testing.TB, folder string) (w Wiring) {
	t.Helper()
	source, program := filepath.Join(folder, "tell.c"), filepath.Join(folder, "tell")
	if err := os.WriteFile(source, []byte(tell), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, "gcc", "-I", folder, "-o", program, source)
	text, number := make(map[string]string), make(map[string]int64)
	lines := bufio.NewScanner(strings.NewReader(run(t, program)))
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), " ")
		text[name] = value
		if n, err := strconv.ParseInt(value, 10, 64); err == nil {
			number[name] = n
		}
	}
	level := func(name string) int { return int(number[name]) }
	w.Baud = int(number["baud"])
	w.Supply = Input{Pin: text["supply"], Active: level("supplypresent")}
	for i := range int(number["axes"]) {
		of := func(name string) string { return name + strconv.Itoa(i) }
		per := float64(number[of("turn")])
		if number["metres"] == 0 {
			per /= 2 * math.Pi
		}
		steps := func(quanta int64, more float64) int64 { return int64(math.Round((float64(quanta)*1e-9 + more) * per)) }
		w.Axes = append(w.Axes, AxisWiring{
			Step: text[of("step")], Dir: text[of("dir")], Enable: text[of("enable")], Up: level(of("up")), Enabled: level("enableon"),
			Home: Input{Pin: text[of("home")], Active: level("homeclosed")}, HomeEdge: steps(number[of("edge")], 0), HomeAbove: number[of("below")] == 0,
			Alarm: Input{Pin: text[of("alarm")], Active: level("alarmactive")}, Over: Input{Pin: text[of("over")], Active: level("overactive")},
			OverLow: steps(number[of("low")], -overTravel), OverHigh: steps(number[of("high")], overTravel), StepsPerUnit: per,
		})
	}
	return w
}

// wire connects everything, with the cranks where start says.
func (c *Chip) wire(start []int64) {
	c.t.Helper()
	w := &c.Firmware.Wiring
	c.command("baud %d", w.Baud)
	for i, a := range w.Axes {
		c.command("axis %d %s %s %s %d %d", i, a.Step, a.Dir, a.Enable, a.Up, a.Enabled)
		from, to := -beyond, a.HomeEdge
		if a.HomeAbove {
			from, to = a.HomeEdge, beyond
		}
		c.command("switch %s %d %d %d %d", a.Home.Pin, i, from, to, a.Home.Active)
		c.command("switch %s %d %d %d %d", a.Over.Pin, i, -beyond, a.OverLow, a.Over.Active)
		c.command("switch %s %d %d %d %d", a.Over.Pin, i, a.OverHigh, beyond, a.Over.Active)
		c.Alarm(i, false)
		if i < len(start) {
			c.Turn(i, start[i])
		}
	}
	c.Supply(true)
}
