package jog

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"perch/host/guard"
	"perch/host/loop"
	"perch/host/mechanism"
	"perch/host/seat"
	"perch/proto/seatlink"
)

// Settings are what a Jog is made of.
type Settings struct {
	Mechanism mechanism.Mechanism // of Own or Slowed
	Limits    guard.Limits        // of the same
	Rate      float64             // of the loop, Hz; 0: 500
	Full      bool                // armed at the controller's full limits: only where these are what is tried
	RealTime  bool                // ask for a real-time priority of the loop's thread
}

// Snapshot is what a Jog looks like from outside, at most a tick old.
type Snapshot struct {
	Output
	Status seat.Status
}

// Jog moves a seat through its controller. Press, Stop and Snapshot are for any goroutine.
type Jog struct {
	settings Settings
	stepper  *Stepper
	driver   seat.Driver
	presses  atomic.Pointer[Press]
	stops    atomic.Bool
	limits   atomic.Pointer[guard.Limits] // to take up
	end      atomic.Bool
	mu       sync.Mutex
	snapshot Snapshot
	// what follows belongs to the loop
	status   seat.Status
	out      Output
	setpoint seat.Setpoint
	ending   float64 // s since the end was asked for
	told     float64 // s since the disarming command
}

// New makes one. Nothing moves before Run, and then only while Press is called.
func New(s Settings, d seat.Driver) (*Jog, error) {
	if s.Rate == 0 {
		s.Rate = 500
	}
	arm := seat.ArmReduced
	if s.Full {
		arm = seat.Arm
	}
	stepper, err := NewStepper(s.Mechanism, s.Limits, arm, 1/s.Rate)
	if err != nil {
		return nil, fmt.Errorf("jog: %w", err)
	}
	j := &Jog{settings: s, stepper: stepper, driver: d, told: again}
	actuators := s.Mechanism.Actuators()
	j.setpoint.N, j.setpoint.Metres = len(actuators), actuators[0].Unit == "m"
	d.Status(&j.status)
	j.snapshot = Snapshot{Status: j.status, Output: Output{Pose: stepper.l.Pose()}}
	return j, nil
}

// Press asks for a movement of PressTime. A newer press replaces one that the loop has not seen.
func (j *Jog) Press(p Press) { j.presses.Store(&p) }

// SetLimits changes the limits from the next tick on at which the seat can keep them, stop included.
func (j *Jog) SetLimits(l guard.Limits) { j.limits.Store(&l) }

// Stop stops the seat; presses before it count no more.
func (j *Jog) Stop() {
	j.presses.Store(nil)
	j.stops.Store(true)
}

// Snapshot is the newest picture.
func (j *Jog) Snapshot() Snapshot {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.snapshot
}

// Run moves the seat as it is pressed, until ctx ends; then it brakes, disarms and ends. The driver stays open.
func (j *Jog) Run(ctx context.Context) {
	stop := context.AfterFunc(ctx, func() { j.end.Store(true) })
	defer stop()
	loop.Loop{Period: time.Duration(float64(time.Second) / j.settings.Rate), RealTime: j.settings.RealTime}.Run(
		context.WithoutCancel(ctx), func(error) {}, j.step)
}

// Start is Run in a goroutine of its own. end asks for its end and waits for it.
func (j *Jog) Start(ctx context.Context) (end func()) {
	ctx, cancel := context.WithCancel(ctx)
	over := make(chan struct{})
	go func() {
		j.Run(ctx)
		close(over)
	}()
	return func() {
		cancel()
		<-over
	}
}

// step is one tick.
func (j *Jog) step(loop.Timing) bool {
	j.driver.Status(&j.status)
	press, stop := j.presses.Swap(nil), j.stops.Swap(false)
	if j.end.Load() {
		press = nil
	}
	if l := j.limits.Swap(nil); l != nil {
		// It allocates, now and then. What cannot be kept is refused, and the old limits hold.
		_ = j.stepper.l.SetLimits(*l)
	}
	j.stepper.Step(&j.status, press, stop, &j.out)
	over := j.end.Load() && j.leave()
	if j.out.Command != 0 {
		j.driver.Do(j.out.Command)
	}
	if j.out.Setpoint {
		j.setpoint.Position, j.setpoint.Speed, j.setpoint.Acceleration = j.out.Actuators, j.out.Speeds, j.out.Rates
		j.driver.Send(&j.setpoint)
	}
	if j.mu.TryLock() || over && j.lock() {
		j.snapshot.Output, j.snapshot.Status = j.out, j.status
		j.mu.Unlock()
	}
	return !over
}

func (j *Jog) lock() bool {
	j.mu.Lock()
	return true
}

// leave disarms what is at rest, and says whether there is nothing left to do.
func (j *Jog) leave() bool {
	dt := 1 / j.settings.Rate
	j.ending += dt
	j.told += dt
	switch j.out.State {
	case Still:
		if j.told >= again && j.out.Command == 0 {
			j.out.Command, j.told = seat.Disarm, 0
		}
	case Homing, Parking:
		if j.told >= again && j.out.Command == 0 {
			j.out.Command, j.told = seat.Stop, 0
		}
	case Moving, Stopping, Arming:
	default:
		return true
	}
	return j.ending > endLong
}

// Reduced are the speeds that a controller takes when it is armed at reduced speed, rad/s or m/s, a little under
// its limits so that rounding is no reason to refuse.
func Reduced(limits []seatlink.AxisLimits) []float64 {
	var out []float64
	for _, l := range limits {
		out = append(out, float64(l.ReducedSpeed)*seatlink.SpeedQuantum*0.98)
	}
	return out
}
