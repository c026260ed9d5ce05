package main

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/guard"
	"perch/host/ride"
	"perch/host/seat"
	"perch/host/terminal"
)

// operator carries what is pressed to the ride, gives it signs of life while the terminal is there, and ends it.
type operator struct {
	end      context.CancelFunc
	ride     *ride.Ride
	screen   *screen
	driver   seat.Driver
	keys     <-chan terminal.Key
	restore  func()
	signals  chan os.Signal
	here     bool // the operator's terminal is there
	ending   bool
	warned   bool // the cautions have been shown
	read     bool // and there was time to read them: the next hold arms
	left     int  // of the countdown, s; 0: none
	second   *time.Ticker
	confirm  bool // --arm waits for Enter
	levelled bool // a one-way controller's seat was said to stand level, once
}

func newOperator(ctx context.Context, end context.CancelFunc, r *ride.Ride, s *screen, d seat.Driver) *operator {
	o := &operator{end: end, ride: r, screen: s, driver: d, here: true, signals: make(chan os.Signal, 4), second: time.NewTicker(time.Second)}
	signal.Notify(o.signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	// An output that nobody reads any more must be an error, not the end of the process: the seat is parked first.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	var err error
	// The keys are read until the program ends: while the seat settles and parks, a stop must still stop it.
	if o.keys, o.restore, err = terminal.ReadKeys(context.WithoutCancel(ctx), os.Stdin); err != nil {
		o.restore = func() {} // no terminal: signals are all there is
	}
	return o
}

// attend runs until the program ends. With arm it asks for Enter after the cautions, counts down, and arms once.
func (o *operator) attend(arm bool) {
	alive := time.NewTicker(100 * time.Millisecond)
	simulated := o.simulated()
	switch {
	case simulated:
		o.say(slog.LevelInfo, "the controller says that it is simulated: it homes and arms itself, since nothing moves")
	case o.unproven():
	case arm:
		o.caution()
		o.confirm = true
		o.say(slog.LevelWarn, "Enter begins a countdown of five seconds; any other key leaves the seat parked")
	case o.oneWay():
		o.say(slog.LevelInfo, "this controller cannot home: with the motors on, bring the seat to level, check it with a spirit level, then h says that it stands level; a held for a second arms it")
	default:
		o.say(slog.LevelInfo, "the seat stays where it is until you ask: h homes it, a held for a second arms it")
	}
	for {
		select {
		case <-alive.C:
			if o.here {
				o.ride.Alive()
			}
		case <-o.second.C:
			o.count()
		case s := <-o.signals:
			if s == syscall.SIGHUP {
				o.here = false
			}
			o.finish()
		case <-o.screen.gone:
			if !o.ending {
				o.finish()
			}
		case key, open := <-o.keys:
			if !open {
				o.keys, o.here = nil, false
				continue
			}
			o.press(key)
		}
	}
}

func (o *operator) simulated() bool { return statusOf(o.driver).Simulated }

// lack is what the seat's commissioning record lacks for the controller that is there; nil where it may be ridden.
func lack(s config.Seat, d seat.Driver) error {
	status := statusOf(d)
	if status.Simulated {
		return nil
	}
	return commissioning.Check(s, ride.Identity(&status))
}

// unproven says what the record lacks, if anything: then no key of a ride moves the seat.
func (o *operator) unproven() bool {
	err := lack(o.screen.c.Seat, o.driver)
	if err == nil {
		return false
	}
	for line := range strings.Lines(err.Error()) {
		o.say(slog.LevelWarn, strings.TrimSpace(line))
	}
	o.say(slog.LevelWarn, "until then no source moves this seat; perch jog and perch commission do, while a key is held")
	return true
}

// oneWay says whether the controller answers nothing.
func (o *operator) oneWay() bool { return statusOf(o.driver).OneWay }

func (o *operator) say(level slog.Level, line string) { o.screen.tell(level, line) }

// caution shows the cautions, once.
func (o *operator) caution() {
	if o.warned {
		return
	}
	o.warned = true
	for _, line := range append(append(terminal.SupplyTest(), terminal.Cautions()...), terminal.SizedFor(o.screen.c.Seat.Load.RiderMass)) {
		o.say(slog.LevelWarn, line)
	}
}

// count takes a second off a countdown that runs.
func (o *operator) count() {
	if o.left == 0 {
		return
	}
	o.left--
	o.screen.counts.Store(int32(o.left))
	if o.left == 0 {
		o.arm()
		return
	}
	o.bell()
}

// arm asks for it, and says every time what a one-way controller does not do.
func (o *operator) arm() {
	if o.oneWay() {
		for _, line := range terminal.OneWay(commissioning.StopsByItself(o.screen.c.Seat)) {
			o.say(slog.LevelWarn, line)
		}
	}
	o.ride.Ask(guard.AskArm)
}

func (o *operator) bell() { fmt.Fprint(os.Stderr, terminal.Countdown(o.left), "\r") }

func (o *operator) press(key terminal.Key) {
	confirmed := o.confirm && key.Kind == terminal.Confirm
	if o.left > 0 || o.confirm && !confirmed {
		o.left, o.confirm = 0, false
		o.screen.counts.Store(0)
		o.say(slog.LevelWarn, "not armed: a key was pressed")
	}
	if key.Kind != terminal.Home {
		o.levelled = false
	}
	switch key.Kind {
	case terminal.Stop:
		o.ride.Ask(guard.AskStop)
	case terminal.Holding:
		o.screen.holding.Store(math.Float64bits(key.Progress))
		if !o.simulated() && lack(o.screen.c.Seat, o.driver) == nil {
			o.caution()
		}
	case terminal.Arm:
		o.screen.holding.Store(0)
		if o.unproven() {
			return
		}
		if !o.read && !o.simulated() {
			o.read = true
			o.say(slog.LevelWarn, "not armed yet: read the cautions above, let go, and hold a again")
			return
		}
		o.arm()
		switch o.ride.Snapshot().Row.Guarded.State.String() {
		case "held":
			o.say(slog.LevelInfo, "not armed: the seat is held after a stop; p parks it, then hold a again")
		case "off":
			o.say(slog.LevelInfo, "not armed: the seat is not homed; h homes it, then hold a again")
		case "fault":
			o.say(slog.LevelInfo, "not armed: the seat needs attention; mend the cause, then r, h, and hold a again")
		}
	case terminal.Park:
		if o.unproven() {
			return
		}
		o.ride.Ask(guard.AskPark)
	case terminal.Home:
		if o.unproven() {
			return
		}
		if o.oneWay() && !o.levelled {
			o.levelled = true
			o.say(slog.LevelWarn, "does the seat stand level, by a spirit level, with nobody on it? Press h again to say that it does")
			return
		}
		if s := statusOf(o.driver); s.HandHomed && !s.Homed && !o.levelled {
			o.levelled = true
			o.say(slog.LevelWarn, "this seat is homed by hand: was it levelled by a spirit level while the motor supply was off, and is nobody in it nor near it? Press h again to say so")
			return
		}
		o.levelled = false
		o.ride.Ask(guard.AskHome)
	case terminal.Reset:
		o.ride.Ask(guard.AskReset)
	case terminal.Choose:
		o.ride.Choose(key.Number - 1)
	case terminal.End:
		o.finish()
	case terminal.Confirm:
		if confirmed {
			o.confirm, o.read, o.left = false, true, terminal.CountdownSeconds
			o.screen.counts.Store(int32(o.left))
			o.second.Reset(time.Second) // so that the first of the seconds is a whole one
			o.bell()
		}
	}
}

// finish ends the ride; the second time, the program.
func (o *operator) finish() {
	if o.ending {
		o.restore()
		o.screen.close()
		fmt.Fprintln(os.Stderr, "perch: ended at once; the controller brakes by its own law and holds")
		os.Exit(exitFailed)
	}
	o.ending = true
	o.say(slog.LevelInfo, "ending: settling and parking; Ctrl-C again ends at once")
	o.end()
}
