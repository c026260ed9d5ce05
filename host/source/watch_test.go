package source

import (
	"testing"

	"pgregory.net/rapid"

	"perch/sdk/vehicle"
)

const tick = 0.002 // s

func state(seconds float64) *vehicle.State {
	s := &vehicle.State{SourceTime: int64(seconds * 1e9)}
	s.Put(vehicle.SpecificForceX, seconds)
	return s
}

// feed sends states every interval for a while and gives the last tick.
func feed(w *Watch, interval, from, until float64) uint64 {
	n := uint64(from / tick)
	next := from
	for ; float64(n)*tick < until; n++ {
		if float64(n)*tick >= next-1e-9 {
			w.Saw(state(next), n)
			next += interval
		}
		w.Step(n)
	}
	return n - 1
}

// Flagged at 2.5 median intervals and stale at 5, never under 0.1 s nor over 2 s.
func TestWatchThresholds(t *testing.T) {
	for _, c := range []struct {
		interval, flag, stale float64
	}{
		{0.01, 0.1, 0.1},
		{0.02, 0.1, 0.1},
		{0.03, 0.1, 0.15},
		{0.1, 0.25, 0.5},
		{0.25, 0.625, 1.25},
		{0.5, 1.25, 2},
		{1, 2, 2},
	} {
		w := NewWatch(tick)
		last := feed(w, c.interval, 0, 20*c.interval)
		age := w.Step(last).Age
		var late, stale float64
		for n := last; stale == 0; n++ {
			l := w.Step(n)
			if l.Condition == Late && late == 0 {
				late = l.Age
			}
			if l.Condition == Stale {
				stale = l.Age
			}
			if l.Age > 3 {
				t.Fatalf("interval %v: never stale", c.interval)
			}
		}
		if late == 0 {
			late = stale
		}
		if d := late - c.flag; d < -1e-9 || d > 2*tick {
			t.Errorf("interval %v: flagged at %v, want %v", c.interval, late, c.flag)
		}
		if d := stale - c.stale; d < -1e-9 || d > 2*tick {
			t.Errorf("interval %v: stale at %v, want %v", c.interval, stale, c.stale)
		}
		if r := w.Step(last).Rate; r < 0.9/c.interval || r > 1.1/c.interval {
			t.Errorf("interval %v: rate %v Hz, age at the end %v", c.interval, r, age)
		}
	}
}

func TestWatchIsNotFooled(t *testing.T) {
	for _, c := range []struct {
		name string
		send func(w *Watch, k int, n uint64) // k counts from 0, every 20 ms
		want Condition
	}{
		{"frozen sender", func(w *Watch, k int, n uint64) { w.Saw(state(1), n) }, Stale},
		{"old times", func(w *Watch, k int, n uint64) { w.Saw(state(1-0.001*float64(k%50)), n) }, Stale},
		{"creeping clock", func(w *Watch, k int, n uint64) {
			s := state(1)
			s.SourceTime += int64(k)
			w.Saw(s, n)
		}, Stale},
		{"frozen discontinuity", func(w *Watch, k int, n uint64) {
			s := state(1)
			s.Discontinuity = true
			w.Saw(s, n)
		}, Stale},
		{"empty states", func(w *Watch, k int, n uint64) {
			w.Saw(&vehicle.State{SourceTime: 1e9 + int64(k)*2e7}, n)
		}, Stale},
		{"other signals only", func(w *Watch, k int, n uint64) {
			s := &vehicle.State{SourceTime: 1e9 + int64(k)*2e7}
			s.Put(vehicle.EngineRPM, 2000)
			w.Saw(s, n)
		}, Stale},
		{"absent heartbeat", func(w *Watch, k int, n uint64) {
			w.Saw(&vehicle.State{SourceTime: 1e9 + int64(k)*2e7, Condition: vehicle.Absent}, n)
		}, Absent},
		{"paused heartbeat with signals", func(w *Watch, k int, n uint64) {
			s := state(1 + 0.02*float64(k))
			s.Condition = vehicle.Paused
			w.Saw(s, n)
		}, Paused},
		{"clumps of four", func(w *Watch, k int, n uint64) {
			if k%4 == 0 {
				for i := range 4 {
					w.Saw(state(1+0.02*float64(k+i)), n)
				}
			}
		}, Fresh},
		{"slow motion", func(w *Watch, k int, n uint64) { w.Saw(state(1+0.002*float64(k)), n) }, Fresh},
		{"began anew", func(w *Watch, k int, n uint64) { w.Saw(state(-50+0.02*float64(k)), n) }, Fresh},
		{"alive", func(w *Watch, k int, n uint64) { w.Saw(state(1+0.02*float64(k)), n) }, Fresh},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWatch(tick)
			feed(w, 0.02, 0, 1)
			var l Liveness
			for k := range 150 {
				n := uint64(500 + 10*k)
				c.send(w, k, n)
				l = w.Step(n)
			}
			if l.Condition != c.want {
				t.Errorf("%v of age %v, want %v", l.Condition, l.Age, c.want)
			}
		})
	}
}

func TestWatchComesBack(t *testing.T) {
	w := NewWatch(tick)
	if l := w.Step(0); l.Condition != Absent || l.Live() {
		t.Errorf("never heard of: %v", l.Condition)
	}
	feed(w, 0.02, 0, 1)
	w.Saw(&vehicle.State{Condition: vehicle.Paused}, 500)
	if l := w.Step(501); l.Condition != Paused || l.Live() {
		t.Errorf("paused: %v", l.Condition)
	}
	if l := w.Step(2000); l.Condition != Stale {
		t.Errorf("a pause of which nothing is heard: %v", l.Condition)
	}
	w.Saw(state(1.02), 2100) // its clock stood
	if l := w.Step(2100); l.Condition != Fresh || l.Age != 0 {
		t.Errorf("going on: %v of age %v", l.Condition, l.Age)
	}
}

// Whatever is sent, age never falls without a state, and a live condition is never older than 2 s.
func TestWatchProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := NewWatch(tick)
		n := uint64(0)
		for range rapid.IntRange(1, 200).Draw(t, "states") {
			n += uint64(rapid.IntRange(0, 300).Draw(t, "ticks"))
			before := w.Step(n)
			if before.Live() && before.Age > 2 {
				t.Fatalf("live at age %v", before.Age)
			}
			s := vehicle.State{
				SourceTime:    rapid.Int64().Draw(t, "time"),
				Condition:     vehicle.Condition(rapid.IntRange(0, 2).Draw(t, "condition")),
				Discontinuity: rapid.Bool().Draw(t, "jump"),
				Present:       vehicle.Set(rapid.Uint64().Draw(t, "present")),
			}
			w.Saw(&s, n)
			after := w.Step(n)
			if after.Age > before.Age {
				t.Fatalf("age rose from %v to %v", before.Age, after.Age)
			}
			if s.Condition != vehicle.Running && after.Live() {
				t.Fatalf("%v counts as live", s.Condition)
			}
		}
	})
}

func BenchmarkWatch(b *testing.B) {
	w := NewWatch(tick)
	s := state(0)
	b.ReportAllocs()
	for n := uint64(0); b.Loop(); n++ {
		s.SourceTime += 2e6
		w.Saw(s, n)
		w.Step(n)
	}
}
