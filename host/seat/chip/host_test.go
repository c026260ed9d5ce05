package chip_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"perch/host/seat/chip"
	"perch/proto/seatlink"
)

const ms = time.Millisecond

// host is the other end of the link, in the chip's time.
type host struct {
	t      *testing.T
	c      *chip.Chip
	enc    seatlink.Encoder
	period time.Duration
	next   time.Duration // when the next setpoint is due

	axes   seatlink.Axes
	limits [seatlink.MaxAxes]seatlink.AxisLimits
	hash   uint32

	path     func(t time.Duration) [2]float64 // rad; nil: no setpoints
	last     [2]float64                       // rad, as sent
	lastV    [2]float64
	sent     []sent
	garble   func(frame []byte) []byte // what the line makes of each setpoint
	results  map[uint16]seatlink.Result
	statuses []status
	edges    []chip.Edge
	offset   [2]float64 // what STATUS said more than the crank, after homing, in steps
}

// sent is a setpoint as it went out.
type sent struct {
	at       time.Duration
	sequence uint16
	x, v, a  [2]float64
}

type status struct {
	at time.Duration
	seatlink.Status
}

// meet starts a conversation: the chip has booted, HELLO and limits are known.
func meet(t *testing.T, c *chip.Chip) *host {
	t.Helper()
	h := &host{t: t, c: c, period: 2 * ms, results: make(map[uint16]seatlink.Result)}
	c.RunFor(100 * ms)
	h.next = c.Now()
	c.Write([]byte{seatlink.Delimiter})
	before := 0
	_, before = c.Hello()
	h.send(&seatlink.HelloRequest{Highest: 1, Lowest: 1})
	h.wait(100*ms, "HELLO", func() bool { _, n := c.Hello(); return n > before })
	hello, _ := c.Hello()
	h.axes, h.hash = hello.Axes, hello.Hash
	if h.axes != (seatlink.Axes{N: 2}) {
		t.Fatalf("the firmware has %+v, these tests are for two turning axes", h.axes)
	}
	for i := range h.axes.N {
		h.limits[i] = h.readLimits(i)
	}
	if got := seatlink.Hash(h.axes, &h.limits); got != h.hash || hello.OwnHash != h.hash {
		t.Fatalf("hash of the limits that were read is %08x, HELLO says stored %08x, in force %08x", got, hello.OwnHash, h.hash)
	}
	return h
}

func (h *host) readLimits(axis int) (l seatlink.AxisLimits) {
	h.t.Helper()
	h.send(&seatlink.LimitsRead{Axis: uint8(axis)})
	for range 50 {
		h.c.RunFor(ms)
		for _, f := range h.c.Frames() {
			if f.Type != seatlink.TypeLimits {
				continue
			}
			var m seatlink.Limits
			if err := m.Unmarshal(f.Payload); err != nil || int(m.Axis) != axis {
				h.t.Fatalf("LIMITS %x: %v", f.Payload, err)
			}
			return m.Limits
		}
	}
	h.t.Fatalf("no LIMITS of axis %d", axis)
	return l
}

// try lets f do what it likes with a host that is forgotten afterwards.
func (h *host) try(name string, f func(h *host)) {
	h.t.Run(name, func(t *testing.T) {
		copied := *h
		copied.t = t
		copied.sent, copied.statuses, copied.edges = slices.Clip(h.sent), slices.Clip(h.statuses), slices.Clip(h.edges)
		copied.results = make(map[uint16]seatlink.Result)
		h.c.Try(t, func() { f(&copied) })
	})
}

// send sends a frame now and gives its number.
func (h *host) send(m seatlink.Message) uint16 {
	h.t.Helper()
	h.c.Write(h.enc.Append(nil, m))
	return h.enc.Sequence()
}

