//go:build !unix

package feed

import (
	"errors"
	"os"
	"os/exec"
)

// group: ending the program itself is all that this system gives.
func group(*exec.Cmd) {}

func endGroup(*exec.Cmd) {}

// still cannot be done here.
func still(*os.Process, bool) error {
	return errors.New("a program cannot be held still on this system: lose and restore it instead")
}
