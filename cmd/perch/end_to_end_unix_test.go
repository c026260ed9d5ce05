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
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/seat/simulated"
	"perch/host/signs"
	"perch/proto/seatlink"
)

// said is one line of a ride's --json: a picture of the ride, or an event.
type said struct {
	Event, Level string

	State, Cause, Source, Controller string
	Condition                        string `json:"source_condition"`
	Signs                            signs.Standing
	Gentle                           bool
	Commanded, Actuators             map[string]float64
}

// riding is a `perch run --json` in a process of its own, with a terminal for its keys.
type riding struct {
	t       *testing.T
	cmd     *exec.Cmd
	keys    *os.File
	stderr  bytes.Buffer
	exited  chan struct{} // closed when the process has ended
	mu      sync.Mutex
	partial []byte
	lines   []said
	at      int  // lines that await has passed
	outside bool // the controller is in the test's process, which has no priority over other work
}

// patience is how long to wait for what must come; a busy machine is slow.
const patience = 40 * time.Second

// start starts a ride; what is left of it is killed when the test ends.
func start(t *testing.T, args ...string) *riding {
	t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminal: %v", err)
	}
	r := &riding{t: t, keys: near, exited: make(chan struct{})}
	r.cmd = exec.Command("perch", append([]string{"run", "--json"}, args...)...)
	r.cmd.Stdin, r.cmd.Stdout, r.cmd.Stderr = far, r, &r.stderr
	r.cmd.WaitDelay = 5 * time.Second
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		_ = r.cmd.Wait()
		close(r.exited)
	}()
	t.Cleanup(func() {
		_ = r.cmd.Process.Kill()
		<-r.exited
		_ = near.Close()
		_ = far.Close()
	})
	return r
}

// Write takes the ride's output.
func (r *riding) Write(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.partial = append(r.partial, p...)
	for {
		line, rest, ok := bytes.Cut(r.partial, []byte("\n"))
		if !ok {
			return len(p), nil
		}
		var s said
		if err := json.Unmarshal(line, &s); err != nil {
			s = said{Event: "no JSON: " + string(line), Level: "ERROR"}
		}
		r.lines, r.partial = append(r.lines, s), rest
	}
}

// await waits for a line, after those that it has passed before.
func (r *riding) await(what string, is func(said) bool) said {
	r.t.Helper()
	for deadline := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		over := r.over() // before the lines: the last of them are there when it is
		r.mu.Lock()
		for r.at < len(r.lines) {
			s := r.lines[r.at]
			r.at++
			if is(s) {
				r.mu.Unlock()
				return s
			}
			if s.State == "fault" {
				r.mu.Unlock()
				r.starved(s)
				r.t.Fatalf("%s did not come, but a fault: %s; events: %q", what, s.Cause, r.events())
			}
		}
		r.mu.Unlock()
		if over || time.Now().After(deadline) {
			r.t.Fatalf("%s did not come; events: %q; stderr: %s", what, r.events(), r.errors())
		}
	}
}

func (r *riding) awaitState(state string) said {
	r.t.Helper()
	return r.await("the state "+state, func(s said) bool { return s.State == state })
}

func (r *riding) awaitEvent(part string) said {
	r.t.Helper()
	return r.await("the event "+part, func(s said) bool { return strings.Contains(s.Event, part) })
}

// during gives the pictures of the next while, a few at least.
func (r *riding) during(d time.Duration) (out []said) {
	r.t.Helper()
	r.mu.Lock()
	from := len(r.lines)
	r.mu.Unlock()
	began := time.Now()
	for len(out) < 5 || time.Since(began) < d {
		if r.over() || time.Since(began) > patience {
			r.t.Fatalf("no picture of the ride; events: %q; stderr: %s", r.events(), r.errors())
		}
		time.Sleep(10 * time.Millisecond)
		out = out[:0]
		r.mu.Lock()
		for _, s := range r.lines[from:] {
			if s.State != "" {
				out = append(out, s)
			}
		}
		r.mu.Unlock()
	}
	for _, s := range out {
		r.starved(s)
	}
	return out
}

// starved skips a test whose controller got no time to answer.
func (r *riding) starved(s said) {
	r.t.Helper()
	if r.outside && s.State == "fault" && s.Cause == "controller lost" {
		r.t.Skip("this machine is too busy: the simulated controller came too late to answer")
	}
}

func (r *riding) events() (out []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.lines {
		if s.Event != "" {
			out = append(out, s.Level+" "+s.Event)
		}
	}
	return out
}

