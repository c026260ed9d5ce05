package controller

import (
	"fmt"
	"math/bits"
	"slices"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

const idCRCSent = "crc-sent"

func frameChecks() []Check {
	return []Check{
		check(idCRCSent, "Its frames carry the right CRC", `Every frame of the controller ends in CRC-16/IBM-3740 of what is before it, low byte first, and is stuffed with COBS.
Why it matters: the host drops what does not fit. A controller that cannot be understood cannot be armed, and one that is
understood only now and then makes the host stop the seat.
Usual mistakes: a library's "CCITT" CRC that starts at 0 or is reflected; the CRC high byte first; the CRC computed after
stuffing; the baud rate slightly off, so that a byte in a thousand is wrong.`, crcSent),
		check("hello", "HELLO says who it is", `HELLO_REQUEST is answered by HELLO: protocol version 1, the state, number of axes and unit, a boot id that is not 0, the hash of
the limits, a board id in printable ASCII. It is answered whatever versions the request names, so that a host of another
version learns why it does not fit.
Why it matters: by the boot id a host sees that the controller has started anew and has lost its position; by board id and
hash that this is the seat that was commissioned.
Usual mistakes: a boot id that is always the same, or 0; a board id filled with 0xFF; the answer only to the first request.`, helloSays),
		check("crc-checked", "A frame with a wrong CRC does nothing", `Frames whose CRC is wrong in one bit, or right for another kind of CRC-16, are dropped and counted.
Why it matters: motors make electrical noise. Without this check a flipped bit is a position to jump to.
Usual mistakes: the comparison is left out for short frames; only one byte of the CRC is compared; the wrong kind of CRC-16
on both sides of the firmware's own test.`, crcChecked),
		check("framing", "What is no frame does nothing; the longest frame is taken", `COBS codes that point past the end, frames shorter than 5 bytes and longer than 80 are dropped and counted; one of exactly
80 bytes is read.
Why it matters: a receive buffer without this check is overwritten by noise, and then anything may happen.
Usual mistakes: a buffer of 64 bytes; a length check after the copy; a frame that is too long and whose end is taken for a
frame of its own.`, framing),
		check("lengths", "A payload of the wrong length does nothing", `Each type fixes the length of its payload, and an axes byte has three bits that are zero. Anything else is dropped, counted
and not answered.
Why it matters: acting on half a frame moves a motor by what was in the buffer before.
Usual mistake: reading the payload through a struct pointer without looking at the length.`, lengths),
		check("unknown-types", "An unknown command is refused, other unknown frames are ignored", `A type from 0x10 to 0x7F that the page does not name gets RESULT 9; one below 0x10, or from 0x80 on, gets nothing.
Why it matters: a later host may ask what this firmware does not know; it must hear so instead of waiting.
Usual mistake: a default branch that falls through to some command.`, unknownTypes),
		check("resync", "After any disturbance the first whole frame after a 0x00 is read", `Half frames, noise, a flood and pauses inside a frame; after each a 0x00 and a good frame, which must be answered. Empty frames
are no errors.
Why it matters: a plug that is touched tears a frame. If the next one is lost with it, the seat brakes for nothing, and a
STOP may be the one that is lost.
Usual mistakes: waiting for a start byte; a timeout that throws away a slow frame; a buffer that is not emptied at the 0x00.`, resync),
	}
}

// look-alikes are the CRC-16 that firmware computes instead. Check values of "123456789" in the catalogue of
// parametrised CRC algorithms: 0x31C3, 0x2189, 0x906E, 0x6F91, 0x4B37.
var lookAlikes = []struct {
	name string
	sum  func(p []byte) uint16
}{
	{"CRC-16/XMODEM: its initial value is 0 instead of 0xFFFF", func(p []byte) uint16 { return crc(p, 0x1021, 0, false, 0) }},
	{"CRC-16/KERMIT: it is reflected, and its initial value is 0", func(p []byte) uint16 { return crc(p, 0x1021, 0, true, 0) }},
	{"CRC-16/IBM-SDLC (X-25): it is reflected and inverted", func(p []byte) uint16 { return crc(p, 0x1021, 0xFFFF, true, 0xFFFF) }},
	{"CRC-16/MCRF4XX: it is reflected", func(p []byte) uint16 { return crc(p, 0x1021, 0xFFFF, true, 0) }},
	{"CRC-16/MODBUS: another polynomial, reflected", func(p []byte) uint16 { return crc(p, 0x8005, 0xFFFF, true, 0) }},
	{"the right CRC with its bytes exchanged: the low byte goes first", func(p []byte) uint16 { return bits.ReverseBytes16(seatlink.Checksum(p)) }},
	{"the right CRC inverted", func(p []byte) uint16 { return ^seatlink.Checksum(p) }},
	{"no CRC: zeros in its place", func([]byte) uint16 { return 0 }},
}

func crc(p []byte, polynomial, start uint16, reflected bool, end uint16) uint16 {
	c := start
	for _, b := range p {
		if reflected {
			b = bits.Reverse8(b)
		}
		c ^= uint16(b) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ polynomial
			} else {
				c <<= 1
			}
		}
	}
	if reflected {
		c = bits.Reverse16(c)
	}
	return c ^ end
}

