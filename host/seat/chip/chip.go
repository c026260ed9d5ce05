// Package chip runs the reference controller's firmware for tests: the binary that would be flashed, on a simulated
// chip, with cranks and switches that answer at the exact cycle.
//
// It builds the firmware and the runner in host/seat/controller and talks to the runner through a pipe; the runner is a
// program of its own, under a licence of its own. Time is simulated: a Chip's clock moves only in RunFor and RunTo, so that
// every run is the same to the cycle. Serve is the exception: there it follows the wall clock, for programs that open a port.
//
// Everything here needs gcc-avr, avr-libc, libsimavr-dev, libelf-dev, pkg-config, gcc and make, and runs only where
// PERCH_TEST_AVR is set.
package chip

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"perch/proto/seatlink"
)

// Hz is the chip's clock.
const Hz = 16_000_000

// Edge is a change of an output pin.
type Edge struct {
	At    time.Duration // since power on
	Name  string        // step0, dir0, enable0 and so on; enable where the axes share it
	Level int
}

// Received is a frame from the chip.
type Received struct {
	At       time.Duration // when its last byte has arrived
	Type     seatlink.Type
	Sequence uint16
	Payload  []byte
}

// Timing is the least that was met of each time so far; zero where it was not met.
type Timing struct {
	High, Low time.Duration // of STEP
	Period    time.Duration // from a rising edge of STEP to the next
	Setup     time.Duration // from a change of DIR to the next rising edge of STEP
	Hold      time.Duration // from a rising edge of STEP to the next change of DIR
}

// Crank is what the bench knows of one motor.
type Crank struct {
	Steps  int64  // told by the firmware: rising edges, signed by DIR, since power on
	At     int64  // where the crank is, in steps from level
	Edges  uint64 // rising edges
	Unheld uint64 // steps given while the driver was not enabled
	Held   bool   // the driver is enabled
	Timing Timing
}

// Interrupt is what the bench knows of one interrupt, in cycles.
type Interrupt struct {
	Vector             int
	Count              uint64
	Worst, Mean, Delay int // Delay is the longest that it waited to begin
}

// Counts are the runner's totals.
type Counts struct {
	Cycle    uint64
	In, Out  uint64 // bytes
	Overruns uint64 // bytes that the receiver lost
	Resets   uint64
	Waiting  int    // bytes on the line that have not come to the chip
	Hash     string // over every edge and byte with its cycle
}

// Chip is one simulated controller. It is not for several goroutines at once.
type Chip struct {
	Firmware *Firmware

	t     testing.TB
	stdin io.WriteCloser
	out   *bufio.Reader
	ended chan struct{}

	cycle   uint64
	run     *uint64 // cycles simulated, those taken back included
	decoder seatlink.Decoder
	frames  []Received
	edges   []Edge
	bytes   []byte
	resets  []time.Duration
	status  seatlink.Status
	hello   seatlink.Hello
	greeted int
	known   bool
}

// Start powers a chip on, with its cranks where start says, in steps from level. Each switch is as its place asks. The test's
// end ends it.
func (f *Firmware) Start(t testing.TB, start ...int64) *Chip {
	t.Helper()
	cmd := exec.Command(f.runner, Part, f.ELF)
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var stderr strings.Builder
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatalf("the bench: %v", err)
	}
	c := &Chip{Firmware: f, t: t, stdin: stdin, out: bufio.NewReaderSize(stdout, 1<<16), ended: make(chan struct{}), run: new(uint64)}
	t.Cleanup(func() {
		_ = stdin.Close()
		<-c.finish(cmd)
		if s := stderr.String(); s != "" {
			t.Logf("the bench said: %s", s)
		}
	})
	c.wire(start)
	return c
}

func (c *Chip) finish(cmd *exec.Cmd) <-chan struct{} {
	go func() {
		defer close(c.ended)
		late := time.AfterFunc(5*time.Second, func() { _ = cmd.Process.Kill() })
		defer late.Stop()
		_, _ = io.Copy(io.Discard, c.out)
		_ = cmd.Wait()
	}()
	return c.ended
}

