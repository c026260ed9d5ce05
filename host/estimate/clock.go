package estimate

const (
	windows    = 4
	windowLong = 0.5 // s
	lateMost   = 0.25
	aheadMost  = 0.3
)

// clock maps a source's time to the loop's. Its offset follows the least difference between arrival and source
// time of the last 2 s: what jitter and clumps add to a delay is never negative. The offset moves slowly, so that
// the mapped time neither jumps nor runs backwards.
type clock struct {
	offset float64 // loop time less source time, s
	least  [windows]float64
	filled [windows]bool
	at     int
	turned float64 // when the present window began
	begun  float64
	late   float64 // mean of what arrival adds to the least delay, s

	lateCount           int // samples in a row that came later than lateMost
	lateSince, lateBest float64
}

func (c *clock) reset(offset, now float64) {
	*c = clock{offset: offset, turned: now, begun: now, late: c.late}
	c.least[0], c.filled[0] = offset, true
}

// saw takes a sample of source time ts that arrived at loop time now.
func (c *clock) saw(ts, now float64) {
	o := now - ts
	if !c.filled[c.at] || o < c.least[c.at] {
		c.least[c.at], c.filled[c.at] = o, true
	}
	late := o - c.offset
	c.late += (min(max(late, 0), 1) - c.late) / 16
	if late < lateMost {
		c.lateCount = 0
		return
	}
	// A source whose own clock stood still or runs slowly falls behind for good; a burst after a stall does not.
	if c.lateCount == 0 {
		c.lateSince, c.lateBest = now, o
	}
	c.lateCount++
	c.lateBest = min(c.lateBest, o)
	if c.lateCount >= 8 && now-c.lateSince > 0.4 {
		c.reset(c.lateBest, now)
	}
}

// step moves the offset h seconds on.
func (c *clock) step(now, h float64) {
	for now-c.turned >= windowLong {
		c.turned += windowLong
		if now-c.turned > windows*windowLong {
			c.turned = now
		}
		next := (c.at + 1) % windows
		any := false
		for i := range c.filled {
			any = any || c.filled[i] && i != next
		}
		if !any {
			break // silence: keep what is known
		}
		c.at = next
		c.filled[next] = false
	}
	want, known := 0.0, false
	for i := range c.least {
		if c.filled[i] && (!known || c.least[i] < want) {
			want, known = c.least[i], true
		}
	}
	if !known {
		return
	}
	d := want - c.offset
	if d < 0 && now-c.begun < windowLong || d < -aheadMost {
		c.offset = want
		return
	}
	c.offset += min(max(d, -0.2*h), 0.02*h)
}
