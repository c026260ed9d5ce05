// Package ride is where the chain meets the world: it starts the adapters, wakes the chain at the loop's rate, hands
// what comes out to the seat and to the recorder, and carries what an operator asks.
//
// The loop's goroutine only moves plain values: states out of queues, a status out of the driver, a setpoint into it,
// a row into a ring. Everything that may wait has a goroutine of its own.
package ride

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"perch/host/chain"
	"perch/host/commissioning"
	"perch/host/guard"
	"perch/host/loop"
	"perch/host/mechanism"
	"perch/host/plugin"
	"perch/host/record"
	"perch/host/seat"
	"perch/host/signs"
	"perch/host/source"
	"perch/proto/seatlink"
	"perch/sdk/vehicle"
)

// Source is one source of a ride.
type Source struct {
	Name     string // as the operator calls it
	Program  plugin.Program
	Settings map[string]string
	// Ours says that the source is one of the program's own, whose signs its tests prove.
	Ours bool
	// Check is what a person types to check its signs; "": perch signs with its name.
	Check string
}

// Settings are what a ride is made of.
type Settings struct {
	Chain    chain.Settings
	Sources  []Source // as many as Chain.Cueing, in the same order
	Recorder *record.Recorder
	Log      *slog.Logger
	// Tell takes each line that the operator must see. It may be called from any goroutine.
	Tell func(level slog.Level, line string)
	// Attended says that a real seat needs signs of life from the operator: see Alive.
	Attended bool
	// Commissioned says which controller a valid record stands for. Zero: none, and a real seat stays where it is.
	Commissioned commissioning.Gate
	// Signs holds which sources a person has seen to turn the right way. On a real seat all others ride gently.
	Signs signs.Book
	// Probe measures the ride from inside; nil: nothing is measured.
	Probe *Probe
	// RealTime asks for a real-time priority of the loop's thread.
	RealTime bool
	// Length ends the ride after this long; 0: it goes on.
	Length time.Duration
}

// Snapshot is what a ride looks like from outside.
type Snapshot struct {
	Row     chain.Row
	Status  seat.Status
	Timing  loop.Timing
	Sources []plugin.Status
	Signs   []signs.Verdict // of each source; empty before Start
	Gentle  []bool          // which sources the seat follows gently, or not at all, because of that
	Dropped []uint64        // states that each source's queue dropped
	Lost    uint64          // rows that the recorder lost
}

// parkTime is how long the end of a ride may take before the loop ends anyway; the controller then brakes by its own law.
const parkTime = 20 * time.Second

// ChosenPrefix begins the event of a recording that says that another source was chosen to be live, before the tick of
// the event. The source's name follows.
const ChosenPrefix = "live source chosen: "

// Ride is one ride.
type Ride struct {
	s        Settings
	chain    *chain.Chain
	queues   []*source.Queue
	plugins  []*plugin.Source
	trust    []trust
	asked    atomic.Uint32 // guard.Ask bits for the next tick
	alive    atomic.Uint64 // signs of life from the operator
	choice   atomic.Int32  // source to choose at the next tick, -1: none
	tick     atomic.Uint64
	ended    atomic.Bool // the seat is parked and disarmed, because the end was asked for
	skipped  atomic.Uint64
	late     atomic.Int64
	ticks    atomic.Uint64
	mu       sync.Mutex
	snapshot Snapshot
	// what follows belongs to the loop's goroutine
	driver   seat.Driver
	self     self
	in       chain.Input
	row      chain.Row
	status   seat.Status
	seen     record.Seen
	said     record.Said
	line     record.Line
	chosen   []string // what the recording is told when a source is chosen, by its index
	setpoint seat.Setpoint
	lastSign uint64
	quiet    uint64 // ticks since the last sign of life
}

// New builds a ride. Nothing is started.
func New(s Settings) (*Ride, error) {
	if len(s.Sources) == 0 || len(s.Sources) != len(s.Chain.Cueing) {
		return nil, fmt.Errorf("ride: %d sources with %d cueing settings: give one of each", len(s.Sources), len(s.Chain.Cueing))
	}
	c, err := chain.New(s.Chain)
	if err != nil {
		return nil, err
	}
	r := &Ride{s: s, chain: c, self: self{steady: int(0.6 * s.Chain.Rate)}}
	r.choice.Store(-1)
	for _, from := range s.Sources {
		r.queues = append(r.queues, source.NewQueue())
		r.trust = append(r.trust, newTrust(from.Name, s.Chain.Cueing[len(r.trust)].Intensity))
		r.chosen = append(r.chosen, ChosenPrefix+from.Name)
	}
	actuators := s.Chain.Mechanism.Actuators()
	r.setpoint.N = len(actuators)
	r.setpoint.Metres = len(actuators) > 0 && actuators[0].Unit == "m"
	return r, nil
}

// Ask hands an operator's request to the next tick.
func (r *Ride) Ask(a guard.Ask) { r.asked.Or(uint32(a)) }

