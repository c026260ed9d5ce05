package transport

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

func inUse(err error) bool { return errors.Is(err, syscall.EADDRINUSE) }

func refused(err error) bool { return errors.Is(err, syscall.ECONNREFUSED) }

// owner names the process that holds a UDP port, "" where the system does not tell: other users' processes are hidden.
func owner(port uint16) string {
	inode := ""
	for _, table := range []string{"/proc/net/udp", "/proc/net/udp6"} {
		text, err := os.ReadFile(table)
		if err != nil {
			continue
		}
		for line := range strings.Lines(string(text)) {
			// proc_pid_net(5): the local address is the second field, in hexadecimal; the inode the tenth.
			f := strings.Fields(line)
			if len(f) < 10 {
				continue
			}
			_, hex, _ := strings.Cut(f[1], ":")
			if n, err := strconv.ParseUint(hex, 16, 16); err == nil && uint16(n) == port {
				inode = f[9]
			}
		}
	}
	if inode == "" {
		return ""
	}
	links, _ := filepath.Glob("/proc/[0-9]*/fd/*")
	for _, l := range links {
		if target, err := os.Readlink(l); err == nil && target == "socket:["+inode+"]" {
			pid := strings.Split(l, "/")[2]
			name, _ := os.ReadFile("/proc/" + pid + "/comm")
			return fmt.Sprintf("process %s (%s)", pid, strings.TrimSpace(string(name)))
		}
	}
	return ""
}
