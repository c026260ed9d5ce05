package simulated

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"
)

// Server runs a Controller in real time. Its time begins with the first connection, and goes on whether something is connected or not.
type Server struct {
	mu         sync.Mutex
	controller *Controller
	last       time.Time
	serving    sync.Mutex
}

// tick is how often time moves on when no byte comes.
const tick = 2 * time.Millisecond

// How much time is caught up at once: between connections, and while serving. A process that the machine has kept
// waiting is no broken cable: the frames that came meanwhile lie unread, so its controller's clock waits too.
const (
	mostBetween = time.Second
	mostServing = 40 * time.Millisecond
)

// NewServer gives a server with a controller that has just been switched on.
func NewServer(s Settings) (*Server, error) {
	c, err := New(s)
	if err != nil {
		return nil, err
	}
	return &Server{controller: c}, nil
}

// With calls f with the controller at the present time. f must not keep it.
func (s *Server) With(f func(c *Controller)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.catchUp(mostServing)
	f(s.controller)
}

func (s *Server) catchUp(most time.Duration) {
	now := time.Now()
	if !s.last.IsZero() {
		s.controller.Step(min(now.Sub(s.last), most))
	}
	s.last = now
}

// Serve connects the controller to port until ctx ends or the port does, and closes the port. One port is served
// at a time; further calls wait. The end of the port is no error.
func (s *Server) Serve(ctx context.Context, port io.ReadWriteCloser) error {
	s.serving.Lock()
	defer s.serving.Unlock()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s.mu.Lock()
	s.catchUp(mostBetween)
	s.mu.Unlock()

	// Output that nobody reads is dropped rather than waited for, as a UART does.
	output := make(chan []byte, 16)
	spare := make(chan []byte, 16)
	flush := func() { // under s.mu
		var b []byte
		select {
		case b = <-spare:
		default:
		}
		b = s.controller.Output(b[:0])
		if len(b) == 0 {
			return
		}
		select {
		case output <- b:
		default:
		}
	}
	failed := make(chan error, 2)
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case b := <-output:
				if _, err := port.Write(b); err != nil {
					failed <- err
					return
				}
				select {
				case spare <- b:
				default:
				}
			}
		}
	}()
	go func() {
		b := make([]byte, 1024)
		for {
			n, err := port.Read(b)
			if n > 0 {
				s.mu.Lock()
				s.catchUp(mostServing)
				s.controller.Feed(b[:n])
				flush()
				s.mu.Unlock()
			}
			if err != nil {
				failed <- err
				return
			}
			if ctx.Err() != nil {
				return
			}
		}
	}()
	t := time.NewTicker(tick)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return port.Close()
		case err := <-failed:
			_ = port.Close()
			if errors.Is(err, io.EOF) || errors.Is(err, io.ErrClosedPipe) {
				return nil
			}
			return err
		case <-t.C:
			s.mu.Lock()
			s.catchUp(mostServing)
			flush()
			s.mu.Unlock()
		}
	}
}

// Dial connects to the controller in memory, until ctx ends or the connection is closed.
func (s *Server) Dial(ctx context.Context) io.ReadWriteCloser {
	a, b := Pipe()
	go func() { _ = s.Serve(ctx, b) }()
	return a
}

// Dial starts a controller and connects to it in memory.
func Dial(ctx context.Context, settings Settings) (io.ReadWriteCloser, error) {
	s, err := NewServer(settings)
	if err != nil {
		return nil, err
	}
	return s.Dial(ctx), nil
}

// Serve starts a controller and connects it to port until ctx or the port ends.
func Serve(ctx context.Context, port io.ReadWriteCloser, settings Settings) error {
	s, err := NewServer(settings)
	if err != nil {
		return err
	}
	return s.Serve(ctx, port)
}