// over says whether the process has ended.
func (r *riding) over() bool {
	select {
	case <-r.exited:
		return true
	default:
		return false
	}
}

// errors is what the process wrote to stderr, once it is over.
func (r *riding) errors() string {
	if !r.over() {
		return "(it still runs)"
	}
	return r.stderr.String()
}

func (r *riding) press(keys string) {
	r.t.Helper()
	if _, err := r.keys.WriteString(keys); err != nil {
		r.t.Fatal(err)
	}
}

// hold presses a key again and again, as a keyboard does, until the ride is in a state.
func (r *riding) hold(key, state string) {
	r.t.Helper()
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(40 * time.Millisecond) {
		r.press(key)
		r.mu.Lock()
		n := len(r.lines)
		var last said
		if n > 0 {
			last = r.lines[n-1]
		}
		there := last.State == state
		r.mu.Unlock()
		r.starved(last)
		if there {
			return
		}
	}
	r.t.Fatalf("the seat is not %s after %s was held; events: %q", state, key, r.events())
}

func (r *riding) signal(s syscall.Signal) {
	r.t.Helper()
	if err := r.cmd.Process.Signal(s); err != nil {
		r.t.Fatal(err)
	}
}

// end waits for the process to end and checks its exit code.
func (r *riding) end(code int) {
	r.t.Helper()
	select {
	case <-r.exited:
	case <-time.After(patience):
		r.t.Fatalf("perch run does not end; events: %q", r.events())
	}
	if got := r.cmd.ProcessState.ExitCode(); got != code {
		r.t.Errorf("perch run ended with %d, want %d; events: %q; stderr: %s", got, code, r.events(), r.errors())
	}
}

func TestSpaceStopsAndNothingParksByItself(t *testing.T) {
	t.Parallel()
	r := start(t, "--set", "start=45")
	r.awaitState("riding")
	time.Sleep(2500 * time.Millisecond) // until the demand is faded in
	r.press(" ")
	held := r.awaitState("held")
	if held.Cause != "asked for" {
		t.Errorf("held because %q, want asked for", held.Cause)
	}
	for _, s := range r.during(2 * time.Second) {
		if s.State != "held" {
			t.Fatalf("after a stop the seat is %s: %q", s.State, r.events())
		}
		for axis, v := range s.Commanded {
			if v != held.Commanded[axis] {
				t.Fatalf("after a stop %s went from %v to %v", axis, held.Commanded[axis], v)
			}
		}
	}
	r.press("p")
	r.awaitState("parked")
	for _, s := range r.during(time.Second) {
		if s.State != "parked" {
			t.Fatalf("after a stop and parking the seat is %s, though nobody armed it", s.State)
		}
	}
}

func TestAStopIsHeardWhileTheRideEnds(t *testing.T) {
	t.Parallel()
	r := start(t, "--set", "start=45")
	r.awaitState("riding")
	time.Sleep(2500 * time.Millisecond) // until the demand is faded in
	r.press("q")
	r.awaitState("settling")
	r.press("x") // a key without a meaning of its own
	r.awaitEvent("seat: held: asked for")
	r.end(exitDone)
}

