package awake

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"
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
		return nil, s.err
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

func TestKeeperAsksOnceAndReleases(t *testing.T) {
	s := &system{asked: make(chan string, 8)}
	k := newKeeper("the seat is armed", slog.New(slog.DiscardHandler), s.keep)
	k.Set(false)
	k.Set(true)
	s.expect(t, "keep: the seat is armed")
	k.Set(true) // held already
	k.Set(false)
	s.expect(t, "release")
	k.Set(true)
	s.expect(t, "keep: the seat is armed")
	k.Close()
	s.expect(t, "release")
	if len(s.asked) != 0 {
		t.Errorf("more: %q", <-s.asked)
	}
}

func TestAFailureIsOneLine(t *testing.T) {
	var lines bytes.Buffer
	s := &system{asked: make(chan string, 8), err: errors.New("no login manager; switch sleep off")}
	k := newKeeper("x", slog.New(slog.NewTextHandler(&lines, nil)), s.keep)
	for range 3 {
		k.Set(true)
		s.expect(t, "keep: x")
		k.Set(false)
	}
	k.Close()
	if got := strings.Count(lines.String(), "no login manager"); got != 1 {
		t.Errorf("%d lines: %s", got, &lines)
	}
}

// A system that is slow to answer holds nobody up.
func TestSetDoesNotWait(t *testing.T) {
	hang := make(chan struct{})
	k := newKeeper("x", slog.New(slog.DiscardHandler), func(string) (func(), error) {
		<-hang
		return func() {}, nil
	})
	for i := range 100 {
		k.Set(i%2 == 0)
	}
	close(hang)
	k.Close()
}
