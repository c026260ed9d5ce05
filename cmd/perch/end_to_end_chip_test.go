//go:build unix

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/seat/chip"
	"perch/proto/seatlink"
)

// TestARideOnTheFirmware rides on the reference controller's binary, on a simulated chip behind a pseudo-terminal: home, arm,
// ride, end. The chip's clock falls behind on a busy machine: no time is judged, and the rate is so low that frames that
// come five times too fast are still none too many.
func TestARideOnTheFirmware(t *testing.T) {
	if raced {
		t.Skip("beside the race detector the simulated chip falls too far behind the clock: .ci/run runs this by itself")
	}
	f := chip.Build(t)
	var near []int64 // so that homing is short
	for _, a := range f.Wiring.Axes {
		near = append(near, a.HomeEdge+100)
	}
	c := f.Start(t, near...)
	c.RunFor(200 * time.Millisecond)
	hello, _ := c.Hello()

	// A seat file whose record stands for this controller.
	s := config.DefaultSeat()
	who := commissioning.Controller{Board: hello.BoardName(), Firmware: fmt.Sprintf("%d.%d.%d", hello.Firmware[0], hello.Firmware[1], hello.Firmware[2]), Limits: hello.Hash}
	s.Port, s.Board = c.Serve(), who.Board
	for _, name := range commissioning.Steps() {
		s.Record = commissioning.Enter(s, who, name, config.Step{Date: time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), Outcome: config.Passed})
	}
	folder := t.TempDir()
	for name, text := range map[string]string{
		"seat.toml": string(s.Text()),
		"ride.toml": fmt.Sprintf("seat = %q\nseat_file = \"seat.toml\"\nrate = \"100 Hz\"\n[sources.demo]\nadapter = \"demo\"\n[sources.demo.settings]\nstart = 45\n", s.Port),
	} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}

	r := start(t, "--config", filepath.Join(folder, "ride.toml"))
	r.outside = true
	r.await("a fresh source", func(s said) bool { return s.Condition == "fresh" })
	r.await("the controller", func(s said) bool { return s.Controller == seatlink.StateDisarmed.String() })
	if k := c.Crank(0); k.Edges != 0 {
		t.Errorf("%d steps before anyone asked", k.Edges)
	}
	r.press("h")
	r.awaitState("parked")
	parked := [2]chip.Crank{c.Crank(0), c.Crank(1)}
	for range 40 { // the first hold shows the cautions
		r.press("a")
		time.Sleep(40 * time.Millisecond)
	}
	r.awaitEvent("read the cautions above")
	time.Sleep(1500 * time.Millisecond) // let go
	r.hold("a", "riding")
	moved := func(i int) uint64 { return c.Crank(i).Edges - parked[i].Edges }
	for deadline := time.Now().Add(patience); moved(0) < 50 || moved(1) < 50; r.during(200 * time.Millisecond) {
		if time.Now().After(deadline) || r.over() {
			t.Fatalf("the cranks made %d and %d steps in the ride; events: %q", moved(0), moved(1), r.events())
		}
	}
	r.signal(syscall.SIGINT)
	r.awaitState("parked")
	r.end(exitDone)

	status := askStatus(t, s.Port)
	t.Logf("late %d times, refused %d setpoints", status.Late, status.Refused)
	if status.State == seatlink.StateHeld && status.Late > 0 {
		t.Skip("this machine is too busy: the host's setpoints came so late that the controller held the seat")
	}
	for i := range 2 {
		k := c.Crank(i)
		if off := k.At - parked[i].At; off < -2 || off > 2 {
			t.Errorf("axis %d is parked %d steps from where homing parked it", i, off)
		}
		if k.Unheld != 0 {
			t.Errorf("axis %d: %d steps while the driver was not enabled", i, k.Unheld)
		}
	}
	if n := c.Counts(); n.Overruns != 0 || n.Resets != 0 {
		t.Errorf("overruns %d, resets %d", n.Overruns, n.Resets)
	}
	if status.State != seatlink.StateReady || status.Faults != 0 || status.CRCErrors != 0 || status.Framing != 0 || status.Refused != 0 {
		t.Errorf("afterwards the controller is %v, faults %v, CRC errors %d, framing %d, refused %d", status.State, status.Faults, status.CRCErrors,
			status.Framing, status.Refused)
	}
}

// askStatus asks the controller behind a port how it is.
func askStatus(t *testing.T, name string) (s seatlink.Status) {
	t.Helper()
	port, err := os.OpenFile(name, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	var e seatlink.Encoder
	if _, err := port.Write(e.Append([]byte{seatlink.Delimiter}, &seatlink.Plain{Kind: seatlink.TypeStatusRequest})); err != nil {
		t.Fatal(err)
	}
	var d seatlink.Decoder
	var f seatlink.Frame
	_, _ = d.Write([]byte{seatlink.Delimiter})
	answered := false
	b := make([]byte, 256)
	for end := time.Now().Add(patience); time.Now().Before(end); {
		n, err := port.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = d.Write(b[:n])
		for d.Next(&f) {
			answered = answered || f.Type == seatlink.TypeResult
			if answered && f.Type == seatlink.TypeStatus && s.Unmarshal(f.Payload) == nil {
				return s
			}
		}
	}
	t.Fatal("the controller does not answer")
	return s
}
