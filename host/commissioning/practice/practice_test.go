package practice_test

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
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

const (
	deg  = math.Pi / 180
	rate = 200 // Hz, so that several run beside each other on a busy machine
)

// TestMain gives every loop that sleeps a place of its own in the scheduler, as the program does for its one.
func TestMain(m *testing.M) {
	runtime.GOMAXPROCS(runtime.NumCPU() + 20)
	flag.Parse()
	_ = flag.Set("test.parallel", "9") // they mostly wait
	os.Exit(m.Run())
}

// script is an operator who answers yes, measures what was told, and does as he is asked, but for what a test changes.
type script struct {
	t       *testing.T
	answers map[string]bool               // by part of the question; else yes
	numbers func(question string) float64 // rad
	told    []string
	stop    string // part of an instruction during which the stop key is pressed
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
		if (strings.Contains(instruction, "press Esc") && k > 100 || o.stop != "" && strings.Contains(instruction, o.stop) && k > 20) && k%10 == 0 {
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

// starved skips a test whose loop got no time: the controller then stops by itself, as it should.
func starved(t *testing.T, err error) {
	t.Helper()
	if err == nil {
		return
	}
	for _, part := range []string{"does not answer any more", "came too late", "no steady setpoints", "too busy"} {
		if strings.Contains(err.Error(), part) {
			t.Skipf("this machine is too busy: %v", err)
		}
	}
}

// seat is the reference seat with small travels, so that a test is short, and its controller.
func seat(t *testing.T, change ...func(c *simulated.Settings)) (config.Seat, *practice.Host) {
	t.Helper()
	s := config.DefaultSeat()
	s.Port = "/dev/bench"
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		s.Limits.Low[a], s.Limits.High[a] = -1*deg, 1*deg
	}
	s.Mechanism.TwoCrank.Low, s.Mechanism.TwoCrank.High = -15*deg, 15*deg
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
	for _, f := range change {
		f(&c)
	}
	s.Load.HeadHeight = 0.4 // faster
	slow, limits := jog.Slowed(m, s.Limits, commissioning.Reduced{HeadHeight: 0.4}, jog.Reduced(c.Limits[:2]))
	h, err := practice.New(c, jog.Settings{Mechanism: slow, Limits: limits, Rate: rate}, pose.Pose{pose.Roll: 0.5 * deg})
	if err != nil {
		t.Fatal(err)
	}
	return s, h
}

func sitting(s config.Seat, h guide.Host, o guide.Operator) guide.Sitting {
	return guide.Sitting{Operator: o, Host: h, Seat: s, Rate: rate, Homings: 2, Look: 100 * time.Millisecond, Now: time.Now}
}

// TestAWholeCommissioning walks through every step on a controller that does not say that it is simulated: then its record
// is valid, and lapses when a limit changes.
func TestAWholeCommissioning(t *testing.T) {
	if os.Getenv("PERCH_LONG") == "" {
		t.Skip("takes half a minute; PERCH_LONG=1 runs it")
	}
	t.Parallel()
	s, h := seat(t)
	o := &script{t: t, numbers: func(q string) float64 { return told(q)*1.01 + 0.1*deg }}
	s.Drive.Held = "brake"
	for _, name := range commissioning.Steps() {
		began := time.Now()
		r, err := sitting(s, h, o).Do(t.Context(), name)
		starved(t, err)
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, strings.Join(o.told, "\n"))
		}
		if r.Simulated || r.Who.Board != "bench" || r.Step.Outcome != config.Passed {
			t.Fatalf("%s: %+v", name, r)
		}
		t.Logf("%s: %v, %v", name, time.Since(began), r.Step.Numbers)
		s.Record = commissioning.Enter(s, r.Who, name, r.Step)
		if err := commissioning.Check(s, r.Who); (err == nil) != (name == commissioning.Raise) {
			t.Errorf("after %s: %v", name, err)
		}
	}
	s.Limits.High[pose.Roll] = 2 * deg
	if err := commissioning.CheckFile(s); err == nil || !strings.Contains(err.Error(), `limits.roll.high is "2 deg", and was "1 deg"`) {
		t.Errorf("a wider limit: %v", err)
	}
	for _, n := range []string{"roll_scale", "roll_offset"} {
		if got := s.Record.Steps[commissioning.Angles].Numbers[n]; got != map[string]string{"roll_scale": "1.0100", "roll_offset": "0.10 deg"}[n] {
			t.Errorf("%s is %s", n, got)
		}
	}
}

