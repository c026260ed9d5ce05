// Package recording reads and writes recordings of rides.
//
// A recording is a file that can be cut anywhere, by a crash or a full disk, and loses nothing but its last record: a
// line that names the format, then records, each with its length and a checksum. A reader gives every whole record and
// then says how the file ended.
//
// # The file
//
// The first eight bytes are "perchrec", the next four the version of the file's format, unsigned, little endian; this
// package writes version 1 and refuses others. Then records follow without gaps:
//
//	4 bytes  length of the body, unsigned, little endian, from 1 to MaximumRecord
//	4 bytes  CRC-32C of the four length bytes and the body, little endian
//	         the body: a message perch.recording.v1.Record in protobuf encoding
//
// CRC-32C is the Castagnoli polynomial, as in RFC 3720 (iSCSI), section B.4. The checksum covers the length, so that a
// run of zero bytes, which some file systems leave after a crash, is no record.
package recording

import (
	"perch/sdk/vehicle"
)

// Version is the version of the file's format.
const Version = 1

// MaximumRecord is the longest body of a record, in bytes.
const MaximumRecord = 1 << 20

const (
	magic      = "perchrec"
	headSize   = len(magic) + 4
	prefixSize = 8
)

// Record is one of Header, State, Command, Status and Event.
type Record interface{ record() }

// Header says what the recording is of. It is the first record of a file.
type Header struct {
	PerchVersion string
	Rate         float64  // of the loop, Hz
	Started      int64    // unix time of tick 0, ns
	Config       string   // the whole configuration, as TOML
	Sources      []string // names; State.Source is an index into them
	Actuators    []string // names with unit, in the order of Command.Actuators
}

// State is a state at the tick at which the chain first saw it.
type State struct {
	Tick   uint64
	Source int // index into Header.Sources
	vehicle.State
}

// Command is what left the chain at one tick. Poses are surge, sway, heave in m and roll, pitch, yaw in rad.
type Command struct {
	Tick      uint64
	Wanted    [6]float64 // out of cueing
	Commanded [6]float64 // out of the guard
	Actuators []float64  // rad or m
	SeatState string
	Source    int     // index of the live source, -1: none
	SourceAge float64 // s; 0 where there is no source
	Input     GuardInput
}

// GuardInput is what the guard was told at a tick besides the wanted pose. The bits are those of the schema
// (proto/recording/v1).
type GuardInput struct {
	Ask         uint32
	Controller  uint32
	BootID      uint32
	Positions   []float64 // that the controller reports, rad or m
	OperatorAge float64   // s
}

// Status is the controller's word.
type Status struct {
	Tick         uint64
	State        string // of the controller
	Faults       uint32
	LastSequence uint32
	Positions    []float64 // rad or m
}

// Event is one line for the operator.
type Event struct {
	Tick    uint64
	Level   string // DEBUG, INFO, WARN, ERROR
	Message string
	Dropped uint64 // rows that were lost before this record; 0: none
}

func (*Header) record()  {}
func (*State) record()   {}
func (*Command) record() {}
func (*Status) record()  {}
func (*Event) record()   {}
