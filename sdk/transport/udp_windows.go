package transport

import (
	"errors"

	"golang.org/x/sys/windows"
)

func inUse(err error) bool {
	return errors.Is(err, windows.WSAEADDRINUSE) || errors.Is(err, windows.WSAEACCES)
}

// refused: an answer that could not be delivered is reported as a reset of the next read.
func refused(err error) bool { return errors.Is(err, windows.WSAECONNRESET) }

func owner(uint16) string { return "" }