// TestWhatIsWrongEndsTheStep with the remedy and as a failure, whatever it is that the operator sees or the controller says.
func TestWhatIsWrongEndsTheStep(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, step string
		no         string // part of the question that is answered with no
		numbers    func(string) float64
		seat       func(s *config.Seat)
		remedy     string
	}{
		{name: "rods on", step: commissioning.Identity, no: "rods off", remedy: "take the rods off"},
		{name: "another controller", step: commissioning.Identity, seat: func(s *config.Seat) { s.Board = "mine" }, remedy: `this is "bench", and the seat file wants "mine"`},
		{name: "supply switch", step: commissioning.Identity, no: "Can you turn every motor", remedy: "without the controller"},
		{name: "supply back", step: commissioning.Identity, no: "when the supply came back", remedy: "a driver that snaps"},
		{name: "narrow controller", step: commissioning.Identity, seat: func(s *config.Seat) { s.Mechanism.TwoCrank.High *= 1.2 }, remedy: "LIMITS in the firmware's board.h"},
		{name: "wide controller", step: commissioning.Identity, seat: func(s *config.Seat) { s.Mechanism.TwoCrank.High *= 0.5 }, remedy: "a wide one is none"},
		{name: "direction", step: commissioning.Directions, no: "Did left move,another one", remedy: "DIR_UP_0"},
		{name: "exchanged motors", step: commissioning.Directions, no: "Did right move", remedy: "exchange the motors' wires"},
		{name: "sign", step: commissioning.Angles, no: "its right side down?", remedy: "crank_tip"},
		{name: "scale", step: commissioning.Angles, numbers: func(q string) float64 { return told(q) * 1.2 }, remedy: "measure the crank's radius"},
		{name: "level", step: commissioning.Angles, numbers: func(q string) float64 { return told(q) + 0.7*deg }, remedy: "HOME_EDGE"},
		{name: "crooked", step: commissioning.Angles, numbers: func(q string) float64 { return math.Abs(told(q)) * 2 }, remedy: "straight line"},
		{name: "nothing holds it", step: commissioning.Power, no: "stay where it was", remedy: "no rider until a brake, a balance or buffers hold it"},
		{name: "the brake does not hold", step: commissioning.Power, no: "stay where it was", seat: func(s *config.Seat) { s.Drive.Held = "brake" }, remedy: "the brake in the seat file does not hold it"},
		{name: "hard buffers", step: commissioning.Power, no: "stay where it was,so softly", seat: func(s *config.Seat) { s.Drive.Held = "buffers" }, remedy: "softer buffers"},
		{name: "no way out", step: commissioning.Power, no: "Can a rider get out", remedy: "a way down"},
		{name: "too light", step: commissioning.Raise, no: "weigh as much", remedy: "ballast"},
		{name: "knocks", step: commissioning.Raise, no: "without knocks", remedy: "mend it"},
		{name: "moved on", step: commissioning.Stops, no: "stop at once, softly, and stay", remedy: "do not ride"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s, h := seat(t)
			o := &script{t: t, answers: map[string]bool{}, numbers: c.numbers}
			if o.numbers == nil {
				o.numbers = told
			}
			for part := range strings.SplitSeq(c.no, ",") {
				if part != "" {
					o.answers[part] = false
				}
			}
			if c.seat != nil {
				c.seat(&s)
			}
			for _, before := range commissioning.Steps() {
				if before == c.step {
					break
				}
				s.Record = commissioning.Enter(s, identity(h), before, config.Step{Outcome: config.Passed})
			}
			r, err := sitting(s, h, o).Do(t.Context(), c.step)
			starved(t, err)
			if fault := new(guide.Fault); !errors.As(err, &fault) || !strings.Contains(err.Error(), c.remedy) || r.Step.Outcome != config.Failed {
				t.Errorf("%v, outcome %q; want %q\n%s", err, r.Step.Outcome, c.remedy, strings.Join(o.told, "\n"))
			}
			if got := r.Step.Numbers["stop_key_distance"]; c.step == commissioning.Stops && !strings.HasSuffix(got, " deg expected") {
				t.Errorf("the way to the stop is recorded as %q", got)
			}
			h.With(func(c *simulated.Controller) {
				if c.State() == seatlink.StateArmed {
					t.Error("the step is over, and the controller is armed")
				}
			})
		})
	}
}

// TestTheStopKeyEndsAStep, and nothing is to be recorded.
func TestTheStopKeyEndsAStep(t *testing.T) {
	t.Parallel()
	s, h := seat(t)
	s.Record = commissioning.Enter(s, identity(h), commissioning.Identity, config.Step{Outcome: config.Passed})
	o := &script{t: t, stop: "look at left"}
	_, err := sitting(s, h, o).Do(t.Context(), commissioning.Directions)
	if fault := new(guide.Fault); err == nil || errors.As(err, &fault) || !strings.Contains(err.Error(), "stop key") {
		t.Errorf("%v; told %q", err, o.told)
	}
}

func identity(h *practice.Host) (who commissioning.Controller) {
	h.With(func(c *simulated.Controller) {
		who = commissioning.Controller{Board: "bench", Firmware: "1.0.0", Limits: c.Hash()}
	})
	return who
}

// TestASeatHomedByHand is levelled with the supply off, which the operator has to say, before each homing.
func TestASeatHomedByHand(t *testing.T) {
	t.Parallel()
	for _, step := range []string{commissioning.Directions, commissioning.Homing} {
		t.Run(step, func(t *testing.T) {
			t.Parallel()
			s, h := seat(t, func(c *simulated.Settings) { c.ByHand = true })
			for _, before := range commissioning.Steps() {
				if before == step {
					break
				}
				s.Record = commissioning.Enter(s, identity(h), before, config.Step{Outcome: config.Passed})
			}
			o := &script{t: t, answers: map[string]bool{"stand level, by": false}}
			r, err := sitting(s, h, o).Do(t.Context(), step)
			if fault := new(guide.Fault); !errors.As(err, &fault) || !strings.Contains(err.Error(), "level it and block it") {
				t.Errorf("a seat that nobody levelled: %v, %+v", err, r.Step)
			}
			h.With(func(c *simulated.Controller) {
				c.Cause(seatlink.FaultSupply, false)
				if c.State() == seatlink.StateReady {
					t.Error("it is homed")
				}
			})
			o.answers = nil
			r, err = sitting(s, h, o).Do(t.Context(), step)
			starved(t, err)
			if err != nil {
				t.Fatalf("%v\n%s", err, strings.Join(o.told, "\n"))
			}
			if got := r.Step.Numbers["homed"]; step == commissioning.Homing && !strings.Contains(got, "by hand") {
				t.Errorf("the record says %q", got)
			}
			for _, q := range o.told {
				if strings.Contains(q, "home switch") {
					t.Errorf("asked about switches that there are not: %s", q)
				}
			}
		})
	}
}
