package controller

import (
	"math"
	"time"

	"perch/proto/seatlink"
)

// player sends a setpoint a period: the positions of a plan one after the other, then the last one again and again,
// each with a number of its own. Time that the host has lost is not made up for.
type player struct {
	on      bool
	period  time.Duration
	next    time.Duration
	plan    [][seatlink.MaxAxes]float64
	at      int
	x, v    [seatlink.MaxAxes]float64
	a       [seatlink.MaxAxes]float64
	last    seatlink.Setpoint
	number  uint16        // of the last setpoint
	when    time.Duration // it was sent
	edit    func(sp *seatlink.Setpoint)
	between func() error // called after each setpoint
}

// hold streams the present position.
func (s *Subject) hold(period time.Duration) {
	p := &s.player
	*p = player{on: true, period: period, next: s.line.Now()}
	for i := range s.n() {
		p.x[i] = s.status.position(i)
	}
}

// play streams a plan from here on; all axes' plans have one length.
func (s *Subject) play(axes [][]float64) {
	p := &s.player
	p.at, p.plan = 0, make([][seatlink.MaxAxes]float64, len(axes[0]))
	for i := range axes {
		for k, x := range axes[i] {
			p.plan[k][i] = x
		}
	}
}

// playOut plays a plan to its end and waits for so long then.
func (s *Subject) playOut(axes [][]float64, then time.Duration) error {
	s.play(axes)
	if err := s.pump(math.MaxInt64, func() bool { return s.player.at >= len(s.player.plan) || s.status.State != seatlink.StateArmed }); err != nil {
		return err
	}
	return s.pass(then)
}

// tick sends the setpoint that is due.
func (s *Subject) tick(now time.Duration) error {
	p := &s.player
	s.late = max(s.late, now-p.next)
	T := p.period.Seconds()
	x := p.x
	if p.at < len(p.plan) {
		x = p.plan[p.at]
		p.at++
	}
	sp := seatlink.Setpoint{Axes: s.hello.Axes}
	for i := range s.n() {
		v := (x[i] - p.x[i]) / T
		p.a[i] = (v - p.v[i]) / T
		p.x[i], p.v[i] = x[i], v
		sp.Position[i] = int32(math.Round(min(max(x[i]/seatlink.PositionQuantum, math.MinInt32), math.MaxInt32)))
		sp.Speed[i] = int32(math.Round(v / seatlink.SpeedQuantum))
		sp.Acceleration[i] = int16(math.Round(min(max(p.a[i]/seatlink.AccelerationQuantum, math.MinInt16), math.MaxInt16)))
	}
	if p.edit != nil {
		p.edit(&sp)
	}
	p.last, p.when = sp, now
	p.next += p.period
	if p.next <= now {
		p.next = now + p.period
	}
	number, err := s.send(&sp)
	p.number = number
	if err == nil && p.between != nil {
		err = p.between()
	}
	return err
}

// steps is how many periods a time takes.
func (p *player) steps(seconds float64) int {
	return max(int(math.Ceil(seconds/p.period.Seconds())), 1)
}

// moveTo gives the plan that takes all axes to the positions, together, no faster than the share of their speed limit.
func (s *Subject) moveTo(to []float64) [][]float64 {
	longest := 0.0
	for i := range s.limits {
		longest = max(longest, s.limits[i].smoothTime(to[i]-s.player.x[i]))
	}
	n := s.player.steps(longest)
	out := make([][]float64, len(to))
	for i := range out {
		out[i] = smooth(s.player.x[i], to[i], n)
	}
	return out
}

// away gives positions at the share of the way from the park position towards the roomier end of each axis.
func (s *Subject) away(share float64) []float64 {
	to := make([]float64, len(s.limits))
	for i := range to {
		l := &s.limits[i]
		end := l.high
		if l.park-l.low > l.high-l.park {
			end = l.low
		}
		to[i] = l.park + share*(end-l.park)
	}
	return to
}
