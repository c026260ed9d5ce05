//go:build !windows

package terminal

import (
	"os"

	"golang.org/x/term"
)

// Capable says whether a file is a terminal that panels can be drawn on: not a pipe, a file or a dumb terminal.
func Capable(f *os.File) bool {
	return term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb"
}
