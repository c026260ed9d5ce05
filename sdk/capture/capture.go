// Package capture reads files that hold what once came over a link, each piece with the time it came, and plays them
// again at that pace.
package capture

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
)

// Record is one piece of what was captured.
type Record struct {
	Time int64  // when the recorder received it, unix ns
	Data []byte // valid until the next record is read
}

// Reader reads records in the order of the file. io.EOF: there are no more. What does not parse is skipped; a file
// that is cut short ends early and is no error.
type Reader interface {
	Next() (Record, error)
}

// File is an open capture file.
type File struct {
	Reader
	file *os.File
}

// Open opens a telemetry log; compressed with gzip or not, whatever its name.
func Open(path string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("capture file: %w", err)
	}
	r, err := Plain(f)
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("capture file %s: %w", path, err)
	}
	return &File{Reader: NewTlog(r), file: f}, nil
}

// Close closes the file.
func (f *File) Close() error { return f.file.Close() }

// Plain takes gzip compression off where the content begins as gzip does (RFC 1952), and is r itself otherwise. A
// compressed stream that is cut short reads as its end.
func Plain(r io.Reader) (io.Reader, error) {
	b := bufio.NewReader(r)
	magic, err := b.Peek(2)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
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
