package simulated

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"perch/proto/seatlink"
)

const ms = time.Millisecond

// bench drives a controller as a host would, in virtual time.
type bench struct {
	t       rapidOrTesting
	c       *Controller
	encoder seatlink.Encoder
	decoder seatlink.Decoder
	status  seatlink.Status
	hello   seatlink.Hello
	answers []seatlink.Answer
	hellos  int
	period  time.Duration
}

type rapidOrTesting interface {
	Helper()
	Fatalf(format string, args ...any)
}

// tight are the limits of the tests: ±0.26 rad (15°), 0.7 rad/s (40 deg/s), 5.2 rad/s² (300 deg/s²), 87 rad/s³ (5000 deg/s³).
func tight() (l [seatlink.MaxAxes]seatlink.AxisLimits) {
	for i := range 2 {
		l[i] = seatlink.AxisLimits{Low: -261_799_388, High: 261_799_388, Speed: 698_132, ReducedSpeed: 314_159, Acceleration: 5_236, Jerk: 87_266}
	}
	return l
}

func newBench(t rapidOrTesting, s Settings) *bench {
	c, err := New(s)
	if err != nil {
		t.Fatalf("%v", err)
	}
	b := &bench{t: t, c: c, period: 2 * ms}
	b.drain()
	return b
}

func (b *bench) drain() {
	_, _ = b.decoder.Write(b.c.Output(nil))
	var f seatlink.Frame
	for b.decoder.Next(&f) {
		var err error
		switch f.Type {
		case seatlink.TypeStatus:
			err = b.status.Unmarshal(f.Payload)
		case seatlink.TypeHello:
			err = b.hello.Unmarshal(f.Payload)
			b.hellos++
		case seatlink.TypeResult:
			var a seatlink.Answer
			err = a.Unmarshal(f.Payload)
			b.answers = append(b.answers, a)
		}
		if err != nil {
			b.t.Fatalf("%v: %v", f.Type, err)
		}
	}
}

func (b *bench) send(m seatlink.Message) {
	b.c.Feed(b.encoder.Append(nil, m))
	b.drain()
}

func (b *bench) do(t seatlink.Type) seatlink.Result {
	b.t.Helper()
	b.answers = nil
	b.send(&seatlink.Plain{Kind: t})
	return b.answer(t)
}

func (b *bench) answer(t seatlink.Type) seatlink.Result {
	b.t.Helper()
	if len(b.answers) != 1 || b.answers[0].Command != t || b.answers[0].Sequence != b.encoder.Sequence() {
		b.t.Fatalf("answers to %v: %+v", t, b.answers)
	}
	return b.answers[0].Result
}

func (b *bench) pass(d time.Duration) {
	b.c.Step(d)
	b.drain()
}

func point(x, v, a float64) *seatlink.Setpoint {
	s := &seatlink.Setpoint{Axes: seatlink.Axes{N: 2}}
	for i := range 2 {
		s.Position[i] = int32(math.Round(x / seatlink.PositionQuantum))
		s.Speed[i] = int32(math.Round(v / seatlink.SpeedQuantum))
		s.Acceleration[i] = int16(math.Round(a / seatlink.AccelerationQuantum))
	}
	return s
}

// hold sends setpoints at x for d.
func (b *bench) hold(x float64, d time.Duration) {
	for end := b.c.Now() + d; b.c.Now() < end; {
		b.send(point(x, 0, 0))
		b.pass(b.period)
	}
}

func (b *bench) home() {
	b.t.Helper()
	if r := b.do(seatlink.TypeHome); r != seatlink.ResultOK {
		b.t.Fatalf("home: %v", r)
	}
	for i := 0; b.status.State == seatlink.StateHoming && i < 5000; i++ {
		b.pass(2 * ms)
	}
	if b.status.State != seatlink.StateReady || b.status.Flags&seatlink.FlagHomed == 0 {
		b.t.Fatalf("after homing: %v", b.status.State)
	}
}