// Alive is a sign of life from whoever armed the seat.
func (r *Ride) Alive() { r.alive.Add(1) }

// Choose makes another source live, by its index.
func (r *Ride) Choose(of int) { r.choice.Store(int32(of)) }

// Snapshot is the newest picture of the ride, at most 20 ms old.
func (r *Ride) Snapshot() Snapshot {
	r.mu.Lock()
	s, plugins := r.snapshot, r.plugins
	r.mu.Unlock()
	s.Timing = loop.Timing{Ticks: r.ticks.Load(), Skipped: r.skipped.Load(), Late: time.Duration(r.late.Load())}
	for i := range r.trust {
		if v := r.trust[i].verdict.Load(); v != nil {
			s.Signs, s.Gentle = append(s.Signs, *v), append(s.Gentle, v.Standing != signs.Confirmed && real(&s.Status))
		}
	}
	s.Sources, s.Dropped = make([]plugin.Status, len(plugins)), make([]uint64, len(plugins))
	for i, p := range plugins {
		if p == nil {
			continue
		}
		s.Sources[i], s.Dropped[i] = p.Status(), r.queues[i].Dropped()
	}
	return s
}

// Run rides until ctx ends, or Settings.Length is over; then it settles and parks the seat, disarms it, and ends the
// adapters. Start comes first. The driver stays open.
func (r *Ride) Run(ctx context.Context, driver seat.Driver) error {
	r.driver = driver
	if r.s.Length > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, r.s.Length)
		defer cancel()
	}
	looping, endLoop := context.WithCancel(context.WithoutCancel(ctx))
	defer endLoop()
	stopEnd := context.AfterFunc(ctx, func() {
		r.Ask(guard.AskEnd)
		time.AfterFunc(parkTime, endLoop)
	})
	defer stopEnd()
	var pumping sync.WaitGroup
	pumping.Go(func() { r.pump(looping) })
	loop.Loop{Period: time.Duration(float64(time.Second) / r.s.Chain.Rate), RealTime: r.s.RealTime}.Run(looping, r.granted, r.step)
	endLoop()
	pumping.Wait()
	return errors.Join(r.recorded(), r.Stop())
}

func (r *Ride) granted(err error) {
	if err != nil {
		r.s.Log.Info(err.Error())
	}
}

// Start starts every adapter at once, since each takes a while, after checking its settings. When it fails no adapter
// is left; the error is everything that is wrong.
func (r *Ride) Start(ctx context.Context) error {
	ctx = context.WithoutCancel(ctx) // the adapters outlast the ride by the time that the seat takes to park
	started := make([]*plugin.Source, len(r.s.Sources))
	failures := make([]error, len(r.s.Sources))
	var starting sync.WaitGroup
	for i, s := range r.s.Sources {
		starting.Go(func() {
			p := s.Program
			p.Name = s.Name
			started[i], failures[i] = plugin.Start(ctx, p, s.Settings, plugin.Options{
				Log:       r.s.Log.With("source", s.Name),
				Sink:      func(v *vehicle.State) { r.take(i, v) },
				Notify:    func(e plugin.Event) { r.tell(e.Level, e.Text) },
				OnRestart: func() { r.judge(i) }, // it may be another version of the program
			})
		})
	}
	starting.Wait()
	r.mu.Lock()
	r.plugins = started
	r.mu.Unlock()
	if err := errors.Join(failures...); err != nil {
		return errors.Join(err, r.Stop())
	}
	for i := range started {
		r.judge(i)
	}
	return nil
}

// take queues a state for the next tick. It runs in the goroutine that reads the adapter's stream.
func (r *Ride) take(of int, s *vehicle.State) {
	if r.s.Probe != nil {
		r.s.Probe.arrived(s.SourceTime)
	}
	r.queues[of].Push(s)
}

// Stop ends every adapter at once, where there is no ride to do it.
func (r *Ride) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), 6*time.Second)
	defer cancel()
	failures := make([]error, len(r.plugins))
	var stopping sync.WaitGroup
	for i, p := range r.plugins {
		if p != nil {
			stopping.Go(func() { failures[i] = p.Stop(ctx) })
		}
	}
	stopping.Wait()
	return errors.Join(failures...)
}

// tell shows a line and records it.
func (r *Ride) tell(level slog.Level, line string) {
	r.s.Recorder.Event(r.tick.Load(), level, line)
	r.s.Tell(level, line)
}

