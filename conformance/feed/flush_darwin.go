package feed

import "golang.org/x/sys/unix"

// flush drops what was written to a pseudo-terminal and not read at its far side (tty(4), FWRITE of sys/fcntl.h).
func flush(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, 2) }