func (b *bench) arm() seatlink.Result {
	b.t.Helper()
	b.answers = nil
	b.send(&seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: uint16(b.period / time.Microsecond)})
	return b.answer(seatlink.TypeArm)
}

// armed gives a bench that follows setpoints at the park position.
func armed(t rapidOrTesting, s Settings) *bench {
	t.Helper()
	b := newBench(t, s)
	b.home()
	b.hold(0, 510*ms)
	if r := b.arm(); r != seatlink.ResultOK {
		t.Fatalf("arm: %v", r)
	}
	b.hold(0, 20*ms)
	return b
}

// sine follows A sin(ωt) for d, with the derivatives that backward differences give.
func (b *bench) sine(amplitude, omega float64, d time.Duration) {
	T := b.period.Seconds()
	at := func(k int) float64 {
		if k < 0 {
			return 0
		}
		// It starts at rest: the amplitude grows over a second.
		t := float64(k) * T
		return amplitude * math.Min(1, t*t*t*(10+t*(6*t-15))) * math.Sin(omega*t)
	}
	for k := range int(d / b.period) {
		x, x1, x2 := at(k), at(k-1), at(k-2)
		if float64(k)*T > 1 {
			x, x1, x2 = amplitude*math.Sin(omega*float64(k)*T), amplitude*math.Sin(omega*float64(k-1)*T), amplitude*math.Sin(omega*float64(k-2)*T)
		}
		b.send(point(x, (x-x1)/T, (x-2*x1+x2)/(T*T)))
		b.pass(b.period)
	}
}

func TestHello(t *testing.T) {
	b := newBench(t, Settings{Board: "left seat", Seed: 1})
	if b.hellos != 1 || !b.hello.Simulated || b.hello.BoardName() != "left seat" || b.hello.Protocol != seatlink.Version || b.hello.State != seatlink.StateDisarmed {
		t.Fatalf("%d hellos, %+v", b.hellos, b.hello)
	}
	if b.hello.ResetCause != seatlink.ResetPower || b.hello.BootID == 0 || b.hello.Hash != b.hello.OwnHash {
		t.Errorf("%+v", b.hello)
	}
	b.send(&seatlink.HelloRequest{Highest: 1, Lowest: 1})
	if b.hellos != 2 {
		t.Error("no answer to HELLO_REQUEST")
	}
}

func TestDeafWhileBooting(t *testing.T) {
	b := newBench(t, Settings{BootTime: 100 * ms})
	b.send(&seatlink.HelloRequest{Highest: 1, Lowest: 1})
	b.pass(99 * ms)
	if b.hellos != 0 || b.c.State() != seatlink.StateBoot {
		t.Errorf("%d hellos in %v", b.hellos, b.c.State())
	}
	b.pass(2 * ms)
	if b.hellos != 1 || b.c.State() != seatlink.StateDisarmed {
		t.Errorf("%d hellos in %v", b.hellos, b.c.State())
	}
}

func TestNoMotionBeforeHomeAndArm(t *testing.T) {
	b := newBench(t, Settings{Start: [6]float64{0.1, -0.1}})
	still := func(where string, x0, x1 float64) {
		t.Helper()
		for k := range 600 {
			b.send(point(0.001*math.Sin(float64(k)/30), 0.01, 0))
			b.pass(2 * ms)
			if m := b.c.Motors(); math.Abs(m[0]-x0) > 1e-12 || math.Abs(m[1]-x1) > 1e-12 {
				t.Fatalf("%s: moved to %v", where, m)
			}
		}
	}
	still("disarmed", 0.1, -0.1)
	if r := b.arm(); r != seatlink.ResultNotHomed {
		t.Errorf("arm before home: %v", r)
	}
	b.home()
	b.pass(200 * ms)
	m := b.c.Motors()
	still("ready", m[0], m[1])
}

