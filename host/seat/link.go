package seat

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync/atomic"
	"time"

	"perch/proto/seatlink"
)

// Settings says which controller, and how to reach it.
type Settings struct {
	Port   string        // "simulated", a path, or usb:VID:PID[:SERIAL]
	Baud   int           // 0: 500000
	N      int           // actuators, 1 to 6
	Metres bool          // else radians
	Period time.Duration // between setpoints; 0: 2 ms
	Board  string        // refuse a controller whose board id is another; empty: any
	Hash   uint32        // refuse to arm with other limits; 0: those that the controller reports
	Wait   time.Duration // for the first HELLO; 0: 5 s
	Window int           // frames under way at most; 0: 32
	Stall  time.Duration // a write that takes longer has stalled; 0: 250 ms
	Log    *slog.Logger  // nil: none
}

// Dial opens the way to the controller. name is what to call it on a screen.
type Dial func(ctx context.Context) (port io.ReadWriteCloser, name string, err error)

// Link is the Driver over a serial port, or over anything that carries bytes.
type Link struct {
	settings Settings
	session  atomic.Pointer[struct{}]
}

var errTODO = errors.New("not yet")

// Open opens the port of the settings and waits for the controller's HELLO. ctx ends the link.
func Open(ctx context.Context, s Settings) (*Link, error) { return nil, errTODO }

// NewLink is Open over whatever dial returns.
func NewLink(ctx context.Context, s Settings, dial Dial) (*Link, error) { return nil, errTODO }

// Send implements Driver.
func (l *Link) Send(sp *Setpoint) {}

// Status implements Driver.
func (l *Link) Status(out *Status) {}

// Do implements Driver.
func (l *Link) Do(c Command) {}

// Close implements Driver.
func (l *Link) Close() error { return nil }

// Limits reads the limits in force from the controller.
func (l *Link) Limits(ctx context.Context) ([]seatlink.AxisLimits, error) { return nil, errTODO }

// Tighten makes the controller's limits narrower until its next reset.
func (l *Link) Tighten(ctx context.Context, limits []seatlink.AxisLimits) error { return errTODO }

var _ Driver = (*Link)(nil)
