package controller

import (
	"fmt"
	"math"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

func motionChecks() []Check {
	return []Check{
		check("follows", "Each axis goes where its setpoints go", `One axis after the other is moved out and back. Its position in STATUS must be the setpoint's, and the others must stay.
Why it matters: an axis that goes the other way makes a seat that drops when it should rise; the guard's limits, which are not
symmetric, then protect the wrong side.
Usual mistakes: a sign in only one of STATUS and motion; axes exchanged; steps for radians.
This sees what the controller says. Which way the motor itself turns is for perch commission, with your own eyes.`, follows),
		statesCheck(seatlink.StateArmed, func(s *Subject) error { return s.arm(usual, false) }),
		check("refuses-outside", "Setpoints outside travel or speed are refused", `A position outside the travel, a speed above the limit and an axes byte of another controller are refused: counted, not taken, not
moved to, and they do not feed the watchdog.
Why it matters: this is the second opinion that holds when the host's own guard is wrong or was configured for another seat.
Usual mistakes: the position is cut to the limit instead; the speed field is not looked at; a refused setpoint still counts as fresh.`, refusesOutside),
		check("reduced-speed", "Armed at reduced speed it is no faster", `Armed with the flag, STATUS says so, setpoints above the reduced speed are refused, and ARM itself gets RESULT 5 while the newest
setpoint is faster.
Why it matters: at reduced speed somebody stands beside the open cranks.
Usual mistake: the flag is stored and only shown.`, reducedSpeed),
		check("jump", "A jump is walked to, not followed", `A setpoint far away, with all else right, is caught up with inside the speed limit; tried at reduced speed.
Why it matters: whatever the host sends, the crank must not be thrown.
Usual mistake: the position is checked against the travel only, and the motor gets the difference as steps as fast as they can be made.`, jump),
		check("catches-up", "After a gap it catches up, and stays armed", `Setpoints stop for 80 ms in motion and come back further on. The controller brakes, then catches up inside its speed limit, is at the
target at the end, and stays ARMED.
Why it matters: a computer is late now and then. That must be felt as little as can be, and never as a jerk.
Usual mistakes: the missed way is made up for in one step; it stays behind by the gap for ever; it latches too early.`, catchesUp),
	}
}

// stretch is how far to move an axis to see it move: a fifth of the way to its roomier end.
func (s *Subject) stretch(axis int) float64 { return s.away(0.2)[axis] - s.limits[axis].park }

func follows(s *Subject) (report.Finding, error) {
	const expected = "each axis at its setpoint, the others where they were"
	if err := s.arm(usual, false); err != nil {
		return report.Finding{}, err
	}
	good := false
	s.followed = &good
	measured := ""
	for axis := range s.limits {
		start, err := s.fresh()
		if err != nil {
			return report.Finding{}, err
		}
		to := append([]float64(nil), s.player.x[:s.n()]...)
		asked := s.stretch(axis)
		to[axis] += asked
		if err := s.playOut(s.moveTo(to), 150*ms); err != nil {
			return report.Finding{}, err
		}
		now, err := s.fresh()
		if err != nil {
			return report.Finding{}, err
		}
		if now.State != seatlink.StateArmed {
			s.followed = nil
			return warn(fmt.Sprintf("it left ARMED for %v while axis %d moved", now.State, axis+1), expected), s.halt()
		}
		tolerance := max(s.close(), 0.02*math.Abs(asked))
		for other := range s.limits {
			went := now.position(other) - start.position(other)
			wanted := 0.0
			if other == axis {
				wanted = asked
				measured += fmt.Sprintf("axis %d: told %+.4f, went %+.4f %s; ", axis+1, asked, went, s.unit())
			}
			if math.Abs(went-wanted) > tolerance {
				return fail(measured, expected, s.misled(axis, asked, &start, &now, tolerance)), s.halt()
			}
		}
		to[axis] -= asked
		if err := s.playOut(s.moveTo(to), 0); err != nil {
			return report.Finding{}, err
		}
	}
	good = true
	return pass(measured, expected), s.halt()
}

// misled says how axes went that did not go where one was told to go.
func (s *Subject) misled(axis int, asked float64, start, now *seen, tolerance float64) *report.Diagnosis {
	d := &report.Diagnosis{Signal: "position", Component: fmt.Sprintf("axis %d", axis+1)}
	went := now.position(axis) - start.position(axis)
	for other := range s.limits {
		moved := now.position(other) - start.position(other)
		if other != axis && math.Abs(moved) > tolerance {
			d.Kind, d.Detail = "axis", fmt.Sprintf("axis %d moves when axis %d is told to", other+1, axis+1)
			return d
		}
	}
	switch ratio := went / asked; {
	case math.Abs(ratio+1) < 0.1:
		d.Kind, d.Scale, d.Detail = "sign", -1, "it goes the other way (mirrored)"
	case math.Abs(ratio) < 0.02:
		d.Kind, d.Detail = "stuck", "it does not move"
	case math.Abs(ratio-180/math.Pi) < 3 || math.Abs(ratio-math.Pi/180) < 0.01:
		d.Kind, d.Scale, d.Detail = "unit", 1/ratio, "degrees and radians are mixed up"
	default:
		d.Kind, d.Scale, d.Detail = "unit", 1/ratio, fmt.Sprintf("it goes %.3g times as far", ratio)
	}
	return d
}

func (s *Subject) nano(x float64) int32 {
	return int32(math.Round(min(max(x/seatlink.PositionQuantum, math.MinInt32), math.MaxInt32)))
}

func refusesOutside(s *Subject) (report.Finding, error) {
	const expected = "each counted as refused, none taken, none moved to, none feeds the watchdog"
	if err := s.ready(); err != nil {
		return report.Finding{}, err
	}
	if err := s.needLimits(); err != nil {
		return report.Finding{}, err
	}
	here := seatlink.Setpoint{Axes: s.hello.Axes, Position: s.status.Position}
	type wrong struct {
		name   string
		change func(sp *seatlink.Setpoint)
	}
	var list []wrong
	for i := range s.limits {
		l := &s.limits[i]
		const room = 30e-3 // rad or m outside
		if l.high+room < math.MaxInt32*seatlink.PositionQuantum {
			list = append(list, wrong{fmt.Sprintf("axis %d above its travel", i+1), func(sp *seatlink.Setpoint) { sp.Position[i] = s.nano(l.high + room) }})
		}
		if l.low-room > math.MinInt32*seatlink.PositionQuantum {
			list = append(list, wrong{fmt.Sprintf("axis %d below its travel", i+1), func(sp *seatlink.Setpoint) { sp.Position[i] = s.nano(l.low - room) }})
		}
		for _, sign := range []float64{1.2, -1.2} {
			list = append(list, wrong{fmt.Sprintf("axis %d at %g times its speed", i+1, sign), func(sp *seatlink.Setpoint) {
				sp.Speed[i] = int32(min(max(sign*l.speed/seatlink.SpeedQuantum, math.MinInt32), math.MaxInt32))
			}})
		}
	}
	list = append(list, wrong{"the other unit", func(sp *seatlink.Setpoint) { sp.Axes.Metres = !sp.Axes.Metres }})
	if s.n() > 1 {
		list = append(list, wrong{"an axis less", func(sp *seatlink.Setpoint) { sp.Axes.N-- }})
	}
	if s.n() < seatlink.MaxAxes {
		list = append(list, wrong{"an axis more", func(sp *seatlink.Setpoint) { sp.Axes.N++ }})
	}
	for _, w := range list {
		before, err := s.fresh()
		if err != nil {
			return report.Finding{}, err
		}
		sp := here
		p := s.put(nil, &sp)
		taken := s.encoder.Sequence()
		sp = here
		w.change(&sp)
		p = s.put(p, &sp)
		now, ok, err := s.after(p)
		if err != nil || !ok {
			return report.Finding{}, err
		}
		switch counted := now.Refused - before.Refused; {
		case now.LastSequence != taken:
			return fail(w.name+": taken", expected, because("limits", "order", "it takes setpoints with %s", w.name)), nil
		case counted != 1:
			return fail(fmt.Sprintf("%s: refused, but counted %d times", w.name, counted), expected, because("counters", "stuck", "bytes 24 and 25 of STATUS count refused setpoints")), nil
		}
	}
	// Refused ones must not keep a controller ready to arm.
	bad := list[len(list)-1]
	for _, w := range list {
		if w.name == "axis 1 at 1.2 times its speed" {
			bad = w
		}
	}
	if err := s.stand(usual, steady); err != nil {
		return report.Finding{}, err
	}
	s.player.edit = bad.change
	if err := s.pass(150 * ms); err != nil {
		return report.Finding{}, err
	}
	r, heard, err := s.armWith(nil)
	if err != nil {
		return report.Finding{}, err
	}
	if heard && r == seatlink.ResultOK {
		if f, err := s.armedFed("150 ms of refused setpoints", expected); f != nil || err != nil {
			return must(f), err
		}
	}
	// In motion's own state: every good one is followed by a bad one, which must not be moved to.
	if err := s.arm(usual, false); err != nil {
		return report.Finding{}, err
	}
	start := s.status
	for _, w := range list {
		s.player.between = func() error {
			sp := s.player.last
			w.change(&sp)
			_, err := s.send(&sp)
			return err
		}
		if err := s.pass(50 * ms); err != nil {
			return report.Finding{}, err
		}
		s.player.between = nil
		now, err := s.fresh()
		if err != nil {
			return report.Finding{}, err
		}
		for i := range s.limits {
			if d := now.position(i) - start.position(i); math.Abs(d) > s.close() {
				return fail(fmt.Sprintf("%s, while armed: axis %d moved by %.4f %s", w.name, i+1, d, s.unit()), expected, because("limits", "order", "it moves to setpoints with %s", w.name)), s.halt()
			}
		}
	}
	return pass(fmt.Sprintf("%d kinds tried, ready and armed", len(list)), expected), s.halt()
}

// fastest gives the highest speed of an axis in a trail, over windows of so many STATUS. It counts on STATUS coming
// at the rhythm that was measured, not on when they arrived here. More of them than that only make it smaller.
func (s *Subject) fastest(trail []seen, axis, window int) float64 {
	top := 0.0
	for i := window; i < len(trail); i++ {
		top = max(top, math.Abs(trail[i].position(axis)-trail[i-window].position(axis))/(float64(window)*max(s.every, 10*ms).Seconds()))
	}
	return top
}

// faster judges whether an axis kept to the top speed. Where it did not, f says so: certainly, or as far as STATUS came at
// its rhythm.
func (s *Subject) faster(trail []seen, axis int, top float64, expected, detail string) (measured string, f *report.Finding) {
	const window = 5
	v := s.fastest(trail, axis, window)
	every, period := max(s.every, 10*ms).Seconds(), s.player.period.Seconds()
	step := s.fastest(trail, axis, 1) * every
	measured = fmt.Sprintf("axis %d: %.3g %s/s, at most %.3g %s between two STATUS", axis+1, v, s.unit(), step, s.unit())
	d := &report.Diagnosis{Signal: "speed", Component: fmt.Sprintf("axis %d", axis+1), Kind: "order", Detail: detail}
	expected = fmt.Sprintf("%s; no faster than %.4g %s/s", expected, top, s.unit())
	var out report.Finding
	switch {
	case step > top*max(0.022+period, 1.3*every+period)+s.close():
		out = fail(measured, expected, d)
	case v*window*every > 1.1*top*(window*every+period)+s.close() || step > top*(1.2*every+period)+s.close():
		out = warn(measured, expected)
		out.Diagnosis = d
	default:
		return measured, nil
	}
	return measured, &out
}

func reducedSpeed(s *Subject) (report.Finding, error) {
	const expected = "the flag in STATUS; faster setpoints refused; ARM gets RESULT 5 while the newest is faster"
	if err := s.needLimits(); err != nil {
		return report.Finding{}, err
	}
	l := &s.limits[0]
	if l.reduced*1.25 > l.speed {
		return report.Finding{}, report.Missing("a reduced speed of axis 1 well below its speed; they are %.4g and %.4g %s/s", l.reduced, l.speed, s.unit())
	}
	fast := func(sp *seatlink.Setpoint) { sp.Speed[0] = int32(1.2 * l.reduced / seatlink.SpeedQuantum) }
	if err := s.stand(usual, steady); err != nil {
		return report.Finding{}, err
	}
	s.player.edit = fast
	if err := s.pass(50 * ms); err != nil {
		return report.Finding{}, err
	}
	r, heard, err := s.armWith(func(a *seatlink.Arm) { a.Reduced = true })
	if err != nil {
		return report.Finding{}, err
	}
	if r == seatlink.ResultOK && heard {
		s.player.edit = nil
		return s.armed("the flag and a faster setpoint", expected, "order")
	}
	if r != seatlink.ResultFar {
		return fail("ARM with the flag and a faster setpoint: "+answered(r, heard), expected, nil), nil
	}
	if err := s.arm(usual, true); err != nil {
		return report.Finding{}, err
	}
	before, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if before.Flags&seatlink.FlagReduced == 0 {
		return fail("armed with the flag, and STATUS does not say so", expected, because("flags", "stuck", "bit 4 is armed at reduced speed")), s.halt()
	}
	sent := 0
	s.player.between = func() error {
		sp := s.player.last
		fast(&sp)
		sent++
		_, err := s.send(&sp)
		return err
	}
	if err := s.pass(100 * ms); err != nil {
		return report.Finding{}, err
	}
	s.player.between = nil
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	measured := fmt.Sprintf("%d of %d setpoints above the reduced speed refused", now.Refused-before.Refused, sent)
	if int(now.Refused-before.Refused) < sent {
		return fail(measured, expected, because("speed", "order", "armed at reduced speed it takes faster setpoints")), s.halt()
	}
	return pass(measured, expected), s.halt()
}

func jump(s *Subject) (report.Finding, error) {
	const expected = "the speed limit kept, and at the setpoint in the end"
	if err := s.needDirections(); err != nil {
		return report.Finding{}, err
	}
	if err := s.arm(brisk, true); err != nil {
		return report.Finding{}, err
	}
	to := make([]float64, s.n())
	longest := 0.0
	for i := range s.limits {
		l := &s.limits[i]
		way := s.away(0.6)[i] - l.park
		way = math.Copysign(min(math.Abs(way), 0.8*l.reduced), way)
		to[i] = l.park + way
		longest = max(longest, math.Abs(way)/l.reduced+2*l.reduced/l.acceleration+2*l.acceleration/l.jerk)
		if math.Abs(way) < 0.1*l.reduced+4*s.close() {
			_ = s.halt()
			return report.Finding{}, report.Missing("more travel on axis %d: a jump is not seen in %.4f %s", i+1, math.Abs(way), s.unit())
		}
	}
	s.mark()
	if err := s.pass(100 * ms); err != nil { // it has walked to the first setpoint, and STATUS has shown it
		return report.Finding{}, err
	}
	for i := range to {
		s.player.x[i], s.player.v[i] = to[i], 0
	}
	s.player.edit = func(sp *seatlink.Setpoint) {
		sp.Speed, sp.Acceleration = [seatlink.MaxAxes]int32{}, [seatlink.MaxAxes]int16{}
	}
	if err := s.pass(time.Duration((1.5*longest + 0.3) * 1e9)); err != nil {
		return report.Finding{}, err
	}
	trail := s.trail
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if err := s.halt(); err != nil {
		return report.Finding{}, err
	}
	measured := ""
	for i := range to {
		said, fast := s.faster(trail, i, s.limits[i].reduced, expected, "a jump is followed at once instead of walked to")
		measured += said + "; "
		if fast != nil {
			return *fast, nil
		}
		if d := now.position(i) - to[i]; math.Abs(d) > s.close() {
			return fail(fmt.Sprintf("axis %d ended %.4f %s from its setpoint, in %v", i+1, d, s.unit(), now.State), expected,
				&report.Diagnosis{Signal: "position", Component: fmt.Sprintf("axis %d", i+1), Kind: "offset", Detail: "a jump is not walked to"}), nil
		}
	}
	return pass(measured, expected), nil
}

// run is a start from rest to a steady speed, on all axes in one direction.
type run struct {
	from []float64
	plan [][]float64
}

// kind is what a run is for.
type kind struct {
	direction float64 // 1 or -1
	speed     float64 // share of the limit
	period    time.Duration
	cruise    float64 // s at that speed
	// after is the way that it takes from there to rest, which began with a ramp of so many seconds.
	after func(l *limits, speed, ramp float64) float64
}

// halted is the way of a stop by the brake law, and what a controller adds that goes on until it latches.
func halted(l *limits, v, _ float64) float64 { return v*0.1 + last(l.brakes(v, 0, brisk.Seconds())) }

// plan gives a run of a kind, slower where the travel asks for it.
func (s *Subject) plan(k kind) (run, error) {
	var out run
	T := k.period.Seconds()
	speeds := make([]float64, len(s.limits))
	for i := range speeds {
		speeds[i] = k.speed * s.limits[i].speed
	}
	way := func(i int, ramp float64) float64 {
		return speeds[i]*(ramp/2+k.cruise) + k.after(&s.limits[i], speeds[i], ramp)
	}
	var ramp float64
	for fits := false; !fits; {
		ramp, fits = 0, true
		for i := range speeds {
			ramp = max(ramp, s.limits[i].rampTime(speeds[i]), 2*T)
		}
		for i := range speeds {
			l := &s.limits[i]
			if way(i, ramp) > 0.9*(l.high-l.low) {
				speeds[i] *= 0.9
				fits = false
			}
			if speeds[i]*0.1 < 2*s.close() {
				return out, report.Missing("more travel on axis %d: it cannot be seen stopping in %.4f %s", i+1, l.high-l.low, s.unit())
			}
		}
	}
	n := int(math.Ceil(ramp / T))
	for i, v := range speeds {
		l := &s.limits[i]
		from := (l.high+l.low)/2 - k.direction*way(i, float64(n)*T)/2
		out.from = append(out.from, from)
		out.plan = append(out.plan, rampUp(from, k.direction*v, n, int(math.Ceil(k.cruise/T)), T))
	}
	return out, nil
}

func last(path []float64) float64 {
	if len(path) == 0 {
		return 0
	}
	return path[len(path)-1]
}

// start arms, goes to where a run begins, and plays it to its end. steadily says that the host kept its times.
func (s *Subject) start(k kind) (steadily bool, err error) {
	if err = s.needLimits(); err != nil {
		return
	}
	if err = s.needDirections(); err != nil {
		return
	}
	r, err := s.plan(k)
	if err != nil {
		return false, err
	}
	if err = s.arm(k.period, false); err != nil {
		return
	}
	if err = s.playOut(s.moveTo(r.from), 200*ms); err != nil {
		return
	}
	before := s.status.Late
	s.mark()
	s.play(r.plan)
	err = s.pump(math.MaxInt64, func() bool { return s.player.at >= len(s.player.plan) || s.status.State != seatlink.StateArmed })
	steadily = s.status.State == seatlink.StateArmed && s.status.Late == before
	return
}

func catchesUp(s *Subject) (report.Finding, error) {
	const expected = "ARMED throughout, no faster than the limit, at the target in the end"
	const gap = 0.08 // s
	steadily, err := s.start(kind{1, 0.9, brisk, 0.1, func(_ *limits, v, ramp float64) float64 { return v * (2*gap + ramp/2) }})
	if err != nil {
		return report.Finding{}, err
	}
	if !steadily {
		return s.hurried(expected), s.halt()
	}
	// The host hangs for 80 ms, and then says where the seat would be had it not.
	p := &s.player
	missed := int(gap / p.period.Seconds())
	period, x, v := p.period, p.x, p.v
	p.on = false
	s.mark()
	if err := s.pass(time.Duration(missed) * period); err != nil {
		return report.Finding{}, err
	}
	p.on, p.next = true, s.line.Now()
	T := period.Seconds()
	n := 2
	for i := range s.limits {
		n = max(n, int(math.Ceil(s.limits[i].rampTime(v[i])/T)))
	}
	plan := make([][]float64, s.n())
	for i := range plan {
		gone := x[i] + v[i]*T*float64(missed)
		p.x[i] = gone
		for k := range missed { // on at speed, then to rest
			plan[i] = append(plan[i], gone+v[i]*T*float64(k+1))
		}
		from := last(plan[i])
		for k := range n {
			τ := float64(k+1) / float64(n)
			plan[i] = append(plan[i], from+v[i]*float64(n)*T*(τ-τ*τ*τ+τ*τ*τ*τ/2))
		}
	}
	for i := range plan {
		if end := last(plan[i]); end > s.limits[i].high || end < s.limits[i].low {
			_ = s.halt()
			return report.Finding{}, report.Missing("more travel on axis %d", i+1)
		}
	}
	if err := s.playOut(plan, 500*ms); err != nil {
		return report.Finding{}, err
	}
	trail := s.trail
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	target := s.player.x
	if now.State != seatlink.StateArmed {
		s.noteLoss(s.player.when - time.Second)
		return warn(fmt.Sprintf("80 ms without setpoints, as this machine measures it: %v", now.State), expected), s.halt()
	}
	if err := s.halt(); err != nil {
		return report.Finding{}, err
	}
	measured := ""
	for i := range s.limits {
		said, fast := s.faster(trail, i, s.limits[i].speed, expected, "what was missed is made up for at once")
		measured += said + "; "
		if fast != nil {
			return *fast, nil
		}
		if d := now.position(i) - target[i]; math.Abs(d) > s.close() {
			return fail(fmt.Sprintf("axis %d ended %.4f %s from its setpoint", i+1, d, s.unit()), expected,
				&report.Diagnosis{Signal: "position", Component: fmt.Sprintf("axis %d", i+1), Kind: "offset", Detail: "it does not catch up"}), nil
		}
	}
	return pass(measured, expected), nil
}
