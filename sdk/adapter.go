// Package sdk is what an adapter author imports: describe the source, write one function that streams
// states, and call Serve from main.
//
// An adapter is a program of its own. The host starts it, checks the operator's settings against the
// Description, calls Stream, and cancels its context to close the source. Printing to stdout cannot break an
// adapter. Everything is SI and in the axes of package vehicle; package axes and package units convert.
package sdk

import (
	"context"

	"perch/sdk/vehicle"
)

// Description says what an adapter is, before anything is opened.
type Description struct {
	Name        string           // lower case, as typed by an operator
	Version     string           // semantic version
	Summary     string           // one sentence: what it reads
	Signals     []vehicle.Signal // what it can give
	Never       []vehicle.Signal // what this source can never give
	NominalRate float64          // Hz; 0: it varies or is not known
	Settings    []Setting
}

// Type says how a setting's text is read.
type Type uint8

// The types, as on the wire.
const (
	String Type = iota + 1
	Number
	Integer
	Boolean
	Duration
	Choice
)

// Setting describes one setting of an adapter.
type Setting struct {
	Key      string // lower case with underscores, as in --set key=value
	Type     Type
	Unit     string   // of a number, "" where it has none
	Help     string   // one sentence
	Default  string   // "" : none
	Required bool     // the operator must give it
	Minimum  *float64 // nil: no bound
	Maximum  *float64
	Choices  []string // of a Choice
}

// Fault is one thing that is wrong with an operator's settings. An empty Key is about all of them.
type Fault struct {
	Key     string
	Message string
}

// Adapter is a description and one function.
type Adapter struct {
	Description
	// Check, where it is set, finds what the description alone cannot: it opens nothing.
	Check func(Settings) []Fault
	// Stream opens the source and sends what it measures until ctx ends. While the source is absent it keeps
	// looking; it returns an error only for what an operator must mend.
	Stream func(ctx context.Context, s Settings, out *Sender) error
}
