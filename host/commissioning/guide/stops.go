package guide

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"perch/host/commissioning/sizing"
	"perch/host/jog"
	"perch/host/seat"
	"perch/proto/seatlink"
)

// freshStatus is long enough for many a STATUS: one comes every 10 to 20 ms.
const freshStatus = 300 * time.Millisecond

// stopShare is how far of its travel the seat sways in the stop tests, so that there is room beyond.
const stopShare = 0.6

// stops breaks what can break while the seat moves, one after the other, and sees that the seat stops by itself, holds,
// and that the controller did not restart.
func stops(ctx context.Context, b *bench) error {
	if err := b.rodsOn(); err != nil {
		return err
	}
	b.Operator.Tell(
		"Five tests while the seat moves. Have somebody at the switch of the motor supply.",
		"After each the seat has to be where it stopped; you bring it back by holding the key.")
	for _, test := range []struct {
		name string
		do   func(context.Context, *bench) error
	}{{"stop_key", stopKey}, {"cable", cable}, {"host_killed", hostKilled}, {"other_program", otherProgram}, {"supply", supplyMoving}} {
		if b.jog == nil {
			if err := b.begin(ctx, byPose); err != nil {
				return err
			}
		}
		if err := b.home(); err != nil {
			return err
		}
		if err := test.do(ctx, b); err != nil {
			return err
		}
	}
	if b.jog == nil {
		if err := b.begin(ctx, byPose); err != nil {
			return err
		}
	}
	return b.home()
}

// swaying holds the seat in motion until done.
func (b *bench) swaying(instruction string, done func(s *jog.Snapshot) bool) error {
	w := b.newSway(b.firstAxis(), stopShare)
	return b.hold(instruction, func() jog.Press { return w.press(b.jog.Snapshot()) }, done)
}

// rested waits until the controller says that it is at rest, and gives its status.
func (b *bench) rested() (seat.Status, error) {
	err := b.settle("comes to rest", func(s *seat.Status) bool {
		return s.Connected && s.State != seatlink.StateArmed && s.State != seatlink.StateStopping
	})
	return b.status(), err
}

// see notes how fast the actuators are.
func (b *bench) see(s *jog.Snapshot) {
	for i, v := range s.Speeds {
		b.fastest[i] = max(b.fastest[i], math.Abs(v))
	}
}

// distance shows and records how far an actuator went until it stood, beside what sizing has for that: the way to stop from
// the fastest that it was seen, with the controller's own limits, and what it goes in the time of its watchdog.
func (b *bench) distance(name string, went float64) {
	most := 0.0
	for i, l := range b.own {
		way, _ := sizing.Stopping(b.fastest[i], float64(l.Acceleration)*1e-3, float64(l.Jerk)*1e-3)
		most = max(most, way+b.fastest[i]*sizing.Watchdog)
	}
	b.note(name+"_distance", "%s, at most %s expected", b.shown(went), b.shown(most))
	b.Operator.Tell(fmt.Sprintf("It went %s until it stood; V (V/A + A/J)/2 + V × 100 ms is %s.", b.shown(went), b.shown(most)))
	if went > most {
		b.Operator.Tell("That is more than expected. If this computer was not busy just then, say no below: see the limits in the controller's firmware, and perch conform controller.")
	}
}

// keeps sees that the seat keeps its place while somebody looks, and asks.
func (b *bench) keeps(ctx context.Context, question string) error {
	moved, err := b.still(ctx)
	if err != nil {
		return err
	}
	if moved > 0 {
		return wrong("flash the reference firmware, or one that perch conform controller has passed", "after the stop the controller moved the seat by %s by itself", b.shown(moved))
	}
	return b.must(question, "do not ride; find out why, and do this step again", "the seat did not stop, or moved again")
}

