package chip_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"perch/host/seat/chip"
	"perch/proto/seatlink"
)

const degree = math.Pi / 180

// steps an angle, in rad, is.
func stepsOf(h *host, axis int, x float64) float64 {
	return x * h.c.Firmware.Wiring.Axes[axis].StepsPerUnit
}

// near is where a crank starts in most tests: on the closed side of its switch, so that homing is short.
func nearEdge(f *chip.Firmware, by int64) (out []int64) {
	for _, a := range f.Wiring.Axes {
		out = append(out, a.HomeEdge+by)
	}
	return out
}

// known checks, at rest, that what STATUS says is where the cranks are, as homing found it: no step was lost or added since.
func (h *host) known() {
	h.t.Helper()
	for i, o := range h.off() {
		if lost := o - h.offset[i]; math.Abs(lost) > 0.75 {
			h.t.Errorf("axis %d: STATUS is %.2f steps off the crank, %.2f more than after homing", i, o, lost)
		}
	}
}

// still checks that no step is given while f runs.
func (h *host) still(what string, f func()) {
	h.t.Helper()
	var before [2]uint64
	for i := range before {
		before[i] = h.c.Crank(i).Edges
	}
	f()
	for i := range before {
		if n := h.c.Crank(i).Edges - before[i]; n != 0 {
			h.t.Errorf("%s: axis %d made %d steps", what, i, n)
		}
	}
}

// clean checks that nothing was dropped or refused so far.
func (h *host) clean() {
	h.t.Helper()
	s := h.fresh()
	if s.CRCErrors != 0 || s.Framing != 0 || s.Late != 0 || s.Refused != 0 || h.c.Garbled() != 0 || h.c.Counts().Overruns != 0 {
		h.t.Errorf("CRC errors %d, framing %d, late %d, refused %d; garbled at the host %d, overruns %d", s.CRCErrors, s.Framing, s.Late, s.Refused,
			h.c.Garbled(), h.c.Counts().Overruns)
	}
}

// TestFirmware takes the firmware as it is shipped through everything that can happen to a ride. Each part begins at the
// same moment: homed, at rest in the park position, disarmed.
func TestFirmware(t *testing.T) {
	t.Parallel()
	f := chip.Build(t)
	t.Logf("flash %d of %d bytes, variables %d of %d bytes of RAM", f.Flash, chip.FlashSize, f.RAM, chip.RAMSize)
	if f.Flash > chip.FlashSize*85/100 {
		t.Errorf("flash: %d bytes of %d in use, more than 85 %%", f.Flash, chip.FlashSize)
	}
	c := f.Start(t, nearEdge(f, 100)...)
	h := meet(t, c)
	if k := c.Crank(0); k.Edges != 0 {
		t.Errorf("%d steps before anything was asked for", k.Edges)
	}
	h.home(20 * time.Second)
	t.Logf("homed at %v", c.Now())
	h.found(2)
	if s := h.status(); s.State != seatlink.StateReady || s.Faults != 0 || s.Flags != seatlink.FlagHomed|seatlink.FlagSupply {
		t.Errorf("homed: state %v, flags %b, faults %v", s.State, s.Flags, s.Faults)
	}

	h.try("ride", testRide)
	h.try("top speed", testTopSpeed)
	h.try("reversals", testReversals)
	h.try("link cut", testLinkCut)
	h.try("link cut three times", testLinkCutThreeTimes)
	h.try("single bits", testSingleBits)
	h.try("noise", testNoise)
	h.try("controller power cycled", testPowerCycled)
	h.try("clumps", testClumps)
	h.try("lost steps", testLostSteps)
	h.try("arming", testArming)
	h.try("tighten", testTighten)
	h.try("in motion", func(h *host) {
		h.arm()
		h.sway([2]float64{20 * degree, 12 * degree}, [2]float64{0.8, 1.3})
		h.during(700 * ms)
		h.try("noise", testNoiseInMotion)
		h.try("another program", testAnotherProgram)
		h.try("port opened", testPortOpened)
		h.try("processor hung", testHung)
		h.try("supply", testSupply)
		h.try("alarm of one axis", func(h *host) { testAlarm(h, 0) })
		h.try("alarm of the other", func(h *host) { testAlarm(h, 1) })
		h.try("over-travel", testOverTravel)
		h.try("host restart", testHostRestart)
		h.try("stop", testStop)
	})
	t.Logf("%v simulated", c.Simulated())
}

