//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/pose"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// bench is a controller that does not say that it is simulated, behind a port that can be pulled.
type bench struct {
	t      *testing.T
	server *simulated.Server
	path   string
	pull   context.CancelFunc
	pulled <-chan struct{}
	file   string // of the seat
}

func newBench(t *testing.T) *bench {
	t.Helper()
	c := config.Default()
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} { // short ways
		c.Seat.Limits.Low[a], c.Seat.Limits.High[a] = -2*math.Pi/180, 2*math.Pi/180
	}
	c.Seat.Load.HeadHeight = 0.4
	c.Seat.Board = "bench"
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	s := controllerSettings(c, m)
	s.NotSaying, s.Seed = true, 1
	server, err := simulated.NewServer(s)
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	b := &bench{t: t, server: server, path: filepath.Join(folder, "port"), file: filepath.Join(folder, "seat.toml")}
	c.Seat.Port = b.path
	if err := os.WriteFile(b.file, append([]byte("# mine\n"), c.Seat.Text()...), 0o600); err != nil {
		t.Fatal(err)
	}
	b.plug()
	t.Cleanup(func() { b.pull() })
	return b
}

func (b *bench) plug() {
	b.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	b.pull = cancel
	var err error
	if _, b.pulled, err = b.server.ServePTY(ctx, b.path); err != nil {
		b.t.Skipf("no pseudo-terminal: %v", err)
	}
}

func (b *bench) supply(on bool) {
	b.server.With(func(c *simulated.Controller) { c.Cause(seatlink.FaultSupply, !on) })
}