func at(cycle uint64) time.Duration { return time.Duration(cycle) * 125 / 2 } // 62.5 ns

func cycles(d time.Duration) uint64 { return uint64(d) * 2 / 125 }

// command sends a line and reads events until its answer.
func (c *Chip) command(format string, args ...any) string {
	c.t.Helper()
	line := fmt.Sprintf(format, args...)
	if _, err := io.WriteString(c.stdin, line+"\n"); err != nil {
		c.t.Fatalf("the bench has ended: %v", err)
	}
	for {
		answer, err := c.out.ReadString('\n')
		if err != nil {
			c.t.Fatalf("the bench has ended at %q: %v", line, err)
		}
		answer = strings.TrimSuffix(answer, "\n")
		kind, rest, _ := strings.Cut(answer, " ")
		switch kind {
		case "ok":
			return rest
		case "error":
			c.t.Fatalf("the bench refused %q: %s", line, rest)
		case "i":
			return c.gather(answer)
		default:
			if err := c.event(kind, rest); err != nil {
				c.t.Fatalf("the bench said %q: %v", answer, err)
			}
		}
	}
}

// gather reads the lines of an answer that has several.
func (c *Chip) gather(first string) string {
	c.t.Helper()
	var all strings.Builder
	for line := first; ; {
		all.WriteString(line + "\n")
		next, err := c.out.ReadString('\n')
		if err != nil {
			c.t.Fatalf("the bench has ended: %v", err)
		}
		line = strings.TrimSuffix(next, "\n")
		if line == "ok" {
			return all.String()
		}
	}
}

func (c *Chip) event(kind, rest string) error {
	when, rest, _ := strings.Cut(rest, " ")
	cycle, err := strconv.ParseUint(when, 10, 64)
	if err != nil {
		return err
	}
	switch kind {
	case "e":
		name, level, _ := strings.Cut(rest, " ")
		c.edges = append(c.edges, Edge{At: at(cycle), Name: name, Level: int(level[0] - '0')})
	case "u":
		b, err := hex.DecodeString(rest)
		if err != nil {
			return err
		}
		c.bytes = append(c.bytes, b...)
		c.take(at(cycle)+byteTime, b)
	case "r":
		c.decoder.Reset()
		c.resets = append(c.resets, at(cycle))
	case "o":
	default:
		return errors.New("no such event")
	}
	return nil
}

// byteTime is 10 bits at the link's usual rate.
const byteTime = 20 * time.Microsecond

func (c *Chip) take(now time.Duration, b []byte) {
	_, _ = c.decoder.Write(b)
	var f seatlink.Frame
	for c.decoder.Next(&f) {
		c.frames = append(c.frames, Received{At: now, Type: f.Type, Sequence: f.Sequence, Payload: append([]byte(nil), f.Payload...)})
		switch f.Type {
		case seatlink.TypeStatus:
			if err := c.status.Unmarshal(f.Payload); err != nil {
				c.t.Errorf("at %v: STATUS %x: %v", now, f.Payload, err)
			}
			c.known = true
		case seatlink.TypeHello:
			if err := c.hello.Unmarshal(f.Payload); err != nil {
				c.t.Errorf("at %v: HELLO %x: %v", now, f.Payload, err)
			}
			c.greeted++
		}
	}
}

// Now is the chip's time since power on.
func (c *Chip) Now() time.Duration { return at(c.cycle) }

// RunFor lets d pass.
func (c *Chip) RunFor(d time.Duration) {
	c.t.Helper()
	c.RunTo(c.Now() + d)
}

// RunTo lets time pass until t.
func (c *Chip) RunTo(t time.Duration) {
	c.t.Helper()
	c.runTo(cycles(t))
}

func (c *Chip) runTo(cycle uint64) {
	c.t.Helper()
	reached, err := strconv.ParseUint(c.command("run %d", cycle), 10, 64)
	if err != nil {
		c.t.Fatal(err)
	}
	if reached > c.cycle {
		*c.run += reached - c.cycle
	}
	// The chip stops between two instructions, up to a few cycles late; time as asked adds up to no drift.
	c.cycle = max(c.cycle, cycle)
	if reached > cycle+64 {
		c.cycle = reached
	}
}

