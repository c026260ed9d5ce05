//go:build !linux

package loop

import (
	"errors"
	"time"
)

// clock reads and sleeps on Go's monotonic clock.
type clock struct{ started time.Time }

func newClock() *clock { return &clock{started: time.Now()} }

func (c *clock) now() int64 { return int64(time.Since(c.started)) }

func (c *clock) sleepUntil(deadline int64) { time.Sleep(time.Duration(deadline - c.now())) }

func raisePriority() (lower func(), err error) {
	return func() {}, errors.New("real-time priority: not supported on this system; the loop runs without it")
}