// sameBoot sees that the controller has not restarted.
func (b *bench) sameBoot(before seat.Status, what string) error {
	if now := b.status(); now.BootID != before.BootID {
		return wrong("give the controller a supply of its own, and cut its board's reset line from the port (or fit the capacitor that its maker names for that)",
			"the controller restarted when %s: in motion every motor would have stopped hard, and its position is lost", what)
	}
	return nil
}

func stopKey(ctx context.Context, b *bench) error {
	for {
		var pressed *jog.Snapshot
		var lost absence
		w := b.newSway(b.firstAxis(), stopShare)
		err := b.Operator.Hold("Hold the key: the seat sways. While it moves, press Esc.", Hold{
			Press: func() {
				if pressed == nil {
					b.jog.Press(w.press(b.jog.Snapshot()))
				}
			},
			Stop: func() {
				b.jog.Stop()
				if s := b.jog.Snapshot(); pressed == nil {
					pressed = &s
				}
			},
			Done: func() (bool, error) {
				s := b.jog.Snapshot()
				b.see(&s)
				if lost.lasts(&s) {
					return false, errAway
				}
				if s.State == jog.Fault {
					return false, wrong("find out why and do this step again", "the controller is in %s (%s)", s.Status.State, s.Status.Faults)
				}
				return pressed != nil && s.State != jog.Moving && s.State != jog.Stopping && s.State != jog.Away, nil
			},
		})
		if err != nil {
			return err
		}
		s, err := b.rested()
		if err != nil {
			return err
		}
		if pressed.State != jog.Moving {
			b.Operator.Tell("The seat was not in motion just then; once more.")
			if err := b.home(); err != nil {
				return err
			}
			continue
		}
		b.distance("stop_key", farthest(pressed.Status.Positions, s.Positions))
		return b.keeps(ctx, "Did it stop at once, softly, and stay?")
	}
}

func cable(ctx context.Context, b *bench) error {
	before := b.status()
	last := before
	moving := 0
	pretended := false
	err := b.Operator.Hold("Hold the key: the seat sways. While it moves, pull the data cable out; keep holding until told otherwise.", b.breaking(func(s *jog.Snapshot) bool {
		if s.State == jog.Moving {
			if moving++; moving == 10 {
				pretended = b.Host.Pretend(CablePulled, 0)
			}
		}
		now := b.status()
		if now.Connected {
			last = now
		}
		return moving > 0 && !now.Connected
	}))
	if err != nil {
		return err
	}
	b.Operator.Tell("The cable is out. Let go and look at the seat.")
	if err := pause(ctx, b.Look); err != nil {
		return err
	}
	if err := b.must("Did the seat stop at once when the cable came out, softly, and is it still where it stopped?",
		"do not ride: the controller has no watchdog of its own; flash the reference firmware, or one that perch conform controller has passed",
		"without its cable the seat did not stop by itself"); err != nil {
		return err
	}
	b.end()
	if pretended {
		b.Host.Pretend(CableBack, 0)
	}
	if err := b.Operator.Wait("Plug the cable in again.", func() bool { return b.status().Connected }); err != nil {
		return err
	}
	return b.afterwards(ctx, "cable", before, last, "its cable was plugged in", "Did it stay where it was when the cable came back?")
}

// breaking is a hold that ends when done says so, whatever the controller says.
func (b *bench) breaking(done func(s *jog.Snapshot) bool) Hold {
	w := b.newSway(b.firstAxis(), stopShare)
	return Hold{
		Press: func() { b.jog.Press(w.press(b.jog.Snapshot())) },
		Stop:  b.jog.Stop,
		Done: func() (bool, error) {
			s := b.jog.Snapshot()
			b.see(&s)
			return done(&s), nil
		},
	}
}

