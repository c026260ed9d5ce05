//go:build linux || darwin

package simulated

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// ptyPort keeps the far side of a pseudo-terminal open beside the near one: without it, reading fails at once for as
// long as nobody is connected.
type ptyPort struct {
	*os.File
	far *os.File
}

func (p *ptyPort) Close() error { return errors.Join(p.File.Close(), p.far.Close()) }

// ServePTY serves the controller on a new pseudo-terminal until ctx ends. name is the terminal's own name. If link is
// not empty, a symbolic link of that name points to it meanwhile; a link that is there already is replaced, anything
// else is not. done is closed when the link has been removed.
func (s *Server) ServePTY(ctx context.Context, link string) (name string, done <-chan struct{}, err error) {
	near, far, err := pty.Open()
	if err != nil {
		return "", nil, fmt.Errorf("simulated controller: no pseudo-terminal: %w", err)
	}
	fail := func(err error) (string, <-chan struct{}, error) {
		_ = near.Close()
		_ = far.Close()
		return "", nil, err
	}
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		return fail(fmt.Errorf("simulated controller: pseudo-terminal %s will not be raw: %w", far.Name(), err))
	}
	name = far.Name()
	if link != "" {
		if was, err := os.Lstat(link); err == nil {
			if was.Mode()&os.ModeSymlink == 0 {
				return fail(fmt.Errorf("simulated controller: %s exists and is not a symbolic link; choose another path", link))
			}
			if err := os.Remove(link); err != nil {
				return fail(fmt.Errorf("simulated controller: old link: %w", err))
			}
		}
		if err := os.Symlink(name, link); err != nil {
			return fail(fmt.Errorf("simulated controller: link: %w", err))
		}
	}
	end := make(chan struct{})
	go func() {
		defer close(end)
		_ = s.Serve(ctx, &ptyPort{near, far})
		if to, err := os.Readlink(link); link != "" && err == nil && to == name {
			_ = os.Remove(link)
		}
	}()
	return name, end, nil
}

// ServePTY starts a controller and serves it as Server.ServePTY does.
func ServePTY(ctx context.Context, link string, settings Settings) (name string, done <-chan struct{}, err error) {
	s, err := NewServer(settings)
	if err != nil {
		return "", nil, err
	}
	return s.ServePTY(ctx, link)
}
