package recording

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"google.golang.org/protobuf/proto"

	recordingv1 "perch/proto/recording/v1"
	"perch/sdk"
)

// Ending says how a recording ended. It is what Next gives as its error at the end of every file, a whole one too.
type Ending struct {
	Offset  int64 // bytes up to the end of the last whole record
	Records int   // whole records, the header among them
	// Cut says that bytes follow the last whole record: the end of one that was being written, or something that is
	// no record.
	Cut    bool
	Reason string // what is wrong with them, "" where nothing is
}

// Error is the ending as one line.
func (e *Ending) Error() string {
	if !e.Cut {
		return fmt.Sprintf("the recording ends whole, after %d records", e.Records)
	}
	return fmt.Sprintf("the recording is cut at byte %d, after %d whole records: %s", e.Offset, e.Records, e.Reason)
}

// Is makes errors.Is(ending, io.EOF) true for a recording that ends whole, and io.ErrUnexpectedEOF for a cut one.
func (e *Ending) Is(target error) bool {
	if e.Cut {
		return target == io.ErrUnexpectedEOF
	}
	return target == io.EOF
}

// Reader reads a recording.
type Reader struct {
	r      *bufio.Reader
	header Header
	sum    *crc32.Table
	buf    []byte
	end    Ending
	over   error
}

// NewReader reads the file's head and its header. It fails where r is no recording, or cut before the end of its
// header.
func NewReader(r io.Reader) (*Reader, error) {
	d := &Reader{r: bufio.NewReaderSize(r, 64<<10), sum: crc32.MakeTable(crc32.Castagnoli)}
	var head [headSize]byte
	n, err := io.ReadFull(d.r, head[:])
	switch {
	case n < len(magic) || string(head[:len(magic)]) != magic:
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return nil, err
		}
		return nil, errors.New("this is no recording: it does not begin with " + magic)
	case err != nil:
		return nil, fmt.Errorf("the recording is cut within its first %d bytes", headSize)
	}
	if v := binary.LittleEndian.Uint32(head[len(magic):]); v != Version {
		return nil, fmt.Errorf("the recording's format is version %d, this program reads version %d", v, Version)
	}
	d.end.Offset = int64(headSize)
	m, err := d.next()
	if err != nil {
		return nil, fmt.Errorf("the recording has no header: %w", err)
	}
	if !m.HasHeader() {
		return nil, errors.New("the recording's first record is no header")
	}
	h := m.GetHeader()
	d.header = Header{
		PerchVersion: h.GetPerchVersion(), Rate: h.GetRateHz(), Started: h.GetStartedUnixNs(), Config: h.GetConfigToml(),
		Sources: h.GetSources(), Actuators: h.GetActuators(),
	}
	return d, nil
}

// Header is the recording's header.
func (d *Reader) Header() Header { return d.header }

// Next reads the next record: a *State, *Command, *Status or *Event, each of its own memory. At the end it gives an
// *Ending, again and again. Another error is one of reading, or a record that is whole but holds what no recording may;
// after the latter the rest can still be read.
func (d *Reader) Next() (Record, error) {
	m, err := d.next()
	if err != nil {
		return nil, err
	}
	r, err := d.decode(m)
	if err != nil {
		return nil, fmt.Errorf("record %d, tick %d: %w", d.end.Records, m.GetTick(), err)
	}
	return r, nil
}