func TestFollowsExactly(t *testing.T) {
	b := armed(t, Settings{Limits: tight()})
	T := b.period.Seconds()
	for k := range 2000 {
		θ := 2 * math.Pi * 0.3 * float64(k) * T
		x := 0.05 * (1 - math.Cos(θ))
		v := 0.05 * 2 * math.Pi * 0.3 * math.Sin(θ)
		s := point(x, v, 0)
		b.send(s)
		if got, _ := b.c.Commanded(); math.Abs(got[0]-float64(s.Position[0])*1e-9) > 1e-15 {
			t.Fatalf("tick %d: commanded %v, setpoint %v", k, got[0], x)
		}
		b.pass(b.period)
	}
	if b.status.Late != 0 || b.status.Refused != 0 || b.status.Flags&(seatlink.FlagLate|seatlink.FlagOwn) != 0 {
		t.Errorf("%+v", b.status)
	}
}

func TestArmIsRefused(t *testing.T) {
	ready := func() *bench {
		b := newBench(t, Settings{Limits: tight()})
		b.home()
		return b
	}
	try := func(name string, b *bench, a seatlink.Arm, want seatlink.Result) {
		t.Helper()
		b.answers = nil
		b.send(&a)
		if r := b.answer(seatlink.TypeArm); r != want || (b.status.State == seatlink.StateArmed) != (want == seatlink.ResultOK || want == seatlink.ResultState) {
			t.Errorf("%s: %v in %v, want %v", name, r, b.status.State, want)
		}
	}
	b := ready()
	try("no setpoints", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000}, seatlink.ResultStale)
	b.hold(0, 400*ms)
	try("0.4 s of setpoints", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000}, seatlink.ResultStale)
	b.hold(0, 110*ms)
	try("nonce", b, seatlink.Arm{Nonce: b.status.Nonce + 1, Hash: b.status.Hash, Period: 2000}, seatlink.ResultNonce)
	try("hash", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash + 1, Period: 2000}, seatlink.ResultHash)
	try("period", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 499}, seatlink.ResultValue)
	b.hold(0.0088, 4*ms) // 0.5° is 0.00873 rad
	try("far", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000}, seatlink.ResultFar)
	b.pass(30 * ms)
	try("old setpoint", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000}, seatlink.ResultStale)
	b.hold(0.0086, 20*ms)
	good := seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000}
	try("good", b, good, seatlink.ResultOK)
	try("twice", b, seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000}, seatlink.ResultState)
	b.hold(0.0086, 100*ms)
	b.do(seatlink.TypeDisarm)
	b.hold(0, 600*ms)
	if b.status.State != seatlink.StateReady {
		t.Fatalf("after disarm: %v", b.status.State)
	}
	try("replay", b, good, seatlink.ResultNonce)
}

// The three deadlines of the protocol: braking 1.5 periods after the last frame, the flag at 20 ms, the latch at 100 ms.
func TestWatchdog(t *testing.T) {
	b := armed(t, Settings{Limits: tight()})
	x, v := 0.0, 0.0
	for range 200 { // speeds up to 0.4 rad/s, then coasts to where v is constant
		v = min(v+0.002*2, 0.4)
		x += v * 0.002
		b.send(point(x, v, 0))
		if b.c.accepted == b.c.now {
			b.pass(2 * ms)
		}
		if x > 0.1 {
			break
		}
	}
	last := b.c.accepted
	to := func(at time.Duration) { b.pass(last + at - b.c.Now()) }
	_, speed := b.c.Commanded()
	if math.Abs(speed[0]-v) > 1e-6 {
		t.Fatalf("speed %v, want %v", speed[0], v)
	}
	to(3*ms - 100*time.Microsecond)
	if _, s := b.c.Commanded(); s != speed || b.c.byItself {
		t.Error("brakes before 1.5 periods")
	}
	to(3 * ms)
	if _, s := b.c.Commanded(); s[0] >= speed[0] || !b.c.byItself || b.c.late != 1 {
		t.Errorf("does not brake at 1.5 periods: speed %v of %v", s[0], speed[0])
	}
	to(20 * ms)
	if b.do(seatlink.TypeStatusRequest); b.status.Flags&seatlink.FlagLate != 0 {
		t.Error("late flag at 20 ms: it is for older ones")
	}
	to(21 * ms)
	if b.do(seatlink.TypeStatusRequest); b.status.Flags&seatlink.FlagLate == 0 || b.status.State != seatlink.StateArmed {
		t.Errorf("at 21 ms: %+v", b.status)
	}
	to(100*ms - time.Microsecond)
	if b.c.State() != seatlink.StateArmed {
		t.Errorf("%v before 100 ms", b.c.State())
	}
	to(100 * ms)
	if s := b.c.State(); s != seatlink.StateStopping && s != seatlink.StateHeld {
		t.Errorf("%v at 100 ms", s)
	}
	// Setpoints that come back resume nothing.
	b.hold(x, time.Second)
	if b.c.State() != seatlink.StateHeld {
		t.Errorf("%v after setpoints came back", b.c.State())
	}
	if _, s := b.c.Commanded(); s != [6]float64{} {
		t.Errorf("speed %v when held", s)
	}
}

