package simulated

import (
	"fmt"
	"strings"
	"time"

	"perch/proto/seatlink"
)

// Broken is a set of ways in which a controller can be wrong. It is for proving what judges controllers: each is a
// mistake that firmware makes, and each must be found. Nothing that rides sets any.
type Broken uint64

// The ways. Each breaks one rule of the page, and as little else as can be.
const (
	NoWatchdog       Broken = 1 << iota // neither brakes nor latches when setpoints end
	LatchesLate                         // after 250 ms
	WrongCRCTaken                       // frames with a wrong CRC are read
	WrongCRCSent                        // its own frames carry CRC-16/XMODEM
	MovesUnhomed                        // arms with the position unknown
	Unlatches                           // armed again when setpoints come back after a lost link
	Mirrored                            // axis 1 goes the other way
	ObeysRepeats                        // a setpoint with the number of the last one is taken
	UnsignedSequence                    // numbers are compared without sign: it stops after 65535
	IgnoresStop                         // STOP is answered, and nothing else
	IgnoresDisarm                       // so is DISARM
	AnyNonce                            // ARM is taken with any nonce
	AnyHash                             // ARM is taken with any hash
	ArmsUnsteady                        // ARM is taken without steady setpoints
	ArmsFar                             // ARM is taken with a setpoint far away
	WeakBrake                           // brakes with a third of its acceleration
	HardBrake                           // brakes with five times its acceleration and no limit of jerk
	WidensLimits                        // LIMITS_TIGHTEN takes anything
	KeepsHash                           // the hash in force stays that of the stored limits
	WrongHash                           // the hash is over something else
	TakesOutside                        // positions outside the travel are cut instead of refused
	IgnoresReduced                      // the reduced speed is shown and not kept
	FollowsJumps                        // no second opinion on speed
	LeapsAfterGap                       // makes up for a gap in one step
	ParksFast                           // PARK at full speed
	ForgetsLosses                       // the third lost link is like the first
	ResetKeepsHomed                     // after RESET it says that it is homed
	HomedEarly                          // says that it is homed while it homes
	HomesArmed                          // obeys HOME while armed
	Creeps                              // drifts in READY
	Restarts                            // once, 2 s after its start
	RareStatus                          // STATUS every 50 ms
	HeardWrong                          // STATUS gives the last setpoint's number for the last frame's
	NoBootID                            // the boot id is 0
	ShortBuffer                         // frames longer than 70 bytes are lost
	LongPayloads                        // a payload that is too long is taken
	SilentUnknown                       // unknown commands are not answered
	ImpatientFrames                     // a frame that takes more than 20 ms is lost
)

// brokenNames are the ways by name, in the order of the bits.
var brokenNames = [...]string{"no-watchdog", "latches-late", "wrong-crc-taken", "wrong-crc-sent", "moves-unhomed", "unlatches", "mirrored",
	"obeys-repeats", "unsigned-sequence", "ignores-stop", "ignores-disarm", "any-nonce", "any-hash", "arms-unsteady", "arms-far", "weak-brake",
	"hard-brake", "widens-limits", "keeps-hash", "wrong-hash", "takes-outside", "ignores-reduced", "follows-jumps", "leaps-after-gap",
	"parks-fast", "forgets-losses", "reset-keeps-homed", "homed-early", "homes-armed", "creeps", "restarts", "rare-status", "heard-wrong",
	"no-boot-id", "short-buffer", "long-payloads", "silent-unknown", "impatient-frames"}

// BrokenNames are the names that BrokenNamed knows.
func BrokenNames() []string { return append([]string(nil), brokenNames[:]...) }

// BrokenNamed gives one way by its name.
func BrokenNamed(name string) (Broken, error) {
	for i, n := range brokenNames {
		if n == name {
			return 1 << i, nil
		}
	}
	return 0, fmt.Errorf("no controller is broken in the way %q; there are %s", name, strings.Join(brokenNames[:], ", "))
}

// is says whether the controller is broken in this way.
func (c *Controller) is(b Broken) bool { return c.settings.Broken&b != 0 }

// latches is after what time without a setpoint the link is lost.
func (c *Controller) latches() time.Duration {
	if c.is(LatchesLate) {
		return 5 * latch / 2
	}
	return latch
}

// spoil puts CRC-16/XMODEM, whose initial value is 0, into the frame at the end of what goes out.
func (c *Controller) spoil(from int) {
	raw, ok := seatlink.UncobsInPlace(append([]byte(nil), c.out[from:len(c.out)-1]...))
	if !ok {
		return
	}
	body := raw[:len(raw)-2]
	sum := uint16(0)
	for _, b := range body {
		sum ^= uint16(b) << 8
		for range 8 {
			if sum&0x8000 != 0 {
				sum = sum<<1 ^ 0x1021
			} else {
				sum <<= 1
			}
		}
	}
	c.out = append(seatlink.AppendCOBS(c.out[:from], append(body, byte(sum), byte(sum>>8))), seatlink.Delimiter)
}

// misread is what a receiver that is broken makes of the bytes, before the right one reads them.
func (c *Controller) misread(p []byte) []byte {
	var out []byte
	for _, b := range p {
		if len(c.partial) == 0 {
			c.begun = c.now
		}
		if b != seatlink.Delimiter {
			c.partial = append(c.partial, b)
			continue
		}
		frame := c.partial
		c.partial = c.partial[:0]
		if c.is(ShortBuffer) && len(frame) > 70 || c.is(ImpatientFrames) && len(frame) > 0 && c.now-c.begun > lateFlag {
			out = append(out, 1, 1, seatlink.Delimiter) // something to count
			continue
		}
		if c.is(WrongCRCTaken) {
			if raw, ok := seatlink.UncobsInPlace(append([]byte(nil), frame...)); ok && len(raw) >= seatlink.Overhead && len(raw) <= seatlink.MaxRaw {
				body := raw[:len(raw)-2]
				sum := seatlink.Checksum(body)
				frame = seatlink.AppendCOBS(nil, append(body, byte(sum), byte(sum>>8)))
			}
		}
		out = append(append(out, frame...), seatlink.Delimiter)
	}
	return out
}
