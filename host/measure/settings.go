package measure

import (
	"time"

	"perch/host/ride"
)

// Settings say what to measure.
type Settings struct {
	Program  string        // the perch binary
	Length   time.Duration // of the slices together
	Rate     float64       // of the loop, Hz
	Allocs   float64       // allocations a tick of the configured chain, as the caller found it
	Progress func(string)  // a line at a time
}

// Probed is what `perch run --probe` leaves in its file.
type Probed struct {
	Late  []time.Duration
	Waits []ride.Waited
	Delay float64 // s
}