func TestRepeatsDoNotFeedTheWatchdog(t *testing.T) {
	for name, step := range map[string]uint16{"same": 0, "older": 0xFFFF, "half the circle": 0x8000} {
		b := armed(t, Settings{})
		last := b.c.accepted
		seq := b.encoder.Sequence()
		for b.c.Now()-last < 150*ms {
			b.pass(2 * ms)
			b.encoder.SetSequence(seq + step - 1)
			b.send(point(0, 0, 0))
			if b.c.Now()-last >= 101*ms && b.c.State() == seatlink.StateArmed {
				t.Fatalf("%s: armed %v after the last advancing setpoint", name, b.c.Now()-last)
			}
		}
		if b.status.Refused == 0 {
			t.Errorf("%s: none counted as refused", name)
		}
	}
}

func TestRefusedSetpointsDoNotFeedTheWatchdog(t *testing.T) {
	for name, p := range map[string]*seatlink.Setpoint{
		"past the travel": point(0.27, 0, 0),
		"too fast":        point(0, 0.71, 0),
		"other axes":      {Axes: seatlink.Axes{N: 3}},
		"other unit":      {Axes: seatlink.Axes{N: 2, Metres: true}},
	} {
		b := armed(t, Settings{Limits: tight()})
		for range 60 {
			b.send(p)
			b.pass(2 * ms)
		}
		if s := b.c.State(); s != seatlink.StateHeld || b.status.Refused == 0 {
			t.Errorf("%s: %v, %d refused", name, s, b.status.Refused)
		}
	}
}

func TestSequenceWrapsAround(t *testing.T) {
	b := armed(t, Settings{})
	b.encoder.SetSequence(0xFFF0)
	b.pass(110 * ms) // lost; and the next host starts where it likes
	b.do(seatlink.TypePark)
	b.hold(0, 600*ms)
	if r := b.arm(); r != seatlink.ResultOK || b.status.State != seatlink.StateArmed {
		t.Errorf("%v in %v", r, b.status.State)
	}
}

