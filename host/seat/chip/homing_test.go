package chip_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"perch/host/seat/chip"
	"perch/proto/seatlink"
)

// quick is a header whose search is faster, so that many homings fit into a test; PERCH_LONG takes the one that is shipped.
func quick(t *testing.T) *chip.Firmware {
	if long() {
		return chip.Build(t)
	}
	return chip.Build(t, "ENABLE_SETTLE_MS=50", "HOME_FAST=SPEED(60000)", "HOME_RAMP=ACCELERATION(600000)", "HOME_SLOW=SPEED(16000)")
}

// TestHomingFromNineStarts homes from both sides of the switches, from on them, and from beyond the ends of the travel.
func TestHomingFromNineStarts(t *testing.T) {
	t.Parallel()
	f := quick(t)
	c := f.Start(t)
	h := meet(t, c)
	w := f.Wiring.Axes
	low := func(i int) int64 { return w[i].OverLow + (w[i].OverHigh-w[i].OverLow)/60 }
	high := func(i int) int64 { return w[i].OverHigh - (w[i].OverHigh-w[i].OverLow)/60 }
	lowest, highest := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, s := range []struct {
		name string
		at   [2]int64
	}{
		{"both below", [2]int64{w[0].HomeEdge - 700, w[1].HomeEdge - 700}},
		{"both above", [2]int64{w[0].HomeEdge + 700, w[1].HomeEdge + 700}},
		{"one below, one above", [2]int64{w[0].HomeEdge - 300, w[1].HomeEdge + 900}},
		{"both at the edge", [2]int64{w[0].HomeEdge, w[1].HomeEdge}},
		{"either side of the edge", [2]int64{w[0].HomeEdge + 1, w[1].HomeEdge - 1}},
		{"both at the low end", [2]int64{low(0), low(1)}},
		{"both at the high end", [2]int64{high(0), high(1)}},
		{"at different ends", [2]int64{low(0), high(1)}},
		{"one at the edge, one at an end", [2]int64{w[0].HomeEdge + 1, high(1)}},
	} {
		h.try(s.name, func(h *host) {
			for i, at := range s.at {
				h.c.Turn(i, at)
			}
			began := h.c.Now()
			h.home(60 * time.Second)
			h.t.Logf("took %v", h.c.Now()-began)
			h.found(2)
			for i, o := range h.offset {
				lowest[i], highest[i] = min(lowest[i], o), max(highest[i], o)
				if k := h.c.Crank(i); math.Abs(float64(k.At)-stepsOf(h, i, float64(h.limits[i].Park)*1e-9)) > 3 {
					h.t.Errorf("axis %d parked at %d", i, k.At)
				}
			}
			h.timing()
		})
	}
	for i := range lowest {
		// Less than 0.1 degrees of the crank is asked for at commissioning; common practice, no source.
		if spread := highest[i] - lowest[i]; spread > stepsOf(h, i, 0.1*degree) {
			h.t.Errorf("axis %d: its place differs by %.2f steps from start to start", i, spread)
		}
	}
	for _, stuck := range []struct {
		name   string
		closed bool
	}{{"stuck closed", true}, {"stuck open", false}} {
		h.try(stuck.name, func(h *host) {
			in := w[0].Home
			level := in.Active
			if !stuck.closed {
				level = 1 - in.Active
			}
			h.c.Pin(in.Pin, level)
			// From the end that lets it search over the whole travel before the over-travel switch.
			h.c.Turn(0, map[bool]int64{true: low(0), false: high(0)}[stuck.closed != w[0].HomeAbove])
			h.want(plain(seatlink.TypeHome), seatlink.ResultOK)
			h.await(seatlink.StateFault, 60*time.Second)
			if s := h.status(); s.Faults != seatlink.FaultHoming || s.Flags&seatlink.FlagHomed != 0 {
				h.t.Errorf("faults %v, flags %b", s.Faults, s.Flags)
			}
			h.during(200 * ms)
			h.still("after the fault", func() { h.during(200 * ms) })
			travel := stepsOf(h, 0, float64(h.limits[0].High-h.limits[0].Low)*1e-9)
			if k := h.c.Crank(0); math.Abs(float64(k.Steps)) > travel*1.2 {
				h.t.Errorf("it searched over %d steps; the travel is %.0f", k.Steps, travel)
			}
			h.want(h.armFrame(false), seatlink.ResultState)
			h.c.Free(in.Pin)
			h.want(plain(seatlink.TypeReset), seatlink.ResultOK)
			h.await(seatlink.StateDisarmed, 50*ms)
			h.want(h.armFrame(false), seatlink.ResultNotHomed)
		})
	}
	h.try("stopped", func(h *host) {
		h.want(plain(seatlink.TypeHome), seatlink.ResultOK)
		h.during(300 * ms)
		h.want(plain(seatlink.TypeStop), seatlink.ResultOK)
		h.await(seatlink.StateDisarmed, 500*ms)
		h.still("stopped while homing", func() { h.during(200 * ms) })
	})
	t.Logf("%v simulated", c.Simulated())
}

