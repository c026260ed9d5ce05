// Package source decides which source moves the seat, whether it is fresh, and how one gives way to another.
package source

import (
	"sync/atomic"

	"perch/sdk/vehicle"
)

const (
	depth   = 64        // states waiting
	buffers = depth + 2 // and one being filled, one being taken
	loop    = 128       // cells of the free list; a power of two not less than buffers
)

// Queue carries states from the one goroutine that receives them to the one that runs the loop. It holds 64; a
// state pushed into a full one takes the place of the oldest, which is counted, so that the producer never waits
// and a burst never makes the seat follow the past. It takes no locks and allocates nothing after NewQueue.
//
// States lie in buffers that are handed round by number, so that no buffer is ever read and written at once: the
// two ends compete only for the oldest number, with one compare-and-swap.
type Queue struct {
	cells   [depth]atomic.Uint32
	_       [64]byte
	head    atomic.Uint64 // oldest number waiting
	_       [64]byte
	tail    atomic.Uint64 // written by the producer
	dropped atomic.Uint64

	free     [loop]uint32 // numbers given back by the consumer
	_        [64]byte
	freeTail atomic.Uint64 // written by the consumer
	_        [64]byte
	freeHead uint64 // the producer's
	spare    uint32 // the producer's: a number it took from the head
	hasSpare bool

	states [buffers]vehicle.State
}

// NewQueue makes an empty queue.
func NewQueue() *Queue {
	q := &Queue{}
	for i := range uint32(buffers) {
		q.free[i] = i
	}
	q.freeTail.Store(buffers)
	return q
}

// Push puts a copy of a state at the end. It belongs to the producer.
func (q *Queue) Push(s *vehicle.State) {
	var n uint32
	if q.hasSpare {
		n, q.hasSpare = q.spare, false
	} else {
		// At most 64 numbers wait and one is with the consumer: one of 66 is always given back.
		if q.freeTail.Load() == q.freeHead {
			q.dropped.Add(1) // two producers: the caller's mistake, and no reason to stop
			return
		}
		n = q.free[q.freeHead%loop]
		q.freeHead++
	}
	q.states[n] = *s
	t := q.tail.Load()
	for t-q.head.Load() >= depth && !q.hasSpare {
		q.dropOldest()
	}
	q.cells[t%depth].Store(n)
	q.tail.Store(t + 1)
}

// dropOldest takes the oldest number for the producer, unless the consumer is quicker.
func (q *Queue) dropOldest() {
	h := q.head.Load()
	if h == q.tail.Load() {
		return
	}
	n := q.cells[h%depth].Load()
	if q.head.CompareAndSwap(h, h+1) {
		q.spare, q.hasSpare = n, true
		q.dropped.Add(1)
	}
}

// Pop takes the oldest state, and says whether there was one. It belongs to the consumer.
func (q *Queue) Pop(s *vehicle.State) bool {
	for {
		h := q.head.Load()
		if h == q.tail.Load() {
			return false
		}
		n := q.cells[h%depth].Load()
		if !q.head.CompareAndSwap(h, h+1) {
			continue // the producer dropped it
		}
		*s = q.states[n]
		t := q.freeTail.Load()
		q.free[t%loop] = n
		q.freeTail.Store(t + 1)
		return true
	}
}

// Dropped is how many states were never seen. Any goroutine may ask.
func (q *Queue) Dropped() uint64 { return q.dropped.Load() }
