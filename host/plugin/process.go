package plugin

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// process is one child and its pipes: the runner that go-plugin works with. Everything that the child writes ends
// here; go-plugin sees one line, and that only when it is a right handshake.
type process struct {
	name    string
	cmd     *exec.Cmd
	out     *output
	sockets string // the folder that the child was told

	stdin          *os.File // its end is the child's sign that the host is gone
	stdout, stderr *os.File
	shown          *io.PipeReader // what go-plugin reads
	show           *io.PipeWriter

	fault       atomic.Pointer[fault]
	certificate atomic.Pointer[[]byte]
	greeted     atomic.Bool
	gone        chan struct{} // the process is reaped
	exited      chan struct{} // and everything it wrote is read

	mu     sync.Mutex
	pid    int  // 0: never started
	doomed bool // ended before it was started
	reaped bool // its number may be another's
	killed bool // by us
	group  group
	state  *os.ProcessState
}

// newProcess prepares a child; nothing is started yet.
func newProcess(p Program, out *output) *process {
	cmd := exec.Command(p.Command[0], p.Command[1:]...)
	cmd.Dir = p.Dir
	r, w := io.Pipe()
	return &process{name: p.Name, cmd: cmd, out: out, shown: r, show: w, gone: make(chan struct{}), exited: make(chan struct{})}
}

// prepare sets what is only known just before the start.
func (p *process) prepare(env []string, sockets string) { p.cmd.Env, p.sockets = env, sockets }

// Start starts the child. The goroutine that does so is locked to its thread until the child has ended, because
// the child is told to die with the thread that started it, not with the process.
func (p *process) Start(context.Context) error {
	var theirs [3]*os.File
	var err error
	pipe := func(in bool) (ours, their *os.File) {
		r, w, e := os.Pipe()
		if e != nil {
			err = e
		}
		if in {
			return w, r
		}
		return r, w
	}
	p.stdin, theirs[0] = pipe(true)
	p.stdout, theirs[1] = pipe(false)
	p.stderr, theirs[2] = pipe(false)
	closeTheirs := func() {
		for _, f := range theirs {
			_ = f.Close() // a nil file says so and nothing else
		}
	}
	closeOurs := func() {
		_, _, _ = p.stdin.Close(), p.stdout.Close(), p.stderr.Close()
	}
	if err != nil {
		closeTheirs()
		closeOurs()
		close(p.exited)
		return err
	}
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = theirs[0], theirs[1], theirs[2]
	p.cmd.SysProcAttr = attributes()

	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := p.cmd.Start()
		closeTheirs()
		if err != nil {
			closeOurs()
			close(p.exited)
			started <- err
			return
		}
		p.mu.Lock()
		p.pid = p.cmd.Process.Pid
		p.group = join(p.pid)
		if p.doomed {
			p.group.kill(p.pid)
		}
		p.mu.Unlock()
		var drained sync.WaitGroup
		drained.Go(p.readStdout)
		drained.Go(p.readStderr)
		started <- nil

		p.wait()
		close(p.gone)
		// Nothing of the group is left, so the pipes end at once, but for a process that left the group.
		for _, f := range []*os.File{p.stdout, p.stderr} {
			if f.SetReadDeadline(time.Now().Add(300*time.Millisecond)) != nil {
				t := time.AfterFunc(300*time.Millisecond, func() { _ = f.Close() })
				defer t.Stop()
			}
		}
		drained.Wait()
		closeOurs()
		_ = p.show.Close()
		close(p.exited)
	}()
	return <-started
}

// readStdout takes the handshake from the first line and everything after it as text.
func (p *process) readStdout() {
	r := bufio.NewReaderSize(p.stdout, longestHandshake)
	text := p.out.writer("stdout")
	defer text.flush()
	line, err := r.ReadSlice('\n')
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		p.refuse(&fault{fmt.Sprintf("its first line is longer than %d bytes", longestHandshake), remedyStdout})
	case len(line) == 0 || (err != nil && len(strings.TrimSpace(string(line))) == 0):
		// It ends, most likely, and how it does says more than that it said nothing: go-plugin would kill it at once.
		select {
		case <-p.gone:
			_ = p.show.Close()
		case <-time.After(500 * time.Millisecond):
			p.refuse(&fault{"it closed its stdout without a handshake", remedyStdout})
		}
	default:
		cert, f := parseHandshake(string(line), p.sockets)
		if f != nil {
			p.out.log.Debug("handshake refused", "line", tidy(string(line), 2000))
			p.refuse(f)
			break
		}
		p.certificate.Store(&cert)
		p.greeted.Store(true)
		_, _ = io.WriteString(p.show, strings.TrimSpace(string(line))+"\n")
	}
	_, _ = io.Copy(text, r)
}

func (p *process) refuse(f *fault) {
	p.fault.Store(f)
	_ = p.show.Close()
}

func (p *process) readStderr() {
	text := p.out.writer("stderr")
	defer text.flush()
	_, _ = io.Copy(text, p.stderr)
}

// shutStdin tells the child that nobody is there any more.
func (p *process) shutStdin() {
	if p.stdin != nil {
		_ = p.stdin.Close()
	}
}

// end kills the child and whatever it started.
func (p *process) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.doomed = true
	if p.pid > 0 && !p.reaped {
		p.killed = true
		p.group.kill(p.pid)
	}
}

// exit says how the process ended, and whether by itself. It is "" while it runs.
func (p *process) exit() (how string, byItself bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.state == nil {
		return "", false
	}
	return p.state.String(), !p.killed || !killedByUs(p.state)
}

// certified is the certificate of the handshake.
func (p *process) certified() []byte {
	if c := p.certificate.Load(); c != nil {
		return *c
	}
	return nil
}

// Wait returns when the child has ended and all it wrote is read.
func (p *process) Wait(context.Context) error {
	<-p.exited
	if how, _ := p.exit(); how != "" && how != "exit status 0" {
		return fmt.Errorf("%s", how)
	}
	return nil
}

// Kill is go-plugin's word for end.
func (p *process) Kill(context.Context) error { p.end(); return nil }

// Stdout gives go-plugin the handshake and then nothing until the end.
func (p *process) Stdout() io.ReadCloser { return p.shown }

// Stderr gives go-plugin nothing: its parser can be made to panic.
func (p *process) Stderr() io.ReadCloser { return io.NopCloser(strings.NewReader("")) }

// Name is the source's name.
func (p *process) Name() string { return p.name }

// ID is the process id, "" before the start.
func (p *process) ID() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.pid <= 0 {
		return ""
	}
	return strconv.Itoa(p.pid)
}

// Diagnose has nothing to add: the messages are made here, not by go-plugin.
func (p *process) Diagnose(context.Context) string { return "" }

// PluginToHost is asked before the host dials.
func (p *process) PluginToHost(network, address string) (string, string, error) {
	if f := checkAddress(network, address, p.sockets); f != nil {
		return "", "", f
	}
	return network, address, nil
}

// HostToPlugin is the identity: both see the same file system.
func (p *process) HostToPlugin(network, address string) (string, string, error) {
	return network, address, nil
}
