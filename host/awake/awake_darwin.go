package awake

import (
	"os"
	"os/exec"
	"strconv"
)

// keep runs the system's own caffeinate, which also ends when this process does.
func keep(string) (func(), error) {
	c := exec.Command("caffeinate", "-dimsu", "-w", strconv.Itoa(os.Getpid()))
	if err := c.Start(); err != nil {
		return nil, err
	}
	return func() {
		_ = c.Process.Kill()
		_ = c.Wait()
	}, nil
}