// testRide follows sines, and then everything agrees: setpoints, steps, STATUS.
func testRide(h *host) {
	h.arm()
	h.sway([2]float64{20 * degree, 12 * degree}, [2]float64{0.8, 1.3})
	began := h.next
	h.during(1200 * ms)
	ended := h.next
	h.rest()
	h.during(100 * ms)
	if s := h.status(); s.State != seatlink.StateArmed || s.Faults != 0 {
		h.t.Fatalf("state %v, faults %v", s.State, s.Faults)
	}
	h.clean()
	for i := range 2 {
		track := h.history(i)
		offset := h.c.Crank(i).At - h.c.Crank(i).Steps
		// The motor follows a period behind, and the frame needs its time on the line: one lag holds for the whole ride.
		worst, lag := math.Inf(1), time.Duration(0)
		for l := time.Duration(0); l <= 12*ms; l += 100 * time.Microsecond {
			w := 0.0
			for _, s := range h.sent {
				if s.at > began && s.at < ended-20*ms {
					w = max(w, math.Abs(float64(track.when(s.at+l)+offset)-stepsOf(h, i, s.x[i])))
				}
			}
			if w < worst {
				worst, lag = w, l
			}
		}
		h.t.Logf("axis %d follows %.2f steps off at worst, %v behind", i, worst, lag)
		if worst > 3 || lag > 3*h.period {
			h.t.Errorf("axis %d: %.2f steps off at worst, %v behind", i, worst, lag)
		}
		// What STATUS says is where the motor is told to be; the motor is on its way there.
		for _, s := range h.statuses {
			if s.at < began || s.at > ended {
				continue
			}
			said := stepsOf(h, i, float64(s.Position[i])*1e-9)
			if lowest, highest := around(&track, s.at-8*ms, s.at+8*ms); said < float64(lowest+offset)-2 || said > float64(highest+offset)+2 {
				h.t.Errorf("at %v axis %d: STATUS says %.1f steps, the motor is between %d and %d", s.at, i, said, lowest+offset, highest+offset)
				break
			}
		}
	}
	h.during(100 * ms)
	h.known()
	h.timing()
	if left := h.c.StackLeft(); left < 200 {
		h.t.Errorf("the stack has left %d bytes untouched, less than 200", left)
	} else {
		h.t.Logf("the stack has left %d bytes untouched", left)
	}
	h.interrupts()
}

// interrupts reports what they took so far. The step timer comes every 640 cycles.
func (h *host) interrupts() {
	h.t.Helper()
	for _, v := range h.c.Interrupts() {
		h.t.Logf("interrupt %d: %d times, worst %d cycles, mean %d, waited up to %d", v.Vector, v.Count, v.Worst, v.Mean, v.Delay)
		if v.Worst > 320 { // half of the time that there is, and a byte at 500 000 bit/s
			h.t.Errorf("interrupt %d took %d cycles", v.Vector, v.Worst)
		}
	}
}

// around is the lowest and highest count in a stretch of time.
func around(s *steps, from, to time.Duration) (lowest, highest int64) {
	lowest = s.when(from)
	highest = lowest
	for i, t := range s.at {
		if t > from && t <= to {
			lowest, highest = min(lowest, s.count[i]), max(highest, s.count[i])
		}
	}
	return lowest, highest
}

// timing checks the pulses so far. The numbers are the slow end of what drivers ask for: common practice, no source.
func (h *host) timing() {
	h.t.Helper()
	for i := range 2 {
		k := h.c.Crank(i)
		h.t.Logf("axis %d: %+v", i, k.Timing)
		if k.Timing.High < 2500*time.Nanosecond || k.Timing.Low < 2500*time.Nanosecond {
			h.t.Errorf("axis %d: pulses are high for %v and low for %v, want 2.5µs at least", i, k.Timing.High, k.Timing.Low)
		}
		if k.Timing.Setup < 5*time.Microsecond || k.Timing.Hold != 0 && k.Timing.Hold < 5*time.Microsecond {
			h.t.Errorf("axis %d: DIR is stable for %v before a step and %v after it, want 5µs", i, k.Timing.Setup, k.Timing.Hold)
		}
		if k.Unheld != 0 {
			h.t.Errorf("axis %d: %d steps while the driver was not enabled", i, k.Unheld)
		}
	}
}

// testTopSpeed goes as fast as the limits allow, both axes at once.
func testTopSpeed(h *host) {
	h.arm()
	// A sine whose peak speed is 98 % of the limit: A ω = v, with the acceleration A ω² inside its limit too.
	top := float64(h.limits[0].Speed) * 1e-6 * 0.98
	amplitude := min(float64(h.limits[0].High)*1e-9, -float64(h.limits[0].Low)*1e-9) * 0.9
	h.sway([2]float64{amplitude, amplitude}, [2]float64{top / amplitude / (2 * math.Pi), top / amplitude / (2 * math.Pi)})
	h.during(1600 * ms)
	for i := range 2 {
		track := h.history(i)
		want := stepsOf(h, i, top)
		fastest := track.fastest(0, h.next, 20*ms)
		h.t.Logf("axis %d: %.0f steps/s asked for, %d steps in the fastest 20 ms", i, want, fastest)
		if got := float64(fastest) * 50; got < want*0.97 || got > want*1.05 {
			h.t.Errorf("axis %d: %.0f steps/s at the fastest, want %.0f", i, got, want)
		}
	}
	h.rest()
	h.clean()
	h.timing()
	h.interrupts()
	if s := h.status(); s.State != seatlink.StateArmed {
		h.t.Errorf("state %v, faults %v", s.State, s.Faults)
	}
}

