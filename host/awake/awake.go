// Package awake asks the system not to go to sleep while a seat is armed.
//
// A computer that goes to sleep sends no setpoints; the seat's controller then brakes by its own law, so this is for the
// ride and not what stops the seat.
package awake

import (
	"context"
	"fmt"
	"log/slog"
	"time"
)

// Keep asks the system to stay awake, and why is what it may show people. release takes the request back; it is never nil.
// Where the system cannot be asked err says what to do by hand.
func Keep(why string) (release func(), err error) {
	if release, err = keep(why); err != nil {
		return func() {}, fmt.Errorf("this computer may go to sleep during a ride: %w; switch sleep off in its settings", err)
	}
	return release, nil
}

// look is how often While asks.
const look = 200 * time.Millisecond

// While keeps the system awake while wanted says so, until ctx ends. It waits for the system, so it has a goroutine of its own.
// A request that fails is one line in log, once.
func While(ctx context.Context, wanted func() bool, why string, log *slog.Logger) {
	while(ctx, wanted, why, log, Keep)
}

func while(ctx context.Context, wanted func() bool, why string, log *slog.Logger, keep func(string) (func(), error)) {
	release, held, told := func() {}, false, false
	defer func() { release() }()
	t := time.NewTicker(look)
	defer t.Stop()
	for {
		switch now := wanted(); {
		case now && !held:
			var err error
			if release, err = keep(why); err != nil && !told {
				told = true
				log.Warn(err.Error())
			}
			held = true
		case !now && held:
			release()
			release, held = func() {}, false
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}
