package guard

import (
	"fmt"
	"math"
	"testing"

	"perch/host/mechanism"
	"perch/host/pose"

	"pgregory.net/rapid"
)

// far is a controller at the far end of the link: it does what it is told some ticks later.
type far struct {
	Controller
	lag     int // ticks from a command to its effect
	deaf    bool
	pending Command
	wait    int
	homing  int
	parking int
	home    mechanism.Positions // level
}

func newFar() *far {
	return &far{Controller: Controller{Present: true, Commissioned: true, Ready: true, Supply: true, BootID: 7}, lag: 5}
}

func (f *far) take(o Output) {
	if o.Command != CommandNone && !f.deaf {
		f.pending, f.wait = o.Command, f.lag
	}
	if f.homing > 0 {
		if f.homing--; f.homing == 0 {
			f.Homing, f.Homed, f.Position = false, true, f.home
		}
	}
	if f.parking > 0 {
		if f.parking--; f.parking == 0 {
			f.Ready, f.Position = true, f.home
		}
	}
	if f.pending != CommandNone {
		if f.wait--; f.wait <= 0 {
			switch f.pending {
			case CommandHome:
				f.Homing, f.Homed, f.homing = true, false, 50
			case CommandArm:
				f.Armed = f.Homed && !f.Fault && !f.Stopped && f.Ready
			case CommandDisarm:
				f.Armed = false
			case CommandStop:
				f.Stopped = f.Stopped || f.parking > 0
				f.Armed, f.Homing, f.homing, f.parking = false, false, 0, 0
			case CommandReset:
				f.Fault = false
			case CommandPark:
				if f.Stopped {
					f.Stopped, f.Ready, f.parking = false, false, 100
				}
			}
			f.pending = CommandNone
		}
	}
	if f.Armed && o.Setpoint {
		f.Position = o.Actuators
	}
}

// scene is a machine, its controller and its source and operator.
type scene struct {
	t     testing.TB
	m     *Machine
	f     *far
	j     *judges
	in    Input
	out   Output
	k     int
	seen  bool // the stream that is judged goes on from the last tick
	last  Output
	where string
}

func newScene(t testing.TB) *scene { return sceneOf(t, cranks(t), turn(-8, 8, 40, 300, 5000)) }

func sceneOf(t testing.TB, m mechanism.Mechanism, l Limits) *scene {
	mm, err := NewMachine(m, l, dt)
	if err != nil {
		t.Fatal(err)
	}
	f := newFar()
	if err := m.Inverse(mm.level(), &f.home); err != nil {
		t.Fatal(err)
	}
	return &scene{t: t, m: mm, f: f, j: newJudges(mm.l, l), in: Input{Live: true}}
}

func (s *scene) wanted() pose.Pose {
	a := float64(s.k) * dt
	return pose.Pose{pose.Roll: 3 * deg * math.Sin(2*a), pose.Pitch: 2*deg + 2*deg*math.Sin(1.3*a+1)}
}

func moving(s State) bool { return s == Riding || s == Settling || s == Stopping }

// tick is one tick; it fails where the seat leaves its limits or moves when it must not.
func (s *scene) tick(ask Ask) Output {
	s.in.Wanted, s.in.Ask, s.in.Controller = s.wanted(), ask, s.f.Controller
	return s.step()
}

func (s *scene) step() Output {
	s.k++
	before := s.m.l.Pose()
	was := s.out.State
	o := s.m.Step(s.in)
	s.last, s.out = s.out, o
	if o.Setpoint && s.seen || moving(o.State) && moving(was) {
		if err := s.j.see(o.Pose); err != nil {
			s.t.Fatalf("%s: %v after %v: %v", s.where, o.State, was, err)
		}
	} else {
		s.j.rest(o.Pose)
	}
	s.seen = o.Setpoint
	switch o.State {
	case Off, Homing, Parked, Holding:
		if o.Setpoint && was == o.State && o.Pose != before {
			s.t.Fatalf("moves in %v: %v to %v", o.State, before, o.Pose)
		}
	case Fault:
		if o.Setpoint && s.m.l.Rest() && o.Pose != before && was == Fault {
			// the last of the brake
			break
		}
		if o.Setpoint && !s.in.Controller.Armed {
			s.t.Fatal("setpoints in a fault to a controller that is not armed")
		}
	}
	s.f.take(o)
	return o
}

func (s *scene) run(seconds float64) Output {
	for range int(seconds/dt + 0.5) {
		s.tick(0)
	}
	return s.out
}