// readGarbled says what is wrong with bytes in which no frame was right.
func readGarbled(wire []byte) *report.Diagnosis {
	count := make([]int, len(lookAlikes))
	whole, frames := 0, 0
	for _, part := range slices.DeleteFunc(splitFrames(wire), func(p []byte) bool { return len(p) == 0 }) {
		frames++
		raw, ok := seatlink.UncobsInPlace(slices.Clone(part))
		if !ok || len(raw) < seatlink.Overhead {
			continue
		}
		whole++
		body, sum := raw[:len(raw)-2], uint16(raw[len(raw)-2])|uint16(raw[len(raw)-1])<<8
		for i := range lookAlikes {
			if lookAlikes[i].sum(body) == sum {
				count[i]++
			}
		}
	}
	for i, n := range count {
		if n > 1 && n*2 > whole {
			return because("crc", "order", "its frames carry %s", lookAlikes[i].name)
		}
	}
	switch {
	case frames == 0:
		return because("line", "unit", "no 0x00 comes at all: another baud rate, or not a seat controller")
	case whole*2 > frames:
		return because("crc", "order", "its frames can be unstuffed, but their CRC fits none that is known; it is CRC-16/IBM-3740 over type, sequence and payload, before stuffing")
	}
	return because("line", "order", "what comes cannot be unstuffed: another baud rate, no COBS, or not a seat controller")
}

// splitFrames gives the whole frames between zeros.
func splitFrames(wire []byte) (out [][]byte) {
	first := true
	for {
		i := slices.Index(wire, seatlink.Delimiter)
		if i < 0 {
			return out
		}
		if !first {
			out = append(out, wire[:i])
		}
		first, wire = false, wire[i+1:]
	}
}

func crcSent(s *Subject) (report.Finding, error) {
	const expected = "no frame with a wrong CRC, and none that cannot be unstuffed"
	if s.garbled != nil {
		return fail(fmt.Sprintf("%d bytes came, and no frame in them is right", len(s.wire)), expected, s.garbled), nil
	}
	before := s.decoder.Counts()
	odd := s.odd
	for range 10 {
		if _, err := s.send(plain(seatlink.TypeStatusRequest)); err != nil {
			return report.Finding{}, err
		}
		if err := s.pass(100 * ms); err != nil {
			return report.Finding{}, err
		}
	}
	now := s.decoder.Counts()
	good, bad := now.Frames-before.Frames, now.CRC-before.CRC+now.Framing-before.Framing
	measured := fmt.Sprintf("%d frames right, %d wrong in 1 s", good, bad)
	switch {
	case s.odd > odd:
		return fail(fmt.Sprintf("%s; %d with a payload that does not fit its type", measured, s.odd-odd), expected,
			because("payload", "order", "the CRC is right and the payload is not what the page says: a length, an axes byte or a value")), nil
	case bad*50 > good:
		return fail(measured, expected, because("crc", "order", "some frames are damaged: the baud rate, the cable, or a send buffer that is written while it goes out")), nil
	case bad > 0:
		return warn(measured, expected), nil
	}
	return pass(measured, expected), nil
}

