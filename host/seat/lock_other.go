//go:build !linux && !darwin

package seat

import "io"

type noLock struct{}

func (noLock) Close() error { return nil }

// lockPort is not needed where a port opens only once.
func lockPort(string) (io.Closer, error) { return noLock{}, nil }
