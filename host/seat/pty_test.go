//go:build linux || darwin

package seat

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// The real serial port driver, end to end over a pseudo-terminal.
func TestRideOverPTY(t *testing.T) {
	t.Parallel()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	link := filepath.Join(t.TempDir(), "seat")
	name, done, err := server.ServePTY(ctx, link)
	if err != nil {
		cancel()
		t.Skip(err)
	}
	time.Sleep(300 * time.Millisecond) // unread status fills the terminal meanwhile; nobody may mind
	if to, err := os.Readlink(link); err != nil || to != name {
		t.Fatalf("link to %q, %v; want %s", to, err, name)
	}
	l, err := Open(context.Background(), Settings{Port: link, N: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	stop := loop(l, 2, func() float64 { return 0.003 })
	defer stop()
	armed(t, l)
	until(t, "follows", func() bool { return status(l).Positions == [6]float64{0.003, 0.003} })

	// A second instance is kept off the port.
	_, err = Open(context.Background(), Settings{Port: link, N: 2})
	if err == nil || !strings.Contains(err.Error(), "another program uses this port") {
		t.Errorf("second open: %v", err)
	}
	if s := status(l); s.Port != link || s.CRCErrors != 0 {
		t.Errorf("%+v", s)
	}

	// Unplug: the near side goes.
	cancel()
	<-done
	if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link is still there: %v", err)
	}
	until(t, "lost", func() bool { return !status(l).Connected && status(l).Problem != "" })

	// Plugged in again, under another name: found through the link, and not armed.
	ctx, cancel = context.WithCancel(context.Background())
	defer cancel()
	if _, _, err := server.ServePTY(ctx, link); err != nil {
		t.Fatal(err)
	}
	until(t, "found again", func() bool {
		return status(l).Connected && status(l).Reconnects == 1 && status(l).State == seatlink.StateHeld
	})
}

// A port whose far side reads nothing: the loop goes on, the stall is counted.
func TestStallOverPTY(t *testing.T) {
	t.Parallel()
	near, far, err := pty.Open()
	if err != nil {
		t.Skip(err)
	}
	defer far.Close()
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	deaf := make(chan struct{})
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() { _ = server.Serve(ctx, &deafPort{near, deaf}) }()
	l, err := Open(context.Background(), Settings{Port: far.Name(), N: 2, Stall: 50 * time.Millisecond, Window: 1 << 14})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	until(t, "connected", func() bool { return status(l).Connected })
	close(deaf)
	sp := Setpoint{N: 2}
	until(t, "stall, or silence", func() bool {
		l.Send(&sp)
		s := status(l)
		return s.Stalls > 0 || !s.Connected
	})
}

// deafPort stops reading when told.
type deafPort struct {
	*os.File
	deaf chan struct{}
}

func (d *deafPort) Read(p []byte) (int, error) {
	select {
	case <-d.deaf:
		select {}
	default:
		return d.File.Read(p)
	}
}

func TestServePTYKeepsOtherFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "mine")
	if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := simulated.ServePTY(context.Background(), path, quick()); err == nil || !strings.Contains(err.Error(), "not a symbolic link") {
		t.Errorf("error %v", err)
	}
}

// Without a peer it ends when asked to.
func TestServePTYEndsWithoutPeer(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	server, err := simulated.NewServer(quick())
	if err != nil {
		t.Fatal(err)
	}
	_, done, err := server.ServePTY(ctx, "")
	if err != nil {
		t.Skip(err)
	}
	cancel()
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatal("does not end")
	}
}