// pump takes what has come.
func (h *host) pump() {
	h.t.Helper()
	h.edges = append(h.edges, h.c.Edges()...)
	for _, f := range h.c.Frames() {
		switch f.Type {
		case seatlink.TypeResult:
			var a seatlink.Answer
			if err := a.Unmarshal(f.Payload); err != nil {
				h.t.Errorf("RESULT %x: %v", f.Payload, err)
			}
			h.results[a.Sequence] = a.Result
		case seatlink.TypeStatus:
			s := status{at: f.At}
			if s.Unmarshal(f.Payload) == nil {
				h.statuses = append(h.statuses, s)
			}
		}
	}
}

// tick is one period: a setpoint if there is a path, and the time until the next one.
func (h *host) tick() {
	h.t.Helper()
	if h.path != nil {
		h.c.WriteAt(h.next, h.frame(h.next))
	}
	h.next += h.period
	h.c.RunTo(h.next)
	h.pump()
}

// frame is the setpoint of time t, as the line carries it.
func (h *host) frame(t time.Duration) []byte {
	x := h.path(t)
	s := seatlink.Setpoint{Axes: h.axes}
	out := sent{at: t}
	T := h.period.Seconds()
	for i := range 2 {
		s.Position[i] = int32(math.Round(x[i] * 1e9))
		q := float64(s.Position[i]) * 1e-9
		v := (q - h.last[i]) / T
		a := (v - h.lastV[i]) / T
		s.Speed[i] = int32(math.Round(v * 1e6))
		s.Acceleration[i] = int16(math.Round(min(max(a/4e-3, math.MinInt16), math.MaxInt16)))
		h.last[i], h.lastV[i] = q, v
		out.x[i], out.v[i], out.a[i] = q, v, a
	}
	bytes := h.enc.Append(nil, &s)
	out.sequence = h.enc.Sequence()
	h.sent = append(h.sent, out)
	if h.garble != nil {
		bytes = h.garble(bytes)
	}
	return bytes
}

// during ticks for d.
func (h *host) during(d time.Duration) {
	h.t.Helper()
	for end := h.next + d; h.next < end; {
		h.tick()
	}
}

// wait ticks until ok, for most.
func (h *host) wait(most time.Duration, what string, ok func() bool) {
	h.t.Helper()
	for end := h.next + most; !ok(); h.tick() {
		if h.next >= end {
			s, _ := h.c.Status()
			h.t.Fatalf("at %v: no %s within %v; the controller is %v, faults %v, positions %v", h.c.Now(), what, most, s.State, s.Faults, s.Position[:2])
		}
	}
}

// ask sends a command and gives its RESULT.
func (h *host) ask(m seatlink.Message) seatlink.Result {
	h.t.Helper()
	nonce := h.status().Nonce
	n := h.send(m)
	h.wait(60*ms, m.Type().String()+"'s RESULT", func() bool { _, ok := h.results[n]; return ok })
	r := h.results[n]
	delete(h.results, n)
	if m.Type() == seatlink.TypeArm {
		h.wait(60*ms, "new nonce after ARM", func() bool { return h.status().Nonce != nonce })
	}
	return r
}

// want asks and insists on a result.
func (h *host) want(m seatlink.Message, r seatlink.Result) {
	h.t.Helper()
	if got := h.ask(m); got != r {
		h.t.Fatalf("at %v: %v: %v, want %v", h.c.Now(), m.Type(), got, r)
	}
}

func (h *host) status() seatlink.Status {
	s, _ := h.c.Status()
	return s
}

// fresh asks for a STATUS of now.
func (h *host) fresh() seatlink.Status {
	h.t.Helper()
	n := len(h.statuses)
	h.want(plain(seatlink.TypeStatusRequest), seatlink.ResultOK)
	h.wait(60*ms, "STATUS", func() bool { return len(h.statuses) > n })
	return h.status()
}

func plain(t seatlink.Type) *seatlink.Plain { return &seatlink.Plain{Kind: t} }

func (h *host) await(state seatlink.State, most time.Duration) {
	h.t.Helper()
	h.wait(most, "state "+state.String(), func() bool { return h.status().State == state })
}

// home homes; most is how long it may take.
func (h *host) home(most time.Duration) {
	h.t.Helper()
	h.want(plain(seatlink.TypeHome), seatlink.ResultOK)
	h.await(seatlink.StateHoming, 50*ms)
	h.await(seatlink.StateReady, most)
}