func helloSays(s *Subject) (report.Finding, error) {
	const expected = "HELLO to each request; boot id not 0 and the same, board id printable, state and hash those of STATUS"
	first := s.hello
	for _, versions := range [][2]uint8{{seatlink.Version, seatlink.Version}, {255, 1}, {9, 8}} {
		before := s.hellos
		if _, err := s.send(&seatlink.HelloRequest{Highest: versions[0], Lowest: versions[1]}); err != nil {
			return report.Finding{}, err
		}
		if ok, err := s.wait(patience, func() bool { return s.hellos > before }); err != nil {
			return report.Finding{}, err
		} else if !ok {
			return fail(fmt.Sprintf("no HELLO to a request for versions %d down to %d", versions[0], versions[1]), expected, nil), nil
		}
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	h := &s.hello
	measured := fmt.Sprintf("protocol %d, board %q, firmware %d.%d.%d, %d axes in %s, boot id %08X, last reset: %v, limits %08X",
		h.Protocol, h.BoardName(), h.Firmware[0], h.Firmware[1], h.Firmware[2], h.Axes.N, s.unit(), h.BootID, h.ResetCause, h.Hash)
	switch {
	case h.BootID == 0:
		return fail(measured, expected, because("boot_id", "stuck", "the boot id is 0")), nil
	case h.BootID != first.BootID || h.BootID != now.BootID:
		return fail(measured, expected, because("boot_id", "stuck", "the boot id was %08X, then %08X, and %08X in STATUS: it changes at a start and at nothing else",
			first.BootID, h.BootID, now.BootID)), nil
	case h.Axes != now.Axes:
		return fail(measured, expected, because("axes", "order", "HELLO says %d axes and STATUS %d, or their units differ", h.Axes.N, now.Axes.N)), nil
	case h.Hash != now.Hash:
		return fail(measured, expected, because("hash", "order", "HELLO gives the hash in force as %08X and STATUS as %08X", h.Hash, now.Hash)), nil
	case h.State != now.State:
		return warn(measured, expected), nil
	}
	return pass(measured, expected), nil
}

// raw makes the bytes of one frame, with sum instead of its CRC unless that is nil.
func raw(kind seatlink.Type, sequence uint16, payload []byte, sum func([]byte) uint16) []byte {
	p := append([]byte{byte(kind), byte(sequence), byte(sequence >> 8)}, payload...)
	if sum == nil {
		sum = seatlink.Checksum
	}
	c := sum(p)
	return append(seatlink.AppendCOBS(nil, append(p, byte(c), byte(c>>8))), seatlink.Delimiter)
}

// number takes the next sequence number for a frame that is made by hand.
func (s *Subject) number() uint16 {
	s.encoder.SetSequence(s.encoder.Sequence() + 1)
	return s.encoder.Sequence()
}

// after sends bytes, then a STATUS_REQUEST in the same write, and waits for that to be answered. ok is false where it was not.
func (s *Subject) after(p []byte) (now seen, ok bool, err error) {
	p = s.put(p, plain(seatlink.TypeStatusRequest))
	sequence := s.encoder.Sequence()
	if err := s.write(p); err != nil {
		return seen{}, false, err
	}
	ok, err = s.wait(patience, func() bool { r, found := s.reply(sequence); return found && s.statuses > r.statuses })
	return s.status, ok, err
}

// disturbance is something that must do nothing.
type disturbance struct {
	name   string
	bytes  func(s *Subject) []byte
	counts int // how many dropped frames it is
}

// undisturbed sends each disturbance and says what it did that it should not have: an answer, a change of state, or no
// count in the counter.
func (s *Subject) undisturbed(list []disturbance, counter func(*seen) uint16, name, expected string) (report.Finding, error) {
	start, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	counted := 0
	for _, d := range list {
		s.mark()
		hellos := s.hellos
		now, ok, err := s.after(d.bytes(s))
		switch {
		case err != nil:
			return report.Finding{}, err
		case !ok:
			return fail(d.name+": the good frame behind it was not answered", expected, because("line", "order", "%s takes the next good frame with it", d.name)), nil
		case len(s.replies) > 1 || s.hellos > hellos:
			return fail(d.name+": it was answered", expected, because("line", "order", "it acts on %s", d.name)), nil
		case now.State != start.State:
			return fail(fmt.Sprintf("%s: the state went from %v to %v", d.name, start.State, now.State), expected, because("line", "order", "it acts on %s", d.name)), nil
		}
		counted += d.counts
	}
	end, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	got := int(counter(&end) - counter(&start))
	measured := fmt.Sprintf("%d disturbances did nothing; %s: %d", len(list), name, got)
	switch {
	case got == 0 && counted > 0:
		return fail(measured, expected, because("counters", "stuck", "nothing is counted in %s", name)), nil
	case got != counted:
		return warn(measured+fmt.Sprintf(" instead of %d", counted), expected), nil
	}
	return pass(measured, expected), nil
}

func crcChecked(s *Subject) (report.Finding, error) {
	var list []disturbance
	for bit := range 16 {
		list = append(list, disturbance{fmt.Sprintf("a frame with bit %d of its CRC wrong", bit), func(s *Subject) []byte {
			return raw(seatlink.TypeStatusRequest, s.number(), nil, func(p []byte) uint16 { return seatlink.Checksum(p) ^ 1<<bit })
		}, 1})
	}
	for _, l := range lookAlikes {
		list = append(list, disturbance{"a frame with " + l.name, func(s *Subject) []byte { return raw(seatlink.TypeStatusRequest, s.number(), nil, l.sum) }, 1})
	}
	return s.undisturbed(list, func(n *seen) uint16 { return n.CRCErrors }, "dropped for their CRC", "none is answered, each is counted")
}

func framing(s *Subject) (report.Finding, error) {
	filled := func(n int) []byte {
		p := make([]byte, n)
		for i := range p {
			p[i] = byte(i%250 + 1)
		}
		return p
	}
	const unknown = seatlink.Type(0x70)
	const expected = "none is answered, each is counted; one of 80 bytes is read"
	list := []disturbance{
		{"a COBS code past the end", func(*Subject) []byte { return []byte{9, 1, 2, 3, 0} }, 1},
		{"a frame of 1 byte", func(*Subject) []byte { return []byte{2, 3, 0} }, 1},
		{"a frame of 4 bytes", func(s *Subject) []byte { return []byte{5, 3, 1, 1, 1, 0} }, 1},
		{"a frame of 81 bytes", func(s *Subject) []byte { return raw(unknown, s.number(), filled(76), nil) }, 1},
		{"a frame of 120 bytes", func(s *Subject) []byte { return raw(unknown, s.number(), filled(115), nil) }, 1},
		{"300 bytes without a zero", func(*Subject) []byte { return append(filled(300), 0) }, 1},
	}
	f, err := s.undisturbed(list, func(n *seen) uint16 { return n.Framing }, "dropped for anything else", expected)
	if err != nil || f.Outcome == report.Fail {
		return f, err
	}
	longest := s.number()
	if err := s.write(raw(unknown, longest, filled(75), nil)); err != nil {
		return f, err
	}
	// Answered, or heard: that it answers what it does not know has a check of its own.
	read, err := s.wait(patience, func() bool { _, ok := s.reply(longest); return ok || s.status.Heard == longest })
	if err != nil {
		return f, err
	}
	if !read {
		return fail("a frame of 80 bytes was not read", expected, because("line", "order", "its receive buffer is shorter than 81 bytes")), nil
	}
	return f, nil
}

func lengths(s *Subject) (report.Finding, error) {
	var list []disturbance
	add := func(t seatlink.Type, sizes ...int) {
		for _, n := range sizes {
			list = append(list, disturbance{fmt.Sprintf("%v with a payload of %d bytes", t, n), func(s *Subject) []byte {
				return raw(t, s.number(), make([]byte, n), nil)
			}, 1})
		}
	}
	add(seatlink.TypeStatusRequest, 1, 4)
	add(seatlink.TypeHelloRequest, 0, 1, 3)
	add(seatlink.TypeStop, 1)
	add(seatlink.TypeDisarm, 2)
	add(seatlink.TypePark, 1)
	add(seatlink.TypeReset, 1)
	add(seatlink.TypeArm, 0, 10, 12)
	add(seatlink.TypeLimitsRead, 0, 2)
	add(seatlink.TypeLimitsTighten, 0, 28, 30)
	setpoint := func(name string, change func(p []byte) []byte) {
		list = append(list, disturbance{name, func(s *Subject) []byte {
			sp := seatlink.Setpoint{Axes: s.hello.Axes}
			return raw(seatlink.TypeSetpoint, s.number(), change(sp.MarshalAppend(nil)), nil)
		}, 1})
	}
	setpoint("SETPOINT one byte short", func(p []byte) []byte { return p[:len(p)-1] })
	setpoint("SETPOINT one byte too long", func(p []byte) []byte { return append(p, 0) })
	setpoint("SETPOINT with bit 7 of its axes byte set", func(p []byte) []byte { p[0] |= 0x80; return p })
	setpoint("SETPOINT of no axis", func(p []byte) []byte { return []byte{p[0] & 0x10} })
	return s.undisturbed(list, func(n *seen) uint16 { return n.Framing }, "dropped for anything else", "none is answered, each is counted")
}

func unknownTypes(s *Subject) (report.Finding, error) {
	const expected = "RESULT 9 to unknown types from 0x10 to 0x7F, nothing to others"
	for _, t := range []seatlink.Type{0x18, 0x1F, 0x20, 0x40, 0x7F, 0x04, 0x0F, 0x80, 0x85, 0xC0, 0xFF, 0x00} {
		s.mark()
		before, number := s.status.State, s.number()
		now, ok, err := s.after(raw(t, number, []byte{1, 2, 3}, nil))
		if err != nil {
			return report.Finding{}, err
		}
		r, heard := s.reply(number)
		wanted := t >= 0x10 && t < 0x80
		switch {
		case !ok:
			return fail(fmt.Sprintf("the frame after one of type 0x%02X was not answered", byte(t)), expected, nil), nil
		case wanted && (!heard || r.Result != seatlink.ResultUnknown || r.Command != t):
			return fail(fmt.Sprintf("type 0x%02X: %s", byte(t), answered(r.Result, heard)), expected, nil), nil
		case !wanted && heard:
			return fail(fmt.Sprintf("type 0x%02X: %s", byte(t), answered(r.Result, heard)), expected, nil), nil
		case now.State != before:
			return fail(fmt.Sprintf("type 0x%02X: the state went from %v to %v", byte(t), before, now.State), expected, nil), nil
		}
	}
	return pass("12 types tried", expected), nil
}

func resync(s *Subject) (report.Finding, error) {
	const expected = "after each disturbance and a 0x00 the next frame is answered"
	good := func() []byte { return raw(seatlink.TypeStatusRequest, s.number(), nil, nil) }
	noise := make([]byte, 500)
	x := uint32(12345)
	for i := range noise {
		x = x*1664525 + 1013904223 // Numerical Recipes' generator: the same noise each time
		noise[i] = byte(x >> 24)
	}
	glued := good()
	for _, c := range []struct {
		name  string
		bytes []byte
	}{
		{"half a frame", append(good()[:4], 0)},
		{"half a frame glued to a good one", append(good()[:4], glued...)},
		{"500 bytes of noise", append(slices.Clone(noise), 0)},
		{"4000 bytes of noise", append(slices.Repeat(noise, 8), 0)},
		{"a setpoint cut off in its middle", append(raw(seatlink.TypeSetpoint, s.number(), (&seatlink.Setpoint{Axes: s.hello.Axes}).MarshalAppend(nil), nil)[:12], 0)},
	} {
		s.mark()
		for p := range slices.Chunk(c.bytes, 50) { // as fast as a slow controller reads
			if err := s.write(p); err != nil {
				return report.Finding{}, err
			}
			if err := s.pass(2 * ms); err != nil {
				return report.Finding{}, err
			}
		}
		s.mark()
		if _, ok, err := s.after(nil); err != nil {
			return report.Finding{}, err
		} else if !ok {
			return fail("after "+c.name+" the next frame was not answered", expected, because("line", "order", "it does not begin anew at a 0x00")), nil
		}
	}
	slow := good()
	number := s.encoder.Sequence()
	for _, b := range slow {
		if err := s.write([]byte{b}); err != nil {
			return report.Finding{}, err
		}
		if err := s.pass(5 * ms); err != nil {
			return report.Finding{}, err
		}
	}
	if ok, err := s.wait(patience, func() bool { _, ok := s.reply(number); return ok }); err != nil {
		return report.Finding{}, err
	} else if !ok {
		return fail("a frame whose bytes came 5 ms apart was not answered", expected, because("line", "time", "it gives up a frame that comes slowly")), nil
	}
	before, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if err := s.write(make([]byte, 20)); err != nil {
		return report.Finding{}, err
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	if now.Framing != before.Framing || now.CRCErrors != before.CRCErrors {
		return fail(fmt.Sprintf("20 empty frames: counted %d errors", now.Framing-before.Framing+now.CRCErrors-before.CRCErrors), expected+"; empty frames are no errors", nil), nil
	}
	return pass("5 disturbances, a slow frame and 20 empty ones", expected), nil
}
