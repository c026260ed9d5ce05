//go:build linux || darwin

package feed

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// line is a pseudo-terminal behind a symbolic link, whose name stays when the line is pulled out and plugged in again.
// Nobody but the adapter holds its far side, so that the feed knows whether the adapter has it open.
type line struct {
	link  string
	back  atomic.Int64
	reads sync.WaitGroup
	end   chan struct{}
	once  sync.Once

	mu    sync.Mutex
	near  *os.File  // nil while lost or closed
	since time.Time // the adapter has had it open; used by send only
}

func openSerial(link string) (sink, address, error) {
	l := &line{link: link, end: make(chan struct{})}
	return l, address{path: link}, l.restore()
}

func (l *line) restore() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.near != nil {
		return nil
	}
	blocking, far, err := pty.Open()
	if err != nil {
		return fmt.Errorf("no pseudo-terminal: %w", err)
	}
	near, err := polled(blocking)
	if err != nil {
		return errors.Join(fmt.Errorf("pseudo-terminal %s: %w", far.Name(), err), far.Close())
	}
	_ = os.Remove(l.link)
	err = errors.Join(os.Symlink(far.Name(), l.link), far.Close())
	if err != nil {
		_ = near.Close()
		return err
	}
	l.near = near
	l.reads.Go(func() {
		buf := make([]byte, 4096)
		for {
			n, err := near.Read(buf)
			l.back.Add(int64(n))
			if errors.Is(err, os.ErrClosed) {
				return
			}
			if err != nil { // nobody has the far side open
				select {
				case <-l.end:
					return
				case <-time.After(knock):
				}
			}
		}
	})
	return nil
}

// polled closes a file and gives another for the same that the runtime waits for, so that closing it ends a read.
func polled(f *os.File) (*os.File, error) {
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	err = errors.Join(err, f.Close())
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		_ = unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// settle is how long after it opened the line an adapter gets to set it up; until then the system would change and
// echo what comes.
const settle = 50 * time.Millisecond

func (l *line) send(_ context.Context, p []byte) (bool, error) {
	l.mu.Lock()
	near := l.near
	l.mu.Unlock()
	if near == nil {
		return false, nil
	}
	if !l.open(near) {
		return false, nil
	}
	if l.since.IsZero() {
		l.since = time.Now()
	}
	if time.Since(l.since) < settle {
		return false, nil
	}
	_, err := near.Write(p)
	return err == nil, nil
}

// open says whether anybody has the far side open. What was not read when it was closed is gone, as of any port.
func (l *line) open(near *os.File) bool {
	raw, err := near.SyscallConn()
	if err != nil {
		return false
	}
	hung := true
	err = raw.Control(func(fd uintptr) {
		fds := []unix.PollFd{{Fd: int32(fd), Events: unix.POLLOUT}}
		_, err := unix.Poll(fds, 0)
		for errors.Is(err, unix.EINTR) {
			_, err = unix.Poll(fds, 0)
		}
		hung = err != nil || fds[0].Revents&unix.POLLHUP != 0
		if hung && !l.since.IsZero() {
			_ = flush(int(fd))
		}
	})
	if err != nil || hung {
		l.since = time.Time{}
		return false
	}
	return true
}

func (l *line) lose() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.near != nil {
		_ = l.near.Close()
		l.near = nil
		_ = os.Remove(l.link)
	}
}

func (l *line) close() {
	l.once.Do(func() { close(l.end) })
	l.lose()
	l.reads.Wait()
}

func (l *line) answered() int64 { return l.back.Load() }
