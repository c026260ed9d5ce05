//go:build !linux

package feed

// queued: the system does not tell.
func queued(int) (waiting int, listens, told bool) { return 0, false, false }
