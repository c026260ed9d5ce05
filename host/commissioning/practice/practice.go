// Package practice lets the steps of commissioning be tried on a controller that is simulated in this process: it does
// to it what an operator would do to a real one with switches, plugs and cables.
package practice

import (
	"context"
	"errors"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"perch/host/commissioning/guide"
	"perch/host/jog"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/seat"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

// Host is a guide.Host with a simulated controller.
type Host struct {
	server   *simulated.Server
	settings seat.Settings
	jog      jog.Settings  // of the other program
	sway     pose.Pose     // where the other program goes, and to its opposite
	switches atomic.Uint32 // home switches pressed by hand, a bit for each actuator
	alarm    atomic.Uint32 // whose driver's alarm it is; the simulated controller knows only one
	pulled   atomic.Bool
	mu       sync.Mutex
	port     io.Closer // the cable
}

// New makes a controller that has just been switched on. The other program moves as j says, to one side and the other of sway;
// the line is for setpoints at j's rate.
func New(c simulated.Settings, j jog.Settings, sway pose.Pose) (*Host, error) {
	server, err := simulated.NewServer(c)
	if err != nil {
		return nil, err
	}
	h := &Host{server: server, jog: j, sway: sway, settings: seat.Settings{Port: "simulated", N: c.Axes.N, Metres: c.Axes.Metres}}
	if j.Rate > 0 {
		h.settings.Period = time.Duration(float64(time.Second) / j.Rate)
	}
	return h, nil
}

// With calls f with the controller, as simulated.Server does.
func (h *Host) With(f func(c *simulated.Controller)) { h.server.With(f) }

var errPulled = errors.New("the cable is out")

func (h *Host) dial(ctx context.Context) (io.ReadWriteCloser, string, error) {
	if h.pulled.Load() {
		return nil, "", errPulled
	}
	port := h.server.Dial(context.WithoutCancel(ctx))
	h.mu.Lock()
	h.port = port
	h.mu.Unlock()
	return port, "simulated", nil
}

// line adds what the simulated controller has no inputs for.
type line struct {
	*seat.Link
	host *Host
}

// Status is the link's, with the switches.
func (l line) Status(out *seat.Status) {
	l.Link.Status(out)
	out.HomeSwitches ^= uint8(l.host.switches.Load())
	if out.Alarms != 0 {
		out.Alarms = 1 << l.host.alarm.Load()
	}
}

// Open connects to the controller.
func (h *Host) Open(ctx context.Context) (guide.Line, error) {
	link, err := seat.NewLink(ctx, h.settings, h.dial)
	if err != nil {
		return nil, err
	}
	return line{link, h}, nil
}

// Intrude is refused, as the system refuses a port that is locked.
func (h *Host) Intrude(context.Context) error { return errors.New("the port is in use") }

// Pretend does to the controller what an operator would do.
func (h *Host) Pretend(what guide.Act, actuator int) bool {
	cause := func(f seatlink.Faults, present bool) {
		h.server.With(func(c *simulated.Controller) { c.Cause(f, present) })
	}
	switch what {
	case guide.SupplyOff, guide.SupplyOn:
		cause(seatlink.FaultSupply, what == guide.SupplyOff)
	case guide.AlarmOn, guide.AlarmOff:
		h.alarm.Store(uint32(actuator))
		cause(seatlink.FaultDriverAlarm, what == guide.AlarmOn)
	case guide.SwitchClosed:
		h.switches.Store(1 << actuator)
	case guide.SwitchOpen:
		h.switches.Store(0)
	case guide.CablePulled:
		h.cut()
	case guide.CableBack:
		h.pulled.Store(false)
	default:
		return false
	}
	return true
}

// cut ends the connection without a last word.
func (h *Host) cut() {
	h.pulled.Store(true)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.port != nil {
		_ = h.port.Close()
	}
}

// child is another program, as far as the controller can tell.
type child struct {
	host *Host
	link *seat.Link
	jog  *jog.Jog
	end  func()
	to   pose.Pose
}

// Child connects to the controller and moves the seat while Press is called.
func (h *Host) Child(ctx context.Context) (guide.Child, error) {
	link, err := seat.NewLink(ctx, h.settings, h.dial)
	if err != nil {
		return nil, err
	}
	j, err := jog.New(h.jog, link)
	if err != nil {
		return nil, errors.Join(err, link.Close())
	}
	return &child{host: h, link: link, jog: j, end: j.Start(ctx), to: h.sway}, nil
}

// Press moves for as long as one press does.
func (c *child) Press() error {
	if s := c.jog.Snapshot(); s.State == jog.Still && s.Pose == c.to {
		for a := range c.to {
			c.to[a] = -c.to[a]
		}
	}
	c.jog.Press(jog.Press{Kind: jog.Toward, To: c.to})
	return nil
}

// Moving says whether the seat is in motion.
func (c *child) Moving() (bool, mechanism.Positions) {
	s := c.jog.Snapshot()
	return s.State == jog.Moving, mechanism.Positions(s.Status.Positions)
}

// Kill ends it without a last word to the controller.
func (c *child) Kill() error {
	c.host.cut()
	c.end()
	err := c.link.Close()
	time.Sleep(200 * time.Millisecond) // the controller has had its time to notice
	c.host.pulled.Store(false)
	return err
}
