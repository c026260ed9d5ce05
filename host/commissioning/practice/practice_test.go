package practice_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"perch/host/commissioning"
	"perch/host/commissioning/guide"
	"perch/host/commissioning/practice"
	"perch/host/config"
	"perch/host/jog"
	"perch/host/pose"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

const deg = math.Pi / 180

// script is an operator who answers yes, measures what was told, and does as he is asked, but for what a test changes.
type script struct {
	t       *testing.T
	answers map[string]bool               // by part of the question; else yes
	numbers func(question string) float64 // rad
	told    []string
	stop    string // part of an instruction during which the stop key is pressed
	pressed map[string]int
}

func (o *script) Tell(lines ...string) { o.told = append(o.told, lines...) }

func (o *script) Confirm(question string) (bool, error) {
	o.told = append(o.told, question)
	for part, answer := range o.answers {
		if strings.Contains(question, part) {
			return answer, nil
		}
	}
	return true, nil
}

func (o *script) Number(question string, _ config.Dimension) (float64, error) {
	o.told = append(o.told, question)
	if o.numbers != nil {
		return o.numbers(question), nil
	}
	return 0, errors.New("no number")
}

func (o *script) Hold(instruction string, h guide.Hold) error {
	o.told = append(o.told, instruction)
	for k, deadline := 0, time.Now().Add(60*time.Second); ; k++ {
		done, err := h.Done()
		if done || err != nil {
			return err
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("held for a minute: %s", instruction)
		}
		if k%3 == 0 {
			h.Press()
		}
		if strings.Contains(instruction, "press Esc") && k > 120 && k%10 == 0 {
			h.Stop()
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func (o *script) Wait(instruction string, done func() bool) error {
	o.told = append(o.told, instruction)
	for range 1000 {
		if done() {
			return nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return fmt.Errorf("in vain: %s", instruction)
}

// told reads "Told: roll 6.00 deg." back.
func told(question string) float64 {
	var axis, value string
	_, _ = fmt.Sscanf(question, "Told: %s %s", &axis, &value)
	var v float64
	_, _ = fmt.Sscanf(value, "%g", &v)
	return v * deg
}

// seat is the reference seat with small travels, so that a test is short, and its controller.
func seat(t *testing.T) (config.Seat, *practice.Host) {
	t.Helper()
	s := config.DefaultSeat()
	s.Port = "/dev/bench"
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		s.Limits.Low[a], s.Limits.High[a] = -2*deg, 2*deg
	}
	m, err := s.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	c := simulated.Settings{Axes: seatlink.Axes{N: 2}, Board: "bench", NotSaying: true, Seed: 1, HomingTime: 50 * time.Millisecond}
	for i, a := range m.Actuators() {
		c.Limits[i] = seatlink.AxisLimits{
			Low: int32(a.Low * 1e9 * 1.1), High: int32(a.High * 1e9 * 1.1), Speed: uint32(a.Speed * 1.1e6), ReducedSpeed: uint32(a.Speed * 0.25e6),
			Acceleration: uint32(a.Acceleration * 1.1e3), Jerk: uint32(a.Jerk * 1.1e3),
		}
	}
	slow, limits := jog.Slowed(m, s.Limits, commissioning.Reduced{}, jog.Reduced(c.Limits[:2]))
	h, err := practice.New(c, jog.Settings{Mechanism: slow, Limits: limits}, pose.Pose{pose.Roll: 1 * deg})
	if err != nil {
		t.Fatal(err)
	}
	return s, h
}

func session(s config.Seat, h guide.Host, o guide.Operator) guide.Session {
	return guide.Session{Operator: o, Host: h, Seat: s, Homings: 2, Look: 100 * time.Millisecond, Now: time.Now}
}

// TestAWholeCommissioning walks through every step on a controller that does not say that it is simulated: then its record
// is valid, and lapses when a limit changes.
func TestAWholeCommissioning(t *testing.T) {
	t.Parallel()
	s, h := seat(t)
	o := &script{t: t, numbers: func(q string) float64 { return told(q)*1.01 + 0.1*deg }}
	s.Drive.Held = "brake"
	for _, name := range commissioning.Steps() {
		r, err := session(s, h, o).Do(t.Context(), name)
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, strings.Join(o.told, "\n"))
		}
		if r.Simulated || r.Who.Board != "bench" || r.Step.Outcome != config.Passed {
			t.Fatalf("%s: %+v", name, r)
		}
		t.Logf("%s: %v", name, r.Step.Numbers)
		s.Record = commissioning.Enter(s, r.Who, name, r.Step)
		if err := commissioning.Check(s, r.Who); (err == nil) != (name == commissioning.Raise) {
			t.Errorf("after %s: %v", name, err)
		}
	}
	s.Limits.High[pose.Roll] = 3 * deg
	if err := commissioning.CheckFile(s); err == nil || !strings.Contains(err.Error(), `limits.roll.high is "3 deg", and was "2 deg"`) {
		t.Errorf("a wider limit: %v", err)
	}
	for _, n := range []string{"roll_scale", "roll_offset"} {
		if got := s.Record.Steps[commissioning.Angles].Numbers[n]; got != map[string]string{"roll_scale": "1.0100", "roll_offset": "0.10 deg"}[n] {
			t.Errorf("%s is %s", n, got)
		}
	}
}
