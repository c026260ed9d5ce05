package loop_test

import (
	"context"
	"testing"
	"time"

	"perch/host/loop"
)

func TestALateTickIsSkippedNotReplayed(t *testing.T) {
	// Stalling for 20 periods must cost about 20 deadlines and cause no burst: every tick after it
	// still starts on or after its own deadline.
	const period = 2 * time.Millisecond
	var last loop.Timing
	loop.Loop{Period: period}.Run(t.Context(), nil, func(now loop.Timing) bool {
		if now.Late < 0 {
			t.Fatalf("tick %d began %v before its deadline", now.Ticks, -now.Late)
		}
		if now.Ticks == 3 {
			time.Sleep(20 * period)
		}
		last = now
		return now.Ticks < 20
	})
	if last.Skipped < 19 {
		t.Errorf("a stall of 20 periods skipped %d deadlines, want at least 19", last.Skipped)
	}
}

func TestRunEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	loop.Loop{Period: time.Millisecond}.Run(ctx, nil, func(now loop.Timing) bool {
		if now.Ticks == 5 {
			cancel()
		}
		if now.Ticks > 6 {
			t.Fatal("the loop ran on after its context ended")
		}
		return true
	})
}

func TestATickAllocatesNothing(t *testing.T) {
	allocs := testing.AllocsPerRun(1, func() {
		loop.Loop{Period: 100 * time.Microsecond}.Run(context.Background(), nil, func(now loop.Timing) bool { return now.Ticks < 1000 })
	})
	if allocs > 10 { // what a Run costs once, not a thousand times
		t.Errorf("1000 ticks made %.0f allocations", allocs)
	}
}
