package mavlink

// What a vehicle's clock may do between two frames and still be the same clock, in ms.
const (
	lateMs  = 2_000  // frames overtake each other, and a fix is older than the frame that tells it
	aheadMs = 10_000 // more than what has passed here: frames were lost
)

// clock puts a vehicle's time stamps, ms since boot in 32 bits, on one clock that goes on where the stamp wraps
// (after 49.7 days) or starts again.
type clock struct {
	begun    bool
	raw      uint32 // newest stamp
	newest   int64  // the same, extended, ms
	observed int64  // when that one arrived, unix ns
	odd      bool   // the last stamp did not fit
	oddRaw   uint32
}

// ns is the newest time, ns.
func (c *clock) ns() int64 { return c.newest * 1e6 }

// place gives a stamp's time in ns. ok is false where it does not fit the clock; two that do not fit but fit each
// other, with none that fits between, mean that the vehicle's clock started again: the time then goes on by what has
// passed here. A stamp that only follows the clock never restarts it.
func (c *clock) place(raw uint32, observedAt int64, leads bool) (ns int64, restarted, ok bool) {
	if !c.begun {
		if !leads {
			return 0, false, false
		}
		c.begun, c.raw, c.newest, c.observed = true, raw, int64(raw), observedAt
		return c.ns(), false, true
	}
	passed := max(0, (observedAt-c.observed)/1e6)
	step := int64(int32(raw - c.raw)) // right over a wrap
	if step >= -lateMs && step <= passed+aheadMs {
		if leads {
			c.odd = false
		}
		if step > 0 && leads {
			c.raw, c.newest, c.observed = raw, c.newest+step, observedAt
			return c.ns(), false, true
		}
		return (c.newest + step) * 1e6, false, true
	}
	if !leads {
		return 0, false, false
	}
	if between := int32(raw - c.oddRaw); c.odd && between >= -lateMs && between <= aheadMs {
		c.odd = false
		c.raw, c.newest, c.observed = raw, c.newest+max(1, passed), observedAt
		return c.ns(), true, true
	}
	c.odd, c.oddRaw = true, raw
	return 0, false, false
}
