//go:build !linux && !windows

package transport

import (
	"errors"
	"syscall"
)

func inUse(err error) bool { return errors.Is(err, syscall.EADDRINUSE) }

func refused(err error) bool { return errors.Is(err, syscall.ECONNREFUSED) }

func owner(uint16) string { return "" }