// TestHomingByHand: no switches; an operator levels the seat without power and says so. It lapses with each loss of power.
func TestHomingByHand(t *testing.T) {
	t.Parallel()
	f := chip.Build(t, "HOMING=HOMING_BY_HAND", "ENABLE_SETTLE_MS=50")
	c := f.Start(t)
	h := meet(t, c)
	h.want(h.armFrame(false), seatlink.ResultNotHomed)
	h.home(5 * time.Second)
	h.found(1)
	h.arm()
	h.sway([2]float64{10 * degree, 6 * degree}, [2]float64{0.5, 0.7})
	h.during(800 * ms)
	h.want(plain(seatlink.TypeStop), seatlink.ResultOK)
	h.await(seatlink.StateHeld, 500*ms)
	h.path = nil
	h.try("supply", func(h *host) {
		h.c.Supply(false)
		h.await(seatlink.StateSupplyOff, 50*ms)
		h.c.Supply(true)
		h.during(50 * ms)
		h.want(plain(seatlink.TypeReset), seatlink.ResultOK)
		h.await(seatlink.StateDisarmed, 50*ms)
		if s := h.fresh(); s.Flags&seatlink.FlagHomed != 0 {
			h.t.Error("homed after the supply was lost")
		}
		h.want(h.armFrame(false), seatlink.ResultNotHomed)
	})
	h.try("alarm", func(h *host) {
		// The drivers held all the time, so nobody can have levelled the seat.
		h.c.Alarm(0, true)
		h.await(seatlink.StateFault, 50*ms)
		h.c.Alarm(0, false)
		h.during(50 * ms)
		h.want(plain(seatlink.TypeReset), seatlink.ResultOK)
		h.await(seatlink.StateDisarmed, 50*ms)
		h.want(plain(seatlink.TypeHome), seatlink.ResultState)
	})
	h.try("park", func(h *host) {
		h.want(plain(seatlink.TypePark), seatlink.ResultOK)
		h.await(seatlink.StateReady, 5*time.Second)
		h.known()
	})
	t.Logf("%v simulated", c.Simulated())
}

// TestTwoRunsAreTheSame: the same bytes at the same cycles give the same edges and bytes at the same cycles.
func TestTwoRunsAreTheSame(t *testing.T) {
	t.Parallel()
	f := quick(t)
	var hashes [2]string
	for run := range hashes {
		c := f.Start(t, nearEdge(f, 40)...)
		h := meet(t, c)
		h.want(plain(seatlink.TypeHome), seatlink.ResultOK)
		h.during(400 * ms)
		if c.Crank(0).Edges == 0 {
			t.Fatal("it has not moved")
		}
		hashes[run] = fmt.Sprintf("%+v", c.Counts())
	}
	t.Log(hashes[0])
	if hashes[0] != hashes[1] {
		t.Errorf("two runs differ:\n%s\n%s", hashes[0], hashes[1])
	}
}

// TestLongRide rides for ten minutes: no step is lost or added.
func TestLongRide(t *testing.T) {
	chip.Require(t)
	if !long() {
		t.Skip("set PERCH_LONG to ride for ten minutes")
	}
	f := chip.Build(t)
	c := f.Start(t, nearEdge(f, 100)...)
	h := meet(t, c)
	h.home(20 * time.Second)
	h.found(2)
	h.arm()
	c.Show(false, true)
	began := h.c.Now()
	h.sway([2]float64{20 * degree, 12 * degree}, [2]float64{0.8, 1.3})
	for range 600 {
		h.during(time.Second)
		h.sent, h.statuses = nil, nil
	}
	h.rest()
	h.during(300 * ms)
	if s := h.status(); s.State != seatlink.StateArmed || s.Faults != 0 {
		t.Errorf("state %v, faults %v", s.State, s.Faults)
	}
	h.clean()
	h.known()
	h.timing()
	k := [2]chip.Crank{c.Crank(0), c.Crank(1)}
	t.Logf("rode for %v: %d and %d steps, %d bytes in, %d setpoints; %.2f and %.2f steps off, after homing %.2f and %.2f; stack left %d", c.Now()-began,
		k[0].Edges, k[1].Edges, c.Counts().In, uint64(c.Now()-began)/uint64(h.period), h.off()[0], h.off()[1], h.offset[0], h.offset[1], c.StackLeft())
}
