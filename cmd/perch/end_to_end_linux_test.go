package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// process is one of /proc; its start tells it from a later one of the same number.
type process struct {
	pid, parent int
	state       string
	started     string
	arguments   string
}

// look reads one process; false: there is none.
func look(pid int) (process, bool) {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return process{}, false
	}
	// proc(5): pid (name) state ppid ... starttime is the 22nd; the name may hold spaces and brackets.
	f := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	if len(f) < 20 {
		return process{}, false
	}
	p := process{pid: pid, state: f[0], started: f[19]}
	p.parent, _ = strconv.Atoi(f[1])
	arguments, _ := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
	p.arguments = strings.ReplaceAll(string(arguments), "\x00", " ")
	return p, true
}

// children gives the processes that a process started.
func children(t *testing.T, of int) (out []process) {
	t.Helper()
	names, err := filepath.Glob("/proc/[0-9]*")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		pid, _ := strconv.Atoi(filepath.Base(name))
		if p, ok := look(pid); ok && p.parent == of {
			out = append(out, p)
		}
	}
	return out
}

// adapters gives the adapters of a ride, of which there must be some.
func adapters(t *testing.T, r *riding) []process {
	t.Helper()
	found := children(t, r.cmd.Process.Pid)
	if len(found) == 0 || !strings.Contains(found[0].arguments, "serve demo") {
		t.Fatalf("the children of the ride are %+v, want an adapter", found)
	}
	return found
}

// gone waits until none of them is left; one that nobody has reaped is gone too.
func gone(t *testing.T, all []process) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for _, p := range all {
		for {
			now, ok := look(p.pid)
			if !ok || now.started != p.started || now.state == "Z" || now.state == "X" {
				break
			}
			if time.Now().After(deadline) {
				_ = syscall.Kill(p.pid, syscall.SIGKILL)
				t.Errorf("process %d (%s) is left over", p.pid, p.arguments)
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
}

func TestTheFirstInterruptParksAndLeavesNothing(t *testing.T) {
	t.Parallel()
	r := start(t, "--set", "start=45")
	r.awaitState("riding")
	all := adapters(t, r)
	r.signal(syscall.SIGINT)
	r.awaitEvent("ending: settling and parking")
	r.awaitState("settling")
	r.awaitEvent("seat: parked")
	r.end(exitDone)
	gone(t, all)
}

func TestTheSecondInterruptEndsAtOnce(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name      string
		interrupt func(r *riding)
	}{
		{"signal", func(r *riding) { r.signal(syscall.SIGINT) }},
		{"key", func(r *riding) { r.press("\x03") }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := start(t, "--set", "start=45")
			r.awaitState("riding")
			all := adapters(t, r)
			c.interrupt(r)
			r.awaitState("settling")
			c.interrupt(r)
			r.end(exitFailed)
			if !strings.Contains(r.errors(), "ended at once") {
				t.Errorf("stderr: %q", r.errors())
			}
			gone(t, all)
		})
	}
}

func TestAKilledHostLeavesNoAdapter(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.awaitState("riding")
	all := adapters(t, r)
	r.signal(syscall.SIGKILL)
	<-r.exited
	gone(t, all)
}

func TestAKilledAdapterIsToldOnceAndComesBack(t *testing.T) {
	t.Parallel()
	r := start(t, "--set", "start=45")
	r.awaitState("riding")
	before := adapters(t, r)
	if err := syscall.Kill(before[0].pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	told := r.awaitEvent("starting it again")
	if !strings.HasPrefix(told.Event, "source demo: ") || strings.Contains(told.Event, "\n") {
		t.Errorf("told %q, want one line that begins with the source", told.Event)
	}
	r.awaitEvent("seat: settling: no fresh source")
	r.awaitEvent("seat: riding")
	after := adapters(t, r)
	if len(after) != 1 || after[0].pid == before[0].pid {
		t.Errorf("adapters before: %+v, after: %+v", before, after)
	}
	var warnings []string
	for _, e := range r.events() {
		if !strings.HasPrefix(e, "INFO") {
			warnings = append(warnings, e)
		}
	}
	if len(warnings) != 1 {
		t.Errorf("told %q, want one line", warnings)
	}
	gone(t, before)
}
