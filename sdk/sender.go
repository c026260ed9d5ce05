package sdk

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"perch/sdk/vehicle"
)

// outboxSize is how many states wait for a slow host: a third of a second at 50 Hz.
const outboxSize = 16

// heartbeat is how often an absent source says so.
const heartbeat = 500 * time.Millisecond

// Sender takes the states of one stream. Its methods never block and may be called from several goroutines.
//
// While the host is slow a few states wait. When there are too many, the oldest is merged into the one after it:
// signals that the later one has win, signals that only the older one has are carried over, and the mark of a
// discontinuity stays. So a source that sends its signals in turns loses no kind of them to a slow host.
type Sender struct {
	log   *slog.Logger
	now   func() time.Time
	ready chan struct{} // holds one when there is something to take

	mu     sync.Mutex
	box    [outboxSize]vehicle.State
	first  int // index of the oldest
	count  int
	last   int64 // source time of the last state
	absent bool  // whether the last word was Absent
	merged uint64
	closed bool
}

func newSender(log *slog.Logger) *Sender {
	return &Sender{log: log, now: time.Now, ready: make(chan struct{}, 1), absent: true}
}

// Send gives one state to the host. The state is copied; the elements of Extra are shared and must not change any
// more. A state without ObservedAt gets the time of this call: set it from the moment of receiving where decoding
// takes long.
func (o *Sender) Send(s *vehicle.State) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed {
		return
	}
	o.absent = s.Condition == vehicle.Absent
	o.last = s.SourceTime
	o.put(s)
}

// Absent tells the host that there is no source at present. The Sender repeats it twice a second until the next Send;
// until the first Send it is said without being asked.
func (o *Sender) Absent() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed || o.absent {
		return
	}
	o.absent = true
	o.put(&vehicle.State{SourceTime: o.last, Condition: vehicle.Absent})
}

// Log is for what an operator or the author should know; it reaches the host's log. Attributes are kept.
func (o *Sender) Log() *slog.Logger { return o.log }

// put is called under the lock.
func (o *Sender) put(s *vehicle.State) {
	if o.count == outboxSize {
		oldest := &o.box[o.first]
		next := &o.box[(o.first+1)%outboxSize]
		next.Carry(oldest)
		oldest.Extra = nil
		o.first = (o.first + 1) % outboxSize
		o.count--
		o.merged++
	}
	at := &o.box[(o.first+o.count)%outboxSize]
	*at = *s
	if at.ObservedAt == 0 {
		at.ObservedAt = o.now().UnixNano()
	}
	o.count++
	select {
	case o.ready <- struct{}{}:
	default:
	}
}

// take takes the oldest state.
func (o *Sender) take(s *vehicle.State) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.count == 0 {
		return false
	}
	*s = o.box[o.first]
	o.box[o.first].Extra = nil
	o.first = (o.first + 1) % outboxSize
	o.count--
	return true
}

// beat puts another absent state where the last word was Absent and nothing waits.
func (o *Sender) beat() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.closed && o.absent && o.count == 0 {
		o.put(&vehicle.State{SourceTime: o.last, Condition: vehicle.Absent})
	}
}

// close ends the taking of states and gives how many were merged.
func (o *Sender) close() uint64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.closed = true
	return o.merged
}

// pump hands states to deliver until done is closed or deliver fails. What still waits when done is closed is
// delivered too.
func (o *Sender) pump(ctx context.Context, done <-chan struct{}, deliver func(*vehicle.State) error) error {
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	var s vehicle.State
	o.beat()
	for {
		for o.take(&s) {
			if err := deliver(&s); err != nil {
				return err
			}
		}
		select {
		case <-o.ready:
		case <-beat.C:
			o.beat()
		case <-ctx.Done():
			return ctx.Err()
		case <-done:
			for o.take(&s) {
				if err := deliver(&s); err != nil {
					return err
				}
			}
			return nil
		}
	}
}
