package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

// interrupted gives a context that ends at the first Ctrl-C, at a request to terminate, or when the terminal goes.
func interrupted(ctx context.Context) (context.Context, context.CancelFunc) {
	return signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
}
