package terminal

import (
	"os"

	"golang.org/x/sys/windows"
)

// Capable says whether a file is a terminal that panels can be drawn on. On Windows it asks the console to
// take control sequences, which older ones do only when asked.
func Capable(f *os.File) bool {
	h := windows.Handle(f.Fd())
	var mode uint32
	if windows.GetConsoleMode(h, &mode) != nil {
		return false
	}
	return windows.SetConsoleMode(h, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
