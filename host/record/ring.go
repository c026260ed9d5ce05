// Package record writes what a ride did, without the ride waiting for it.
//
// The loop puts rows and states into rings; one goroutine takes them out and writes the trace (CSV) and the
// recording (package sdk/recording). What found a ring full is counted, and the count is written too.
package record

import "sync/atomic"

// Ring carries values from one goroutine to one other and never makes the first wait: when it is full the new
// value is dropped and counted. Put allocates nothing.
type Ring[T any] struct {
	slots   []T
	written atomic.Uint64
	read    atomic.Uint64
	dropped atomic.Uint64
}

// NewRing makes a ring of at least n values.
func NewRing[T any](n int) *Ring[T] {
	size := 1
	for size < n {
		size *= 2
	}
	return &Ring[T]{slots: make([]T, size)}
}

// Put copies a value in, or drops it and says so.
func (r *Ring[T]) Put(v *T) bool {
	w := r.written.Load()
	if w-r.read.Load() == uint64(len(r.slots)) {
		r.dropped.Add(1)
		return false
	}
	r.slots[w&uint64(len(r.slots)-1)] = *v
	r.written.Store(w + 1)
	return true
}

// Take copies the oldest value out.
func (r *Ring[T]) Take(v *T) bool {
	n := r.read.Load()
	if n == r.written.Load() {
		return false
	}
	*v = r.slots[n&uint64(len(r.slots)-1)]
	r.read.Store(n + 1)
	return true
}

// Peek is the oldest value, left in place until the next Take. It is nil when there is none.
func (r *Ring[T]) Peek() *T {
	n := r.read.Load()
	if n == r.written.Load() {
		return nil
	}
	return &r.slots[n&uint64(len(r.slots)-1)]
}

// Dropped counts the values that found the ring full.
func (r *Ring[T]) Dropped() uint64 { return r.dropped.Load() }
