package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"

	"perch/sdk/mavlink"
)

// stampSize is the length of the time stamp before each frame.
const stampSize = 8

// Tlog reads a telemetry log as ground stations write it: again and again 8 bytes of unix time in µs, big endian, and
// one MAVLink frame. It has no header and no index.
type Tlog struct {
	r       *bufio.Reader
	held    int // bytes of the record that was handed out
	skipped int64
	frame   mavlink.Frame
	checked bool // the frame's checksum was right, not only its place
}

// NewTlog reads a telemetry log from r.
func NewTlog(r io.Reader) *Tlog { return &Tlog{r: bufio.NewReaderSize(r, 4096)} }

// Skipped counts the bytes that belonged to no record, a record cut off at the end included.
func (t *Tlog) Skipped() int64 { return t.skipped }

// Read is the next record; its Data is one frame, of a message that is known or not.
func (t *Tlog) Read() (Packet, error) {
	if _, err := t.r.Discard(t.held); err != nil {
		return Packet{}, err
	}
	t.held = 0
	for {
		// Enough for a frame, the time stamp behind it and the start byte after that.
		b, err := t.r.Peek(stampSize + mavlink.MaxFrame + stampSize + 1)
		if err != nil && !errors.Is(err, io.EOF) {
			return Packet{}, err
		}
		if len(b) == 0 {
			return Packet{}, io.EOF
		}
		if len(b) > stampSize && t.whole(b[stampSize:]) {
			t.held = stampSize + len(t.frame.Raw)
			return Packet{Time: int64(binary.BigEndian.Uint64(b) * 1000), Data: t.frame.Raw}, nil
		}
		if _, err := t.r.Discard(1); err != nil {
			return Packet{}, err
		}
		t.skipped++
	}
}

// whole says whether a frame lies at the start of b. One that cannot be checked needs another frame where it must be,
// or the end of the file.
func (t *Tlog) whole(b []byte) bool {
	found := mavlink.Parse(b, &t.frame)
	t.checked = found == mavlink.Checked
	switch found {
	case mavlink.Checked:
		return true
	case mavlink.Unchecked:
		rest := b[len(t.frame.Raw):]
		if len(rest) > stampSize {
			return rest[stampSize] == mavlink.StartV1 || rest[stampSize] == mavlink.StartV2
		}
		return len(rest) == 0
	}
	return false
}
