// Package awake asks the system not to go to sleep while a seat is armed.
//
// A computer that goes to sleep sends no setpoints; the seat's controller then brakes by its own law, so this is for the
// ride and not what stops the seat.
package awake

import (
	"fmt"
	"log/slog"
	"sync"
)

// Keep asks the system to stay awake, and why is what it may show people. release takes the request back; it is never nil.
// Where the system cannot be asked err says what to do by hand.
func Keep(why string) (release func(), err error) {
	if release, err = keep(why); err != nil {
		return func() {}, fmt.Errorf("this computer may go to sleep during a ride: %w; switch sleep off in its settings", err)
	}
	return release, nil
}

// Keeper keeps the system awake while it is told to. Its requests run in a goroutine of their own, so that who tells it
// never waits.
type Keeper struct {
	keep func(why string) (release func(), err error)
	why  string
	log  *slog.Logger
	want chan bool
	done sync.WaitGroup
}

// NewKeeper starts a keeper that lets the system sleep. A request that fails is one line in log, once. Close ends it.
func NewKeeper(why string, log *slog.Logger) *Keeper { return newKeeper(why, log, Keep) }

func newKeeper(why string, log *slog.Logger, keep func(string) (func(), error)) *Keeper {
	k := &Keeper{keep: keep, why: why, log: log, want: make(chan bool, 1)}
	k.done.Go(k.run)
	return k
}

// Set says whether to keep the system awake from now on. It does not wait, and is for one goroutine.
func (k *Keeper) Set(awake bool) {
	select {
	case <-k.want: // not yet done, and not wanted any more
	default:
	}
	k.want <- awake
}

// Close lets the system sleep again, and waits until it has been told. Set must not follow.
func (k *Keeper) Close() {
	close(k.want)
	k.done.Wait()
}

func (k *Keeper) run() {
	var release func()
	var told bool
	let := func() {
		if release != nil {
			release()
			release = nil
		}
	}
	defer let()
	for awake := range k.want {
		if !awake {
			let()
			continue
		}
		if release != nil {
			continue
		}
		var err error
		if release, err = k.keep(k.why); err != nil && !told {
			told = true
			k.log.Warn(err.Error())
		}
	}
}
