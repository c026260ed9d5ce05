package seat

import (
	"errors"
	"os"

	"go.bug.st/serial"
)

// ownPort reads and writes through the descriptor that holds the lock, which the runtime's poller watches: a read costs
// no timeouts, and Close ends a read or a write that waits. The library's port has set the mode and keeps others off.
type ownPort struct {
	*os.File
	mode serial.Port
}

// Close ends what waits on the port and gives it up.
func (p *ownPort) Close() error { return errors.Join(p.File.Close(), p.mode.Close()) }

// carry joins a configured port and its lock into what carries bytes.
func carry(port serial.Port, lock *os.File) (*ownPort, error) { return &ownPort{lock, port}, nil }
