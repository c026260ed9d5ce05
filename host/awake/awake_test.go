package awake

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// system notes what is asked of it.
type system struct {
	asked chan string
	err   error
}

func (s *system) keep(why string) (func(), error) {
	s.asked <- "keep: " + why
	if s.err != nil {
		return func() {}, s.err
	}
	return func() { s.asked <- "release" }, nil
}

func (s *system) expect(t *testing.T, want string) {
	t.Helper()
	select {
	case got := <-s.asked:
		if got != want {
			t.Fatalf("asked %q, want %q", got, want)
		}
	case <-time.After(10 * time.Second):
		t.Fatalf("nothing asked, want %q", want)
	}
}

// start runs while with a wish that may be changed; end waits for it.
func start(s *system, log *slog.Logger) (wish *atomic.Bool, end func()) {
	ctx, cancel := context.WithCancel(context.Background())
	wish = new(atomic.Bool)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		while(ctx, wish.Load, "the seat is armed", log, s.keep)
	}()
	return wish, func() { cancel(); <-ended }
}

func TestAsksWhenArmedAndReleases(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &system{asked: make(chan string, 8)}
		wish, end := start(s, slog.New(slog.DiscardHandler))
		for range 2 {
			wish.Store(true)
			s.expect(t, "keep: the seat is armed")
			time.Sleep(2 * look) // it is held once
			wish.Store(false)
			s.expect(t, "release")
		}
		wish.Store(true)
		s.expect(t, "keep: the seat is armed")
		end()
		s.expect(t, "release")
		if len(s.asked) != 0 {
			t.Errorf("more: %q", <-s.asked)
		}
	})
}

func TestAFailureIsOneLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var lines bytes.Buffer
		s := &system{asked: make(chan string, 8), err: errors.New("no login manager; switch sleep off")}
		wish, end := start(s, slog.New(slog.NewTextHandler(&lines, nil)))
		for range 2 {
			wish.Store(true)
			s.expect(t, "keep: the seat is armed")
			wish.Store(false)
			time.Sleep(2 * look)
		}
		end()
		if got := strings.Count(lines.String(), "no login manager"); got != 1 {
			t.Errorf("%d lines: %s", got, &lines)
		}
	})
}
