package guard

import (
	"time"

	"golang.org/x/sys/unix"
)

// spent is this thread's time on the processor, so that other work on the machine does not count.
func spent() time.Duration {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &ts)
	return time.Duration(ts.Nano())
}
