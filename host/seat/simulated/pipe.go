package simulated

import (
	"io"
	"sync"
)

// lane carries bytes one way. Writes wait while it is full.
type lane struct {
	mu     sync.Mutex
	change *sync.Cond
	bytes  []byte
	closed bool
}

const laneMost = 1 << 14

func newLane() *lane {
	l := &lane{}
	l.change = sync.NewCond(&l.mu)
	return l
}

func (l *lane) read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.bytes) == 0 {
		if l.closed {
			return 0, io.EOF
		}
		l.change.Wait()
	}
	n := copy(p, l.bytes)
	l.bytes = l.bytes[:copy(l.bytes, l.bytes[n:])]
	l.change.Broadcast()
	return n, nil
}

func (l *lane) write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	done := 0
	for done < len(p) {
		for !l.closed && len(l.bytes) >= laneMost {
			l.change.Wait()
		}
		if l.closed {
			return done, io.ErrClosedPipe
		}
		n := min(len(p)-done, laneMost-len(l.bytes))
		l.bytes = append(l.bytes, p[done:done+n]...)
		done += n
		l.change.Broadcast()
	}
	return done, nil
}

func (l *lane) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.change.Broadcast()
}

// end is one end of a two-way, buffered connection in memory.
type end struct{ in, out *lane }

// Pipe gives the two ends of a connection in memory. Closing either closes both.
func Pipe() (a, b io.ReadWriteCloser) {
	x, y := newLane(), newLane()
	return &end{x, y}, &end{y, x}
}

// Read waits for bytes.
func (e *end) Read(p []byte) (int, error) { return e.in.read(p) }

// Write waits for room.
func (e *end) Write(p []byte) (int, error) { return e.out.write(p) }

// Close ends both directions.
func (e *end) Close() error {
	e.in.close()
	e.out.close()
	return nil
}