// commissioned writes a seat file whose record says that some steps passed with a controller, and a configuration file that
// names it.
func commissioned(t *testing.T, s config.Seat, who commissioning.Controller, steps ...string) (path string) {
	t.Helper()
	folder := t.TempDir()
	seat := filepath.Join(folder, "seat.toml")
	path = filepath.Join(folder, "ride.toml")
	for _, name := range steps {
		s.Record = commissioning.Enter(s, who, name, config.Step{Date: time.Now(), Outcome: config.Passed})
	}
	for file, text := range map[string][]byte{seat: s.Text(), path: []byte("seat_file = \"seat.toml\"\n")} {
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

// rideReal rides on a controller that does not say that it is simulated, and is commissioned. look gives what it does.
func rideReal(t *testing.T, byHand bool) (r *riding, look func() (seatlink.State, [seatlink.MaxAxes]float64)) {
	t.Helper()
	c := config.Default()
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	s := controllerSettings(c, m)
	s.NotSaying, s.ByHand = true, byHand
	server, err := simulated.NewServer(s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	name, _, err := server.ServePTY(ctx, "")
	if err != nil {
		t.Skipf("no pseudo-terminal: %v", err)
	}
	var who commissioning.Controller
	server.With(func(c *simulated.Controller) {
		who = commissioning.Controller{Board: "simulated", Firmware: "1.0.0", Limits: c.Hash()}
	})
	r = start(t, "--config", commissioned(t, c.Seat, who, commissioning.Steps()...), "--seat", name, "--set", "start=45")
	r.outside = true
	return r, func() (state seatlink.State, motors [seatlink.MaxAxes]float64) {
		server.With(func(c *simulated.Controller) { state, motors = c.State(), c.Motors() })
		return state, motors
	}
}

// TestASeatHomedByHandAtTheKeyboard: h asks first whether it was levelled; another key in between takes that back.
func TestASeatHomedByHandAtTheKeyboard(t *testing.T) {
	t.Parallel()
	r, look := rideReal(t, true)
	r.await("the controller", func(s said) bool { return s.Controller == seatlink.StateDisarmed.String() })
	r.press("h")
	r.awaitEvent("Press h again to say so")
	r.press("1")
	time.Sleep(100 * time.Millisecond)
	r.press("h")
	r.awaitEvent("Press h again to say so")
	if state, _ := look(); state != seatlink.StateDisarmed {
		t.Fatalf("nobody has said that it is level, but the controller is %v", state)
	}
	r.press("h")
	r.awaitState("parked")
	r.press("q")
	r.end(exitDone)
}

// TestARealSeatMovesOnlyWhenAsked rides on a controller that does not say that it is simulated.
func TestARealSeatMovesOnlyWhenAsked(t *testing.T) {
	t.Parallel()
	r, look := rideReal(t, false)
	_, first := look()
	still := func(want string) {
		t.Helper()
		for _, s := range r.during(time.Second) {
			if s.State != want {
				t.Fatalf("the seat is %s, want %s: nobody asked; events: %q", s.State, want, r.events())
			}
		}
		state, motors := look()
		if state == seatlink.StateArmed {
			t.Fatal("nobody asked, but the controller is armed")
		}
		for i, x := range motors {
			if math.Abs(x-first[i]) > 1e-6 { // the motors trail the last of a move that was asked for
				t.Fatalf("nobody asked, but axis %d went from %v to %v rad", i+1, first[i], x)
			}
		}
	}
	r.await("a fresh source", func(s said) bool { return s.Condition == "fresh" })
	r.await("the controller", func(s said) bool { return s.Controller == seatlink.StateDisarmed.String() })
	still("off")
	r.press("h")
	r.awaitState("parked")
	_, first = look()
	still("parked")
	r.press("a") // once is not held
	still("parked")
	for range 40 { // the first hold shows the cautions
		r.press("a")
		time.Sleep(40 * time.Millisecond)
	}
	r.awaitEvent("read the cautions above")
	still("parked")
	r.hold("a", "riding")
	time.Sleep(2500 * time.Millisecond)
	r.press("\x1b")
	r.awaitState("held")
	r.press("p")
	r.awaitState("parked")
	_, first = look()
	still("parked")
	r.signal(syscall.SIGINT)
	r.end(exitDone)
}

func TestArmingARealSeatNeedsATerminal(t *testing.T) {
	t.Parallel()
	trace := filepath.Join(t.TempDir(), "trace.csv")
	cmd := exec.Command("perch", "run", "--arm", "--seat", "/dev/there-is-none", "--trace", trace)
	out, _ := cmd.CombinedOutput()
	if code := cmd.ProcessState.ExitCode(); code != exitRefused || !strings.Contains(string(out), "--arm: needs a terminal") {
		t.Errorf("ended with %d, want %d: %s", code, exitRefused, out)
	}
	if _, err := os.Stat(trace); err == nil {
		t.Error("a refused run made its trace")
	}
}

func TestAChoiceOfSourceIsRecorded(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	file, recorded := filepath.Join(folder, "two.toml"), filepath.Join(folder, "ride.rec")
	const text = `live = "one"
[sources.one]
adapter = "demo"
[sources.one.settings]
start = 45
[sources.two]
adapter = "demo"
[sources.two.settings]
start = 90
seed = 2
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r := start(t, "--config", file, "--record", recorded)
	r.awaitState("riding")
	r.press("9") // there is none
	r.press("2")
	r.await("the other source", func(s said) bool { return s.Source == "two" })
	time.Sleep(2 * time.Second) // the crossfade
	r.press("1")
	r.await("the first source", func(s said) bool { return s.Source == "one" })
	r.press("q")
	r.end(exitDone)
	if n := again(t, recorded, runOptions{config: file}); n != 2 {
		t.Errorf("%d choices recorded, want 2", n)
	}
}
