package feed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
)

// growing is a file to which each packet is appended.
type growing struct {
	path string
	mu   sync.Mutex
	file *os.File // nil while lost or closed
}

func openFile(path string) (sink, address, error) {
	g := &growing{path: path}
	return g, address{path: path}, g.restore()
}

func (g *growing) restore() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.file != nil {
		return nil
	}
	f, err := os.OpenFile(g.path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	g.file = f
	return nil
}

func (g *growing) send(_ context.Context, p []byte) (bool, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.file == nil {
		return false, nil
	}
	if _, err := g.file.Write(p); err != nil {
		return false, fmt.Errorf("%w: make room on the disk", err)
	}
	return true, nil
}

func (g *growing) lose() {
	g.close()
	_ = os.Remove(g.path)
}

func (g *growing) close() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.file != nil {
		_ = g.file.Close()
		g.file = nil
	}
}

func (g *growing) answered() int64 { return 0 }

// block is what a copy's variant takes as a packet.
const block = 512

// copied is a copy of the capture file.
type copied struct {
	from, to string
	variant  Variant
	seed     uint64
}

func openCopy(from, to string, v Variant, seed uint64) (sink, address, error) {
	c := &copied{from: from, to: to, variant: v, seed: seed}
	return c, address{path: to}, c.restore()
}

func (c *copied) restore() error {
	in, err := os.Open(c.from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(c.to, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	buf := make([]byte, block)
	for vary := newVary(c.variant, c.seed); err == nil; {
		var n int
		n, err = io.ReadFull(in, buf)
		for _, piece := range vary.packet(buf[:n]) {
			if _, werr := out.Write(piece); werr != nil {
				err = werr
				break
			}
		}
	}
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	return errors.Join(err, out.Close())
}

func (c *copied) send(context.Context, []byte) (bool, error) { return false, nil }
func (c *copied) lose()                                      { _ = os.Remove(c.to) }
func (c *copied) close()                                     {}
func (c *copied) answered() int64                            { return 0 }