// testReversals turns round every few steps and as sharply as it can be told, where DIR has the least time.
func testReversals(h *host) {
	h.arm()
	at := h.last
	h.path = func(t time.Duration) (x [2]float64) {
		for i := range x {
			x[i] = at[i] + 0.2*degree*float64(1-2*(int(t/h.period)/(2+i)%2))
		}
		return x
	}
	h.during(600 * ms)
	for i := range 2 {
		if k := h.c.Crank(i); k.Timing.Hold == 0 {
			h.t.Errorf("axis %d never turned round", i)
		}
	}
	h.timing()
	h.rest()
	h.during(100 * ms)
	h.known()
}

// brake is the page's brake law, one axis, from x, v, a: the way still to go, and how long it takes.
func brake(v, a float64, l *seatlink.AxisLimits, dt float64) (way, seconds float64) {
	most, jerk := float64(l.Acceleration)*1e-3, float64(l.Jerk)*1e-3
	d := jerk * dt
	a = min(max(a, -most), most)
	for n := 0; n < 5000; n++ {
		if math.Abs(v) < 1e-9 && math.Abs(a) <= d {
			return way, float64(n) * dt
		}
		k := math.Floor((math.Sqrt(1+8*math.Abs(v)/(dt*d)) - 1) / 2)
		u := (math.Abs(v)/dt + d*k*(k+1)/2) / (k + 1)
		b := min(max(-math.Copysign(u, v), -most), most)
		a = min(max(b, a-d), a+d)
		v += a * dt
		way += v * dt
	}
	return way, math.Inf(1)
}

// testLinkCut ends the setpoints at phases of a ride: the controller brakes by its own law 1.5 periods later, comes to rest
// where that law says, latches after 100 ms, and later setpoints move nothing.
func testLinkCut(h *host) {
	h.arm()
	h.sway([2]float64{20 * degree, 12 * degree}, [2]float64{0.8, 1.3})
	h.during(1000 * ms)
	for phase := range 6 {
		h.try(fmt.Sprintf("phase %d", phase), func(h *host) {
			ride := h.path
			h.path = nil
			cut := h.sent[len(h.sent)-1]
			h.wait(600*ms, "HELD", func() bool { return h.status().State == seatlink.StateHeld })
			h.during(50 * ms)
			var stopping, own time.Duration
			for _, s := range h.statuses {
				if s.at < cut.at {
					continue
				}
				if own == 0 && s.Flags&seatlink.FlagOwn != 0 {
					own = s.at - cut.at
				}
				if stopping == 0 && s.State == seatlink.StateStopping {
					stopping = s.at - cut.at
				}
			}
			// A frame takes 0.6 ms on the line, a STATUS 0.9 ms.
			if own > 25*ms {
				h.t.Errorf("STATUS said that it brakes by its own law after %v", own)
			}
			// STOPPING is passed through at once where it is at rest already; else it says so.
			if stopping != 0 && (stopping < 99*ms || stopping > 106*ms) {
				h.t.Errorf("STOPPING %v after the last setpoint, want 100 ms", stopping)
			}
			for i := range 2 {
				track := h.history(i)
				offset := h.c.Crank(i).At - h.c.Crank(i).Steps
				way, seconds := brake(cut.v[i], cut.a[i], &h.limits[i], h.period.Seconds())
				// It goes on at the last speed until 1.5 periods: one period is on the way to the last setpoint.
				want := stepsOf(h, i, cut.x[i]+way)
				got := float64(track.when(h.c.Now()) + offset)
				// The start of braking may be quantised by up to a period of motion.
				slack := 3 + stepsOf(h, i, math.Abs(cut.v[i])*h.period.Seconds())
				if math.Abs(got-want) > slack {
					h.t.Errorf("axis %d came to rest at %.0f steps, the law says %.1f (speed was %.2f rad/s)", i, got, want, cut.v[i])
				}
				lowest, highest := around(&track, cut.at, h.c.Now())
				if x := float64(lowest + offset); x < stepsOf(h, i, float64(h.limits[i].Low)*1e-9)-1 {
					h.t.Errorf("axis %d went to %.0f steps, below its travel", i, x)
				}
				if x := float64(highest + offset); x > stepsOf(h, i, float64(h.limits[i].High)*1e-9)+1 {
					h.t.Errorf("axis %d went to %.0f steps, above its travel", i, x)
				}
				if took := (track.last() - cut.at).Seconds(); took > seconds+0.020 {
					h.t.Errorf("axis %d made its last step %.3f s after the last setpoint, the law says %.3f s", i, took, seconds)
				}
			}
			h.known()
			h.still("setpoints that come back", func() {
				h.path = ride
				h.during(40 * ms)
			})
			if s := h.status(); s.State != seatlink.StateHeld {
				h.t.Errorf("setpoints that came back made it %v", s.State)
			}
			h.want(h.armFrame(false), seatlink.ResultState)
			if phase > 0 {
				return
			}
			h.rest()
			h.want(plain(seatlink.TypePark), seatlink.ResultOK)
			h.await(seatlink.StateReady, 3*time.Second)
			h.known()
			h.arm()
		})
		h.during(173 * ms)
	}
}

