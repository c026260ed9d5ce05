package awake

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
)

// manager is a login manager of which only Inhibit is there.
type manager struct {
	asked, held chan string
	ours        *os.File // our copy of the descriptor that was handed out
}

// Inhibit hands out one end of a pipe, and tells when all copies of it are closed, as the real one does.
func (m *manager) Inhibit(what, who, why, mode string) (dbus.UnixFD, *dbus.Error) {
	r, w, err := os.Pipe()
	if err != nil {
		return 0, dbus.MakeFailedError(err)
	}
	m.ours = w
	fd := w.Fd()
	m.asked <- strings.Join([]string{what, who, why, mode}, "|")
	go func() {
		_, _ = r.Read(make([]byte, 1))
		m.held <- "released"
	}()
	return dbus.UnixFD(fd), nil
}

// The login manager of a private bus sees the lock taken with the reason and, later, given back.
func TestInhibitorOfTheLoginManager(t *testing.T) {
	daemon, err := exec.LookPath("dbus-daemon")
	if err != nil {
		t.Skip("no dbus-daemon here")
	}
	address := "unix:path=" + filepath.Join(t.TempDir(), "bus")
	bus := exec.Command(daemon, "--session", "--nofork", "--nopidfile", "--print-address=1", "--address="+address)
	out, err := bus.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := bus.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = bus.Process.Kill(); _ = bus.Wait() }()
	if !bufio.NewScanner(out).Scan() {
		t.Skip("the bus does not start here")
	}
	conn, err := dbus.Connect(address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	t.Setenv("DBUS_SYSTEM_BUS_ADDRESS", address)

	if _, err := Keep("x"); err == nil || !strings.Contains(err.Error(), "the login manager refused") || !strings.Contains(err.Error(), "switch sleep off") {
		t.Errorf("without a login manager: %v", err)
	}
	m := &manager{asked: make(chan string, 1), held: make(chan string, 1)}
	if err := conn.Export(m, "/org/freedesktop/login1", "org.freedesktop.login1.Manager"); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.RequestName("org.freedesktop.login1", dbus.NameFlagDoNotQueue); err != nil {
		t.Fatal(err)
	}
	release, err := Keep("the seat is armed")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := <-m.asked, "sleep:idle|perch|the seat is armed|block"; got != want {
		t.Errorf("asked %q, want %q", got, want)
	}
	_ = m.ours.Close() // the library has sent it by now
	select {
	case <-m.held:
		t.Error("the lock was given back by itself")
	case <-time.After(200 * time.Millisecond):
	}
	release()
	select {
	case <-m.held:
	case <-time.After(10 * time.Second):
		t.Error("the lock is still held after release")
	}
}
