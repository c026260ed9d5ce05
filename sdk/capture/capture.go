// Package capture reads files that hold what once came over a link, each piece with the time it came, and plays them
// again at that pace. It reads
//
//   - pcap and pcapng: UDP datagrams, and what each side of a TCP connection said, in order (network.go)
//   - telemetry logs (tlog.go)
//   - timed lines, which a person can write by hand, and text with a time before each line (lines.go)
//
// each compressed with gzip or not, and knows them by their content, whatever their names. It writes pcap and timed
// lines. A file is read as a stream: memory does not grow with it.
package capture

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"os"
)

// Protocol is what carried a packet.
type Protocol uint8

// None: the format does not say, as of a serial line.
const (
	None Protocol = iota
	UDP
	TCP
)

// String is the protocol's name in lower case; nothing for None.
func (p Protocol) String() string { return [...]string{"", "udp", "tcp"}[p] }

// Packet is one piece of what was captured: a datagram, a frame, a line, or some bytes of a stream.
type Packet struct {
	Time     int64  // when the recorder received it, unix ns; of timed lines since whatever moment they count from
	Data     []byte // valid until the next Read
	Protocol Protocol
	From, To netip.AddrPort // the zero value where Protocol is None
	// Missing counts bytes that the recorder did not keep: at the end of a datagram, before the bytes of a stream.
	Missing int
}

// Reader reads packets in the order of the file. io.EOF: there are no more. A file that is cut short ends early and is
// no error.
type Reader interface {
	Read() (Packet, error)
}

// Format is how a capture is written down.
type Format string

// What Open knows.
const (
	Pcap   Format = "pcap"
	Pcapng Format = "pcapng"
	Log    Format = "tlog"
	Lines  Format = "timed lines"
	Text   Format = "text"
)

// File is an open capture file.
type File struct {
	reader Reader
	format Format
	path   string
	file   *os.File
}

// Open opens a capture and finds by its content how it is written. Errors, those of Read too, name the file, the place
// in it and what to do.
func Open(path string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("capture file: %w", err)
	}
	r, format, err := New(f)
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("capture file %s %w", path, err)
	}
	return &File{reader: r, format: format, path: path, file: f}, nil
}

// Read is the next packet.
func (f *File) Read() (Packet, error) {
	p, err := f.reader.Read()
	if err != nil && !errors.Is(err, io.EOF) {
		err = fmt.Errorf("capture file %s: %w", f.path, err)
	}
	return p, err
}

// Format is how the file is written.
func (f *File) Format() Format { return f.format }

// Close closes the file.
func (f *File) Close() error { return f.file.Close() }

// sniffed is how much of the beginning is looked at to know the format.
const sniffed = 64 << 10

// New reads a capture from r, compressed or not, and says how it is written.
func New(r io.Reader) (Reader, Format, error) {
	r, err := Plain(r)
	if err != nil {
		return nil, "", err
	}
	b := bufio.NewReaderSize(r, sniffed)
	head, err := b.Peek(sniffed)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, "", fmt.Errorf("cannot be read: %w", err)
	}
	switch {
	case len(head) == 0:
		return nil, "", errors.New("is empty: record it again")
	case isPcap(head):
		n, err := newPcap(b)
		return n, Pcap, err
	case isPcapng(head):
		n, err := newPcapng(b)
		return n, Pcapng, err
	}
	if header, timed := isLines(head); header {
		return newLines(b, true), Lines, nil
	} else if timed {
		return newLines(b, false), Text, nil
	}
	if isTlog(head) {
		return NewTlog(b), Log, nil
	}
	return nil, "", errors.New("is neither pcap, pcapng, a telemetry log (tlog), nor lines that begin with a time in seconds: bytes without times cannot be played, record them with their times")
}

// isTlog says whether a telemetry log begins in head: with a frame, or somewhere with one whose checksum is right.
func isTlog(head []byte) bool {
	t := NewTlog(bytes.NewReader(head))
	for {
		if _, err := t.Read(); err != nil {
			return false
		}
		if t.checked || t.skipped == 0 {
			return true
		}
	}
}

// Plain takes gzip compression off where the content begins as gzip does (RFC 1952), and is r itself otherwise. A
// compressed stream that is cut short reads as its end.
func Plain(r io.Reader) (io.Reader, error) {
	b := bufio.NewReader(r)
	magic, err := b.Peek(2)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("cannot be read: %w", err)
	}
	if len(magic) < 2 || magic[0] != 0x1f || magic[1] != 0x8b {
		return b, nil
	}
	z, err := gzip.NewReader(b)
	if err != nil {
		return nil, fmt.Errorf("begins as gzip does but is not: %w", err)
	}
	return cut{z}, nil
}

// cut makes the unexpected end of a reader an ordinary one.
type cut struct{ r io.Reader }

func (c cut) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = io.EOF
	}
	return n, err
}
