package plugin

import (
	"os"
	"syscall"
	"unsafe"

	"golang.org/x/sys/windows"
)

// attributes keep the console's interrupt away from the child.
func attributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{HideWindow: true, CreationFlags: windows.CREATE_NEW_PROCESS_GROUP}
}

// group is a job object. It ends everything in it when its last handle is closed, which the system does when the
// host dies.
type group struct{ job windows.Handle }

// join puts a child into a job of its own. What the child starts before that, in its first moments, is not in it.
func join(pid int) group {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return group{}
	}
	info := windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION{}
	info.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE
	_, err = windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation,
		uintptr(unsafe.Pointer(&info)), uint32(unsafe.Sizeof(info)))
	if err == nil {
		var h windows.Handle
		h, err = windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false, uint32(pid))
		if err == nil {
			err = windows.AssignProcessToJobObject(job, h)
			_ = windows.CloseHandle(h)
		}
	}
	if err != nil {
		_ = windows.CloseHandle(job)
		return group{}
	}
	return group{job}
}

func (g group) kill(pid int) {
	if g.job != 0 {
		_ = windows.TerminateJobObject(g.job, killCode)
		return
	}
	h, err := windows.OpenProcess(windows.PROCESS_TERMINATE, false, uint32(pid))
	if err != nil {
		return
	}
	_ = windows.TerminateProcess(h, killCode)
	_ = windows.CloseHandle(h)
}

// wait waits for the child and ends what is left in its job.
func (p *process) wait() {
	_ = p.cmd.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.group.job != 0 {
		p.group.kill(p.pid)
		_ = windows.CloseHandle(p.group.job)
		p.group.job = 0
	}
	p.state, p.reaped = p.cmd.ProcessState, true
}

// killCode is the exit code of what was killed.
const killCode = 0x4b494c4c

// killedByUs says whether the child ended in the way that kill ends it.
func killedByUs(s *os.ProcessState) bool { return uint32(s.ExitCode()) == killCode }
