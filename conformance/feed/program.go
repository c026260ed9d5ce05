package feed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"time"
)

// program is a source of the author's own.
type program struct {
	args   []string
	env    []string
	folder string
	output io.Writer

	mu      sync.Mutex
	process *os.Process   // of the run at hand
	stopped bool          // it has been told to hold still
	end     func()        // ends the run at hand
	lost    bool          // it was ended because the source was lost
	gone    chan struct{} // closed when the run at hand is over
}

func openProgram(f *Feed) (*program, address, error) {
	d := f.delivery
	if len(d.Command) == 0 {
		return nil, address{}, errors.New("no command: give the program and its arguments")
	}
	if d.Variant != Intact {
		return nil, address{}, fmt.Errorf("what a program sends cannot be made %s: give a capture for that", d.Variant)
	}
	both, err := free()
	if err != nil {
		return nil, address{}, err
	}
	_ = both.tcp.Close()
	_ = both.udp.Close()
	a := address{way: Program, host: loopback, port: both.port, path: filepath.Join(f.folder, "feed"), capture: f.path}
	p := &program{folder: d.Folder, output: d.Output, env: append(os.Environ(),
		"PERCH_FEED="+a.feed(), "PERCH_FEED_HOST="+a.host, fmt.Sprintf("PERCH_FEED_PORT=%d", a.port), "PERCH_FEED_PATH="+a.path, "PERCH_CAPTURE="+a.capture)}
	for _, arg := range d.Command {
		filled, err := a.fill(arg)
		if err != nil {
			return nil, address{}, err
		}
		p.args = append(p.args, filled)
	}
	if _, err := exec.LookPath(p.args[0]); err != nil && filepath.Base(p.args[0]) == p.args[0] {
		return nil, address{}, fmt.Errorf("%w: install it, or give its path", err)
	}
	return p, a, nil
}

// grace is how long a program gets to end after it was asked to.
const grace = time.Second

// run starts the program as often as asked, ends it when the source is lost and starts it again when it is back.
func (p *program) run(ctx context.Context, f *Feed) error {
	for done := 0; f.delivery.Loops < 0 || done < f.delivery.Loops; {
		going, changed := f.state()
		if !going {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-changed:
			}
			continue
		}
		lost, err := p.once(ctx, f)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if lost {
			continue
		}
		if err != nil {
			return err
		}
		done++
		f.mu.Lock()
		f.counts.Loops++
		f.mu.Unlock()
	}
	return nil
}

// once runs the program until it ends, ctx ends or the source is lost.
func (p *program) once(ctx context.Context, f *Feed) (lost bool, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	last := &tail{next: p.output}
	c := exec.CommandContext(ctx, p.args[0], p.args[1:]...)
	c.Dir, c.Env, c.Stdout, c.Stderr, c.WaitDelay = p.folder, p.env, last, last, grace
	group(c)
	// Under both locks: whoever loses or pauses the source before this sees no process, and after it one to end or hold.
	f.mu.Lock()
	p.mu.Lock()
	if !f.lost {
		if err = c.Start(); err == nil {
			p.process, p.stopped, p.lost, p.end, p.gone = c.Process, false, false, cancel, make(chan struct{})
		}
	}
	started := p.process != nil
	p.mu.Unlock()
	if started {
		err = p.obey(f.paused, false)
	}
	f.mu.Unlock()
	if !started && err != nil {
		return false, fmt.Errorf("%w: is it there, and may it be run?", err)
	}
	if !started {
		return true, nil
	}
	if err != nil {
		cancel()
	}
	err = errors.Join(err, c.Wait())
	endGroup(c)
	p.mu.Lock()
	p.process, lost = nil, p.lost
	close(p.gone)
	p.mu.Unlock()
	if err != nil {
		err = fmt.Errorf("%s: %w; its last words: %s", p.args[0], err, last)
	}
	return lost, err
}

// lose ends a program that runs and returns when it is gone.
func (p *program) lose() {
	p.mu.Lock()
	running, gone := p.process != nil, p.gone
	if running {
		p.lost = true
		p.end()
	}
	p.mu.Unlock()
	if running {
		<-gone
	}
}

// obey holds a running program still, or lets it go on.
func (p *program) obey(paused, lost bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	hold := paused && !lost
	if p.process == nil || hold == p.stopped {
		return nil
	}
	if err := still(p.process, hold); err != nil {
		return err
	}
	p.stopped = hold
	return nil
}

// tail hands on what is printed and keeps the end of it.
type tail struct {
	next io.Writer
	mu   sync.Mutex
	end  []byte
}

const kept = 1024

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.end = append(t.end, p...)
	t.end = t.end[max(0, len(t.end)-kept):]
	if t.next != nil {
		_, _ = t.next.Write(p)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.end)
}