// Simulated is how much time was simulated in all, what Try took back included.
func (c *Chip) Simulated() time.Duration { return at(*c.run) }

// Write sends bytes to the chip from now on, as fast as the line carries them.
func (c *Chip) Write(p []byte) { c.t.Helper(); c.WriteAt(c.Now(), p) }

// WriteAt sends bytes to the chip from t on, or when the line is free.
func (c *Chip) WriteAt(t time.Duration, p []byte) {
	c.t.Helper()
	for len(p) > 0 {
		n := min(len(p), 4096)
		c.command("send %d %x", cycles(t), p[:n])
		p = p[n:]
	}
}

// Bytes gives the bytes from the chip since the last call.
func (c *Chip) Bytes() []byte { b := c.bytes; c.bytes = nil; return b }

// Frames gives the frames from the chip since the last call.
func (c *Chip) Frames() []Received { f := c.frames; c.frames = nil; return f }

// Edges gives the edges since the last call.
func (c *Chip) Edges() []Edge { e := c.edges; c.edges = nil; return e }

// Resets gives when the chip was reset, by itself or from outside.
func (c *Chip) Resets() []time.Duration { return c.resets }

// Status is the newest STATUS; false if there was none yet.
func (c *Chip) Status() (seatlink.Status, bool) { return c.status, c.known }

// Hello is the newest HELLO, and how many have come.
func (c *Chip) Hello() (seatlink.Hello, int) { return c.hello, c.greeted }

// Garbled counts what came from the chip and was no frame.
func (c *Chip) Garbled() uint64 { n := c.decoder.Counts(); return n.CRC + n.Framing }

// Show chooses which events the runner reports; long runs go without edges. Both are reported at first.
func (c *Chip) Show(edges, bytes bool) {
	c.t.Helper()
	bit := map[bool]int{true: 1}
	c.command("show edges %d", bit[edges])
	c.command("show bytes %d", bit[bytes])
}

// Pin holds an input at a level, whatever its switch says.
func (c *Chip) Pin(pin string, level int) { c.t.Helper(); c.command("pin %s %d", pin, level) }

// Free gives a held input back to its switch.
func (c *Chip) Free(pin string) { c.t.Helper(); c.command("pin %s free", pin) }

// Supply switches the motors' supply, and the input that reports it. Without it steps move nothing.
func (c *Chip) Supply(on bool) {
	c.t.Helper()
	c.command("supply %d", map[bool]int{true: 1}[on])
	c.Pin(c.Firmware.Wiring.Supply.Pin, c.Firmware.Wiring.Supply.level(on))
}

// Alarm sets the alarm output of an axis's driver.
func (c *Chip) Alarm(axis int, on bool) {
	c.t.Helper()
	in := c.Firmware.Wiring.Axes[axis].Alarm
	c.Pin(in.Pin, in.level(on))
}

// Lose makes the next n steps of an axis move nothing.
func (c *Chip) Lose(axis, n int) { c.t.Helper(); c.command("lose %d %d", axis, n) }

// Turn puts a crank somewhere, as a hand would.
func (c *Chip) Turn(axis int, steps int64) { c.t.Helper(); c.command("crank %d %d", axis, steps) }

// Reset pulls the reset pin, as opening the port does on many boards.
func (c *Chip) Reset() { c.t.Helper(); c.command("reset pin") }

// PowerCycle switches the controller's own supply off and on: its memory is lost.
func (c *Chip) PowerCycle() { c.t.Helper(); c.command("reset power") }

// Baud sets the bit rate of the line to the chip.
func (c *Chip) Baud(rate int) { c.t.Helper(); c.command("baud %d", rate) }