// testLinkCutThreeTimes loses the link again and again: the third time is a fault.
func testLinkCutThreeTimes(h *host) {
	for loss := 1; loss <= 3; loss++ {
		h.arm()
		h.path = nil
		if loss == 3 {
			h.await(seatlink.StateFault, 200*ms)
			break
		}
		h.await(seatlink.StateHeld, 200*ms)
		h.want(plain(seatlink.TypePark), seatlink.ResultOK)
		h.await(seatlink.StateReady, time.Second)
	}
	if s := h.status(); s.Faults != seatlink.FaultLink {
		h.t.Errorf("faults %v after the third loss", s.Faults)
	}
	h.want(plain(seatlink.TypePark), seatlink.ResultState)
	h.want(plain(seatlink.TypeReset), seatlink.ResultOK)
	h.await(seatlink.StateDisarmed, 50*ms)
	h.want(h.armFrame(false), seatlink.ResultNotHomed)
}

// testSingleBits sends, while it rides, every frame of 0.2 s with each of its bits wrong. None is obeyed.
func testSingleBits(h *host) {
	h.period = 8 * ms
	h.arm()
	h.sway([2]float64{10 * degree, 6 * degree}, [2]float64{0.8, 1.3})
	// Wrong frames of another place and of numbers that would advance.
	var wrong [][]byte
	var other seatlink.Encoder
	other.SetSequence(h.enc.Sequence() + 8000)
	for k := range 25 {
		x := 3*degree + 0.001*float64(k)
		frame := other.Append(nil, &seatlink.Setpoint{Axes: h.axes, Position: [6]int32{int32(x * 1e9), int32(-x * 1e9)}, Speed: [6]int32{250_000, -250_000}})
		for bit := range 8 * len(frame) {
			w := slices.Clone(frame)
			w[bit/8] ^= 1 << (bit % 8)
			wrong = append(wrong, w)
		}
	}
	h.t.Logf("%d wrong frames", len(wrong))
	before := h.fresh()
	for n := 0; n < len(wrong); {
		// After the setpoint, what fills two thirds of the line.
		line := h.frame(h.next)
		for range 9 {
			if n < len(wrong) {
				line = append(line, wrong[n]...)
				n++
			}
		}
		h.c.WriteAt(h.next, append(line, seatlink.Delimiter))
		h.next += h.period
		h.c.RunTo(h.next)
		h.pump()
	}
	h.during(100 * ms)
	s := h.fresh()
	if s.State != seatlink.StateArmed || s.Late != before.Late || s.Refused != before.Refused {
		h.t.Errorf("state %v, late %d, refused %d", s.State, s.Late-before.Late, s.Refused-before.Refused)
	}
	if dropped := int(s.CRCErrors-before.CRCErrors) + int(s.Framing-before.Framing); dropped < len(wrong)*9/10 || dropped > len(wrong) {
		// A wrong 0x00 makes one frame of two, and takes the next along.
		h.t.Errorf("%d dropped of %d wrong frames", dropped, len(wrong))
	}
	mine := make(map[uint16]bool)
	for _, s := range h.sent {
		mine[s.sequence] = true
	}
	for _, s := range h.statuses {
		if s.State == seatlink.StateArmed && !mine[s.LastSequence] {
			h.t.Fatalf("at %v: it obeyed setpoint %d, which nobody sent", s.at, s.LastSequence)
		}
	}
	h.rest()
	h.during(300 * ms)
	h.known()
}

func long() bool { return os.Getenv("PERCH_LONG") != "" }

// testNoise floods it with random bytes: nothing moves.
func testNoise(h *host) {
	n := 30_000
	if long() {
		n = 1_000_000
	}
	h.still("random bytes", func() {
		h.c.Write(noise(n))
		h.during(time.Duration(n) * 20 * time.Microsecond)
		h.c.Write([]byte{0})
		h.during(50 * ms)
	})
	s := h.fresh()
	if s.State != seatlink.StateReady || int(s.CRCErrors)+int(s.Framing) == 0 {
		h.t.Errorf("state %v, faults %v, dropped %d and %d", s.State, s.Faults, s.CRCErrors, s.Framing)
	}
	if over := h.c.Counts().Overruns; over != 0 {
		h.t.Errorf("the receiver lost %d bytes", over)
	}
}

func noise(n int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(r.Uint32())
	}
	return out
}

