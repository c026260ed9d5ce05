package conformance

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// memory is how much a process and those that it started hold in memory, bytes: rss of proc_pid_stat(5) over its group.
func memory(pid int) (sum int64) {
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return 0
	}
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			continue
		}
		// Fields are counted behind the name, which may hold anything: state ppid pgrp ... rss is field 24 of all.
		_, rest, _ := strings.Cut(string(b[max(0, strings.LastIndexByte(string(b), ')')):]), " ")
		fields := strings.Fields(rest)
		if len(fields) < 22 || fields[2] != strconv.Itoa(pid) {
			continue
		}
		if pages, err := strconv.ParseInt(fields[21], 10, 64); err == nil {
			sum += pages * int64(os.Getpagesize())
		}
	}
	return sum
}
