// Package loop wakes a function at a constant rate, by absolute deadlines.
//
// A late wake-up is not made up for: deadlines that have passed are skipped and counted, so that the seat never
// replays the past as speed. Between wake-ups the loop's thread sleeps in the kernel; on Linux by a raw
// clock_nanosleep, which keeps the goroutine's place in the scheduler, elsewhere by time.Sleep.
package loop

import (
	"context"
	"runtime"
	"time"
)

// Timing is what a loop has to say about its own punctuality.
type Timing struct {
	Ticks   uint64        // run so far
	Skipped uint64        // deadlines that had passed before the tick could run
	Late    time.Duration // how late the last tick began
}

// Loop calls a function at each deadline.
type Loop struct {
	Period time.Duration
	// RealTime asks the operating system for a real-time priority. Where it is refused the loop runs without.
	RealTime bool
}

// Run calls tick until ctx ends or tick returns false. It locks its goroutine to a thread. granted says whether a
// real-time priority was given, and is called once before the first tick.
func (l Loop) Run(ctx context.Context, granted func(error), tick func(Timing) bool) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if l.RealTime {
		lower, err := raisePriority()
		defer lower()
		granted(err)
	}
	var timing Timing
	done := ctx.Done()
	clock := newClock()
	next := clock.now() + int64(l.Period)
	for {
		clock.sleepUntil(next)
		select {
		case <-done:
			return
		default:
		}
		now := clock.now()
		timing.Late = time.Duration(now - next)
		if !tick(timing) {
			return
		}
		timing.Ticks++
		next += int64(l.Period)
		if now = clock.now(); now >= next {
			behind := (now-next)/int64(l.Period) + 1
			timing.Skipped += uint64(behind)
			next += behind * int64(l.Period)
		}
	}
}