func (s *scene) until(want State, seconds float64) float64 {
	s.t.Helper()
	n := 0
	for ; s.out.State != want; n++ {
		if float64(n)*dt > seconds {
			s.t.Fatalf("still %v (%v), not %v, after %g s", s.out.State, s.out.Cause, want, seconds)
		}
		s.tick(0)
	}
	return float64(n) * dt
}

// to brings a fresh scene to a state in the plainest way.
func (s *scene) to(state State) *scene {
	s.t.Helper()
	s.tick(0)
	if state == Off {
		return s
	}
	s.tick(AskHome)
	if state == Homing {
		return s
	}
	s.until(Parked, 1)
	if state == Parked {
		return s
	}
	s.tick(AskArm)
	s.until(Riding, 1)
	s.run(3)
	switch state {
	case Settling:
		s.in.Live = false
		s.tick(0)
	case Stopping, Holding:
		s.tick(AskStop)
		s.until(state, 2)
	case Fault:
		s.f.Fault, s.f.Armed = true, false
		s.tick(0)
	}
	if s.out.State != state {
		s.t.Fatalf("is %v, not %v", s.out.State, state)
	}
	return s
}

func TestEveryTransition(t *testing.T) {
	for _, c := range []struct {
		name    string
		from    State
		do      func(s *scene)
		want    State
		within  float64
		cause   Cause
		refused Ask
	}{
		{"nothing happens by itself", Off, func(s *scene) { s.run(5) }, Off, 0, CauseNone, 0},
		{"arming in off", Off, func(s *scene) { s.tick(AskArm) }, Off, 0, CauseNone, AskArm},
		{"parking in off", Off, func(s *scene) { s.tick(AskPark) }, Off, 0, CauseNone, AskPark},
		{"homing asked for", Off, func(s *scene) { s.tick(AskHome) }, Homing, 0, CauseNone, 0},
		{"homing without supply", Off, func(s *scene) { s.f.Supply = false; s.tick(AskHome) }, Off, 0, CauseNone, AskHome},
		{"homing without controller", Off, func(s *scene) { s.f.Present = false; s.tick(AskHome) }, Off, 0, CauseNone, AskHome},
		{"a controller that is homed", Off, func(s *scene) { s.f.Homed = true; s.tick(0) }, Parked, 0, CauseNone, 0},
		{"a controller that is homed and tilted", Off, func(s *scene) { s.f.Homed = true; s.f.Position = mechanism.Positions{0.3, 0.2}; s.tick(0) }, Holding, 0, CauseNone, 0},
		{"homing done", Homing, func(s *scene) {}, Parked, 1, CauseNone, 0},
		{"homing never begins", Homing, func(s *scene) { s.f.deaf, s.f.pending = true, CommandNone }, Fault, 5, CauseHome, 0},
		{"homing never ends", Homing, func(s *scene) { s.run(0.05); s.f.homing = 1 << 30 }, Fault, 200, CauseHome, 0},
		{"homing given up", Homing, func(s *scene) { s.run(0.05); s.f.Homing, s.f.homing = false, 0; s.f.lag = 1 << 30 }, Fault, 2, CauseHome, 0},
		{"stop in off", Off, func(s *scene) { s.tick(AskStop) }, Off, 0, CauseNone, 0},
		{"stop in a fault", Fault, func(s *scene) { s.tick(AskStop) }, Fault, 0, CauseAlarm, 0},
		{"an age that is no number", Riding, func(s *scene) { s.in.OperatorAge = math.NaN(); s.tick(0) }, Holding, 10, CauseOperator, 0},
		{"stop while homing", Homing, func(s *scene) { s.run(0.05); s.tick(AskStop) }, Off, 0, CauseAsked, 0},
		{"fault while homing", Homing, func(s *scene) { s.f.Fault = true; s.tick(0) }, Fault, 0, CauseAlarm, 0},
		{"parked stays", Parked, func(s *scene) { s.run(20) }, Parked, 0, CauseNone, 0},
		{"homing again", Parked, func(s *scene) { s.tick(AskHome) }, Homing, 0, CauseNone, 0},
		{"arming", Parked, func(s *scene) { s.tick(AskArm) }, Riding, 0.1, CauseNone, 0},
		{"arming without an operator", Parked, func(s *scene) { s.in.OperatorAge = 3; s.tick(AskArm) }, Parked, 0, CauseNone, AskArm},
		{"arming a deaf controller", Parked, func(s *scene) { s.f.deaf = true; s.tick(AskArm) }, Fault, 5, CauseArm, 0},
		{"arming a late controller", Parked, func(s *scene) { s.f.lag = 300; s.tick(AskArm) }, Riding, 2, CauseNone, 0},
		{"arming and stopping at once", Parked, func(s *scene) { s.tick(AskArm | AskStop); s.run(1) }, Parked, 0, CauseNone, 0},
		{"stop while arming", Parked, func(s *scene) { s.f.lag = 20; s.tick(AskArm); s.tick(AskStop); s.run(1) }, Parked, 0, CauseAsked, 0},
		{"controller lost when parked", Parked, func(s *scene) { s.f.Present = false; s.tick(0) }, Fault, 0, CauseLost, 0},
		{"source gone", Riding, func(s *scene) { s.in.Live = false; s.tick(0) }, Settling, 0, CauseSource, 0},
		{"stop", Riding, func(s *scene) { s.tick(AskStop) }, Stopping, 0, CauseAsked, 0},
		{"park", Riding, func(s *scene) { s.tick(AskPark) }, Parked, 10, CauseAsked, 0},
		{"operator gone", Riding, func(s *scene) { s.in.OperatorAge = 2; s.tick(0) }, Holding, 10, CauseOperator, 0},
		{"controller fault", Riding, func(s *scene) { s.f.Fault = true; s.tick(0) }, Fault, 0, CauseAlarm, 0},
		{"controller lost", Riding, func(s *scene) { s.f.Present = false; s.tick(0) }, Fault, 0, CauseLost, 0},
		{"controller restarted", Riding, func(s *scene) { s.f.BootID++; s.f.Homed, s.f.Armed = false, false; s.tick(0) }, Fault, 0, CauseRestarted, 0},
		{"supply lost", Riding, func(s *scene) { s.f.Supply = false; s.tick(0) }, Fault, 0, CauseSupply, 0},
		{"controller stopped by itself", Riding, func(s *scene) { s.f.Stopped, s.f.Armed = true, false; s.tick(0) }, Holding, 0, CauseController, 0},
		{"homing while riding", Riding, func(s *scene) { s.tick(AskHome) }, Riding, 0, CauseNone, AskHome},
		{"source stays away", Settling, func(s *scene) {}, Parked, 11, CauseSource, 0},
		{"source back", Settling, func(s *scene) { s.run(1); s.in.Live = true; s.tick(0) }, Riding, 0, CauseNone, 0},
		{"stop while settling", Settling, func(s *scene) { s.tick(AskStop) }, Stopping, 0, CauseAsked, 0},
		{"park while settling", Settling, func(s *scene) { s.tick(AskPark) }, Parked, 4, CauseAsked, 0},
		{"operator gone while settling", Settling, func(s *scene) { s.in.OperatorAge = 5; s.tick(0); s.in.OperatorAge = 0; s.in.Live = true }, Holding, 4, CauseOperator, 0},
		{"controller fault while settling", Settling, func(s *scene) { s.f.Fault = true; s.tick(0) }, Fault, 0, CauseAlarm, 0},
		{"at rest", Stopping, func(s *scene) {}, Holding, 1, CauseAsked, 0},
		{"controller stops while stopping", Stopping, func(s *scene) { s.f.Stopped, s.f.Armed = true, false; s.tick(0) }, Holding, 0, CauseController, 0},
		{"it never parks by itself", Holding, func(s *scene) { s.run(60) }, Holding, 0, CauseAsked, 0},
		{"arming when held", Holding, func(s *scene) { s.run(1); s.tick(AskArm) }, Holding, 0, CauseAsked, AskArm},
		{"park when held", Holding, func(s *scene) { s.run(1); s.tick(AskPark) }, Parked, 5, CauseAsked, 0},
		{"stop while the controller parks", Holding, func(s *scene) {
			s.run(1)
			s.f.Stopped = true
			s.tick(AskPark)
			s.run(0.05)
			s.tick(AskStop)
			s.run(1)
		}, Holding, 0, CauseAsked, 0},
		{"a controller found held stays held", Off, func(s *scene) { s.f.Homed, s.f.Stopped, s.f.Ready = true, true, false; s.run(1) }, Holding, 0, CauseNone, 0},
		{"park when held and the controller latched", Holding, func(s *scene) { s.run(1); s.f.Stopped = true; s.tick(AskPark) }, Parked, 6, CauseAsked, 0},
		{"stop while parking", Holding, func(s *scene) { s.run(1); s.tick(AskPark); s.until(Settling, 1); s.run(0.5); s.tick(AskStop) }, Holding, 2, CauseAsked, 0},
		{"operator gone while parking", Holding, func(s *scene) {
			s.run(1)
			s.tick(AskPark)
			s.until(Settling, 1)
			s.run(0.5)
			s.in.OperatorAge = 2
			s.tick(0)
		}, Holding, 2, CauseOperator, 0},
		{"controller lost when held", Holding, func(s *scene) { s.f.Present = false; s.tick(0) }, Fault, 0, CauseLost, 0},
		{"a fault stays", Fault, func(s *scene) { s.f.Fault = false; s.run(20); s.tick(AskArm) }, Fault, 0, CauseAlarm, AskArm},
		{"reset while the cause stays", Fault, func(s *scene) {
			s.f.Fault, s.f.Supply = false, false
			s.tick(AskReset)
			s.run(5)
			s.f.Supply = true
			s.run(1)
		}, Fault, 0, CauseAlarm, 0},
		{"reset when the cause is gone, homed", Fault, func(s *scene) {
			s.run(1)
			s.f.Position = mechanism.Positions{0.3, 0.2}
			s.tick(AskReset)
			s.run(1)
		}, Holding, 0, CauseNone, 0},
		{"reset when the cause is gone, not homed", Fault, func(s *scene) { s.run(1); s.f.Homed = false; s.f.BootID++; s.tick(AskReset); s.run(1) }, Off, 0, CauseNone, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t).to(c.from)
			c.do(s)
			refused := s.out.Refused
			if c.within > 0 {
				s.until(c.want, c.within)
			}
			if s.out.State != c.want || s.out.Cause != c.cause || refused != c.refused {
				t.Errorf("%v, cause %q, refused %b; want %v, %q, %b", s.out.State, s.out.Cause, refused, c.want, c.cause, c.refused)
			}
			// wherever a ride has ended the controller is disarmed soon
			if c.want == Parked || c.want == Holding || c.want == Fault {
				s.f.deaf = false
				s.run(3)
				if s.f.Present && s.f.Armed && s.out.State == c.want {
					t.Error("the controller stays armed")
				}
			}
		})
	}
}

