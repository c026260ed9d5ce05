package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

// interrupted gives a context that ends at the first Ctrl-C or at a request to terminate.
func interrupted(ctx context.Context) (context.Context, context.CancelFunc) {
	return signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
}