// Whatever is cut off when, the commanded motion stays inside travel, speed, acceleration and jerk on the way to rest.
// The input is a guarded one: a sine that touches 0.25 of 0.2618 rad at 0.6 of the speed.
func TestBrakeStaysInTheTravel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := armed(t, Settings{Limits: tight()})
		amplitude := rapid.Float64Range(0.01, 0.25).Draw(t, "amplitude")
		omega := rapid.Float64Range(0.5, min(0.4/amplitude, math.Sqrt(2/amplitude), 6)).Draw(t, "omega")
		b.sine(amplitude, omega, time.Duration(rapid.IntRange(100, 2000).Draw(t, "ticks"))*b.period)
		x, v := b.c.Commanded()
		before := v[0]
		T := b.period.Seconds()
		a := b.c.axes[0].a
		b.pass(500 * time.Microsecond) // the first own tick is 1.5 periods after the frame
		for range 400 {
			b.pass(b.period)
			nx, nv := b.c.Commanded()
			na := (nv[0] - before) / T
			if math.Abs(nx[0]) > 0.2618+1e-6 || math.Abs(na) > 5.236*1.001 || math.Abs(nx[0]-x[0]) > 0.698*T*1.001 {
				t.Fatalf("x %v v %v a %v", nx[0], nv[0], na)
			}
			// 4 mrad/s² of the wire's quantum, and the release's last step, come on top of the jerk.
			if math.Abs(na-a) > 87.266*T*1.001+0.01 {
				t.Fatalf("jerk %v", (na-a)/T)
			}
			x, before, a = nx, nv[0], na
		}
		if b.c.State() != seatlink.StateHeld || before != 0 {
			t.Fatalf("%v at speed %v", b.c.State(), before)
		}
	})
}

// Gaps shorter than the latch: the controller brakes, then joins the setpoints again inside speed and acceleration.
func TestJoinsAgainAfterGaps(t *testing.T) {
	b := armed(t, Settings{Limits: tight()})
	T := b.period.Seconds()
	random := rand.New(rand.NewPCG(1, 2))
	gap, sent := 0, 0
	prev, _ := b.c.Commanded()
	for k := range 20000 {
		θ := 2 * math.Pi * 0.25 * float64(k) * T
		x, v := 0.1*(1-math.Cos(θ)), 0.1*2*math.Pi*0.25*math.Sin(θ)
		if gap == 0 && random.IntN(150) == 0 {
			gap = 1 + random.IntN(45)
		}
		if gap > 0 {
			gap--
		} else {
			b.send(point(x, v, 0.1*(2*math.Pi*0.25)*(2*math.Pi*0.25)*math.Cos(θ)))
			sent++
		}
		b.pass(b.period)
		got, _ := b.c.Commanded()
		if d := math.Abs(got[0] - prev[0]); d > 0.698132*T*1.5 {
			t.Fatalf("tick %d: a step of %v rad", k, d)
		}
		if got[0] < -0.2618 || got[0] > 0.2618 {
			t.Fatalf("tick %d: at %v", k, got[0])
		}
		prev = got
		if b.c.State() != seatlink.StateArmed {
			t.Fatalf("tick %d: %v", k, b.c.State())
		}
	}
	if b.c.byItself {
		b.hold(prev[0], 200*ms)
	}
	if b.c.byItself || b.c.late < 50 {
		t.Errorf("by itself %v, %d gaps", b.c.byItself, b.c.late)
	}
}

// Setpoints that end just while it catches up, wherever that is: it stops inside the travel, and without a fault.
func TestLinkCutWhileCatchingUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := armed(t, Settings{Limits: tight()})
		if rapid.Bool().Draw(t, "slow host") {
			b.period = 20 * ms // what was told at arming stays
		}
		for range rapid.IntRange(1, 4).Draw(t, "jumps") {
			b.hold(rapid.Float64Range(-0.2617, 0.2617).Draw(t, "x"), time.Duration(rapid.IntRange(2, 700).Draw(t, "ms"))*ms)
		}
		for range 1000 {
			b.pass(ms)
			if x, _ := b.c.Commanded(); math.Abs(x[0]) > 0.2618 {
				t.Fatalf("at %v", x[0])
			}
		}
		if b.c.State() != seatlink.StateHeld || b.c.Faults() != 0 {
			t.Fatalf("%v, %v", b.c.State(), b.c.Faults())
		}
	})
}

