//go:build linux || darwin

package ride

import (
	"bufio"
	"context"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/guard"
	"perch/host/pose"
	"perch/host/seat"
	"perch/host/seat/simulated"
	"perch/host/seat/text"
	"perch/proto/seatlink"
)

// realServer is a controller that does not say that it is simulated, with limits wide enough.
func realServer(t *testing.T) *simulated.Server {
	t.Helper()
	server, err := simulated.NewServer(simulated.Settings{HomingTime: 20 * time.Millisecond, NotSaying: true})
	if err != nil {
		t.Fatal(err)
	}
	return server
}

// bring brings the seat to a state as an operator would, and again where a machine that is kept busy has made a fault of it.
func bring(t *testing.T, r *Ride, o *told, want guard.State) {
	t.Helper()
	for deadline := time.Now().Add(40 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		state := r.Snapshot().Row.Guarded.State
		if state == want {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("the seat is %v, want %v; told:\n%s", state, want, o.all())
		}
		switch state {
		case guard.Off:
			r.Ask(guard.AskHome)
		case guard.Parked:
			r.Ask(guard.AskArm)
		case guard.Holding:
			r.Ask(guard.AskPark)
		case guard.Fault:
			r.Ask(guard.AskReset)
		}
	}
}

// What breaks on a real seat's line in mid-ride latches a fault with its cause; when the line is whole again nothing moves
// until somebody resets, homes and arms.
func TestALineThatBreaksInMidRide(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		cause guard.Cause
		cut   func(server *simulated.Server, unplug func())
	}{
		"the controller resets": {guard.CauseRestarted, func(server *simulated.Server, _ func()) {
			server.With(func(c *simulated.Controller) { c.Reboot(seatlink.ResetWatchdog) })
		}},
		"the port vanishes and comes back under another name": {guard.CauseLost, func(_ *simulated.Server, unplug func()) { unplug() }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server, link := realServer(t), filepath.Join(t.TempDir(), "seat")
			plug := func() (unplug func()) {
				ctx, cancel := context.WithCancel(context.Background())
				_, done, err := server.ServePTY(ctx, link)
				if err != nil {
					t.Skip(err)
				}
				t.Cleanup(cancel)
				return func() { cancel(); <-done }
			}
			unplug := plug()
			driver, err := seat.Open(context.Background(), seat.Settings{Port: link, N: 2, Period: 5 * time.Millisecond})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = driver.Close() })
			o := new(told)
			s := settings(t, o)
			s.Commissioned = commissioned(t, driver)
			r, _, _ := start(t, s, driver)
			bring(t, r, o, guard.Riding)
			time.Sleep(300 * time.Millisecond)
			c.cut(server, unplug)
			await(t, r, o, guard.Fault)
			if cause := r.Snapshot().Row.Guarded.Cause; cause != c.cause {
				t.Errorf("cause %q, want %q", cause, c.cause)
			}
			if c.cause == guard.CauseLost {
				plug()
			}
			for deadline := time.Now().Add(40 * time.Second); !r.Snapshot().Status.Connected; time.Sleep(10 * time.Millisecond) {
				if time.Now().After(deadline) {
					t.Fatal("the controller is not found again")
				}
			}
			look := func() (state seatlink.State, at [seatlink.MaxAxes]float64) {
				server.With(func(c *simulated.Controller) { state, at = c.State(), c.Motors() })
				return state, at
			}
			time.Sleep(700 * time.Millisecond) // it brakes by its own law
			_, before := look()
			for range 10 {
				r.Ask(guard.AskArm)
				time.Sleep(50 * time.Millisecond)
			}
			if state, at := look(); state == seatlink.StateArmed || at != before || r.Snapshot().Row.Guarded.State != guard.Fault {
				t.Errorf("%v, at %v after %v, the seat %v: it moved, or was armed, by itself", state, at, before, r.Snapshot().Row.Guarded.State)
			}
			r.Ask(guard.AskReset)
			if c.cause == guard.CauseLost {
				await(t, r, o, guard.Holding) // it held its position meanwhile
			} else {
				await(t, r, o, guard.Off)
			}
		})
	}
}