func (d *Reader) next() (*recordingv1.Record, error) {
	if d.over != nil {
		return nil, d.over
	}
	var prefix [prefixSize]byte
	n, err := io.ReadFull(d.r, prefix[:])
	switch {
	case errors.Is(err, io.EOF):
		return nil, d.ends("")
	case errors.Is(err, io.ErrUnexpectedEOF):
		return nil, d.ends(fmt.Sprintf("%d bytes of a record's first %d", n, prefixSize))
	case err != nil:
		return nil, d.fails(err)
	}
	size := binary.LittleEndian.Uint32(prefix[:])
	if size == 0 || size > MaximumRecord {
		return nil, d.ends(fmt.Sprintf("what follows says that it is %d bytes long: from 1 to %d", size, MaximumRecord))
	}
	if cap(d.buf) < int(size) {
		d.buf = make([]byte, size)
	}
	b := d.buf[:size]
	n, err = io.ReadFull(d.r, b)
	switch {
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return nil, d.ends(fmt.Sprintf("%d of a record's %d bytes", n, size))
	case err != nil:
		return nil, d.fails(err)
	}
	if crc32.Update(crc32.Checksum(prefix[:4], d.sum), d.sum, b) != binary.LittleEndian.Uint32(prefix[4:]) {
		return nil, d.ends("the checksum of the next record is wrong")
	}
	m := &recordingv1.Record{}
	if err := proto.Unmarshal(b, m); err != nil {
		return nil, d.ends("the next record is none, though its checksum is right: a newer or another program wrote it")
	}
	d.end.Offset += int64(prefixSize) + int64(size)
	d.end.Records++
	return m, nil
}

func (d *Reader) ends(reason string) error {
	d.end.Cut, d.end.Reason = reason != "", reason
	d.over = &d.end
	return d.over
}

func (d *Reader) fails(err error) error {
	d.over = fmt.Errorf("read the recording at byte %d: %w", d.end.Offset, err)
	return d.over
}

func (d *Reader) decode(m *recordingv1.Record) (Record, error) {
	source := func(i uint32) (int, error) {
		if int64(i) >= int64(len(d.header.Sources)) {
			return 0, fmt.Errorf("source %d, of %d that the header names", i, len(d.header.Sources))
		}
		return int(i), nil
	}
	switch m.WhichBody() {
	case recordingv1.Record_State_case:
		r := &State{Tick: m.GetTick()}
		var err error
		if r.Source, err = source(m.GetState().GetSource()); err != nil {
			return nil, err
		}
		return r, sdk.FromWire(m.GetState().GetState(), &r.State)
	case recordingv1.Record_Command_case:
		c := m.GetCommand()
		r := &Command{Tick: m.GetTick(), Actuators: c.GetActuators(), SeatState: c.GetSeatState(), Source: -1}
		if in := c.GetInput(); in != nil {
			r.Input = GuardInput{
				Ask: in.GetAsk(), Controller: in.GetController(), BootID: in.GetBootId(),
				Positions: in.GetPositions(), OperatorAge: in.GetOperatorAgeS(),
			}
		}
		if copied := copy(r.Wanted[:], c.GetWanted()); copied != len(r.Wanted) || len(c.GetWanted()) != copied {
			return nil, fmt.Errorf("a wanted pose of %d axes: 6 are meant", len(c.GetWanted()))
		}
		if copied := copy(r.Commanded[:], c.GetCommanded()); copied != len(r.Commanded) || len(c.GetCommanded()) != copied {
			return nil, fmt.Errorf("a commanded pose of %d axes: 6 are meant", len(c.GetCommanded()))
		}
		if c.HasSource() {
			var err error
			if r.Source, err = source(c.GetSource()); err != nil {
				return nil, err
			}
			r.SourceAge = c.GetSourceAgeS()
		}
		return r, nil
	case recordingv1.Record_Status_case:
		s := m.GetStatus()
		return &Status{
			Tick: m.GetTick(), State: s.GetControllerState(), Faults: s.GetFaults(), LastSequence: s.GetLastSequence(),
			Positions: s.GetPositions(),
		}, nil
	case recordingv1.Record_Event_case:
		e := m.GetEvent()
		return &Event{Tick: m.GetTick(), Level: e.GetLevel(), Message: e.GetMessage(), Dropped: e.GetDropped()}, nil
	case recordingv1.Record_Header_case:
		return nil, errors.New("a second header")
	}
	return nil, errors.New("a kind of record that this program does not know")
}