// afterwards judges a controller that was lost and found.
func (b *bench) afterwards(ctx context.Context, name string, before, last seat.Status, what, question string) error {
	if err := pause(ctx, freshStatus); err != nil { // until what is known is from after the loss
		return err
	}
	if err := b.sameBoot(before, what); err != nil {
		return err
	}
	now, err := b.rested()
	if err != nil {
		return err
	}
	if now.State != seatlink.StateHeld && now.State != seatlink.StateFault {
		return wrong("flash the reference firmware, or one that perch conform controller has passed", "after the loss the controller is in %s; it has to hold where it stopped", now.State)
	}
	b.distance(name, farthest(last.Positions, now.Positions))
	return b.keeps(ctx, question)
}

func hostKilled(ctx context.Context, b *bench) error {
	before := b.status()
	b.end()
	_ = b.line.Close()
	b.line = nil
	child, err := b.Host.Child(ctx)
	if err != nil {
		return fmt.Errorf("another program to be killed: %w", err)
	}
	killed := false
	defer func() {
		if !killed {
			_ = child.Kill()
		}
	}()
	moving := 0
	var failed error
	var last seat.Status
	err = b.Operator.Hold("Hold the key: another program of this kind moves the seat, and is killed while it moves.", Hold{
		Press: func() { failed = errors.Join(failed, child.Press()) },
		Stop:  func() { failed = errors.New("stopped before the program was killed; do this step again") },
		Done: func() (bool, error) {
			if failed != nil {
				return false, failed
			}
			m, where := child.Moving()
			if m {
				moving++
				last.Positions = where
			}
			if moving < 15 {
				return false, nil
			}
			killed = true
			return true, child.Kill()
		},
	})
	if err != nil {
		return err
	}
	b.Operator.Tell("The program is dead. Let go and look at the seat.")
	if err := b.must("Did the seat stop at once, softly, and is it still where it stopped?",
		"do not ride: the controller has no watchdog of its own; flash the reference firmware, or one that perch conform controller has passed",
		"with its program dead the seat did not stop by itself"); err != nil {
		return err
	}
	if err := b.open(ctx); err != nil {
		return err
	}
	return b.afterwards(ctx, "host_killed", before, last, "its port was opened again", "Did it stay where it was when the port was opened again?")
}

func otherProgram(ctx context.Context, b *bench) error {
	before := b.status()
	moving := 0
	var refused error
	tried := false
	err := b.patiently(func() error {
		return b.swaying("Hold the key: the seat sways, and another program tries to open its port.", func(s *jog.Snapshot) bool {
			if s.State == jog.Moving {
				if moving++; moving == 10 {
					refused, tried = b.Host.Intrude(ctx), true
				}
			}
			return tried && moving > 30
		})
	})
	if err != nil {
		return err
	}
	if err := b.settle("answers", func(s *seat.Status) bool { return s.Connected }); err != nil {
		return err
	}
	if err := b.sameBoot(before, "another program opened its port"); err != nil {
		return err
	}
	b.note("other_program", "opened the port, the controller went on")
	if refused != nil {
		b.note("other_program", "was refused the port")
	}
	return b.must("Did the seat go on swaying softly, or stop softly?", "do not ride; find out why, and do this step again", "the seat jerked when another program opened its port")
}

func supplyMoving(ctx context.Context, b *bench) error {
	moving := 0
	err := b.Operator.Hold("Hold the key: the seat sways. While it moves, press the switch of the motor supply.", b.breaking(func(s *jog.Snapshot) bool {
		if s.State == jog.Moving {
			if moving++; moving == 10 {
				b.Host.Pretend(SupplyOff, 0)
			}
		}
		now := b.status()
		return moving > 0 && isOff(&now)
	}))
	if err != nil {
		return err
	}
	b.note("supply", "the controller reported it, and waited for a reset")
	if err := b.must("Did the motors let go, and did the seat come to rest without hitting anything hard?",
		"fit a brake, balance or buffers, and see that the switch cuts the motors' power by itself", "with the motor supply off in motion the seat did not come to rest softly"); err != nil {
		return err
	}
	return b.supplyBack(ctx)
}
