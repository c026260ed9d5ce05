//go:build !linux

package seat

import (
	"errors"
	"io"
	"time"

	"go.bug.st/serial"
)

// readTimeout bounds how long a reader is deaf to the end of its session.
const readTimeout = 20 * time.Millisecond

// lockedPort is a port with the lock that keeps other programs off it.
type lockedPort struct {
	serial.Port
	lock io.Closer
}

// Close gives the port up.
func (p *lockedPort) Close() error { return errors.Join(p.Port.Close(), p.lock.Close()) }

// carry joins a configured port and its lock into what carries bytes.
func carry(port serial.Port, lock io.Closer) (*lockedPort, error) {
	return &lockedPort{port, lock}, port.SetReadTimeout(readTimeout)
}
