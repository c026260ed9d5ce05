package guide

import (
	"context"
	"fmt"
	"math"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/jog"
	"perch/host/pose"
)

// homingSpread is the most that the edge of a home switch may wander over several homings: 0.1 degree, 0.2 mm.
func homingSpread(unit string) float64 {
	if unit == "m" {
		return 0.0002
	}
	return 0.1 * degree
}

// homing homes several times, and measures where the switches' edges come to lie in the position that the controller counts.
func homing(ctx context.Context, b *bench) error {
	if err := b.rodsOff(); err != nil {
		return err
	}
	measure := b.edges
	if b.byHand() {
		measure = b.marks
	}
	var low, high []float64
	for k := range b.Homings {
		b.Operator.Tell(fmt.Sprintf("Homing %d of %d.", k+1, b.Homings))
		if err := b.begin(ctx, byActuator); err != nil {
			return err
		}
		if err := b.home(); err != nil {
			return err
		}
		if k > 0 { // each begins somewhere else
			if err := b.goTo("Hold the key: it goes away from its park position.", b.elsewhere(k)); err != nil {
				return err
			}
			if err := b.begin(ctx, byActuator); err != nil {
				return err
			}
		}
		if err := b.homeOnce(); err != nil {
			return err
		}
		edges, err := measure(ctx)
		if err != nil {
			return err
		}
		if low == nil {
			low, high = append(low, edges...), append(high, edges...)
		}
		for i, e := range edges {
			low[i], high[i] = min(low[i], e), max(high[i], e)
		}
	}
	most, worst := homingSpread(b.actuators()[0].Unit), 0.0
	for i, a := range b.actuators() {
		worst = max(worst, high[i]-low[i])
		b.note(a.Name+"_edge", "%s", b.shown((high[i]+low[i])/2))
		b.note(a.Name+"_spread", "%s", b.shown(high[i]-low[i]))
	}
	b.note("homings", "%d", b.Homings)
	b.Operator.Tell(fmt.Sprintf("It homes to the same place within %s; at most %s is allowed.", b.shown(worst), b.shown(most)))
	if !(worst < most) {
		return wrong("fasten switches, cams and cranks, or let HOME_SLOW in the firmware's board.h be slower; then do this step again",
			"homing repeats within %s, more than %s", b.shown(worst), b.shown(most))
	}
	return nil
}

// byHand says whether the seat has no home switches.
func (b *bench) byHand() bool {
	return b.Seat.Record.Steps[commissioning.Directions].Numbers["home_switches"] == noSwitches
}

// elsewhere is where homing k begins, within a third of the travel.
func (b *bench) elsewhere(k int) (to pose.Pose) {
	for i, a := range b.actuators() {
		end := a.High
		if (k+i)%2 == 0 {
			end = a.Low
		}
		to[i] = end / 3 * float64(k) / float64(b.Homings)
	}
	return to
}

// edges moves every actuator slowly over its switch's edge, and says where that is.
func (b *bench) edges(ctx context.Context) ([]float64, error) {
	if b.coarse == nil {
		found, _, err := b.pass("Hold the key: it looks for the edges of the switches.", b.ends(func(low, _ float64) float64 { return low }), nil)
		if err == nil && !all(found) {
			found, _, err = b.pass("Hold the key: it looks on the other side.", b.ends(func(_, high float64) float64 { return high }), found)
		}
		if err != nil {
			return nil, err
		}
		if !all(found) {
			return nil, wrong("see that every switch works, then do this step again", "within the travel not every home switch changes")
		}
		b.coarse = found
	}
	beside := func(by float64) (to pose.Pose) {
		for i, a := range b.actuators() {
			to[i] = min(max(b.coarse[i]+by, a.Low), a.High)
		}
		return to
	}
	away := 1.5 * degree
	if b.actuators()[0].Unit == "m" {
		away = 0.003
	}
	for try := 1; ; try++ {
		if err := b.goTo("Hold the key: it goes beside the edges.", beside(away)); err != nil {
			return nil, err
		}
		// A tenth of the speed: at 50 statuses a second that is 0.04 degree between two of them.
		b.jog.SetLimits(jog.Share(b.limits, 0.1))
		found, gap, err := b.pass("Hold the key: it passes the edges, slowly.", beside(-away), nil)
		b.jog.SetLimits(b.limits)
		switch {
		case err != nil:
			return nil, err
		case !all(found):
			return nil, wrong("see that every switch works, then do this step again", "a home switch did not change where it did before")
		case gap < homingSpread(b.actuators()[0].Unit)/2:
			return found, nil
		case try == 5:
			return nil, fmt.Errorf("this machine is too busy to see where a switch changes, to %s only; end other programs and do this step again", b.shown(gap))
		}
	}
}

// ends is the pose with each actuator at an end of its travel.
func (b *bench) ends(which func(low, high float64) float64) (to pose.Pose) {
	for i, a := range b.actuators() {
		to[i] = which(a.Low, a.High)
	}
	return to
}

// pass moves to a pose and notes where each home switch changes: the middle of the last position before and the first after.
// What is known already stays; what did not change is no number.
// gap is the longest way between the two.
func (b *bench) pass(instruction string, to pose.Pose, known []float64) (found []float64, gap float64, err error) {
	found = known
	if found == nil {
		for range b.actuators() {
			found = append(found, math.NaN())
		}
	}
	last := b.status()
	err = b.hold(instruction, func() jog.Press { return jog.Press{Kind: jog.Toward, To: to} }, func(s *jog.Snapshot) bool {
		now := b.status()
		for i := range found {
			if (now.HomeSwitches^last.HomeSwitches)>>i&1 == 1 && math.IsNaN(found[i]) {
				found[i] = (last.Positions[i] + now.Positions[i]) / 2
				gap = max(gap, math.Abs(last.Positions[i]-now.Positions[i]))
			}
		}
		last = now
		return at(s, to) || all(found)
	})
	return found, gap, err
}

func all(found []float64) bool {
	for _, f := range found {
		if math.IsNaN(f) {
			return false
		}
	}
	return len(found) > 0
}

// marks asks how far each actuator has come to lie from a mark, where there are no switches to measure by.
func (b *bench) marks(context.Context) (out []float64, err error) {
	d, how := config.Angle, "in deg, up is positive"
	if b.actuators()[0].Unit == "m" {
		d, how = config.Length, "in mm, longer is positive"
	}
	for _, a := range b.actuators() {
		v, err := b.Operator.Number(fmt.Sprintf("How far is %s from the mark that you made when it was level, %s? ", a.Name, how), d)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}
