package ride

import (
	"sync"
	"time"

	"perch/host/record"
)

// Waited is how long a state waited for a tick.
type Waited struct {
	SourceTime int64         // of the state, ns
	Wait       time.Duration // from the adapter's message in the host to the tick that saw it
}

// Probe measures a ride from inside, for `perch measure`. It takes a fixed number of ticks and states and then no
// more, so that it allocates nothing while it measures.
type Probe struct {
	arrivals *record.Ring[arrival]
	began    time.Time

	mu     sync.Mutex
	late   []time.Duration // how late each tick began
	waits  []Waited
	delay  float64 // of the estimation, s, at the last tick
	pulled arrival
}

type arrival struct {
	sourceTime int64
	at         time.Duration
}

// NewProbe makes a probe for that many ticks and states.
func NewProbe(ticks, states int) *Probe {
	return &Probe{
		arrivals: record.NewRing[arrival](1024), began: time.Now(),
		late: make([]time.Duration, 0, ticks), waits: make([]Waited, 0, states),
	}
}

// arrived stamps a state as it reaches the host.
func (p *Probe) arrived(sourceTime int64) {
	p.arrivals.Put(&arrival{sourceTime, time.Since(p.began)})
}

// tick notes a tick that has just begun, and the states that it will see.
func (p *Probe) tick(late time.Duration, delay float64) {
	now := time.Since(p.began)
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.late) < cap(p.late) {
		p.late = append(p.late, late)
	}
	p.delay = delay
	for p.arrivals.Take(&p.pulled) {
		if len(p.waits) < cap(p.waits) {
			p.waits = append(p.waits, Waited{p.pulled.sourceTime, now - p.pulled.at})
		}
	}
}

// Read copies what was measured so far.
func (p *Probe) Read() (late []time.Duration, waits []Waited, delay float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append(late, p.late...), append(waits, p.waits...), p.delay
}
