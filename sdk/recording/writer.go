package recording

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"

	"google.golang.org/protobuf/proto"

	recordingv1 "perch/proto/recording/v1"
	"perch/sdk"
)

// Writer writes a recording. It buffers: call Flush about once a second and at the end, so that a crash costs about a
// second. After an error every further call gives the same error. A Writer is for one goroutine.
type Writer struct {
	w   *bufio.Writer
	err error
	buf []byte
	sum *crc32.Table
}

// NewWriter writes the file's head and its header to w. Flush brings them to it.
func NewWriter(w io.Writer, h Header) (*Writer, error) {
	r := &Writer{w: bufio.NewWriterSize(w, 64<<10), sum: crc32.MakeTable(crc32.Castagnoli)}
	head := binary.LittleEndian.AppendUint32([]byte(magic), Version)
	if _, err := r.w.Write(head); err != nil {
		return nil, err
	}
	m := &recordingv1.Record{}
	m.SetHeader(recordingv1.Header_builder{
		PerchVersion: h.PerchVersion, RateHz: h.Rate, StartedUnixNs: h.Started, ConfigToml: h.Config,
		Sources: h.Sources, Actuators: h.Actuators,
	}.Build())
	if err := r.write(m); err != nil {
		return nil, err
	}
	return r, nil
}

// WriteState writes a state.
func (w *Writer) WriteState(s *State) error {
	m := &recordingv1.Record{}
	m.SetTick(s.Tick)
	m.SetState(recordingv1.StateSeen_builder{Source: uint32(s.Source), State: sdk.ToWire(&s.State)}.Build())
	return w.write(m)
}

// WriteCommand writes a command.
func (w *Writer) WriteCommand(c *Command) error {
	b := recordingv1.Command_builder{
		Wanted: c.Wanted[:], Commanded: c.Commanded[:], Actuators: c.Actuators, SeatState: c.SeatState,
		Input: recordingv1.GuardInput_builder{
			Ask: c.Input.Ask, Controller: c.Input.Controller, BootId: c.Input.BootID,
			Positions: c.Input.Positions, OperatorAgeS: c.Input.OperatorAge,
		}.Build(),
	}
	if c.Source >= 0 {
		b.Source = new(uint32(c.Source))
		b.SourceAgeS = &c.SourceAge
	}
	m := &recordingv1.Record{}
	m.SetTick(c.Tick)
	m.SetCommand(b.Build())
	return w.write(m)
}

// WriteStatus writes the controller's word.
func (w *Writer) WriteStatus(s *Status) error {
	m := &recordingv1.Record{}
	m.SetTick(s.Tick)
	m.SetStatus(recordingv1.SeatStatus_builder{
		ControllerState: s.State, Faults: s.Faults, LastSequence: s.LastSequence, Positions: s.Positions,
	}.Build())
	return w.write(m)
}

// WriteEvent writes an event.
func (w *Writer) WriteEvent(e *Event) error {
	b := recordingv1.Event_builder{Level: e.Level, Message: e.Message}
	if e.Dropped > 0 {
		b.Dropped = &e.Dropped
	}
	m := &recordingv1.Record{}
	m.SetTick(e.Tick)
	m.SetEvent(b.Build())
	return w.write(m)
}

// Write writes any record but a header, which only a new file has.
func (w *Writer) Write(r Record) error {
	switch r := r.(type) {
	case *State:
		return w.WriteState(r)
	case *Command:
		return w.WriteCommand(r)
	case *Status:
		return w.WriteStatus(r)
	case *Event:
		return w.WriteEvent(r)
	}
	return fmt.Errorf("a record of type %T cannot be written: states, commands, statuses and events can", r)
}

func (w *Writer) write(m *recordingv1.Record) error {
	if w.err != nil {
		return w.err
	}
	b, err := proto.MarshalOptions{}.MarshalAppend(append(w.buf[:0], make([]byte, prefixSize)...), m)
	if err != nil {
		return fmt.Errorf("encode a record of tick %d: %w", m.GetTick(), err) // the file is still whole
	}
	w.buf = b
	n := len(b) - prefixSize
	if n < 1 || n > MaximumRecord {
		return fmt.Errorf("a record of tick %d has %d bytes: from 1 to %d", m.GetTick(), n, MaximumRecord)
	}
	binary.LittleEndian.PutUint32(b, uint32(n))
	sum := crc32.Update(crc32.Checksum(b[:4], w.sum), w.sum, b[prefixSize:])
	binary.LittleEndian.PutUint32(b[4:], sum)
	_, w.err = w.w.Write(b)
	return w.err
}

// Flush brings everything that was written to the underlying writer.
func (w *Writer) Flush() error {
	if w.err == nil {
		w.err = w.w.Flush()
	}
	return w.err
}