// A ride on a controller that a text driver tells: it rides inside half the travel at reduced speed, a stop is silence where it
// stopped, and when the port is lost the seat has to be levelled again.
func TestARideInText(t *testing.T) {
	t.Parallel()
	near, far, err := pty.Open()
	if err != nil {
		t.Skip(err)
	}
	defer far.Close()
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var lines []string
	go func() {
		for in := bufio.NewScanner(near); in.Scan(); {
			mu.Lock()
			lines = append(lines, in.Text())
			mu.Unlock()
		}
	}()
	heard := func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), lines...)
	}
	o := new(told)
	s := settings(t, o)
	file := config.Seat{Driver: config.TextDriver, Limits: s.Chain.Limits}
	s.Chain.Limits = commissioning.RideLimits(file, s.Chain.Mechanism.Axes())
	axes, metres := config.TextAxes(s.Chain.Mechanism)
	driver, err := text.Open(context.Background(), text.Settings{Port: far.Name(), Baud: 115200, Loop: s.Chain.Rate, Axes: axes, Metres: metres,
		Template: "{{printf \"%.4f\" .Actuator1.Deg}}\n", OnStop: "OFF\n"})
	if err != nil {
		t.Fatal(err)
	}
	defer driver.Close()
	s.Commissioned = commissioned(t, driver)
	r, _, _ := start(t, s, driver)
	await(t, r, o, guard.Off)
	time.Sleep(300 * time.Millisecond)
	if r.Snapshot().Row.Guarded.State != guard.Off || len(heard()) > 0 {
		t.Fatalf("nobody levelled the seat, and it is %v; written %q", r.Snapshot().Row.Guarded.State, heard())
	}
	bring(t, r, o, guard.Parked)
	if h := heard(); len(h) > 0 {
		t.Fatalf("written while parked: %q", h)
	}
	bring(t, r, o, guard.Riding)
	most, half := 0., 4*math.Pi/180
	for began := time.Now(); time.Since(began) < 4*time.Second; time.Sleep(10 * time.Millisecond) {
		most = max(most, math.Abs(r.Snapshot().Row.Guarded.Pose[pose.Roll]))
	}
	if most < 1e-3 || most > half {
		t.Errorf("rolled to %v rad, want some of %v", most, half)
	}
	r.Ask(guard.AskStop)
	await(t, r, o, guard.Holding)
	for deadline := time.Now().Add(40 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if h := heard(); len(h) > 0 && h[len(h)-1] == "OFF" {
			break
		} else if time.Now().After(deadline) {
			t.Fatalf("no word of the stop: %q", h)
		}
	}
	n := len(heard())
	time.Sleep(200 * time.Millisecond)
	if h := heard(); len(h) != n || n < 100 || h[0] != "0.0000" && h[0] != "-0.0000" {
		t.Errorf("%d lines, then %d; first %q", n, len(h), h[0])
	}
	// From where it stopped to level, at reduced speed, after somebody asked.
	bring(t, r, o, guard.Parked)
	if at := r.Snapshot().Row.Guarded.Pose[pose.Roll]; math.Abs(at) > 1e-3 {
		t.Errorf("parked at a roll of %v rad", at)
	}
	bring(t, r, o, guard.Riding)
	_ = near.Close()
	await(t, r, o, guard.Fault)
	if cause := r.Snapshot().Row.Guarded.Cause; cause != guard.CauseLost {
		t.Errorf("cause %q, want %q", cause, guard.CauseLost)
	}
	for deadline := time.Now().Add(40 * time.Second); !strings.Contains(r.Snapshot().Status.Problem, far.Name()); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("problem %q", r.Snapshot().Status.Problem)
		}
	}
}
