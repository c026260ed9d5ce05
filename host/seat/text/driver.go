// Package text drives a controller that already speaks something else: each setpoint is written as a template of the
// operator's own says (Template).
//
// It is one-way. Nothing is read back, so nothing is known of the controller: not where the seat is, whether it homed, has its
// supply, or follows; nor what it does when setpoints end. What Status says is what the controller was told. So the operator
// levels the seat and says so, which stands for homing, and again each time the port was lost or opened; nothing is
// written but while armed; and a stop is the guard's own braking and then silence.
package text

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"perch/host/seat"
	"perch/proto/seatlink"
)

// Settings say how to reach and what to tell the controller.
type Settings struct {
	Port     string  // a path, or usb:VID:PID[:SERIAL]
	Baud     int     // that of the controller, bit/s
	Template string  // of one setpoint: see Template
	OnStart  string  // written as it is when the seat is armed, before the first setpoint
	OnStop   string  // written as it is when setpoints end
	Rate     float64 // setpoints a second, Hz; 0: the loop's. Rounded down to every second, third, ... of the loop's
	Loop     float64 // the loop's rate, Hz
	Axes     []Axis  // of the mechanism's actuators, 1 to 6
	Metres   bool    // they slide; else they turn
	Log      *slog.Logger
}

const (
	stall        = 250 * time.Millisecond // a write that takes longer has stalled
	housekeeping = 20 * time.Millisecond
	silent       = 5 // housekeepings without a setpoint after which the seat is disarmed: 100 ms
	backoffFirst = 250 * time.Millisecond
	backoffMost  = 4 * time.Second
	leastRate    = 5 // Hz

	// A first setpoint further than this from where the seat is said to stand arms nothing, as in proto/seatlink.
	nearTurn  = 0.5 * math.Pi / 180 // rad
	nearShift = 2e-3                // m
)

// Check reads the template and says whether the line carries it. It opens nothing.
func (s Settings) Check() (*Template, error) {
	if len(s.Axes) < 1 || len(s.Axes) > seatlink.MaxAxes {
		return nil, fmt.Errorf("seat %q: %d actuators; give 1 to %d", s.Port, len(s.Axes), seatlink.MaxAxes)
	}
	t, err := ParseTemplate(s.Template, s.Axes, s.Metres)
	if err != nil {
		return nil, err
	}
	if s.Baud == 0 {
		return nil, errors.New("baud: a controller with a text driver cannot be asked; give the baud that it is set to")
	}
	if s.Rate != 0 && (s.Rate < leastRate || s.Rate > s.Loop) {
		return nil, fmt.Errorf("rate: %g Hz is outside %d Hz to the loop's %g Hz; choose one between them", s.Rate, leastRate, s.Loop)
	}
	rate := s.Loop / float64(s.every())
	need := seat.LineBits(t.Length(), rate)
	most := math.Floor(rate * 0.8 * float64(s.Baud) / need)
	err = seat.CheckLine(s.Baud, need, fmt.Sprintf("setpoints of %d bytes at %.4g Hz need %.3g kbit/s", t.Length(), rate, need/1000),
		fmt.Sprintf("set a faster baud there and here, shorten the template, or give rate = \"%g Hz\"", most))
	return t, err
}

// every is how many of the loop's setpoints there are for one that is written.
func (s Settings) every() uint64 {
	if s.Rate == 0 {
		return 1
	}
	return uint64(math.Ceil(s.Loop/s.Rate - 1e-9))
}

// Driver is the seat.Driver of a controller that is told in text.
// Send is for one goroutine; the other methods are for any.
type Driver struct {
	settings Settings
	template *Template
	every    uint64
	cancel   context.CancelFunc
	done     chan struct{}

	box      *seat.Mailbox
	wake     chan struct{}
	commands atomic.Uint32 // a bit for each seat.Command that is to be done
	sends    atomic.Uint64 // setpoints handed over
	dropped  atomic.Uint64
	stalls   atomic.Uint64
	newest   atomic.Pointer[seat.Status]
	writing  atomic.Int64 // since when a Write has been under way, unix ns; 0: none

	status seat.Status // belongs to the goroutine that runs the port
}

var _ seat.Driver = (*Driver)(nil)

// Open opens the port and tells nobody anything. From then on the driver looks after itself: a port that is lost is
// looked for again. ctx ends it.
func Open(ctx context.Context, s Settings) (*Driver, error) {
	dial, err := seat.NewDial(s.Port, s.Baud)
	if err != nil {
		return nil, err
	}
	return New(ctx, s, dial)
}

