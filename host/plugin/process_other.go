//go:build !linux && !windows

package plugin

import (
	"os"
	"syscall"
)

// attributes put the child into a group of its own. Nothing here ends it when the host is killed but the end of
// its stdin, which an adapter must watch.
func attributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true}
}

// group is a process group, whose number is its leader's.
type group struct{}

func join(int) group { return group{} }

func (group) kill(pid int) {
	if pid > 0 { // 0 would be our own group, -1 everything
		_ = syscall.Kill(-pid, syscall.SIGKILL)
	}
}

// wait waits for the child and kills what is left of its group.
func (p *process) wait() {
	_ = p.cmd.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.group.kill(p.pid)
	p.state, p.reaped = p.cmd.ProcessState, true
}

// killedByUs says whether the child ended in the way that kill ends it.
func killedByUs(s *os.ProcessState) bool {
	w, ok := s.Sys().(syscall.WaitStatus)
	return ok && w.Signaled() && w.Signal() == syscall.SIGKILL
}
