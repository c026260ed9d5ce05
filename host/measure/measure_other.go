//go:build !linux

package measure

import (
	"context"
	"errors"
)

// Run measures this machine. It needs pseudo-terminals and /proc, so only Linux has it.
func Run(context.Context, Settings) (Report, error) {
	return Report{}, errors.New("measure: not on this system: it needs pseudo-terminals and /proc; run it on Linux")
}
