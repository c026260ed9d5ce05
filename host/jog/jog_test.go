package jog

import (
	"context"
	"io"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/seat"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

const (
	deg = math.Pi / 180
	dt  = 0.002
)

// twoCranks is the reference seat as it is moved by hand.
func twoCranks(t interface {
	Helper()
	Fatal(...any)
}) (mechanism.Mechanism, guard.Limits) {
	t.Helper()
	s := config.DefaultSeat()
	m, err := s.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	return Slowed(m, s.Limits, commissioning.Reduced{}, []float64{1.25, 1.25})
}

// far is a controller that obeys at once.
func far(state seatlink.State) *seat.Status {
	return &seat.Status{Connected: true, Homed: state != seatlink.StateDisarmed, Supply: true, BootID: 1, State: state, N: 2}
}

func obey(c *seat.Status, o *Output) {
	switch o.Command {
	case seat.ArmReduced:
		if c.State == seatlink.StateReady {
			c.State = seatlink.StateArmed
		}
	case seat.Stop, seat.Disarm:
		switch c.State {
		case seatlink.StateArmed, seatlink.StateParking:
			c.State = seatlink.StateHeld
		case seatlink.StateHoming:
			c.State = seatlink.StateDisarmed
		}
	case seat.Home:
		c.State, c.Homed = seatlink.StateHoming, false
	case seat.Park:
		c.State = seatlink.StateParking
	}
	if c.State == seatlink.StateArmed && o.Setpoint {
		c.Positions = o.Actuators
	}
}

// TestAPressMovesFor150msThenBrakes, and a held key keeps it moving, at most at reduced speed.
func TestAPressMovesFor150msThenBrakes(t *testing.T) {
	m, l := twoCranks(t)
	s, err := NewStepper(m, l, seat.ArmReduced, dt)
	if err != nil {
		t.Fatal(err)
	}
	c, o := far(seatlink.StateReady), new(Output)
	roll := &Press{Kind: Along, Axis: pose.Roll, Direction: 1}
	run := func(seconds float64, every int) (moving float64) {
		for k := range int(seconds / dt) {
			var p *Press
			if every > 0 && k%every == 0 {
				p = roll
			}
			s.Step(c, p, false, o)
			obey(c, o)
			if o.State == Moving {
				moving += dt
			}
			if c.State == seatlink.StateReady && o.Pose[pose.Roll] != 0 {
				t.Fatal("moves before it is armed")
			}
		}
		return moving
	}
	run(1, 20)
	if c.State != seatlink.StateArmed {
		t.Fatalf("a held key does not arm: %v", o.State)
	}
	run(1, 0)
	from := o.Pose[pose.Roll]
	roll.Direction = -1
	moving := run(2, 1<<30) // one press
	if got := from - o.Pose[pose.Roll]; !(got > 0 && got < PressTime*l.Speed[pose.Roll]+0.3*deg) || o.State != Still {
		t.Errorf("one press moved %.3f deg, then %v", got/deg, o.State)
	}
	if moving > PressTime+0.45 { // the jerk at reduced speed is that of a ramp of 0.3 s
		t.Errorf("one press moved for %.3f s", moving)
	}
	before, fastest := o.Pose[pose.Roll], 0.0
	for k := range 500 {
		var p *Press
		if k%20 == 0 {
			p = roll
		}
		s.Step(c, p, false, o)
		obey(c, o)
		fastest = max(fastest, (before-o.Pose[pose.Roll])/dt)
		before = o.Pose[pose.Roll]
	}
	if !(fastest > 0.9*l.Speed[pose.Roll] && fastest <= l.Speed[pose.Roll]*(1+1e-6)) {
		t.Errorf("a held key moves at %.2f deg/s at most, want %.2f", fastest/deg, l.Speed[pose.Roll]/deg)
	}
	if math.Abs(o.Pose[pose.Pitch]) > 1e-12 {
		t.Errorf("roll moved pitch by %g", o.Pose[pose.Pitch])
	}
	s.Step(c, roll, true, o)
	if o.Command != seat.Stop {
		t.Errorf("a stop gives the command %v", o.Command)
	}
	obey(c, o)
	if run(2, 20); o.State != Held || o.Command != 0 {
		t.Errorf("after a stop, with the key still held: %v", o.State)
	}
}

// TestTheControllersOwnMovesNeedAHeldKey: homing and parking are stopped a second after the last press.
func TestTheControllersOwnMovesNeedAHeldKey(t *testing.T) {
	m, l := twoCranks(t)
	for kind, state := range map[Kind]seatlink.State{Home: seatlink.StateDisarmed, Park: seatlink.StateHeld} {
		s, err := NewStepper(m, l, seat.ArmReduced, dt)
		if err != nil {
			t.Fatal(err)
		}
		c, o := far(state), new(Output)
		under := seatlink.StateHoming
		if kind == Park {
			under = seatlink.StateParking
		}
		for k := range 1500 {
			var p *Press
			if k%300 == 0 {
				p = &Press{Kind: kind}
			}
			s.Step(c, p, false, o)
			obey(c, o)
		}
		if c.State != under {
			t.Fatalf("held for 3 s: %v, want %v", c.State, under)
		}
		for range 600 {
			s.Step(c, nil, false, o)
			obey(c, o)
		}
		if c.State != state {
			t.Errorf("let go for 1.2 s: %v, want %v", c.State, state)
		}
	}
}

// TestOneHoldIsOneHoming: the key that is still held when the seat is homed does not home it again.
func TestOneHoldIsOneHoming(t *testing.T) {
	m, l := twoCranks(t)
	s, err := NewStepper(m, l, seat.ArmReduced, dt)
	if err != nil {
		t.Fatal(err)
	}
	c, o := far(seatlink.StateDisarmed), new(Output)
	homings := 0
	hold := func(ticks int) {
		for k := range ticks {
			var p *Press
			if k%20 == 0 {
				p = &Press{Kind: Home}
			}
			s.Step(c, p, false, o)
			if o.Command == seat.Home {
				homings++
			}
			obey(c, o)
			if c.State == seatlink.StateHoming && k%200 == 199 {
				c.State, c.Homed = seatlink.StateReady, true
			}
		}
	}
	if hold(3000); homings != 1 || o.State != Ready {
		t.Errorf("held for 6 s: %d homings, %v", homings, o.State)
	}
	for range 600 {
		s.Step(c, nil, false, o)
	}
	if hold(3000); homings != 2 {
		t.Errorf("let go and held again: %d homings", homings)
	}
}

// TestWhateverIsPressed: no command but stop without a press, never armed but at reduced speed, no setpoint unless ready or armed,
// all of them inside the limits.
func TestWhateverIsPressed(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		m, l := twoCranks(rt)
		s, err := NewStepper(m, l, seat.ArmReduced, dt)
		if err != nil {
			rt.Fatal(err)
		}
		states := []seatlink.State{seatlink.StateDisarmed, seatlink.StateReady, seatlink.StateArmed, seatlink.StateHeld, seatlink.StateFault,
			seatlink.StateHoming, seatlink.StateParking, seatlink.StateSupplyOff, seatlink.StateStopping}
		c, o := far(rapid.SampledFrom(states).Draw(rt, "state")), new(Output)
		quiet := math.Inf(1)
		last := o.Pose
		for range rapid.IntRange(1, 12).Draw(rt, "events") {
			switch rapid.IntRange(0, 6).Draw(rt, "event") {
			case 0:
				c.State = rapid.SampledFrom(states).Draw(rt, "state")
				c.Homed = c.State != seatlink.StateDisarmed && c.State != seatlink.StateHoming
			case 1:
				c.Connected = !c.Connected
			case 2:
				c.BootID++
			}
			p := &Press{Kind: Kind(rapid.IntRange(1, 4).Draw(rt, "kind")), Axis: pose.Axis(rapid.IntRange(3, 4).Draw(rt, "axis")), Direction: rapid.SampledFrom([]float64{-1, 1}).Draw(rt, "direction")}
			every := rapid.IntRange(10, 700).Draw(rt, "every")
			stop := rapid.IntRange(0, 400).Draw(rt, "stop")
			for k := range rapid.IntRange(1, 400).Draw(rt, "ticks") {
				var press *Press
				quiet += dt
				if k%every == 0 {
					press, quiet = p, 0
				}
				s.Step(c, press, k == stop, o)
				if o.Command == seat.Arm || o.Command != 0 && o.Command != seat.Stop && quiet > ownPress {
					rt.Fatalf("told to %v, %.2f s after the last press", o.Command, quiet)
				}
				if o.Setpoint && c.State != seatlink.StateReady && c.State != seatlink.StateArmed {
					rt.Fatalf("setpoint in %v", c.State)
				}
				if c.State == seatlink.StateArmed && o.Setpoint && quiet > PressTime+0.6 && o.Pose != last {
					rt.Fatalf("moves %.2f s after the last press", quiet)
				}
				for k := range 2 {
					if o.Setpoint && math.Abs(o.Speeds[k]) > 1.25*(1+1e-6) {
						rt.Fatalf("actuator at %g rad/s", o.Speeds[k])
					}
				}
				last = o.Pose
				obey(c, o)
			}
		}
	})
}

