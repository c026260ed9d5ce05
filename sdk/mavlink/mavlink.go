// Package mavlink reads and writes MAVLink 1 and 2: frames, their checksums, and the few messages that tell how a
// vehicle moves.
//
// It follows the MAVLink developer guide (https://mavlink.io/en/guide/serialization.html and message_signing.html)
// and the message set "common" (https://mavlink.io/en/messages/common.html). Names and units of the fields are the
// message set's; where a unit is not SI the field's comment says which it is. Nothing is converted here.
//
// The reader resumes at the byte after a false start, so noise costs no frame that was whole. A message that is not
// in the table cannot be checked, because its checksum is seeded by its definition: it is skipped and is no error.
package mavlink

// Start bytes of the two versions.
const (
	StartV1 = 0xFE
	StartV2 = 0xFD
)

// Lengths in bytes, start byte and checksum included.
const (
	headerV1     = 6
	headerV2     = 10
	checksumSize = 2
	// SignatureSize is what a signed frame carries after its checksum: link id, time stamp, 48 bits of hash.
	SignatureSize = 13
	// MaxPayload is the longest payload.
	MaxPayload = 255
	// MaxFrame is the longest frame: version 2, full payload, signed.
	MaxFrame = headerV2 + MaxPayload + checksumSize + SignatureSize
)

// incompatSigned is the one incompatibility flag that is defined: a signature follows the checksum.
const incompatSigned = 1

// Header is what a sender chooses of a frame.
type Header struct {
	Version   uint8 // 1 or 2
	Sequence  uint8 // counts this sender's frames, mod 256
	System    uint8 // 1..255
	Component uint8 // 1: the autopilot
}

// Frame is one frame as it was sent. Its slices are only valid until the reader is used again.
type Frame struct {
	Header
	ID        uint32
	Payload   []byte // as sent: version 2 cuts trailing zeros off
	Signature []byte // 13 bytes, not verified; nil where the frame is not signed
	Raw       []byte // the whole frame
	Known     bool   // the message is in the table, so its checksum was checked and is right

	work *coder // for Decode, kept so that one is not allocated for each frame
}

// Checksum is the frame's checksum as sent.
func (f *Frame) Checksum() uint16 {
	end := len(f.Raw) - len(f.Signature)
	if end < checksumSize {
		return 0
	}
	return uint16(f.Raw[end-2]) | uint16(f.Raw[end-1])<<8
}

// Verdict says what the first bytes of a buffer are.
type Verdict uint8

// The verdicts of Parse.
const (
	NoFrame    Verdict = iota // no frame starts here
	Incomplete                // more bytes are needed to say
	Unchecked                 // has the shape of a frame, of a message whose checksum cannot be checked
	Checked                   // a frame whose checksum is right
)

// Parse looks at the start of b, fills f and says what it found. It looks for nothing further in.
func Parse(b []byte, f *Frame) Verdict {
	if len(b) == 0 {
		return Incomplete
	}
	var header int
	switch b[0] {
	case StartV1:
		header = headerV1
	case StartV2:
		header = headerV2
		if len(b) > 2 && b[2]&^incompatSigned != 0 {
			return NoFrame // the guide: a frame with a flag that is not understood is dropped
		}
	default:
		return NoFrame
	}
	if len(b) < header {
		return Incomplete
	}
	length, signature := int(b[1]), 0
	if header == headerV2 {
		if b[2]&incompatSigned != 0 {
			signature = SignatureSize
		}
		f.Header = Header{Version: 2, Sequence: b[4], System: b[5], Component: b[6]}
		f.ID = uint32(b[7]) | uint32(b[8])<<8 | uint32(b[9])<<16
	} else {
		f.Header = Header{Version: 1, Sequence: b[2], System: b[3], Component: b[4]}
		f.ID = uint32(b[5])
	}
	if f.System == 0 {
		return NoFrame // 0 addresses everyone and is never a sender
	}
	end := header + length
	total := end + checksumSize + signature
	if len(b) < total {
		return Incomplete
	}
	f.Payload = b[header:end:end]
	f.Signature = nil
	if signature != 0 {
		f.Signature = b[end+checksumSize : total : total]
	}
	f.Raw = b[:total:total]
	extra, known := ChecksumExtra(f.ID)
	f.Known = known
	if !known {
		return Unchecked
	}
	if checksum(b[1:end], extra) != uint16(b[end])|uint16(b[end+1])<<8 {
		return NoFrame
	}
	return Checked
}

// checksum is CRC-16/MCRF4XX over the bytes and then the message's extra byte.
func checksum(b []byte, extra uint8) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc = accumulate(crc, c)
	}
	return accumulate(crc, extra)
}

// accumulate is crc_accumulate of the guide: polynomial 0x1021, reflected.
func accumulate(crc uint16, c byte) uint16 {
	t := c ^ byte(crc)
	t ^= t << 4
	return crc>>8 ^ uint16(t)<<8 ^ uint16(t)<<3 ^ uint16(t)>>4
}

// Append writes a frame that holds the message and returns the longer slice. Version 2 cuts trailing zeros but keeps
// the first byte of the payload, as the guide has it; version 1 sends no extension fields and no message whose
// number is over 255, for which dst comes back as it was.
func Append(dst []byte, h Header, m Message) []byte {
	var c coder
	c.write = true
	m.code(&c)
	id := m.ID()
	extra, known := ChecksumExtra(id)
	if !known || h.Version == 1 && id > 255 {
		return dst
	}
	start := len(dst)
	if h.Version == 1 {
		n := c.base()
		dst = append(dst, StartV1, byte(n), h.Sequence, h.System, h.Component, byte(id))
		dst = append(dst, c.buf[:n]...)
	} else {
		n := c.at
		for n > 1 && c.buf[n-1] == 0 {
			n--
		}
		dst = append(dst, StartV2, byte(n), 0, 0, h.Sequence, h.System, h.Component, byte(id), byte(id>>8), byte(id>>16))
		dst = append(dst, c.buf[:n]...)
	}
	crc := checksum(dst[start+1:], extra)
	return append(dst, byte(crc), byte(crc>>8))
}

// Decode reads the frame's payload into m and says whether the frame holds such a message. A payload that is shorter
// than the message is padded with zeros, one that is longer is read as far as it is known.
func (f *Frame) Decode(m Message) bool {
	if f.ID != m.ID() {
		return false
	}
	if f.work == nil {
		f.work = new(coder)
	}
	*f.work = coder{}
	copy(f.work.buf[:], f.Payload)
	m.code(f.work)
	return true
}
