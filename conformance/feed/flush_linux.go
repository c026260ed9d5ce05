package feed

import "golang.org/x/sys/unix"

// flush drops what was written to a pseudo-terminal and not read at its far side (tcflush(3)).
func flush(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) }