// A second opinion: setpoints that jump, and bursts, move nothing faster than the speed limit.
func TestSpeedLimitWhateverArrives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := armed(t, Settings{Limits: tight()})
		prev, _ := b.c.Commanded()
		const window = 20
		for range 200 {
			for range rapid.IntRange(0, 5).Draw(t, "frames") {
				b.send(point(rapid.Float64Range(-0.3, 0.3).Draw(t, "x"), rapid.Float64Range(-1, 1).Draw(t, "v"), rapid.Float64Range(-100, 100).Draw(t, "a")))
			}
			b.pass(window * ms)
			x, _ := b.c.Commanded()
			if d := math.Abs(x[0] - prev[0]); d > 0.698132*(window+4)*1e-3+1e-6 {
				t.Fatalf("%v rad in %d ms", d, window)
			}
			// v²/2A + vA/2J = 0.0465 + 0.0209 rad is what a stop from full speed takes; only such a lie gets past the end.
			if past := math.Abs(x[0]) - 0.2618; past > 0.07 || (past > 0.0088 && b.c.Faults()&seatlink.FaultOverTravel == 0) {
				t.Fatalf("at %v", x[0])
			}
			prev = x
		}
	})
}

func TestStopThenPark(t *testing.T) {
	b := armed(t, Settings{Limits: tight()})
	b.sine(0.2, 1, 2*time.Second)
	if b.do(seatlink.TypeStop); b.status.State != seatlink.StateStopping {
		t.Fatalf("%v", b.status.State)
	}
	x, _ := b.c.Commanded()
	b.hold(0, time.Second) // setpoints go on; they move nothing
	y, _ := b.c.Commanded()
	if b.status.State != seatlink.StateHeld || math.Abs(x[0]-y[0]) > 0.07 { // 40 deg/s stops in 3.87° = 0.0675 rad
		t.Fatalf("%v, %v rad after the stop", b.status.State, y[0]-x[0])
	}
	if r := b.arm(); r != seatlink.ResultState {
		t.Errorf("arm when held: %v", r)
	}
	b.do(seatlink.TypePark)
	for b.status.State == seatlink.StateParking {
		b.pass(2 * ms)
		if _, v := b.c.Commanded(); math.Abs(v[0]) > 0.314160 {
			t.Fatalf("parks at %v rad/s", v[0])
		}
	}
	if x, _ := b.c.Commanded(); b.status.State != seatlink.StateReady || x[0] != 0 {
		t.Errorf("%v at %v", b.status.State, x)
	}
}

func TestStopWhileHomingAndParking(t *testing.T) {
	b := newBench(t, Settings{Limits: tight(), Start: [6]float64{0.2, -0.2}})
	b.do(seatlink.TypeHome)
	b.pass(500 * ms)
	b.do(seatlink.TypeStop)
	b.pass(time.Second)
	if b.status.State != seatlink.StateDisarmed || b.status.Flags&seatlink.FlagHomed != 0 {
		t.Errorf("stop while homing: %v", b.status.State)
	}
	b = armed(t, Settings{Limits: tight()})
	b.sine(0.2, 1, 1500*ms)
	b.do(seatlink.TypeStop)
	b.pass(time.Second)
	b.do(seatlink.TypePark)
	b.pass(300 * ms)
	b.do(seatlink.TypeDisarm)
	b.pass(time.Second)
	if b.status.State != seatlink.StateHeld {
		t.Errorf("disarm while parking: %v", b.status.State)
	}
}

