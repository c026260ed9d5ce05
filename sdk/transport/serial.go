package transport

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"go.bug.st/serial"
)

// line is an open port; a test puts something else in its place.
type line interface {
	Read([]byte) (int, error)
	Write([]byte) (int, error)
	Close() error
}

// The least and the longest wait before a port is tried again.
const (
	retryLeast   = 200 * time.Millisecond
	retryLongest = 2 * time.Second
)

// Serial is a serial port that may come and go.
type Serial struct {
	name string
	open func() (line, error)
	log  *slog.Logger
	buf  []byte
	wait time.Duration
	said string // the last trouble that was logged, so that it is logged once

	mu     sync.Mutex // guards port and closed against Write and Close
	port   line
	closed bool
}

// OpenSerial is a serial port, 8 data bits, no parity, 1 stop bit. It may be absent: Read keeps looking for it, and
// log hears of its coming and going.
func OpenSerial(port string, baud int, log *slog.Logger) *Serial {
	return newSerial(port, log, func() (line, error) {
		p, err := serial.Open(port, &serial.Mode{BaudRate: baud, DataBits: 8})
		if err != nil {
			return nil, explain(port, err)
		}
		// So that Read comes back now and then to see whether its context has ended.
		if err := p.SetReadTimeout(100 * time.Millisecond); err != nil {
			_ = p.Close()
			return nil, fmt.Errorf("serial port %s: %w", port, err)
		}
		return p, nil
	})
}

func newSerial(name string, log *slog.Logger, open func() (line, error)) *Serial {
	return &Serial{name: name, open: open, log: log, buf: make([]byte, 4096), wait: retryLeast}
}

// explain turns an error of opening into one that says what to do.
func explain(port string, err error) error {
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			return fmt.Errorf("serial port %s is in use by another program: end it", port)
		case serial.PermissionDenied:
			return fmt.Errorf("serial port %s: no permission; add yourself to the group that owns the device and log in again", port)
		case serial.InvalidSpeed:
			return fmt.Errorf("serial port %s: it does not know this baud rate", port)
		}
	}
	ports, _ := serial.GetPortsList()
	if slices.Contains(ports, port) {
		return fmt.Errorf("serial port %s: %w", port, err)
	}
	return fmt.Errorf("serial port %s is not there: plug it in or name another; %s", port, present(ports))
}

// present lists ports for a message.
func present(ports []string) string {
	if len(ports) == 0 {
		return "no serial port is present"
	}
	return "present: " + strings.Join(ports, ", ")
}

// Read waits for bytes. While the port is absent it tries to open it, less and less often.
func (s *Serial) Read(ctx context.Context) (Chunk, error) {
	for {
		if err := ctx.Err(); err != nil {
			return Chunk{}, err
		}
		port, err := s.ready()
		if err == nil {
			var n int
			n, err = port.Read(s.buf)
			if n > 0 {
				return Chunk{Bytes: s.buf[:n], ObservedAt: time.Now().UnixNano()}, nil
			}
			if err == nil {
				continue // only the time to look at ctx
			}
			s.drop(port)
			err = fmt.Errorf("serial port %s is gone: %w; looking for it", s.name, err)
		}
		if errors.Is(err, net.ErrClosed) {
			return Chunk{}, err
		}
		if text := err.Error(); text != s.said {
			s.said = text
			s.log.Warn(text)
		}
		select {
		case <-ctx.Done():
			return Chunk{}, ctx.Err()
		case <-time.After(s.wait):
			s.wait = min(2*s.wait, retryLongest)
		}
	}
}

// ready is the open port, opened now where it is not.
func (s *Serial) ready() (line, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil, fmt.Errorf("read %s: %w", s.name, net.ErrClosed)
	}
	if s.port != nil {
		return s.port, nil
	}
	p, err := s.open()
	if err != nil {
		return nil, err
	}
	s.port, s.wait, s.said = p, retryLeast, ""
	s.log.Info("serial port is open", "port", s.name)
	return p, nil
}

// drop forgets a port that failed.
func (s *Serial) drop(p line) {
	_ = p.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.port == p {
		s.port = nil
	}
}

// Write sends bytes down the line; the address is not used.
func (s *Serial) Write(p []byte, _ netip.AddrPort) error {
	s.mu.Lock()
	port := s.port
	s.mu.Unlock()
	if port == nil {
		return fmt.Errorf("serial port %s is not open: nothing sent", s.name)
	}
	if _, err := port.Write(p); err != nil {
		return fmt.Errorf("serial port %s: %w", s.name, err)
	}
	return nil
}

// Close frees the port.
func (s *Serial) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	if s.port == nil {
		return nil
	}
	err := s.port.Close()
	s.port = nil
	return err
}

// String is the port's name.
func (s *Serial) String() string { return s.name }
