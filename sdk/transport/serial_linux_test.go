package transport

import (
	"context"
	"log/slog"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
)

// lines is a log that is read while it is written.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// A pseudo-terminal behind a name that stays, as a device's name in /dev/serial/by-id does: it is pulled out and
// plugged in again.
func TestSerialPortPulledAndPluggedIn(t *testing.T) {
	name := filepath.Join(t.TempDir(), "radio")
	plug := func() *os.File {
		t.Helper()
		master, slave, err := pty.Open()
		if err != nil {
			t.Skipf("no pseudo-terminals here: %v", err)
		}
		_ = os.Remove(name)
		if err := os.Symlink(slave.Name(), name); err != nil {
			t.Fatal(err)
		}
		_ = slave.Close()
		return master
	}
	log := &lines{}
	s := OpenSerial(name, 57600, slog.New(slog.NewTextHandler(log, nil)))
	defer func() { _ = s.Close() }()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for _, text := range []string{"first\n", "second\n"} {
		master := plug()
		got := make(chan string, 1)
		go func() {
			c, err := s.Read(ctx)
			if err != nil {
				got <- err.Error()
				return
			}
			got <- string(c.Bytes)
		}()
		for end := time.Now().Add(15 * time.Second); strings.Count(log.String(), "is open") < map[string]int{"first\n": 1, "second\n": 2}[text]; {
			if time.Now().After(end) {
				t.Fatalf("the port was not opened: %s", log)
			}
			time.Sleep(5 * time.Millisecond)
		}
		if _, err := master.WriteString(text); err != nil {
			t.Fatal(err)
		}
		if g := <-got; g != text {
			t.Fatalf("read %q, want %q", g, text)
		}
		if err := s.Write([]byte("answer"), netip.AddrPort{}); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 6)
		if n, err := master.Read(buf); err != nil || string(buf[:n]) != "answer" {
			t.Fatalf("the device got %q, %v", buf[:n], err)
		}
		if err := master.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if !strings.Contains(log.String(), "is gone") {
		t.Errorf("the log does not say that it was gone: %s", log)
	}
}