// testNoiseInMotion puts noise between setpoints: it costs frames at most.
func testNoiseInMotion(h *host) {
	began, bytes := h.c.Now(), noise(6000)
	for range 150 {
		h.c.WriteAt(h.next+700*time.Microsecond, bytes[:40])
		bytes = bytes[40:]
		h.tick()
	}
	h.bounded(began)
	if s := h.status(); s.State != seatlink.StateArmed && s.State != seatlink.StateHeld && s.State != seatlink.StateStopping {
		h.t.Errorf("state %v, faults %v", s.State, s.Faults)
	}
}

// bounded checks that no axis was faster than its limit since then.
func (h *host) bounded(since time.Duration) {
	h.t.Helper()
	for i := range 2 {
		track := h.history(i)
		// Over 10 ms, so that a count more or less is a per cent.
		most := stepsOf(h, i, float64(h.limits[i].Speed)*1e-6) * 0.010
		if got := track.fastest(since, h.next, 10*ms); float64(got) > most*1.03+1 {
			h.t.Errorf("axis %d made %d steps in 10 ms, its limit is %.1f", i, got, most)
		}
	}
}

// testAnotherProgram mixes another program's bytes into a ride: a modem command, text, zeros, a frame of a host of its own.
func testAnotherProgram(h *host) {
	began := h.next
	var other seatlink.Encoder
	foreign := other.Append(nil, &seatlink.HelloRequest{Highest: 1, Lowest: 1})
	for n := range 150 {
		line := h.frame(h.next)
		cut := n % len(line)
		intruder := [][]byte{[]byte("AT\r\n"), bytes.Repeat([]byte{0}, 9), foreign, {0xFF, 0x55, 0xAA}}[n%4]
		mixed := slices.Concat(line[:cut], intruder, line[cut:])
		if n%3 != 0 {
			mixed = line // two setpoints of three come through
		}
		h.c.WriteAt(h.next, mixed)
		h.next += h.period
		h.c.RunTo(h.next)
		h.pump()
	}
	h.bounded(began)
	if s := h.status(); s.State != seatlink.StateArmed || s.Faults != 0 {
		h.t.Errorf("state %v, faults %v", s.State, s.Faults)
	}
	h.during(200 * ms)
	h.rest()
	h.during(300 * ms)
	h.known()
}

// testPortOpened pulls the reset line in motion, as opening a port does where that is wired: steps end at once, and
// nothing is taken up again.
func testPortOpened(h *host) {
	before, _ := h.c.Hello()
	reset := h.c.Now()
	h.c.Reset()
	h.during(300 * ms) // the host goes on sending
	for i := range 2 {
		track := h.history(i)
		if last := track.last(); last > reset {
			h.t.Errorf("axis %d made a step %v after the reset", i, last-reset)
		}
		if h.c.Crank(i).Held {
			h.t.Errorf("axis %d: the driver is enabled after a reset that nobody homed after", i)
		}
	}
	hello, _ := h.c.Hello()
	if hello.BootID == before.BootID || hello.BootID == 0 || hello.ResetCause != seatlink.ResetExternal || hello.State > seatlink.StateDisarmed {
		h.t.Errorf("after the reset HELLO says boot %08x (before: %08x), %v, state %v", hello.BootID, before.BootID, hello.ResetCause, hello.State)
	}
	s := h.fresh()
	if s.State != seatlink.StateDisarmed || s.Flags&seatlink.FlagHomed != 0 || s.BootID != hello.BootID {
		h.t.Errorf("after the reset: state %v, flags %b, boot %08x", s.State, s.Flags, s.BootID)
	}
	h.want(h.armFrame(false), seatlink.ResultNotHomed)
}

// testHung: the main loop hangs in motion. The step timer goes on, so it brakes by itself when it has not heard of the
// program for 10 ms; the processor's own watchdog resets it, after 120 ms by its data sheet.
func testHung(h *host) {
	before, _ := h.c.Hello()
	told := h.sent[len(h.sent)-1]
	hung := h.c.Now()
	h.c.Hang("control_step")
	h.during(400 * ms)
	resets := h.c.Resets()
	if len(resets) != 1 || resets[0]-hung < 100*ms || resets[0]-hung > 160*ms {
		h.t.Fatalf("reset %v after it hung, want once, 100 to 160 ms after", resets)
	}
	for i := range 2 {
		track := h.history(i)
		h.t.Logf("axis %d made %d steps more, the last after %v", i, track.since(hung), track.last()-hung)
		// 12 ms at the speed of before, and then v²/2A.
		v := math.Abs(told.v[i]) * 1.05
		if most := stepsOf(h, i, v*0.012+v*v/(2*float64(h.limits[i].Acceleration)*1e-3)) + 3; float64(track.since(hung)) > most {
			h.t.Errorf("axis %d made %d steps after it hung, braking needs %.0f", i, track.since(hung), most)
		}
		if track.last() > resets[0] {
			h.t.Errorf("axis %d made a step %v after the reset", i, track.last()-resets[0])
		}
	}
	hello, _ := h.c.Hello()
	s := h.fresh()
	if hello.BootID == before.BootID || hello.ResetCause != seatlink.ResetWatchdog || s.Faults != seatlink.FaultProcessor || s.State != seatlink.StateFault ||
		s.Flags&seatlink.FlagHomed != 0 {
		h.t.Errorf("after the reset: boot %08x (before: %08x), %v, state %v, faults %v", hello.BootID, before.BootID, hello.ResetCause, s.State, s.Faults)
	}
	h.still("setpoints after it", func() { h.during(100 * ms) })
}

