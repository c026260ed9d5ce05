package plugin

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
)

// alive says whether a process runs: one that is dead and not yet reaped does not.
func alive(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, after, ok := strings.Cut(string(b), ") ")
	return ok && !strings.HasPrefix(after, "Z") && !strings.HasPrefix(after, "X")
}

func descriptors(t *testing.T) int {
	t.Helper()
	e, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(e)
}

// TestRestartsLeaveNothing is not parallel: it counts what the whole process holds.
func TestRestartsLeaveNothing(t *testing.T) {
	cycles := 50
	if os.Getenv("PERCH_LONG") != "" {
		cycles = 1000
	}
	folders := func() int {
		l, _ := filepath.Glob(filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), "perch-*"))
		return len(l)
	}
	var h heard
	s := start(t, program("segv"), &h, func(p *pace) { p.first, p.longest = time.Millisecond, time.Millisecond })
	settled := func(n int) (goroutines, fds, dirs int) {
		for end := time.Now().Add(10 * time.Minute); s.Status().Restarts < n; time.Sleep(time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("only %d restarts", s.Status().Restarts)
			}
		}
		goroutines, fds, dirs = 1<<20, 1<<20, 1<<20 // the least of some looks: a child is always coming or going
		for range 40 {
			goroutines, fds, dirs = min(goroutines, runtime.NumGoroutine()), min(fds, descriptors(t)), min(dirs, folders())
			time.Sleep(2 * time.Millisecond)
		}
		return
	}
	g0, f0, d0 := settled(5)
	begun := time.Now()
	g1, f1, d1 := settled(5 + cycles)
	t.Logf("%d cycles in %v: goroutines %d to %d, descriptors %d to %d, folders %d to %d", cycles, time.Since(begun), g0, g1, f0, f1, d0, d1)
	// What one child uses may be seen or not: 30 goroutines and 15 descriptors; a leak of one a cycle is more.
	if g1 > g0+30 || f1 > f0+15 || d1 > d0+1 {
		t.Error("it grows")
	}
	halt(t, s)
	eventually(t, "all is freed", func() bool { return folders() == 0 && runtime.NumGoroutine() < 10 })
}

func TestHostKilledLeavesNoChild(t *testing.T) {
	t.Parallel()
	for _, mode := range []string{"deaf", "honest"} {
		host := exec.Command(os.Args[0])
		host.Env = append(os.Environ(), hostKey+"=keep:"+mode)
		out, err := host.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := host.Start(); err != nil {
			t.Fatal(err)
		}
		var pid int
		line, err := bufio.NewReader(out).ReadString('\n')
		if _, err2 := fmt.Sscanf(line, "child %d", &pid); err != nil || err2 != nil || pid <= 0 {
			t.Fatalf("%q: %v", line, err)
		}
		if !alive(pid) {
			t.Fatal("the child does not run")
		}
		if err := host.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = host.Wait()
		eventually(t, "the child is gone", func() bool { return !alive(pid) })
	}
	// The folder of a host that was killed stays: nobody is left to remove it.
	left, _ := filepath.Glob(filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), "keep", "perch-*"))
	for _, d := range left {
		_ = os.RemoveAll(d)
	}
}

// TestChildOutlivesTheCallersThread: the child is told to die with the thread that started it, which must not be the
// caller's. Without a thread of its own it dies when the caller's ends.
func TestChildOutlivesTheCallersThread(t *testing.T) {
	t.Parallel()
	var onDyingThread func(f func())
	onDyingThread = func(f func()) {
		done := make(chan struct{})
		go func() {
			defer close(done)
			runtime.LockOSThread()
			if syscall.Gettid() == os.Getpid() { // the main thread never ends: hold it and take another
				defer runtime.UnlockOSThread()
				onDyingThread(f)
				return
			}
			f() // never unlocked: the thread ends with the goroutine
		}()
		<-done
	}
	var bare *exec.Cmd
	onDyingThread(func() {
		bare = exec.Command("sleep", "60")
		bare.SysProcAttr = attributes()
		if err := bare.Start(); err != nil {
			t.Error(err)
		}
	})
	var h heard
	var s *Source
	onDyingThread(func() {
		var err error
		if s, err = Start(context.Background(), program("honest"), nil, h.options(nil)); err != nil {
			t.Error(err)
		}
	})
	if t.Failed() {
		return
	}
	if err := bare.Wait(); err == nil || bare.ProcessState.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		t.Errorf("the harm is gone: %v", err)
	}
	n := h.count()
	eventually(t, "states", func() bool { return h.count() > n+20 })
	if st := s.Status(); st.Restarts != 0 {
		t.Errorf("%+v", st)
	}
	halt(t, s)
}
