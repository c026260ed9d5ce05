//go:build linux || darwin

package seat

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// lockPort takes an advisory lock on the port's node. The port's own exclusive mode does not keep out a program with
// root's rights; this does, if it asks. It must come first: in exclusive mode the node opens no second time.
func lockPort(name string) (*os.File, error) {
	fd, err := unix.Open(name, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		if errors.Is(err, unix.EBUSY) {
			return nil, errBusy
		}
		return nil, err
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = unix.Close(fd)
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, errBusy
		}
		return nil, err
	}
	return os.NewFile(uintptr(fd), name), nil
}
