//go:build unix

package feed

import (
	"errors"
	"os"
	"os/exec"
	"syscall"
)

// group gives a program a process group of its own, so that what it starts ends with it.
func group(c *exec.Cmd) {
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	c.Cancel = func() error {
		// One that holds still hears nothing but this.
		_ = syscall.Kill(-c.Process.Pid, syscall.SIGCONT)
		if err := syscall.Kill(-c.Process.Pid, syscall.SIGTERM); errors.Is(err, syscall.ESRCH) {
			return os.ErrProcessDone
		}
		return nil
	}
}

// endGroup ends what a program left behind.
func endGroup(c *exec.Cmd) { _ = syscall.Kill(-c.Process.Pid, syscall.SIGKILL) }

// still holds a program, or lets it go on.
func still(p *os.Process, hold bool) error {
	s := syscall.SIGCONT
	if hold {
		s = syscall.SIGSTOP
	}
	if err := syscall.Kill(-p.Pid, s); err != nil && !errors.Is(err, syscall.ESRCH) {
		return err
	}
	return nil
}
