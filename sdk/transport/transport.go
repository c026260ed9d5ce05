// Package transport reads bytes from where a source sends them: a UDP port or a serial port. A vanished port is looked
// for until it is back.
package transport

import (
	"context"
	"net/netip"
)

// Chunk is what arrived at once: one datagram, or what a serial port had.
type Chunk struct {
	Bytes      []byte         // valid until the next Read
	From       netip.AddrPort // the sender of a datagram, else the zero value
	ObservedAt int64          // when it arrived, unix ns
}

// Source is anything that bytes come from. Read is for one goroutine at a time; Write and Close may be called beside it.
type Source interface {
	// Read waits for bytes until ctx ends. io.EOF: the source has an end and it is reached.
	Read(ctx context.Context) (Chunk, error)
	// Write sends bytes back: to a sender of datagrams, or down the line.
	Write(p []byte, to netip.AddrPort) error
	// Close frees the source and ends a Read that waits.
	Close() error
	// String names the source as the operator wrote it.
	String() string
}