// New is Open over whatever dial returns.
func New(ctx context.Context, s Settings, dial seat.Dial) (*Driver, error) {
	t, err := s.Check()
	if err != nil {
		return nil, err
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	ctx, cancel := context.WithCancel(ctx)
	d := &Driver{settings: s, template: t, every: s.every(), cancel: cancel, done: make(chan struct{}), box: seat.NewMailbox(), wake: make(chan struct{}, 1)}
	d.status = seat.Status{OneWay: true, Port: s.Port, Board: "text", N: len(s.Axes), State: seatlink.StateDisarmed, Age: math.Inf(1),
		Hash: crc32.ChecksumIEEE([]byte(s.Template + "\x00" + s.OnStart + "\x00" + s.OnStop))}
	d.publish()
	first := make(chan error, 1)
	go d.run(ctx, dial, first)
	if err := <-first; err != nil {
		cancel()
		<-d.done
		return nil, err
	}
	return d, nil
}

// Send implements seat.Driver.
func (d *Driver) Send(sp *seat.Setpoint) {
	if d.sends.Add(1)%d.every != 0 {
		return
	}
	if d.box.Put(sp) && d.newest.Load().Armed {
		d.dropped.Add(1)
	}
	d.nudge()
}

// Do implements seat.Driver. Home says that the seat stands level: nothing is written.
func (d *Driver) Do(c seat.Command) {
	d.commands.Or(1 << c)
	d.nudge()
}

func (d *Driver) nudge() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// Status implements seat.Driver.
func (d *Driver) Status(out *seat.Status) {
	*out = *d.newest.Load()
	out.Dropped, out.Stalls = d.dropped.Load(), d.stalls.Load()
}

// Close implements seat.Driver.
func (d *Driver) Close() error {
	d.cancel()
	<-d.done
	return nil
}

func (d *Driver) publish() {
	s := d.status
	d.newest.Store(&s)
}

// run keeps a port open until ctx ends.
func (d *Driver) run(ctx context.Context, dial seat.Dial, first chan<- error) {
	defer close(d.done)
	wait, told, ever := backoffFirst, "", false
	for {
		port, name, err := dial(ctx)
		if err == nil {
			if ever {
				d.status.Reconnects++
				d.settings.Log.Info("seat controller's port found again: level the seat, then say so", "port", name)
			}
			wait, told = backoffFirst, ""
			err = d.serve(ctx, port, name, func() {
				if !ever {
					first <- nil
				}
				ever = true
			})
		}
		s := &d.status
		s.Connected, s.Armed, s.Homed, s.State, s.Age, s.Problem = false, false, false, seatlink.StateDisarmed, math.Inf(1), err.Error()
		d.publish()
		if !ever {
			first <- err
			return
		}
		if ctx.Err() != nil {
			return
		}
		if err.Error() != told {
			told = err.Error()
			d.settings.Log.Warn("seat controller lost", "cause", told)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		wait = min(2*wait, backoffMost)
	}
}

// serve runs one port until it fails or ctx ends, and gives the cause.
func (d *Driver) serve(ctx context.Context, port io.ReadWriteCloser, name string, connected func()) error {
	failed := make(chan error, 3)
	end := make(chan struct{})
	var gone sync.WaitGroup
	gone.Go(func() { // what the controller says is read only to see that the port is there
		b := make([]byte, 1024)
		for {
			n, err := port.Read(b)
			select {
			case <-end:
				return
			default:
			}
			if err != nil {
				failed <- fmt.Errorf("seat %q: the port is gone: %w; plug it in again, and it is found", name, err)
				return
			}
			if n == 0 {
				time.Sleep(time.Millisecond) // a read that timed out
			}
		}
	})
	d.connect(name)
	connected()
	gone.Go(func() { failed <- d.write(ctx, port, name, end) })
	watch := time.NewTicker(housekeeping)
	defer watch.Stop()
	var cause error
	for cause == nil {
		select {
		case cause = <-failed:
		case <-watch.C:
			if w := d.writing.Load(); w != 0 && time.Since(time.Unix(0, w)) > stall {
				cause = fmt.Errorf("seat %q: the port took no bytes for %v; it is opened again, check the cable and the controller", name, stall)
				d.stalls.Add(1)
			}
		}
	}
	close(end)
	closed := make(chan struct{})
	go func() { _ = port.Close(); gone.Wait(); close(closed) }()
	select {
	case <-closed:
	case <-time.After(time.Second): // a write that does not end is left behind
	}
	return cause
}

var errDone = errors.New("seat: closed")

// connect begins with a controller of which nothing is known.
func (d *Driver) connect(name string) {
	s := &d.status
	s.Connected, s.Homed, s.Armed, s.Supply, s.State, s.Age, s.Problem, s.Port = true, false, false, true, seatlink.StateDisarmed, 0, "", name
	s.BootID = rand.Uint32() | 1 // opening a port resets many boards, and nobody would know
	for i, a := range d.settings.Axes {
		s.Positions[i] = a.Level
	}
	d.commands.Store(0)
	d.writing.Store(0)
	d.box.Take()
	d.publish()
}

// write tells the controller, until the port fails or ctx ends.
func (d *Driver) write(ctx context.Context, port io.Writer, name string, end <-chan struct{}) error {
	s := &d.status
	put := func(b []byte) error {
		if len(b) == 0 {
			return nil
		}
		d.writing.Store(time.Now().UnixNano())
		_, err := port.Write(b)
		select {
		case <-end: // too late: the status belongs to somebody else by now
			return errDone
		default:
		}
		d.writing.Store(0)
		if err != nil {
			return fmt.Errorf("seat %q: write: %w; check the cable", name, err)
		}
		return nil
	}
	stop := func() error {
		if !s.Armed {
			return nil
		}
		s.Armed, s.Reduced, s.State = false, false, seatlink.StateReady
		d.publish()
		return put([]byte(d.settings.OnStop))
	}
	answer := func(c seatlink.Type, r seatlink.Result) {
		s.LastCommand, s.LastResult = c, r
		s.Answers++
		d.publish()
	}
	t := time.NewTicker(housekeeping)
	defer t.Stop()
	var arming seat.Command // asked for, and waits for a setpoint
	sends, quiet := d.sends.Load(), 0
	for {
		select {
		case <-end:
			return errDone
		case <-ctx.Done():
			if err := stop(); err != nil {
				return err
			}
			return errDone
		case <-t.C:
			quiet++
			if now := d.sends.Load(); now != sends {
				sends, quiet = now, 0
			}
			if quiet < silent {
				continue
			}
			arming = 0
			if s.Armed {
				d.settings.Log.Warn("no setpoints for 100 ms: the seat is disarmed and told nothing more")
				if err := stop(); err != nil {
					return err
				}
			}
			continue
		case <-d.wake:
		}
		if mask := d.commands.Swap(0); mask != 0 {
			if mask&(1<<seat.Stop|1<<seat.Disarm) != 0 {
				arming = 0
				if err := stop(); err != nil {
					return err
				}
				c := seatlink.TypeDisarm
				if mask&(1<<seat.Stop) != 0 {
					c = seatlink.TypeStop
				}
				answer(c, seatlink.ResultOK)
				mask = 0
			}
			if mask&(1<<seat.Home) != 0 && !s.Armed {
				s.Homed, s.State = true, seatlink.StateReady
				for i, a := range d.settings.Axes {
					s.Positions[i] = a.Level
				}
				answer(seatlink.TypeHome, seatlink.ResultOK)
			}
			if mask&(1<<seat.Arm|1<<seat.ArmReduced) != 0 {
				arming = seat.Arm
				if mask&(1<<seat.ArmReduced) != 0 {
					arming = seat.ArmReduced
				}
				if !s.Homed || s.Armed {
					arming = 0
					answer(seatlink.TypeArm, seatlink.ResultNotHomed)
				}
			}
		}
		sp := d.box.Take()
		if sp == nil || !s.Armed && arming == 0 {
			continue
		}
		if !d.usable(sp) {
			d.dropped.Add(1)
			continue
		}
		if arming != 0 {
			if !d.near(sp) {
				arming = 0
				answer(seatlink.TypeArm, seatlink.ResultFar)
				continue
			}
			if err := put([]byte(d.settings.OnStart)); err != nil {
				return err
			}
			s.Armed, s.Reduced, s.State = true, arming == seat.ArmReduced, seatlink.StateArmed
			quiet, arming = 0, 0
			answer(seatlink.TypeArm, seatlink.ResultOK)
		}
		b, err := d.template.Run(&sp.Position, &sp.Speed)
		if err != nil {
			return errors.Join(fmt.Errorf("seat %q: %w", name, err), stop())
		}
		if err := put(b); err != nil {
			return err
		}
		s.Positions = sp.Position
		s.Sent++
		s.LastSequence++
		d.publish()
	}
}

// usable says whether a setpoint is one of this seat's.
func (d *Driver) usable(sp *seat.Setpoint) bool {
	if sp.N != len(d.settings.Axes) || sp.Metres != d.settings.Metres {
		return false
	}
	for i := range sp.N {
		if x := sp.Position[i] + sp.Speed[i]; math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// near says whether a first setpoint is where the seat is said to stand.
func (d *Driver) near(sp *seat.Setpoint) bool {
	most := nearTurn
	if d.settings.Metres {
		most = nearShift
	}
	for i := range sp.N {
		if math.Abs(sp.Position[i]-d.status.Positions[i]) > most {
			return false
		}
	}
	return true
}
