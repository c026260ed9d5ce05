package awake

import (
	"context"
	"fmt"
	"os"
	"time"

	"github.com/godbus/dbus/v5"
	"golang.org/x/sys/unix"
)

// answerWithin bounds the wait for the login manager, which answers at once where there is one.
const answerWithin = 3 * time.Second

// keep takes an inhibitor lock of the login manager (org.freedesktop.login1.Manager.Inhibit): a descriptor that counts for
// as long as it is open, and so also ends with this process.
func keep(why string) (func(), error) {
	ctx, cancel := context.WithTimeout(context.Background(), answerWithin)
	defer cancel()
	bus, err := dbus.ConnectSystemBus()
	if err != nil {
		return nil, fmt.Errorf("no system bus: %w", err)
	}
	defer bus.Close() //nolint:errcheck // the lock is a descriptor and does not need it
	var lock dbus.UnixFD
	err = bus.Object("org.freedesktop.login1", "/org/freedesktop/login1").CallWithContext(ctx, "org.freedesktop.login1.Manager.Inhibit", 0,
		"sleep:idle", "perch", why, "block").Store(&lock)
	if err != nil {
		return nil, fmt.Errorf("the login manager refused: %w", err)
	}
	unix.CloseOnExec(int(lock))
	held := os.NewFile(uintptr(lock), "inhibitor")
	return func() { _ = held.Close() }, nil
}