func TestFaults(t *testing.T) {
	b := armed(t, Settings{Limits: tight()})
	b.sine(0.2, 1, 1500*ms)
	b.c.Cause(seatlink.FaultDriverAlarm, true)
	b.pass(time.Second)
	if b.status.State != seatlink.StateFault || b.status.Faults != seatlink.FaultDriverAlarm || b.status.Alarms == 0 || b.status.Flags&seatlink.FlagHomed != 0 || !b.c.atRest() {
		t.Fatalf("%+v", b.status)
	}
	if r := b.do(seatlink.TypeReset); r != seatlink.ResultCause {
		t.Errorf("reset while the cause is there: %v", r)
	}
	b.c.Cause(seatlink.FaultDriverAlarm, false)
	b.pass(time.Second)
	if b.status.State != seatlink.StateFault {
		t.Error("the fault went by itself")
	}
	if r := b.do(seatlink.TypeReset); r != seatlink.ResultOK || b.status.State != seatlink.StateDisarmed {
		t.Errorf("reset: %v, %v", r, b.status.State)
	}

	b = armed(t, Settings{Limits: tight()})
	b.c.Cause(seatlink.FaultSupply, true)
	b.pass(20 * ms)
	if b.status.State != seatlink.StateSupplyOff || b.status.Flags&(seatlink.FlagSupply|seatlink.FlagHomed) != 0 {
		t.Errorf("%+v", b.status)
	}
	b.c.Cause(seatlink.FaultSupply, false)
	b.hold(0, time.Second)
	if b.status.State != seatlink.StateSupplyOff || b.status.Flags&seatlink.FlagSupply == 0 {
		t.Errorf("supply back: %+v", b.status)
	}
	b.do(seatlink.TypeReset)
	b.home()
}

func TestLinkLostThreeTimesIsAFault(t *testing.T) {
	b := armed(t, Settings{})
	for i := range 3 {
		b.pass(300 * ms)
		if i == 2 {
			break
		}
		if b.status.State != seatlink.StateHeld {
			t.Fatalf("loss %d: %v", i, b.status.State)
		}
		b.do(seatlink.TypePark)
		b.hold(0, 600*ms)
		b.arm()
	}
	if b.status.State != seatlink.StateFault || b.status.Faults != seatlink.FaultLink {
		t.Errorf("%v %v", b.status.State, b.status.Faults)
	}
}

func TestRebootChangesTheBootID(t *testing.T) {
	b := armed(t, Settings{Limits: tight()})
	was, hellos := b.hello.BootID, b.hellos
	b.c.Reboot(seatlink.ResetWatchdog)
	b.drain()
	if b.hellos != hellos+1 || b.hello.BootID == was || b.hello.ResetCause != seatlink.ResetWatchdog || b.status.State != seatlink.StateDisarmed || b.status.Flags&seatlink.FlagHomed != 0 {
		t.Errorf("%+v %+v", b.hello, b.status)
	}
	b.hold(0, time.Second)
	if r := b.arm(); r != seatlink.ResultNotHomed {
		t.Errorf("arm after reboot: %v", r)
	}
}

func TestRegainsStepAfterNoise(t *testing.T) {
	b := armed(t, Settings{})
	random := rand.New(rand.NewPCG(3, 4))
	for range 500 {
		noise := make([]byte, random.IntN(200))
		for i := range noise {
			noise[i] = byte(random.Uint32())
		}
		x, _ := b.c.Commanded()
		b.c.Feed(noise)
		if y, _ := b.c.Commanded(); x != y {
			t.Fatal("noise moved it")
		}
		b.c.Feed([]byte{seatlink.Delimiter})
		b.send(point(0, 0, 0))
		if b.status.State != seatlink.StateArmed || b.c.sequence != b.encoder.Sequence() {
			t.Fatal("the frame after a delimiter was lost")
		}
		b.pass(2 * ms)
	}
}

func TestTighten(t *testing.T) {
	b := newBench(t, Settings{Limits: tight()})
	l := tight()[0]
	send := func(l seatlink.AxisLimits) seatlink.Result {
		b.answers = nil
		b.send(&seatlink.Limits{Axis: 0, Limits: l, Tighten: true})
		return b.answer(seatlink.TypeLimitsTighten)
	}
	wider := l
	wider.High++
	if r := send(wider); r != seatlink.ResultValue {
		t.Errorf("wider: %v", r)
	}
	narrow := l
	narrow.High, narrow.Speed, narrow.ReducedSpeed = 100_000_000, 100_000, 100_000
	hash := b.status.Hash
	if r := send(narrow); r != seatlink.ResultOK || b.status.Hash == hash {
		t.Errorf("narrower: %v", r)
	}
	if r := send(l); r != seatlink.ResultValue {
		t.Errorf("back: %v", r)
	}
	b.c.Reboot(seatlink.ResetSoftware)
	b.drain()
	if b.status.Hash != hash {
		t.Error("tightening outlived a reset")
	}
	b = armed(t, Settings{Limits: tight()})
	if r := send(narrow); r != seatlink.ResultState {
		t.Errorf("while armed: %v", r)
	}
}

