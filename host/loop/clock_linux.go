package loop

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"
)

// clock reads and sleeps on CLOCK_MONOTONIC. Its timespecs live here, so that a tick allocates nothing.
type clock struct {
	read, until unix.Timespec
}

func newClock() *clock { return &clock{} }

func (c *clock) now() int64 {
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &c.read) // cannot fail for this clock
	return c.read.Nano()
}

// sleepUntil sleeps to an absolute time. The raw call does not tell the scheduler that it blocks, so that the
// goroutine need not wait for a place to come back to; signals end it early and it goes on.
func (c *clock) sleepUntil(deadline int64) {
	c.until = unix.NsecToTimespec(deadline)
	for c.now() < deadline {
		const absolute = 1 // TIMER_ABSTIME
		_, _, errno := unix.RawSyscall6(unix.SYS_CLOCK_NANOSLEEP, unix.CLOCK_MONOTONIC, absolute,
			uintptr(unsafe.Pointer(&c.until)), 0, 0, 0)
		if errno != 0 && errno != unix.EINTR {
			return
		}
	}
}

// raisePriority gives the calling thread a real-time priority, and a function that takes it back.
func raisePriority() (lower func(), err error) {
	set := func(policy uint32, priority uint32) error {
		attr := unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: policy, Priority: priority}
		return unix.SchedSetAttr(0, &attr, 0)
	}
	if err := set(unix.SCHED_FIFO, 50); err != nil {
		return func() {}, fmt.Errorf("real-time priority refused: %w; the loop runs without it; allow it with CAP_SYS_NICE or an rtprio limit", err)
	}
	return func() { _ = set(unix.SCHED_NORMAL, 0) }, nil
}
