//go:build !linux

package guard

import "time"

var begun = time.Now()

func spent() time.Duration { return time.Since(begun) }
