//go:build !linux && !darwin

package feed

import (
	"strings"
	"testing"
	"time"
)

func eachSerial(t *testing.T, path string, _ func(*testing.T, *Feed, func(time.Duration) bool)) {
	if _, _, err := Start(t.Context(), path, Delivery{Way: Serial}); err == nil || !strings.Contains(err.Error(), "no pseudo-terminals") {
		t.Errorf("error %v, want that there are none", err)
	}
}