// Serve lets the clock run by itself, with the chip's serial port on a pseudo-terminal whose name it gives, until the test
// ends. From then on only Crank, Counts, Pin, Free, Supply, Alarm, Lose, Turn, Reset and PowerCycle may be called.
func (c *Chip) Serve() string { c.t.Helper(); return c.command("serve") }

// Try runs f for the test t, and afterwards everything in the chip, on the line and around it is as it was before.
func (c *Chip) Try(t testing.TB, f func()) {
	t.Helper()
	before := *c
	c.command("save")
	c.t = t
	defer func() {
		c.command("back")
		*c = before
	}()
	f()
}

// fields reads name=value pairs.
func fields(s string) map[string]string {
	m := make(map[string]string)
	for _, f := range strings.Fields(s) {
		name, value, _ := strings.Cut(f, "=")
		m[name] = value
	}
	return m
}

// Crank is how an axis is.
func (c *Chip) Crank(axis int) Crank {
	c.t.Helper()
	m := fields(c.command("position %d", axis))
	whole := func(name string) int64 {
		n, err := strconv.ParseInt(m[name], 10, 64)
		if err != nil {
			c.t.Fatalf("the bench's position: %s: %v", name, err)
		}
		return n
	}
	least := func(name string) time.Duration {
		if m[name] == "-" {
			return 0
		}
		return at(uint64(whole(name)))
	}
	return Crank{Steps: whole("steps"), At: whole("crank"), Edges: uint64(whole("edges")), Unheld: uint64(whole("unheld")), Held: whole("enabled") == 1,
		Timing: Timing{High: least("high"), Low: least("low"), Period: least("period"), Setup: least("setup"), Hold: least("hold")}}
}

// Counts are the runner's totals.
func (c *Chip) Counts() Counts {
	c.t.Helper()
	m := fields(c.command("counts"))
	n := func(name string) uint64 {
		x, err := strconv.ParseUint(m[name], 10, 64)
		if err != nil {
			c.t.Fatalf("the bench's counts: %s: %v", name, err)
		}
		return x
	}
	return Counts{Cycle: n("cycle"), In: n("in"), Out: n("out"), Overruns: n("overruns"), Resets: n("resets"), Waiting: int(n("waiting")), Hash: m["hash"]}
}

// Interrupts lists the interrupts that came.
func (c *Chip) Interrupts() (all []Interrupt) {
	c.t.Helper()
	for line := range strings.Lines(c.command("interrupts")) {
		var v Interrupt
		if _, err := fmt.Sscanf(line, "i %d count=%d worst=%d mean=%d wait=%d", &v.Vector, &v.Count, &v.Worst, &v.Mean, &v.Delay); err != nil {
			c.t.Fatalf("the bench's interrupts: %q: %v", line, err)
		}
		all = append(all, v)
	}
	return all
}

// StackLeft is how many bytes between the program's variables and the deepest stack so far were never written.
func (c *Chip) StackLeft() int {
	c.t.Helper()
	var left, of int
	if _, err := fmt.Sscanf(c.command("untouched %d", c.Firmware.stackFloor), "%d of %d", &left, &of); err != nil {
		c.t.Fatal(err)
	}
	return left
}

// Profile samples the program counter while f runs, and gives the samples, one every 97 cycles, by the name of the function.
func (c *Chip) Profile(f func()) map[string]int {
	c.t.Helper()
	c.command("profile 1")
	f()
	names, out := c.Firmware.functions(c.t), make(map[string]int)
	for line := range strings.Lines(c.command("profile 0")) {
		var address, n int
		if _, err := fmt.Sscanf(line, "i %x %d", &address, &n); err != nil {
			c.t.Fatalf("the bench's profile: %q: %v", line, err)
		}
		out[names.at(address)] += n
	}
	return out
}

// Hang makes a function of the firmware an endless loop, until the next reset. Interrupts go on.
func (c *Chip) Hang(function string) {
	c.t.Helper()
	for _, s := range c.Firmware.functions(c.t) {
		if s.Name == function {
			c.command("hang %d", s.Value)
			return
		}
	}
	c.t.Fatalf("the firmware has no function %s", function)
}
