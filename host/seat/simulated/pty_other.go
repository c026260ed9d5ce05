//go:build !linux && !darwin

package simulated

import (
	"context"
	"errors"
)

var errNoPTY = errors.New(`simulated controller: this system has no pseudo-terminals; use --seat simulated`)

// ServePTY is for systems with pseudo-terminals.
func (s *Server) ServePTY(ctx context.Context, link string) (name string, done <-chan struct{}, err error) {
	return "", nil, errNoPTY
}

// ServePTY is for systems with pseudo-terminals.
func ServePTY(ctx context.Context, link string, settings Settings) (name string, done <-chan struct{}, err error) {
	return "", nil, errNoPTY
}
