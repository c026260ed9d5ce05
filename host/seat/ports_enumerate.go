//go:build !darwin || cgo

package seat

import (
	"fmt"
	"strings"

	"go.bug.st/serial/enumerator"
)

// Ports lists the serial ports that are present, with the identity of those on USB.
func Ports() ([]Port, error) {
	found, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, fmt.Errorf("list of serial ports: %w; check that this account may read /dev or the device list", err)
	}
	out := make([]Port, 0, len(found))
	for _, d := range found {
		out = append(out, Port{Name: d.Name, USB: d.IsUSB, VID: strings.ToLower(d.VID), PID: strings.ToLower(d.PID), Serial: d.SerialNumber, Product: d.Product})
	}
	return out, nil
}