func TestEndFromEveryState(t *testing.T) {
	for state := Off; state <= Fault; state++ {
		s := newScene(t).to(state)
		before := s.out.Pose
		s.tick(AskEnd)
		for n := 0; !s.out.Ended; n++ {
			if n > 5000 {
				t.Fatalf("%v: not ended after 10 s: %v", state, s.out.State)
			}
			s.tick(0)
		}
		if s.f.Armed || s.f.Homing && s.f.pending != CommandStop {
			t.Errorf("%v: ended in %v with the controller at work", state, s.out.State)
		}
		switch state {
		case Riding, Settling:
			if s.out.State != Parked || (s.out.Pose != pose.Pose{}) {
				t.Errorf("%v: ended in %v at %v", state, s.out.State, s.out.Pose)
			}
		case Holding:
			if s.out.Pose != before {
				t.Errorf("held: moved from %v to %v", before, s.out.Pose)
			}
		}
	}
}

func TestArmingFadesInFromWhereTheSeatIs(t *testing.T) {
	s := newScene(t).to(Parked)
	s.tick(AskArm)
	s.until(Riding, 1)
	if s.out.Fade > 0.01 {
		t.Fatalf("begins with %g of the demand", s.out.Fade)
	}
	last := 0.0
	for k := range 999 {
		s.tick(0)
		if s.out.Fade < last {
			t.Fatal("the fade goes back")
		}
		last = s.out.Fade
		if k == 400 && s.out.Fade > 0.5 {
			t.Fatalf("%g of the demand after 0.8 s", s.out.Fade)
		}
	}
	s.run(0.5)
	for range 500 {
		s.tick(0)
		if s.out.Held != 0 || s.out.Pose != s.in.Wanted {
			t.Fatalf("faded in, but %v for %v: %v", s.out.Pose, s.in.Wanted, s.out.Held)
		}
	}
}