func TestReducedSpeed(t *testing.T) {
	b := newBench(t, Settings{Limits: tight()})
	b.home()
	b.hold(0, 510*ms)
	b.send(&seatlink.Arm{Nonce: b.status.Nonce, Hash: b.status.Hash, Period: 2000, Reduced: true})
	if b.status.State != seatlink.StateArmed || b.status.Flags&seatlink.FlagReduced == 0 {
		t.Fatalf("%+v", b.status)
	}
	b.hold(0, 20*ms)
	b.send(point(0.001, 0.5, 0))
	if b.c.refused != 1 {
		t.Error("0.5 rad/s taken at a reduced speed of 0.314")
	}
}

// The same input gives the same motion, to the bit.
func TestDeterministic(t *testing.T) {
	run := func() [6]float64 {
		b := armed(t, Settings{Limits: tight(), Seed: 7})
		b.sine(0.2, 1.5, 3*time.Second)
		b.pass(70 * ms)
		b.sine(0.1, 1, time.Second)
		return b.c.Motors()
	}
	if a, b := run(), run(); a != b {
		t.Errorf("%v, then %v", a, b)
	}
}

func FuzzFeed(f *testing.F) {
	f.Add([]byte{2, 1, 1, 0, 5, 0x13, 1, 2, 3, 4, 0})
	f.Fuzz(func(t *testing.T, p []byte) {
		c, err := New(Settings{})
		if err != nil {
			t.Fatal(err)
		}
		c.Feed(p)
		c.Step(5 * ms)
		if c.State() == seatlink.StateArmed {
			t.Fatal("armed")
		}
	})
}

func BenchmarkTick(b *testing.B) {
	x := armed(b, Settings{})
	frame := make([]byte, 0, 100)
	out := make([]byte, 0, 1000)
	p := point(0, 0, 0)
	b.ReportAllocs()
	for b.Loop() {
		frame = x.encoder.Append(frame[:0], p)
		x.c.Feed(frame)
		x.c.Step(2 * ms)
		out = x.c.Output(out[:0])
	}
}

// TestHomedByHand: HOME is only believed after the motors were without power, since nobody can have levelled the seat before.
func TestHomedByHand(t *testing.T) {
	c, err := New(Settings{ByHand: true})
	if err != nil {
		t.Fatal(err)
	}
	home := func() seatlink.Result { return c.command(seatlink.TypeHome) }
	if r := home(); r != seatlink.ResultOK {
		t.Fatalf("HOME after power on: %v", r)
	}
	c.Step(2 * time.Second)
	if r := home(); r != seatlink.ResultOK || c.State() != seatlink.StateHoming {
		t.Fatalf("HOME with the position known: %v, %v", r, c.State())
	}
	c.Step(2 * time.Second)
	c.Cause(seatlink.FaultDriverAlarm, true)
	c.Cause(seatlink.FaultDriverAlarm, false)
	c.Step(time.Second)
	c.command(seatlink.TypeReset)
	if r := home(); r != seatlink.ResultState || c.State() != seatlink.StateDisarmed {
		t.Fatalf("HOME after an alarm, drivers powered: %v, %v", r, c.State())
	}
	c.Cause(seatlink.FaultSupply, true)
	c.Cause(seatlink.FaultSupply, false)
	c.command(seatlink.TypeReset)
	if r := home(); r != seatlink.ResultOK {
		t.Fatalf("HOME after the supply was off: %v", r)
	}
}