// testPowerCycled takes the controller's own supply: boot ids differ still.
func testPowerCycled(h *host) {
	seen := make(map[uint32]bool)
	hello, _ := h.c.Hello()
	seen[hello.BootID] = true
	nonces := map[uint32]bool{h.fresh().Nonce: true}
	for range 3 {
		h.c.PowerCycle()
		h.during(200 * ms)
		hello, _ = h.c.Hello()
		if seen[hello.BootID] || hello.BootID == 0 || hello.ResetCause != seatlink.ResetPower {
			h.t.Errorf("boot id %08x was there before or is zero; cause %v", hello.BootID, hello.ResetCause)
		}
		seen[hello.BootID] = true
		n := h.fresh().Nonce
		if nonces[n] {
			h.t.Errorf("nonce %08x was there before", n)
		}
		nonces[n] = true
	}
}

// lost checks that the position is lost: latched until a RESET whose cause is gone, and then to be homed.
func (h *host) lostUntilHomed(state seatlink.State, fault seatlink.Faults, gone func()) {
	h.t.Helper()
	s := h.fresh()
	if s.State != state || s.Faults != fault || s.Flags&seatlink.FlagHomed != 0 {
		h.t.Errorf("state %v, faults %v, flags %b; want %v, %v, not homed", s.State, s.Faults, s.Flags, state, fault)
	}
	h.want(plain(seatlink.TypeHome), seatlink.ResultState)
	h.want(plain(seatlink.TypePark), seatlink.ResultState)
	h.want(plain(seatlink.TypeReset), seatlink.ResultCause)
	h.still("the cause goes away", func() {
		gone()
		h.during(100 * ms)
	})
	if s := h.fresh(); s.State != state || s.Faults != fault {
		h.t.Errorf("when the cause had gone it was %v, %v by itself", s.State, s.Faults)
	}
	h.want(h.armFrame(false), seatlink.ResultState)
	h.want(plain(seatlink.TypeReset), seatlink.ResultOK)
	h.await(seatlink.StateDisarmed, 50*ms)
	h.still("RESET", func() { h.during(100 * ms) })
	h.want(h.armFrame(false), seatlink.ResultNotHomed)
}

func testSupply(h *host) {
	off := h.c.Now()
	h.c.Supply(false)
	h.await(seatlink.StateSupplyOff, 30*ms)
	h.t.Logf("SUPPLY_OFF was here after %v", h.c.Now()-off)
	h.during(50 * ms)
	for i := range 2 {
		track := h.history(i)
		if last := track.last(); last > off+10*ms {
			h.t.Errorf("axis %d made a step %v after the supply went", i, last-off)
		}
	}
	if s := h.status(); s.Flags&seatlink.FlagSupply != 0 {
		h.t.Error("STATUS says that the supply is there")
	}
	h.lostUntilHomed(seatlink.StateSupplyOff, seatlink.FaultSupply, func() { h.c.Supply(true) })
}

func testAlarm(h *host, axis int) {
	began := h.c.Now()
	before := h.history(1 - axis)
	h.c.Alarm(axis, true)
	h.await(seatlink.StateFault, 30*ms)
	if s := h.status(); s.Alarms != 1<<axis {
		h.t.Errorf("alarm inputs %b, want only axis %d", s.Alarms, axis)
	}
	h.during(400 * ms)
	h.bounded(began)
	other := h.history(1 - axis)
	if other.last() > began+300*ms {
		h.t.Errorf("the other axis made its last step %v after the alarm", other.last()-began)
	}
	// Braked, not cut: it was moving, and made more steps.
	if len(other.at)-len(before.at) < 3 {
		h.t.Errorf("the other axis made %d steps after the alarm: it was not braked", len(other.at)-len(before.at))
	}
	h.lostUntilHomed(seatlink.StateFault, seatlink.FaultDriverAlarm, func() { h.c.Alarm(axis, false) })
}

func testOverTravel(h *host) {
	over := h.c.Firmware.Wiring.Axes[1].Over
	h.c.Pin(over.Pin, over.Active)
	h.await(seatlink.StateFault, 30*ms)
	h.during(400 * ms)
	h.lostUntilHomed(seatlink.StateFault, seatlink.FaultOverTravel, func() { h.c.Free(over.Pin) })
}