func TestSourceThatBlinksNeverJumps(t *testing.T) {
	s := newScene(t).to(Riding)
	for k := range 5000 {
		s.in.Live = k/37%3 != 0
		s.tick(0)
	}
	s.in.Live = true
	s.run(5)
	if s.out.Pose != s.in.Wanted {
		t.Errorf("not joined: %v", s.out.Held)
	}
}

func TestNoIncreaseWhileTheOperatorIsLate(t *testing.T) {
	s := newScene(t).to(Riding)
	for math.Abs(s.out.Pose[pose.Roll]) < 1*deg || s.out.Speeds[0] > 0 {
		s.tick(0)
	}
	s.in.OperatorAge = 0.5
	s.tick(0)
	was := s.out.Pose
	s.in.OperatorAge = 1.9
	for range 500 {
		s.tick(0)
		for _, ax := range []pose.Axis{pose.Roll, pose.Pitch} {
			// what moves outwards has to turn round first
			if math.Abs(s.out.Pose[ax]) > math.Abs(was[ax])+0.3*deg {
				t.Fatalf("%v grows from %v to %v", ax, was, s.out.Pose)
			}
		}
	}
	for ax, c := range s.m.cap {
		if math.Abs(c) > math.Abs(was[ax])+1e-12 {
			t.Errorf("demand of %v grew to %g from %g", pose.Axis(ax), c, was[ax])
		}
	}
	s.in.OperatorAge = 0
	s.tick(0)
	if s.out.State != Riding || s.out.Fade > 0.01 {
		t.Errorf("%v with %g of the demand after the operator came back", s.out.State, s.out.Fade)
	}
	s.run(3)
	if s.out.Pose != s.in.Wanted {
		t.Errorf("not joined again: %v", s.out.Held)
	}
}