// found takes how well homing found the cranks' places, which is the firmware's only notion of them.
func (h *host) found(within float64) {
	h.t.Helper()
	h.offset = h.off()
	for i, o := range h.offset {
		if math.Abs(o) > within {
			h.t.Errorf("axis %d: homing found its place %.2f steps off", i, o)
		}
	}
}

// off is how many steps STATUS says more than the cranks are at.
func (h *host) off() (out [2]float64) {
	h.t.Helper()
	s := h.fresh()
	if s.Flags&seatlink.FlagHomed == 0 {
		h.t.Errorf("state %v, faults %v: not homed", s.State, s.Faults)
	}
	for i := range out {
		out[i] = stepsOf(h, i, float64(s.Position[i])*1e-9) - float64(h.c.Crank(i).At)
	}
	return out
}

// rest makes the path stand where the controller stands.
func (h *host) rest() {
	s := h.status()
	var at [2]float64
	for i := range at {
		at[i] = float64(s.Position[i]) * 1e-9
		h.last[i], h.lastV[i] = at[i], 0
	}
	h.next = h.c.Now()
	h.path = func(time.Duration) [2]float64 { return at }
}

func (h *host) armFrame(reduced bool) *seatlink.Arm {
	return &seatlink.Arm{Nonce: h.status().Nonce, Hash: h.hash, Period: uint16(h.period / time.Microsecond), Reduced: reduced}
}

// arm gives steady setpoints and arms.
func (h *host) arm() {
	h.t.Helper()
	h.rest()
	h.during(520 * ms)
	h.want(h.armFrame(false), seatlink.ResultOK)
	h.await(seatlink.StateArmed, 50*ms)
}

// sway rides sines of these amplitudes (rad) and frequencies (Hz) about where the path stands, faded in over a second by the
// quintic 10τ³ - 15τ⁴ + 6τ⁵.
func (h *host) sway(amplitude, frequency [2]float64) {
	from, began := h.last, h.next
	h.path = func(t time.Duration) (x [2]float64) {
		s := (t - began).Seconds()
		τ := min(s, 1)
		for i := range x {
			x[i] = from[i] + amplitude[i]*τ*τ*τ*(10+τ*(6*τ-15))*math.Sin(2*math.Pi*frequency[i]*s)
		}
		return x
	}
}

// steps is what the motors of an axis were told: the count after each step.
type steps struct {
	at    []time.Duration
	count []int64
}

// history is the steps of an axis since power on.
func (h *host) history(axis int) (out steps) {
	h.pump()
	w := h.c.Firmware.Wiring.Axes[axis]
	step, dir := "step"+string(rune('0'+axis)), "dir"+string(rune('0'+axis))
	level, count := 0, int64(0)
	for _, e := range h.edges {
		switch {
		case e.Name == dir:
			level = e.Level
		case e.Name == step && e.Level == 1:
			if level == w.Up {
				count++
			} else {
				count--
			}
			out.at, out.count = append(out.at, e.At), append(out.count, count)
		}
	}
	return out
}

// when is the count at a time.
func (s *steps) when(t time.Duration) int64 {
	n, _ := slices.BinarySearchFunc(s.at, t, func(a, b time.Duration) int {
		if a <= b {
			return -1
		}
		return 1
	})
	if n == 0 {
		return 0
	}
	return s.count[n-1]
}

// since is how many steps came after a time.
func (s *steps) since(t time.Duration) (n int) {
	for _, at := range s.at {
		if at > t {
			n++
		}
	}
	return n
}

// last is the time of the last step; none: zero.
func (s *steps) last() time.Duration {
	if len(s.at) == 0 {
		return 0
	}
	return s.at[len(s.at)-1]
}

// fastest is the most steps within any stretch of that length.
func (s *steps) fastest(from, to, stretch time.Duration) int {
	most, first := 0, 0
	for i, t := range s.at {
		for s.at[first] <= t-stretch {
			first++
		}
		if t >= from && t <= to {
			most = max(most, i-first+1)
		}
	}
	return most
}