// testHostRestart: the host dies in motion and a new one comes, whose numbers begin again. It says hello; nothing moves.
func testHostRestart(h *host) {
	ride := h.path
	h.path = nil
	h.c.Write(h.frameOf(ride)[:9]) // it died in the middle of a frame
	h.during(30 * ms)
	h.enc = seatlink.Encoder{}
	h.c.Write([]byte{0})
	_, before := h.c.Hello()
	h.send(&seatlink.HelloRequest{Highest: 1, Lowest: 1})
	h.wait(60*ms, "HELLO", func() bool { _, n := h.c.Hello(); return n > before })
	if hello, _ := h.c.Hello(); hello.State != seatlink.StateArmed {
		h.t.Errorf("HELLO says %v", hello.State)
	}
	h.await(seatlink.StateHeld, 500*ms)
	h.still("a new host's setpoints", func() {
		h.path = ride
		h.during(200 * ms)
		h.want(h.armFrame(false), seatlink.ResultState)
	})
	h.path = nil
	h.want(plain(seatlink.TypePark), seatlink.ResultOK)
	h.await(seatlink.StateReady, 3*time.Second)
	h.known()
	h.arm()
}

func (h *host) frameOf(path func(time.Duration) [2]float64) []byte {
	h.path = path
	b := h.frame(h.next)
	h.path = nil
	return b
}

// testClumps: a bridge that gathers frames hands them on at once. The ride goes on, bounded, and ends where it should.
func testClumps(h *host) {
	for _, c := range []struct{ period, clump time.Duration }{{2 * ms, ms}, {2 * ms, 16 * ms}} {
		h.try(fmt.Sprintf("every %v", c.clump), func(h *host) {
			h.period = c.period
			h.arm()
			h.sway([2]float64{20 * degree, 12 * degree}, [2]float64{0.8, 1.3})
			began := h.next
			var held []byte
			for end := h.next + 600*ms; h.next < end; {
				held = append(held, h.frame(h.next)...)
				h.next += h.period
				if clump := h.next / c.clump * c.clump; clump > h.next-h.period || c.clump < h.period {
					// What was gathered goes out at the next boundary of the bridge.
					at := (h.next - h.period + c.clump) / c.clump * c.clump
					h.c.WriteAt(at, held)
					held = nil
				}
				h.c.RunTo(h.next)
				h.pump()
			}
			h.bounded(began)
			if s := h.status(); s.State != seatlink.StateArmed || s.Faults != 0 {
				h.t.Errorf("state %v, faults %v", s.State, s.Faults)
			}
			h.t.Logf("late %d, refused %d", h.status().Late, h.status().Refused)
			h.rest()
			h.during(300 * ms)
			h.known()
		})
	}
}

// testLostSteps: the driver loses steps without an alarm. When the home switch is passed at the wrong count, it is a fault.
func testLostSteps(h *host) {
	edge := float64(h.c.Firmware.Wiring.Axes[0].HomeEdge) / h.c.Firmware.Wiring.Axes[0].StepsPerUnit
	h.arm()
	h.sway([2]float64{edge - 10*degree, 6 * degree}, [2]float64{1, 1.3})
	h.during(1600 * ms)
	if s := h.status(); s.State != seatlink.StateArmed || s.Faults != 0 {
		h.t.Fatalf("passing the switch in order made it %v, faults %v", s.State, s.Faults)
	}
	h.c.Lose(0, int(stepsOf(h, 0, 8*degree)))
	h.await(seatlink.StateFault, 4*time.Second)
	if s := h.status(); s.Faults != seatlink.FaultHomeEdge || s.Flags&seatlink.FlagHomed != 0 {
		h.t.Errorf("faults %v, flags %b", s.Faults, s.Flags)
	}
	h.during(300 * ms)
	h.want(plain(seatlink.TypeReset), seatlink.ResultOK)
	h.await(seatlink.StateDisarmed, 50*ms)
}

// testArming goes through everything that must not arm.
func testArming(h *host) {
	h.rest()
	at := h.path(0)
	h.path = nil
	h.still("refused arming", func() {
		h.want(h.armFrame(false), seatlink.ResultStale) // no setpoints yet
		h.path = func(time.Duration) [2]float64 { return at }
		h.during(300 * ms)
		h.want(h.armFrame(false), seatlink.ResultStale) // not for long enough
		h.during(300 * ms)
		old := h.status().Nonce
		wrong := h.armFrame(false)
		wrong.Hash ^= 1
		h.want(wrong, seatlink.ResultHash)
		stale := h.armFrame(false)
		stale.Nonce = old
		h.want(stale, seatlink.ResultNonce)
		short := h.armFrame(false)
		short.Period = 499
		h.want(short, seatlink.ResultValue)
		h.last = [2]float64{at[0] + 0.6*degree, at[1]}
		h.path = func(time.Duration) [2]float64 { return [2]float64{at[0] + 0.6*degree, at[1]} }
		h.during(20 * ms)
		h.want(h.armFrame(false), seatlink.ResultFar)
		h.path = func(time.Duration) [2]float64 { return at }
		h.during(20 * ms)
		// A frame with the right CRC but flags from the future is dropped whole.
		n := len(h.results)
		h.send(&raw{seatlink.TypeArm, append((h.armFrame(false)).MarshalAppend(nil)[:10], 2)})
		h.during(20 * ms)
		if len(h.results) != n {
			h.t.Error("an ARM with unknown flags was answered")
		}
	})
	// Every other state, by its table: here DISARMED after a reset is in testPortOpened, HELD in testLinkCut.
	recorded := h.armFrame(false)
	h.want(recorded, seatlink.ResultOK)
	h.await(seatlink.StateArmed, 50*ms)
	h.want(plain(seatlink.TypeDisarm), seatlink.ResultOK)
	h.await(seatlink.StateReady, 100*ms)
	h.during(600 * ms)
	h.still("an old recording", func() {
		h.want(recorded, seatlink.ResultNonce)
		h.during(20 * ms)
	})
	if s := h.status(); s.State != seatlink.StateReady {
		h.t.Errorf("an old recording made it %v", s.State)
	}
}

