//go:build !linux && !darwin

package feed

import "errors"

func openSerial(string) (sink, address, error) {
	return nil, address{}, errors.New("there are no pseudo-terminals on this system: run it on Linux or macOS, or deliver the capture by tcp or file")
}