// operate runs a command of commissioning with somebody at its terminal who says yes but to what is in no, types the angle
// that was told, holds the key while he is told to, and does what he is asked. It gives what was shown and the exit code.
func (b *bench) operate(no string, args ...string) (string, int) {
	b.t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		b.t.Skipf("no pseudo-terminal: %v", err)
	}
	defer func() { _ = near.Close() }()
	cmd := exec.Command("perch", append([]string{"commission"}, args...)...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = far, far, far
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	_ = far.Close()
	shown := make(chan string, 100)
	go func() {
		defer close(shown)
		for buf := make([]byte, 4096); ; {
			n, err := near.Read(buf)
			shown <- string(buf[:n])
			if err != nil {
				return
			}
		}
	}()
	say := func(s string) { _, _ = near.WriteString(s) }
	var all, pending, hold string
	var began time.Time
	tick := time.NewTicker(30 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(90 * time.Second); ; {
		select {
		case s, open := <-shown:
			if !open {
				_ = cmd.Wait()
				return all, cmd.ProcessState.ExitCode()
			}
			all += s
			pending += s
		case <-tick.C:
			if hold != "" {
				b.hold(&hold, time.Since(began), say)
			}
		}
		if time.Now().After(deadline) {
			_ = cmd.Process.Kill()
			b.t.Fatalf("the step does not end:\n%s", all)
		}
		if strings.TrimSpace(pending) != "" {
			hold = ""
		}
		for {
			at, marker := len(pending), ""
			for _, m := range []string{"[yes or no] ", "is positive)? ", "is positive? ", "[hold →]", "[it goes on by itself]"} {
				if k := strings.Index(pending, m); k >= 0 && k < at {
					at, marker = k, m
				}
			}
			if marker == "" {
				break
			}
			text := strings.Join(strings.Fields(pending[:at]), " ")
			pending = pending[at+len(marker):]
			switch marker {
			case "[yes or no] ":
				answer := "yes\r"
				if strings.Contains(text, "alarm outputs") || no != "" && strings.Contains(text, no) {
					answer = "no\r"
				}
				say(answer)
			case "is positive)? ", "is positive? ":
				value := "0"
				if _, rest, ok := strings.Cut(text, "Told: "); ok && !strings.Contains(text, " level.") {
					value = strings.Fields(rest)[1]
				}
				say(value + " deg\r")
			case "[hold →]":
				hold, began = text, time.Now()
			default:
				switch {
				case strings.Contains(text, "Plug the cable in"):
					b.plug()
				case strings.Contains(text, "ress the switch of the motor supply"):
					b.supply(false)
				case strings.Contains(text, "upply on"):
					b.supply(true)
				}
			}
		}
	}
}

// hold is a key that repeats, and what else is asked for while it is held.
func (b *bench) hold(what *string, held time.Duration, say func(string)) {
	if held < 2500*time.Millisecond {
		say("\x1b[C")
		return
	}
	switch {
	case strings.Contains(*what, "press Esc"):
		say("\x1b")
		*what = "pressed"
	case strings.Contains(*what, "pull the data cable"):
		b.pull()
		<-b.pulled
		*what = "pulled"
	case strings.Contains(*what, "press the switch of the motor supply"):
		b.supply(false)
		*what = "switched off"
	default:
		say("\x1b[C")
	}
}

// status is perch commission status --json.
func (b *bench) status() (s statusJSON) {
	b.t.Helper()
	out, _ := exec.Command("perch", "commission", "status", "--seat-file", b.file, "--seat", b.path, "--json").Output()
	if err := json.Unmarshal(out, &s); err != nil {
		b.t.Fatalf("%v: %s", err, out)
	}
	return s
}

// TestCommissioningOnAPort: a step that passed is in the seat file and nothing else of it has changed; one that failed is there
// as failed; one that comes later is refused. Without the whole record no key makes perch run move the seat.
func TestCommissioningOnAPort(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	before, err := os.ReadFile(b.file)
	if err != nil {
		t.Fatal(err)
	}
	on := []string{"--seat-file", b.file, "--seat", b.path}
	if out, code := b.operate("", append([]string{"homing"}, on...)...); code != exitRefused || !strings.Contains(out, "homing comes later; begin with perch commission identity") {
		t.Errorf("homing first: %d\n%s", code, out)
	}
	if out, code := b.operate("Can you turn every motor", append([]string{"identity"}, on...)...); code != exitFailed || !strings.Contains(out, "wire the switch so that it cuts the motors' power by itself") {
		t.Errorf("a switch that does not cut: %d\n%s", code, out)
	}
	if s := b.status(); s.Valid || s.Steps[0].Outcome != "failed" {
		t.Errorf("after a no: %+v", s)
	}
	if out, code := b.operate("", append([]string{"identity"}, on...)...); code != exitDone || !strings.Contains(out, "identity passed") || !strings.Contains(out, "emergency stop") {
		t.Errorf("identity: %d\n%s", code, out)
	}
	after, err := os.ReadFile(b.file)
	if err != nil || !bytes.HasPrefix(after, before) {
		t.Errorf("the seat file has changed (%v):\n%s", err, after)
	}
	if s := b.status(); s.Valid || s.Board != "bench" || s.Steps[0].Outcome != config.Passed || !strings.Contains(strings.Join(s.Why, ";"), "directions is not done") {
		t.Errorf("after identity: %+v", s)
	}
	ride := filepath.Join(filepath.Dir(b.file), "ride.toml")
	if err := os.WriteFile(ride, []byte("seat_file = \"seat.toml\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := start(t, "--config", ride, "--set", "start=45")
	r.outside = true
	r.awaitEvent("directions is not done; do perch commission directions")
	r.await("a fresh source", func(s said) bool { return s.Condition == "fresh" })
	_, first := b.look()
	for range 40 {
		r.press("a")
		r.press("h")
		time.Sleep(40 * time.Millisecond)
	}
	r.awaitEvent("until then no source moves this seat")
	if state, motors := b.look(); state == seatlink.StateHoming || state == seatlink.StateArmed || motors != first {
		t.Errorf("without a record the controller is %v, its motors at %v, before %v", state, motors, first)
	}
	r.press("q")
	r.end(exitDone)

	if out, code := b.operate("", "identity", "--seat-file", b.file, "--seat", "simulated"); code != exitDone || !strings.Contains(out, "practice") {
		t.Errorf("practice: %d\n%s", code, out)
	}
	if got, _ := os.ReadFile(b.file); !bytes.Equal(got, after) {
		t.Error("practice has changed the seat file")
	}
	cmd := exec.Command("perch", "run", "--seat", b.path)
	if out, _ := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitRefused || !strings.Contains(string(out), "no seat file") {
		t.Errorf("without a seat file: %d\n%s", cmd.ProcessState.ExitCode(), out)
	}
}

func (b *bench) look() (state seatlink.State, motors [seatlink.MaxAxes]float64) {
	b.server.With(func(c *simulated.Controller) { state, motors = c.State(), c.Motors() })
	return state, motors
}

// TestAWholeCommissioningOnAPort goes through every step with real processes at a real port; then perch run rides, and a
// changed limit lapses it.
func TestAWholeCommissioningOnAPort(t *testing.T) {
	if os.Getenv("PERCH_LONG") == "" {
		t.Skip("takes two minutes; PERCH_LONG=1 runs it")
	}
	t.Parallel()
	b := newBench(t)
	for _, name := range commissioning.Steps() {
		out, code := b.operate("Has the seat home switches", name, "--seat-file", b.file) // nobody can press those
		if strings.Contains(out, "came too late") || strings.Contains(out, "does not answer any more") {
			t.Skipf("this machine is too busy: the simulated controller came too late to answer\n%s", out)
		}
		if code != exitDone {
			t.Fatalf("%s: %d\n%s", name, code, out)
		}
	}
	if s := b.status(); !s.Valid {
		t.Fatalf("%+v", s)
	}
	ride := filepath.Join(filepath.Dir(b.file), "ride.toml")
	if err := os.WriteFile(ride, []byte("seat_file = \"seat.toml\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := start(t, "--config", ride, "--set", "start=45")
	r.outside = true
	r.press("h")
	r.awaitState("parked")
	for range 40 { // the first hold shows the cautions
		r.press("a")
		time.Sleep(40 * time.Millisecond)
	}
	r.awaitEvent("read the cautions above")
	time.Sleep(1500 * time.Millisecond) // let go
	r.hold("a", "riding")
	r.press("q")
	r.end(exitDone)
	text, err := os.ReadFile(b.file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(b.file, bytes.Replace(text, []byte(`high = "2 deg"`), []byte(`high = "3 deg"`), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	if s := b.status(); s.Valid || !strings.Contains(strings.Join(s.Why, ";"), `limits.roll.high is "3 deg", and was "2 deg" at commissioning`) {
		t.Errorf("a wider limit: %+v", s)
	}
}
