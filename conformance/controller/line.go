package controller

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"
)

// Line carries bytes between the suite and a controller, and is the suite's only clock. The suite uses it from one
// goroutine.
type Line interface {
	// Now is the time since some fixed moment.
	Now() time.Duration
	// Write hands bytes to the controller.
	Write(p []byte) error
	// Read gives bytes as soon as there are some, with the time at which they came; none at the time until.
	Read(until time.Duration) (p []byte, at time.Duration, err error)
}

type chunk struct {
	bytes []byte
	at    time.Duration
	err   error
}

// portLine is a Line in real time. A goroutine reads so that a chunk's time is that of its arrival; another writes,
// since a port's Write may wait for ever.
type portLine struct {
	done  <-chan struct{}
	ended func() error
	start time.Time
	in    chan chunk
	out   chan []byte
	wrote chan error
	timer *time.Timer
}

// Open makes a line of a port, until ctx ends. The caller closes the port afterwards, which ends the line's goroutines.
func Open(ctx context.Context, port io.ReadWriter) Line {
	l := &portLine{done: ctx.Done(), ended: ctx.Err, start: time.Now(), in: make(chan chunk, 1024), out: make(chan []byte), wrote: make(chan error, 1),
		timer: time.NewTimer(time.Hour)}
	go func() {
		for {
			b := make([]byte, 512)
			n, err := port.Read(b) // a serial port gives 0 bytes and no error when its read times out
			if n > 0 || err != nil {
				select {
				case l.in <- chunk{b[:n], l.Now(), err}:
				case <-l.done:
					return
				}
			}
			if err != nil {
				return
			}
		}
	}()
	go func() {
		for p := range l.out {
			_, err := port.Write(p)
			l.wrote <- err
		}
	}()
	return l
}

// Now is the time since the line was made.
func (l *portLine) Now() time.Duration { return time.Since(l.start) }

// writeWithin is how long a port may take to take a few bytes.
const writeWithin = 2 * time.Second

var errStuck = errors.New("the port takes no bytes")

// Write waits until the port has taken the bytes. It works after the end of the context, so that a stop can be sent.
func (l *portLine) Write(p []byte) error {
	if l.out == nil {
		return errStuck
	}
	late := time.NewTimer(writeWithin)
	defer late.Stop()
	select {
	case l.out <- p:
	case <-late.C:
		return errStuck
	}
	select {
	case err := <-l.wrote:
		if err != nil {
			return fmt.Errorf("writing to the port: %w", err)
		}
		return nil
	case <-late.C:
		l.out = nil // its writer may never come back
		return errStuck
	}
}

// Read gives the next chunk.
func (l *portLine) Read(until time.Duration) ([]byte, time.Duration, error) {
	select {
	case c := <-l.in:
		return l.chunk(c)
	default:
	}
	if l.ended() != nil {
		return nil, 0, l.ended()
	}
	wait := until - l.Now()
	if wait <= 0 {
		return nil, 0, nil
	}
	l.timer.Reset(wait)
	select {
	case c := <-l.in:
		return l.chunk(c)
	case <-l.timer.C:
		return nil, 0, nil
	case <-l.done:
		return nil, 0, l.ended()
	}
}

func (l *portLine) chunk(c chunk) ([]byte, time.Duration, error) {
	if c.err != nil && len(c.bytes) == 0 {
		return nil, 0, fmt.Errorf("the port has gone: %w", c.err)
	}
	return c.bytes, c.at, nil
}