// raw is a payload as it is.
type raw struct {
	kind    seatlink.Type
	payload []byte
}

func (r *raw) Type() seatlink.Type             { return r.kind }
func (r *raw) MarshalAppend(dst []byte) []byte { return append(dst, r.payload...) }
func (r *raw) Unmarshal([]byte) error          { return nil }

// testTighten: limits only get tighter, and are held.
func testTighten(h *host) {
	l := h.limits[0]
	for _, wider := range []func(l *seatlink.AxisLimits){
		func(l *seatlink.AxisLimits) { l.Low-- },
		func(l *seatlink.AxisLimits) { l.High++ },
		func(l *seatlink.AxisLimits) { l.Park++ },
		func(l *seatlink.AxisLimits) { l.Speed++ },
		func(l *seatlink.AxisLimits) { l.ReducedSpeed++ },
		func(l *seatlink.AxisLimits) { l.Acceleration++ },
		func(l *seatlink.AxisLimits) { l.Jerk++ },
		func(l *seatlink.AxisLimits) { l.Low, l.High = 100_000_000, 200_000_000 }, // park and position outside
	} {
		w := l
		wider(&w)
		h.want(&seatlink.Limits{Axis: 0, Limits: w, Tighten: true}, seatlink.ResultValue)
	}
	if s := h.fresh(); s.Hash != h.hash {
		h.t.Fatalf("refused limits changed the hash")
	}
	tight := l
	tight.High, tight.Speed = 5_000_0000, l.Speed/2
	h.want(&seatlink.Limits{Axis: 0, Limits: tight, Tighten: true}, seatlink.ResultOK)
	mine := h.limits
	mine[0] = tight
	if s := h.fresh(); s.Hash != seatlink.Hash(h.axes, &mine) {
		h.t.Errorf("hash in force %08x, want %08x", s.Hash, seatlink.Hash(h.axes, &mine))
	}
	if got := h.readLimits(0); got != tight {
		h.t.Errorf("limits in force %+v, want %+v", got, tight)
	}
	h.want(&seatlink.Limits{Axis: 0, Limits: l, Tighten: true}, seatlink.ResultValue)
	h.rest()
	h.during(520 * ms)
	h.want(h.armFrame(false), seatlink.ResultHash) // the hash of before
	h.hash = seatlink.Hash(h.axes, &mine)
	h.want(h.armFrame(false), seatlink.ResultOK)
	// Beyond the new travel a setpoint is refused, and so feeds nothing.
	before := h.status().Refused
	h.path = func(time.Duration) [2]float64 { return [2]float64{0.06, 0} }
	h.during(50 * ms)
	if s := h.fresh(); s.Refused == before || s.Flags&seatlink.FlagLate == 0 {
		h.t.Errorf("refused %d, flags %b", s.Refused-before, s.Flags)
	}
	h.await(seatlink.StateHeld, 300*ms)
	h.c.Reset()
	h.path = nil
	h.during(200 * ms)
	if s := h.fresh(); s.Hash != seatlink.Hash(h.axes, &h.limits) {
		h.t.Error("tightened limits outlast a reset")
	}
}

// testStop stops in motion, and parks when asked.
func testStop(h *host) {
	h.want(plain(seatlink.TypeStop), seatlink.ResultOK)
	h.await(seatlink.StateHeld, 500*ms)
	h.during(20 * ms)
	h.still("held", func() { h.during(200 * ms) })
	for i := range 2 {
		if !h.c.Crank(i).Held {
			h.t.Errorf("axis %d: HELD, and the driver is not enabled", i)
		}
	}
	began := h.next
	h.want(plain(seatlink.TypePark), seatlink.ResultOK)
	h.await(seatlink.StateReady, 3*time.Second)
	h.known()
	for i := range 2 {
		track := h.history(i)
		most := stepsOf(h, i, float64(h.limits[i].ReducedSpeed)*1e-6) * 0.020
		if got := track.fastest(began, h.next, 20*ms); float64(got) > most*1.05+1 {
			h.t.Errorf("axis %d parked with %d steps in 20 ms, its reduced speed allows %.1f", i, got, most)
		}
	}
	h.clean()
}
