package main

import (
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"net"
	"os"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"perch/adapters/demo"
	"perch/sdk/axes"
	"perch/sdk/mavlink"
	"perch/sdk/vehicle"
)

func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", atOnce); err != nil {
		panic(err)
	}
	testscript.Main(m, map[string]func(){
		"perch": func() { os.Exit(execute(os.Args[1:])) },
		"fly": func() {
			if err := fly(os.Args[1], os.Args[2]); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
		"play": func() {
			if err := play(os.Args[1], os.Args[2]); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
		"tilt": func() {
			if err := tilt(os.Args[1], len(os.Args) > 2 && os.Args[2] == "mirrored"); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
	})
}

// TestScripts runs the program as an operator would: see testdata/script.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script", RequireExplicitExec: true, Setup: withLanguages, Condition: condition,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"waitfor": waitFor, "sleep": sleep},
	})
}

// sleep lets a ride go on for a while.
func sleep(ts *testscript.TestScript, _ bool, args []string) {
	d, err := time.ParseDuration(args[0])
	ts.Check(err)
	time.Sleep(d)
}

// waitFor waits until a file is there.
func waitFor(ts *testscript.TestScript, _ bool, args []string) {
	for range 500 {
		if _, err := os.Lstat(args[0]); err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	ts.Fatalf("%s did not come within 10 s", args[0])
}

// fly sends the demo's flight, from the climb on, as MAVLink attitudes at 50 Hz with a heartbeat a second.
func fly(address, length string) error {
	lasts, err := time.ParseDuration(length)
	if err != nil {
		return err
	}
	to, err := net.Dial("udp", address)
	if err != nil {
		return err
	}
	flight, header := demo.NewFlight(1), mavlink.Header{Version: 2, System: 7, Component: 1}
	send := func(m mavlink.Message) {
		_, _ = to.Write(mavlink.Append(nil, header, m)) // nobody may be listening yet
		header.Sequence++
	}
	var s vehicle.State
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	for n := 0; time.Duration(n)*20*time.Millisecond < lasts; n++ {
		<-ticker.C
		t := 30*time.Second + time.Duration(n)*20*time.Millisecond
		flight.At(t, &s)
		if n%50 == 0 {
			send(&mavlink.Heartbeat{Type: 1, Autopilot: 3, BaseMode: 128, SystemStatus: 4, MAVLinkVersion: 3})
		}
		q, _ := s.Attitude()
		w, _ := s.Vec(vehicle.AngularVelocityP)
		yaw, pitch, roll := axes.ToEuler(q)
		send(&mavlink.Attitude{
			TimeBootMs: uint32(t.Milliseconds()), Roll: float32(roll), Pitch: float32(pitch), Yaw: float32(yaw),
			RollSpeed: float32(w.X), PitchSpeed: float32(w.Y), YawSpeed: float32(w.Z),
		})
	}
	return nil
}

// tilt writes a telemetry log of a model that is held level for half a minute, then rolled right, lifted at the nose and turned
// right, each by 35 degrees, with eight seconds of rest in between. Mirrored, everything turns the other way but the nose.
func tilt(file string, mirrored bool) error {
	const level, rest, move, hold, rate = 32.0, 8.0, 0.6, 1.0, 20.0
	left := 1.0
	if mirrored {
		left = -1
	}
	header := mavlink.Header{Version: 2, System: 7, Component: 1}
	var out []byte
	at := func(t float64) (angles, rates [3]float64) {
		n := int((t - level) / (move + hold + move + rest))
		if t < level || n > 2 {
			return angles, rates
		}
		since := t - level - float64(n)*(move+hold+move+rest)
		up, down := min(since/move, 1), min(max((since-move-hold)/move, 0), 1)
		const angle = 35 * math.Pi / 180
		smooth := func(x float64) float64 { return (1 - math.Cos(math.Pi*x)) / 2 }
		angles[n] = angle * (smooth(up) - smooth(down))
		rates[n] = angle * math.Pi / 2 / move * (math.Sin(math.Pi*up) - math.Sin(math.Pi*down))
		return angles, rates
	}
	for k := range int((level + 3*(2*move+hold+rest)) * rate) {
		t := float64(k) / rate
		angles, rates := at(t)
		messages := []mavlink.Message{&mavlink.Attitude{
			TimeBootMs: uint32(1000 * t), Roll: float32(left * angles[0]), Pitch: float32(angles[1]), Yaw: float32(left * angles[2]),
			RollSpeed: float32(left * rates[0]), PitchSpeed: float32(rates[1]), YawSpeed: float32(left * rates[2]),
		}}
		if k%int(rate) == 0 {
			messages = append(messages, &mavlink.Heartbeat{Type: 1, Autopilot: 3, BaseMode: 128, SystemStatus: 4, MAVLinkVersion: 3})
		}
		for _, m := range messages {
			out = binary.BigEndian.AppendUint64(out, uint64(1.7e15+1e6*t))
			out = mavlink.Append(out, header, m)
			header.Sequence++
		}
	}
	return os.WriteFile(file, out, 0o600)
}