// step is one tick. It neither waits nor allocates.
func (r *Ride) step(timing loop.Timing) bool {
	r.ticks.Store(timing.Ticks + 1)
	r.skipped.Store(timing.Skipped)
	r.late.Store(int64(timing.Late))
	tick := r.chain.Tick()
	r.tick.Store(tick)
	// A source that does not exist changes nothing.
	if of := int(r.choice.Swap(-1)); of >= 0 && r.chain.Choose(of) == nil {
		r.line.Tick, r.line.Message = tick, r.chosen[of]
		r.s.Recorder.PutLine(&r.line)
	}
	if r.s.Probe != nil {
		r.s.Probe.tick(timing.Late, r.chain.Delay())
	}
	r.driver.Status(&r.status)
	for i, q := range r.queues {
		follow := r.temper(i, tick)
		for q.Pop(&r.seen.State) {
			if !follow {
				continue
			}
			r.seen.Tick, r.seen.Source = tick, i
			r.chain.See(i, &r.seen.State)
			r.s.Recorder.PutState(&r.seen)
		}
	}
	r.in.Controller = controller(&r.status)
	r.in.Controller.Commissioned = r.s.Commissioned.Open(Identity(&r.status))
	asked := guard.Ask(r.asked.Swap(0))
	r.in.Ask = asked | r.self.ask(asked, &r.in.Controller, &r.row)
	r.in.OperatorAge = r.operatorAge()
	r.chain.Step(&r.in, &r.row)
	out := &r.row.Guarded
	if command := commandOf(out.Command); command != 0 {
		r.driver.Do(command)
	}
	if out.Setpoint {
		r.setpoint.Position, r.setpoint.Speed, r.setpoint.Acceleration = out.Actuators, out.Speeds, out.Accelerations
		r.driver.Send(&r.setpoint)
	}
	r.s.Recorder.PutRow(&r.row)
	if tick%10 == 0 {
		r.said.Tick, r.said.Status = tick, r.status
		r.s.Recorder.PutStatus(&r.said)
	}
	r.ended.Store(out.Ended)
	return !out.Ended
}

// operatorAge is how long ago the operator gave a sign of life, in s.
func (r *Ride) operatorAge() float64 {
	if sign := r.alive.Load(); sign != r.lastSign || !r.s.Attended || r.status.Simulated {
		r.lastSign, r.quiet = sign, 0
	} else {
		r.quiet++
	}
	return float64(r.quiet) / r.s.Chain.Rate
}

// Identity is the controller of a status, as a commissioning record names it.
func Identity(s *seat.Status) commissioning.Controller {
	return commissioning.Controller{Board: s.Board, Firmware: s.Firmware, Limits: s.Hash}
}

// controller is the guard's view of a seat's status.
func controller(s *seat.Status) guard.Controller {
	return guard.Controller{
		Present:   s.Connected,
		Simulated: s.Simulated,
		Homed:     s.Homed,
		Homing:    s.State == seatlink.StateHoming,
		Armed:     s.Armed,
		Ready:     s.State == seatlink.StateReady,
		Fault:     s.State == seatlink.StateFault,
		Supply:    s.State != seatlink.StateSupplyOff,
		Stopped:   s.State == seatlink.StateStopping || s.State == seatlink.StateHeld,
		BootID:    s.BootID,
		Position:  mechanism.Positions(s.Positions),
	}
}

// pump writes what the loop left, and keeps the snapshot, until the loop ends.
func (r *Ride) pump(ctx context.Context) {
	draining := time.NewTicker(20 * time.Millisecond)
	defer draining.Stop()
	flushed := time.Now()
	var failed bool
	for {
		select {
		case <-ctx.Done():
			return
		case <-draining.C:
		}
		err := r.s.Recorder.Drain()
		if time.Since(flushed) > time.Second {
			err = r.s.Recorder.Flush()
			flushed = time.Now()
		}
		if err != nil && !failed {
			failed = true
			r.tell(slog.LevelError, fmt.Sprintf("recording stopped, the ride goes on: %v", err))
		}
		r.look()
	}
}

// look renews the snapshot, and tells what is new.
func (r *Ride) look() {
	row, status := r.s.Recorder.Last()
	r.mu.Lock()
	before := r.snapshot.Row.Guarded
	r.snapshot.Row, r.snapshot.Status, r.snapshot.Lost = *row, *status, r.s.Recorder.Dropped()
	r.mu.Unlock()
	r.tellOf(&before, &row.Guarded)
	r.tellSigns(real(status))
}

// tellOf tells of a change of the seat's state, and of a demand that is lessened.
func (r *Ride) tellOf(before, now *guard.Output) {
	switch swings := now.Held & guard.HeldSwing; {
	case swings == before.Held&guard.HeldSwing:
	case swings != 0:
		r.tell(slog.LevelWarn, "seat: the demand has swung near the seat's limits for seconds: it is lessened until it calms down; "+
			"look at the source and its signs, or lower the intensity")
	case now.State == guard.Riding:
		r.tell(slog.LevelInfo, "seat: the demand has calmed down: it moves the seat whole again")
	}
	if now.State == before.State && now.Cause == before.Cause {
		return
	}
	line := "seat: " + now.State.String()
	if cause := now.Cause.String(); cause != "" {
		line += ": " + cause
	}
	r.tell(slog.LevelInfo, line)
}

// recorded writes what is left when the loop has ended.
func (r *Ride) recorded() error {
	r.s.Recorder.Drain() //nolint:errcheck // Flush gives the same error
	if err := r.s.Recorder.Flush(); err != nil {
		return fmt.Errorf("recording: %w", err)
	}
	r.look()
	return nil
}
