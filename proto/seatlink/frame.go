package seatlink

import "bytes"

// crcTable is that of polynomial 0x1021, not reflected.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

// Checksum is CRC-16/IBM-3740 (polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor; check value 0x29B1),
// as the catalogue of parametrised CRC algorithms gives it.
func Checksum(p []byte) uint16 {
	c := uint16(0xFFFF)
	for _, b := range p {
		c = c<<8 ^ crcTable[byte(c>>8)^b]
	}
	return c
}

// AppendCOBS appends the consistent-overhead byte stuffing of p (Cheshire & Baker, IEEE/ACM Transactions on
// Networking 7(2), 1999), without delimiter. p must not overlap dst's free capacity.
func AppendCOBS(dst, p []byte) []byte {
	code := len(dst)
	dst = append(dst, 1)
	for i, b := range p {
		if b == 0 {
			code = len(dst)
			dst = append(dst, 1)
			continue
		}
		dst = append(dst, b)
		dst[code]++
		if dst[code] == 0xFF && i+1 < len(p) {
			code = len(dst)
			dst = append(dst, 1)
		}
	}
	return dst
}

// UncobsInPlace decodes p, which holds no delimiter, into its own front. ok is false where a code points past the
// end, where there is a zero, or where p is empty. Both encodings of a final block of 254 bytes are taken.
func UncobsInPlace(p []byte) (out []byte, ok bool) {
	if len(p) == 0 {
		return nil, false
	}
	n := 0
	for i := 0; i < len(p); {
		code := int(p[i])
		if code == 0 || i+code > len(p) {
			return nil, false
		}
		block := p[i+1 : i+code]
		if bytes.IndexByte(block, 0) >= 0 {
			return nil, false
		}
		n += copy(p[n:], block)
		i += code
		if code != 0xFF && i < len(p) {
			p[n] = 0
			n++
		}
	}
	return p[:n], true
}

// Encoder numbers frames and encodes them. The zero value is ready. It is not for several goroutines at once.
type Encoder struct {
	raw      [MaxRaw]byte
	sequence uint16
}

// Sequence is the number of the last frame appended.
func (e *Encoder) Sequence() uint16 { return e.sequence }

// SetSequence makes n the number of the last frame; the next one has n + 1.
func (e *Encoder) SetSequence(n uint16) { e.sequence = n }

// Append appends the next frame, delimiter included.
func (e *Encoder) Append(dst []byte, m Message) []byte {
	e.sequence++
	raw := append(e.raw[:0], byte(m.Type()), byte(e.sequence), byte(e.sequence>>8))
	raw = m.MarshalAppend(raw)
	raw = le.AppendUint16(raw, Checksum(raw))
	return append(AppendCOBS(dst, raw), Delimiter)
}

// Frame is a frame whose CRC was right.
type Frame struct {
	Type     Type
	Sequence uint16
	Payload  []byte // valid until the decoder's next call
}

// Counts are what a decoder has met. They only grow.
type Counts struct {
	Frames  uint64 // right ones
	CRC     uint64 // dropped: CRC
	Framing uint64 // dropped: COBS, too long, too short
}

// Decoder finds frames in a stream of bytes. The zero value is ready; give it a delimiter first where the
// stream is joined in the middle, which every host does.
type Decoder struct {
	pending []byte // not yet looked at
	at      int
	frame   [MaxEncoded]byte
	n       int
	long    bool // the frame under way is too long: skip to the delimiter
	counts  Counts
}

// pendingMost bounds what a caller that never calls Next can pile up.
const pendingMost = 1 << 16

// Write takes bytes from the stream. It never fails; a caller that does not call Next loses the oldest bytes.
func (d *Decoder) Write(p []byte) (int, error) {
	if d.at == len(d.pending) {
		d.pending, d.at = d.pending[:0], 0
	} else if d.at > 0 {
		d.pending = d.pending[:copy(d.pending, d.pending[d.at:])]
		d.at = 0
	}
	n := len(p)
	if n > pendingMost {
		p = p[n-pendingMost:]
	}
	if over := len(d.pending) + len(p) - pendingMost; over > 0 {
		d.pending = d.pending[:copy(d.pending, d.pending[over:])]
	}
	d.pending = append(d.pending, p...)
	return n, nil
}

// Next gives the next right frame, or false when the bytes written hold no further one.
func (d *Decoder) Next(f *Frame) bool {
	for d.at < len(d.pending) {
		rest := d.pending[d.at:]
		end := bytes.IndexByte(rest, Delimiter)
		part := rest
		if end >= 0 {
			part = rest[:end]
		}
		if d.n+len(part) > MaxRaw+1 {
			d.long = true
		}
		if !d.long {
			d.n += copy(d.frame[d.n:], part)
		}
		d.at += len(part)
		if end < 0 {
			break
		}
		d.at++
		n, long := d.n, d.long
		d.n, d.long = 0, false
		if long {
			d.counts.Framing++
			continue
		}
		if n == 0 {
			continue // a lone delimiter is how a sender gets the receiver into step
		}
		raw, ok := UncobsInPlace(d.frame[:n])
		if !ok || len(raw) < Overhead {
			d.counts.Framing++
			continue
		}
		body := raw[:len(raw)-2]
		if Checksum(body) != le.Uint16(raw[len(body):]) {
			d.counts.CRC++
			continue
		}
		d.counts.Frames++
		*f = Frame{Type: Type(body[0]), Sequence: le.Uint16(body[1:]), Payload: body[3:]}
		return true
	}
	return false
}

// Counts gives the counts so far.
func (d *Decoder) Counts() Counts { return d.counts }

// Reset forgets bytes, not counts.
func (d *Decoder) Reset() { d.pending, d.at, d.n, d.long = d.pending[:0], 0, 0, false }
