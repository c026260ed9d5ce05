// Package measure finds out whether a machine's timing is good enough to ride with.
//
// It runs the program as it ships: MAVLink attitudes in datagrams go in, frames are read back and decoded from a
// pseudo-terminal, and the time until an attitude's effect first shows is what counts. Beside it, in alternating
// slices of the same run, a bare relay carries a datagram to a frame with no plugin and no chain, and a bare loop
// wakes at the same rate with the same sleep and priority: what they show is the machine's, the rest is ours.
package measure

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Latency describes a path, from a datagram sent to the frame in which its effect first shows.
type Latency struct {
	P50     float64 `json:"p50_us"`
	P99     float64 `json:"p99_us"`
	P999    float64 `json:"p999_us"`
	Samples int     `json:"samples"`
	Lost    int     `json:"lost"`
}

// Punctuality describes the loop and the bare loop beside it: how late ticks began.
type Punctuality struct {
	Rate          float64 `json:"rate_hz"`
	P50           float64 `json:"jitter_p50_us"`
	P99           float64 `json:"jitter_p99_us"`
	P999          float64 `json:"jitter_p999_us"`
	BareP50       float64 `json:"bare_p50_us"`
	BareP99       float64 `json:"bare_p99_us"`
	AllocsPerTick float64 `json:"allocs_per_tick"`
}

// Report is everything that was measured.
type Report struct {
	Full          Latency     `json:"full"`  // the program as it ships
	Path          Latency     `json:"path"`  // full without the wait for the next tick
	Relay         Latency     `json:"relay"` // a bare relay on the same kind of pseudo-terminal
	Loop          Punctuality `json:"loop"`
	EstimateDelay float64     `json:"estimate_delay_ms"`
	CPU           float64     `json:"cpu_percent"` // of one core, host and adapter
	RSS           float64     `json:"rss_mib"`     // of the host
	AdapterRSS    float64     `json:"adapter_rss_mib"`
	StartToMotion float64     `json:"start_to_motion_ms"`
	Verdict       string      `json:"verdict"`
}

// quantile is the q-quantile of sorted durations, in µs; 0 where there are none.
func quantile(sorted []time.Duration, q float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	at := min(int(q*float64(len(sorted))), len(sorted)-1)
	return float64(sorted[at]) / 1e3
}

// latency sums up samples.
func latency(samples []time.Duration, lost int) Latency {
	sorted := slices.Sorted(slices.Values(samples))
	return Latency{quantile(sorted, 0.5), quantile(sorted, 0.99), quantile(sorted, 0.999), len(sorted), lost}
}

// judge says in words whether the timing is good enough. The bounds are the seat link's own: a controller notes
// a setpoint that is 20 ms late and stops when none has come for 100 ms (proto/seatlink).
func (r *Report) judge() {
	var doubts []string
	if r.Full.Samples == 0 {
		doubts = append(doubts, "no attitude was seen to move the seat: nothing can be said")
	}
	if r.Full.P99 > 20e3 {
		doubts = append(doubts, fmt.Sprintf("one motion in a hundred takes more than %.0f ms: close other programs, or use a faster machine", r.Full.P99/1e3))
	}
	if r.Loop.P999 > 20e3 {
		doubts = append(doubts, fmt.Sprintf("one tick in a thousand begins %.0f ms late, which the controller will note: close other programs, or allow a real-time priority", r.Loop.P999/1e3))
	}
	if 2*r.Full.Lost > r.Full.Samples {
		doubts = append(doubts, "many motions never showed: see what else keeps this machine busy")
	}
	if len(doubts) == 0 {
		r.Verdict = "good enough: motion follows its source without a delay that a rider or the controller would notice"
		return
	}
	r.Verdict = "not good enough: " + strings.Join(doubts, "; ")
}

// Text is the report for people.
func (r *Report) Text() string {
	var b strings.Builder
	row := func(name string, l Latency) {
		fmt.Fprintf(&b, "  %-44s %8.0f %8.0f %8.0f  %5d %5d\n", name, l.P50, l.P99, l.P999, l.Samples, l.Lost)
	}
	fmt.Fprintf(&b, "from a datagram to the frame, µs %20s %8s %8s  %5s %5s\n", "p50", "p99", "p99.9", "n", "lost")
	row("full: as it ships", r.Full)
	row("path: without the wait for the next tick", r.Path)
	row("relay: a bare relay beside it", r.Relay)
	fmt.Fprintf(&b, "how late a tick begins at %g Hz, µs\n", r.Loop.Rate)
	fmt.Fprintf(&b, "  %-44s %8.0f %8.0f %8.0f\n", "the loop", r.Loop.P50, r.Loop.P99, r.Loop.P999)
	fmt.Fprintf(&b, "  %-44s %8.0f %8.0f\n", "a bare loop beside it", r.Loop.BareP50, r.Loop.BareP99)
	fmt.Fprintf(&b, "estimation adds %.1f ms; start to motion %.0f ms; %.3g allocations a tick\n", r.EstimateDelay, r.StartToMotion, r.Loop.AllocsPerTick)
	fmt.Fprintf(&b, "CPU %.1f %% of one core; memory: host %.0f MiB, adapter %.0f MiB\n", r.CPU, r.RSS, r.AdapterRSS)
	fmt.Fprintf(&b, "verdict: %s\n", r.Verdict)
	return b.String()
}
