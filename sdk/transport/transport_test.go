package transport

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestParseUDP(t *testing.T) {
	tests := []struct{ in, want, wrong string }{
		{"udp://0.0.0.0:14550", "0.0.0.0:14550", ""},
		{"udp://:14550", "0.0.0.0:14550", ""},
		{"udp://localhost:1", "127.0.0.1:1", ""},
		{"udp://[::1]:1", "[::1]:1", ""},
		{"0.0.0.0:14550", "", "udp://"},
		{"14550", "", "udp://"},
		{"tcp://0.0.0.0:1", "", "udp://"},
		{"udp://0.0.0.0", "", "no port"},
		{"udp://0.0.0.0:99999", "", "no port"},
		{"udp://0.0.0.0:1/x", "", "after the port"},
		{"udp://somewhere:1", "", "in numbers"},
		{"", "", "udp://"},
	}
	for _, x := range tests {
		got, err := ParseUDP(x.in)
		if x.wrong != "" {
			if err == nil || !strings.Contains(err.Error(), x.wrong) || !strings.Contains(err.Error(), x.in) {
				t.Errorf("%q: error %v, want one with %q", x.in, err, x.wrong)
			}
			continue
		}
		if err != nil || got.String() != x.want {
			t.Errorf("%q: %v, %v; want %s", x.in, got, err, x.want)
		}
	}
}

func listen(t *testing.T) *UDP {
	t.Helper()
	u, err := ListenUDP("udp://127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = u.Close() })
	return u
}

func TestUDPReadsAndAnswers(t *testing.T) {
	u := listen(t)
	vehicle, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(u.Address()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = vehicle.Close() }()
	if _, err := vehicle.Write([]byte("state")); err != nil {
		t.Fatal(err)
	}
	before := time.Now().Add(-time.Minute).UnixNano()
	c, err := u.Read(t.Context())
	if err != nil || string(c.Bytes) != "state" || c.ObservedAt < before {
		t.Fatalf("read %+v, %v", c, err)
	}
	if c.From != vehicle.LocalAddr().(*net.UDPAddr).AddrPort() {
		t.Errorf("from %v, want %v", c.From, vehicle.LocalAddr())
	}
	if err := u.Write([]byte("faster"), c.From); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 20)
	if n, err := vehicle.Read(buf); err != nil || string(buf[:n]) != "faster" {
		t.Errorf("answer %q, %v", buf[:n], err)
	}
	if err := u.Write(nil, netip.AddrPort{}); err == nil {
		t.Error("an answer to nobody was sent")
	}
}

func TestUDPReadEndsWithItsContext(t *testing.T) {
	u := listen(t)
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(10*time.Millisecond, cancel)
	if _, err := u.Read(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want canceled", err)
	}
	// The port is still good.
	if err := u.Write([]byte("x"), u.Address()); err != nil {
		t.Fatal(err)
	}
	if c, err := u.Read(t.Context()); err != nil || string(c.Bytes) != "x" {
		t.Errorf("read %+v, %v", c, err)
	}
}

func TestUDPPortInUseSaysByWhom(t *testing.T) {
	u := listen(t)
	_, err := ListenUDP(fmt.Sprintf("udp://127.0.0.1:%d", u.Address().Port()))
	if err == nil {
		t.Fatal("the port was opened twice")
	}
	for _, want := range []string{fmt.Sprint(u.Address().Port()), "in use by"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	if runtime.GOOS == "linux" && !strings.Contains(err.Error(), "in use by process") {
		t.Errorf("%q does not name the process", err)
	}
}

// cable is a port that ends when what it holds is read.
type cable struct {
	mu      sync.Mutex
	holds   []byte
	written []byte
}

func (c *cable) Read(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.holds) == 0 {
		return 0, io.EOF
	}
	n := copy(p, c.holds)
	c.holds = c.holds[n:]
	return n, nil
}

func (c *cable) Write(p []byte) (int, error) { c.written = append(c.written, p...); return len(p), nil }
func (c *cable) Close() error                { return nil }

func TestSerialIsLookedForUntilItIsBack(t *testing.T) {
	var log strings.Builder
	tries := 0
	c := &cable{}
	s := newSerial("/dev/port", slog.New(slog.NewTextHandler(&log, nil)), func() (line, error) {
		tries++
		if tries == 1 || tries == 3 {
			return nil, errors.New("serial port /dev/port is not there")
		}
		c.holds = fmt.Append(nil, "try ", tries)
		return c, nil
	})
	s.wait = time.Millisecond
	for _, want := range []string{"try 2", "try 4"} {
		got, err := s.Read(t.Context())
		if err != nil || string(got.Bytes) != want {
			t.Fatalf("read %q, %v; want %q", got.Bytes, err, want)
		}
	}
	if err := s.Write([]byte("hello"), netip.AddrPort{}); err != nil || string(c.written) != "hello" {
		t.Errorf("wrote %q, %v", c.written, err)
	}
	for _, want := range []string{"is not there", "is open", "is gone"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log lacks %q: %s", want, log.String())
		}
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if _, err := s.Read(t.Context()); !errors.Is(err, net.ErrClosed) {
		t.Errorf("error %v after Close", err)
	}
	if err := s.Write(nil, netip.AddrPort{}); err == nil {
		t.Error("a closed port takes bytes")
	}
}

func TestAbsentSerialPort(t *testing.T) {
	var log strings.Builder
	s := OpenSerial("/dev/there-is-no-such-port", 57600, slog.New(slog.NewTextHandler(&log, nil)))
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := s.Read(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v, want the end of its context", err)
	}
	text := log.String()
	if !strings.Contains(text, "there-is-no-such-port is not there") || !strings.Contains(text, "present") {
		t.Errorf("log: %s", text)
	}
	if n := strings.Count(text, "\n"); n != 1 {
		t.Errorf("%d lines for one trouble, want 1: %s", n, text)
	}
}