func TestATickAllocatesNothing(t *testing.T) {
	m, l := twoCranks(t)
	s, err := NewStepper(m, l, seat.ArmReduced, dt)
	if err != nil {
		t.Fatal(err)
	}
	c, o, p := far(seatlink.StateReady), new(Output), &Press{Kind: Along, Axis: pose.Pitch, Direction: -1}
	k := 0
	step := func() {
		var press *Press
		if k++; k%20 == 0 {
			press = p
		}
		s.Step(c, press, false, o)
		obey(c, o)
	}
	for range 1000 {
		step()
	}
	if n := testing.AllocsPerRun(1000, step); n != 0 {
		t.Errorf("allocates %v times", n)
	}
}

// TestJogMovesARealControllersSeat: over the link, with a controller that does not say that it is simulated: homed, one
// actuator moved by its own, left where it is let go, and disarmed at the end.
func TestJogMovesARealControllersSeat(t *testing.T) {
	t.Parallel()
	s := config.DefaultSeat()
	m, err := s.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	server, err := simulated.NewServer(simulated.Settings{Axes: seatlink.Axes{N: 2}, NotSaying: true, Board: "bench", Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	link, err := seat.NewLink(ctx, seat.Settings{Port: "pipe", N: 2}, func(ctx context.Context) (io.ReadWriteCloser, string, error) {
		return server.Dial(context.WithoutCancel(ctx)), "pipe", nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = link.Close() }()
	limits, err := link.Limits(ctx)
	if err != nil {
		t.Fatal(err)
	}
	own, l := Own(m, Reduced(limits))
	j, err := New(Settings{Mechanism: own, Limits: l}, link)
	if err != nil {
		t.Fatal(err)
	}
	over := make(chan struct{})
	go func() {
		j.Run(ctx)
		close(over)
	}()
	hold := func(p Press, until func(s Snapshot) bool) {
		t.Helper()
		for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(30 * time.Millisecond) {
			s := j.Snapshot()
			if until(s) {
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("%v, pose %v, %v", s.State, s.Pose, s.Status.State)
			}
			j.Press(p)
		}
	}
	hold(Press{Kind: Home}, func(s Snapshot) bool { return s.State == Ready })
	hold(Press{Kind: Toward, To: pose.Pose{1 * deg}}, func(s Snapshot) bool { return s.State == Still && math.Abs(s.Pose[0]-1*deg) < 1e-9 })
	if got := j.Snapshot(); math.Abs(got.Status.Positions[0]-1*deg) > 1e-6 || got.Status.Positions[1] != 0 || !got.Status.Reduced {
		t.Errorf("the motors are told %v, reduced %v", got.Status.Positions, got.Status.Reduced)
	}
	cancel()
	<-over
	if got := j.Snapshot(); got.Status.Armed {
		t.Error("armed after the end")
	}
}

// TestStopOfAControllerWithNoBrake: one that answers nothing stops dead when its setpoints end, so the guard brakes first; a
// press meanwhile counts for nothing.
func TestStopOfAControllerWithNoBrake(t *testing.T) {
	m, l := twoCranks(t)
	s, err := NewStepper(m, l, seat.ArmReduced, dt)
	if err != nil {
		t.Fatal(err)
	}
	c, o := far(seatlink.StateReady), new(Output)
	c.OneWay = true
	roll := &Press{Kind: Along, Axis: pose.Roll, Direction: 1}
	for k := range 700 {
		s.Step(c, map[bool]*Press{true: roll}[k%20 == 0], false, o)
		obey(c, o)
	}
	if o.State != Moving {
		t.Fatalf("not in motion but %v", o.State)
	}
	last, speed := o.Actuators, 0.0
	for k := 0; o.Command != seat.Stop; k++ {
		if k == 500 {
			t.Fatal("a second later it is not told to stop")
		}
		s.Step(c, roll, k == 0, o)
		if !o.Setpoint && o.Command != seat.Stop {
			t.Fatalf("no setpoint %d ticks after the stop", k)
		}
		speed = math.Abs(o.Actuators[0]-last[0]) / dt
		last = o.Actuators
	}
	if speed > 1e-9 {
		t.Errorf("told to stop at %.3f rad/s", speed)
	}
}
