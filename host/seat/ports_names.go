//go:build darwin && !cgo

package seat

import (
	"fmt"

	"go.bug.st/serial"
)

// Ports lists the serial ports that are present. Without cgo this system tells names only.
func Ports() ([]Port, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list of serial ports: %w; check that this account may read /dev", err)
	}
	out := make([]Port, 0, len(names))
	for _, n := range names {
		out = append(out, Port{Name: n})
	}
	return out, nil
}
