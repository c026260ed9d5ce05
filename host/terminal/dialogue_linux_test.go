package terminal

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
)

// shown keeps what is shown.
type shown struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *shown) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func dialogue(t *testing.T) (*Dialogue, *os.File, *shown) {
	t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { _, _ = near.Close(), far.Close() })
	go func() { _, _ = io.Copy(io.Discard, near) }()
	out := new(shown)
	d, err := NewDialogue(far, out)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d, near, out
}

// TestDialogueLine: what is typed is shown, corrected, and given at Enter; arrows that were held too long are no text.
func TestDialogueLine(t *testing.T) {
	for _, c := range []struct {
		typed []string
		want  string
		err   error
	}{
		{[]string{"yes\r"}, "yes", nil},
		{[]string{"ye", "s", "\n"}, "yes", nil},
		{[]string{"\x1b[C\x1b", "[C\x1bOAyes\r"}, "yes", nil},
		{[]string{"\x1byes\r"}, "yes", nil},
		{[]string{"noo\x7f\r"}, "no", nil},
		{[]string{"3,2é\x7f\x7f\x7f.25 deg\r"}, "3.25 deg", nil},
		{[]string{"ye\x03"}, "", ErrInterrupted},
		{[]string{"\x04"}, "", ErrInterrupted},
	} {
		d, keys, out := dialogue(t)
		go func() {
			for _, s := range c.typed {
				_, _ = keys.WriteString(s)
				time.Sleep(5 * time.Millisecond)
			}
		}()
		got, err := d.Line(t.Context(), "Which? ")
		if got != c.want || !errors.Is(err, c.err) {
			t.Errorf("%q gives %q, %v; want %q, %v", c.typed, got, err, c.want, c.err)
		}
		if s := out.b.String(); !strings.HasPrefix(s, "Which? ") || c.err == nil && !strings.HasSuffix(s, "\r\n") {
			t.Errorf("shown %q", s)
		}
	}
	d, _, _ := dialogue(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := d.Line(ctx, ""); !errors.Is(err, context.Canceled) {
		t.Errorf("a question that is not wanted any more gives %v", err)
	}
	file, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := NewDialogue(file, io.Discard); !errors.Is(err, ErrNoTerminal) {
		t.Errorf("no terminal gives %v", err)
	}
}

// TestDialogueKeys: keys arrive as they are pressed, until done says so.
func TestDialogueKeys(t *testing.T) {
	d, keys, _ := dialogue(t)
	go func() {
		for range 5 {
			time.Sleep(10 * time.Millisecond)
			_, _ = keys.WriteString("\x1b[C")
		}
		_, _ = keys.WriteString("\x1b[Dq")
	}()
	var got []string
	moves := 0
	err := d.Keys(t.Context(), func(k Key) {
		got = append(got, k.Kind.String())
		moves += k.Number
	}, func() (bool, error) { return len(got) == 7, nil })
	if err != nil || moves != 4 || got[6] != "end" {
		t.Errorf("%v, %v", got, err)
	}
	wrong := errors.New("wrong")
	if err := d.Keys(t.Context(), func(Key) {}, func() (bool, error) { return false, wrong }); !errors.Is(err, wrong) {
		t.Errorf("done's error is %v", err)
	}
}