func TestParkingKeepsReducedSpeed(t *testing.T) {
	s := newScene(t).to(Holding)
	s.run(1)
	s.tick(AskPark)
	var v, a float64
	for s.out.State != Parked {
		s.tick(0)
		for i := range s.m.l.axes {
			v, a = max(v, math.Abs(s.m.l.v[i])), max(a, math.Abs(s.m.l.a[i]))
		}
	}
	if v > 18*deg*1.001 || a > 60*deg*1.01 {
		t.Errorf("parks with %g deg/s, %g deg/s²", v/deg, a/deg)
	}
}

// Whatever comes, in whatever order: the seat keeps its limits, moves only in the states that move it, is armed only
// because somebody asked, and at the end can be brought to rest.
func TestAnyOrderOfEvents(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := newScene(t)
		asked := false
		trouble := false
		for range rapid.IntRange(5, 25).Draw(rt, "events") {
			var ask Ask
			switch e := rapid.IntRange(0, 17).Draw(rt, "event"); e {
			case 0:
				ask = AskHome
			case 1, 2:
				ask, asked = AskArm, true
			case 3:
				ask, asked = AskPark, true
			case 4:
				ask = AskStop
			case 5, 6:
				ask = AskReset
			case 7:
				s.in.Live = !s.in.Live
			case 8:
				s.in.OperatorAge = rapid.SampledFrom([]float64{0, 0, 0.3, 0.6, 1.9, 2.5}).Draw(rt, "age")
			case 9:
				s.f.Fault, s.f.Armed = true, false
			case 10:
				s.f.Stopped, s.f.Armed = true, false
			case 11:
				s.f.Present = !s.f.Present
			case 12:
				s.f.BootID++
				s.f.Homed, s.f.Armed, s.f.Stopped = false, false, false
			case 13:
				s.f.Supply = !s.f.Supply
			case 14:
				s.f.deaf = !s.f.deaf
			case 15:
				ask = Ask(rapid.IntRange(0, 31).Draw(rt, "asks"))
				asked = asked || ask&(AskArm|AskPark) != 0
			case 16:
				s.f.lag = rapid.IntRange(1, 200).Draw(rt, "lag")
			case 17:
				s.in.Wanted[pose.Roll] = math.NaN()
			}
			armed := s.f.Armed
			s.tick(ask)
			for range rapid.IntRange(0, 600).Draw(rt, "ticks") {
				s.tick(0)
			}
			if s.f.Armed && !armed && !asked {
				rt.Fatal("armed by itself")
			}
			trouble = trouble || s.out.State == Fault
			if s.out.Ended {
				rt.Fatal("ended by itself")
			}
		}
		s.f.deaf = false
		s.tick(AskStop)
		s.run(4)
		if moving(s.out.State) || !s.m.l.Rest() {
			rt.Fatalf("does not come to rest: %v", s.out.State)
		}
		p := s.out.Pose
		s.in.Live, s.in.OperatorAge = true, 0
		s.run(3)
		if s.out.Pose != p && s.out.State != Off && s.out.State != Parked && s.out.State != Holding || moving(s.out.State) {
			rt.Fatalf("moves by itself after a stop: %v", s.out.State)
		}
	})
}

func TestMachineAllocatesNothing(t *testing.T) {
	s := newScene(t).to(Riding)
	s.in.Controller = s.f.Controller
	k := 0
	if n := testing.AllocsPerRun(500, func() {
		k++
		s.in.Live = k%100 < 50
		s.m.Step(s.in)
	}); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}

func TestWords(t *testing.T) {
	if s := (HeldTravel | HeldActuator).String(); s != "travel, actuator" {
		t.Error(s)
	}
	for _, v := range []fmt.Stringer{Held(0), HeldNotFinite, Riding, CommandArm, CauseLost} {
		if v.String() == "" || v.String() == "unknown" {
			t.Errorf("%#v has no word", v)
		}
	}
}
