package plugin

import (
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// attributes put the child into a group of its own, so that all of it can be killed and the terminal's interrupt
// does not reach it, and let it die with the thread that started it.
func attributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

// group is a process group, whose number is its leader's.
type group struct{}

func join(int) group { return group{} }

func (group) kill(pid int) {
	if pid > 0 { // 0 would be our own group, -1 everything
		_ = syscall.Kill(-pid, syscall.SIGKILL)
	}
}

// wait waits for the child and kills what is left of its group before the child is reaped: until then its number
// cannot be another's.
func (p *process) wait() {
	for {
		err := unix.Waitid(unix.P_PID, p.pid, nil, unix.WEXITED|unix.WNOWAIT, nil)
		if err != unix.EINTR {
			break
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.group.kill(p.pid)
	_ = p.cmd.Wait()
	p.state, p.reaped = p.cmd.ProcessState, true
}

// killedByUs says whether the child ended in the way that kill ends it.
func killedByUs(s *os.ProcessState) bool {
	w, ok := s.Sys().(syscall.WaitStatus)
	return ok && w.Signaled() && w.Signal() == syscall.SIGKILL
}
