package seat

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// holder names the program that keeps others off a port: ": NAME (process PID)". It is empty where that cannot be seen, such as a
// program of another account that only has the port open.
func holder(port string) string {
	pid := locker(port)
	if pid == 0 {
		pid = opener(port)
	}
	if pid == 0 {
		return ""
	}
	name, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if err != nil {
		return ""
	}
	return fmt.Sprintf(": %s (process %d)", strings.TrimSpace(string(name)), pid)
}

// locker is the process with an flock on the port, from the kernel's list: "1: FLOCK ADVISORY WRITE PID MAJOR:MINOR:INODE ...".
func locker(port string) int {
	var st unix.Stat_t
	if unix.Stat(port, &st) != nil {
		return 0
	}
	where := fmt.Sprintf("%02x:%02x:%d", unix.Major(st.Dev), unix.Minor(st.Dev), st.Ino)
	locks, err := os.Open("/proc/locks")
	if err != nil {
		return 0
	}
	defer locks.Close() //nolint:errcheck // only read
	for lines := bufio.NewScanner(locks); lines.Scan(); {
		if f := strings.Fields(lines.Text()); len(f) > 5 && f[1] == "FLOCK" && f[5] == where {
			pid, _ := strconv.Atoi(f[4])
			return pid
		}
	}
	return 0
}

// opener is a process of this account that has the port open.
func opener(port string) int {
	node, err := filepath.EvalSymlinks(port)
	if err != nil {
		return 0
	}
	open, _ := filepath.Glob("/proc/[0-9]*/fd/*")
	for _, fd := range open {
		if to, err := os.Readlink(fd); err == nil && to == node {
			pid, _ := strconv.Atoi(strings.Split(fd, "/")[2])
			return pid
		}
	}
	return 0
}
