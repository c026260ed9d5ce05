package terminal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// typed is keys as text: bytes and the time before each, so that nothing here waits.
type typed struct {
	after time.Duration
	bytes string
}

func play(keys ...typed) string {
	var d decoder
	now := time.Unix(0, 0)
	var out []string
	note := func(ks []Key) {
		for _, k := range ks {
			if k.Kind == Holding && k.Progress > 0 {
				continue
			}
			s := k.Kind.String()
			if k.Kind == Choose || k.Kind == Move {
				s += fmt.Sprint(k.Number)
			}
			out = append(out, s)
		}
	}
	for _, k := range append(keys, typed{2 * time.Second, ""}) {
		end := now.Add(k.after)
		for {
			at := d.deadline(now)
			if at.After(end) {
				break
			}
			now = at
			note(d.wait(now))
		}
		now = end
		for i := range len(k.bytes) {
			note(d.feed(k.bytes[i], now))
		}
	}
	return strings.Join(out, " ")
}

func held(first, every time.Duration, n int) []typed {
	out := []typed{{0, "a"}, {first, "a"}}
	for range n {
		out = append(out, typed{every, "a"})
	}
	return out
}

func TestKeys(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		name string
		keys []typed
		want string
	}{
		{"escape", []typed{{0, "\x1b"}}, "stop"},
		{"space", []typed{{0, " "}}, "stop"},
		{"unknown key", []typed{{0, "x"}}, "stop"},
		{"capital", []typed{{0, "A"}}, "stop"},
		{"letter beyond ASCII is one key", []typed{{0, "ü"}}, "stop"},
		{"named keys", []typed{{0, "phr3\r"}}, "park home reset choose3 confirm"},
		{"end", []typed{{0, "q"}, {ms, "\x03"}}, "end end"},
		{"arrows", []typed{{0, "\x1b[A"}, {ms, "\x1bOB"}, {ms, "\x1b[1;5C"}, {ms, "\x1b[C"}}, "move1 move-1 move1"},
		{"function keys", []typed{{0, "\x1b[15~"}, {ms, "\x1bOP"}, {ms, "\x1b[24;2~"}}, ""},
		{"mouse and focus reports", []typed{{0, "\x1b[I"}, {ms, "\x1b[<0;10;10M"}}, ""},
		{"arrow in pieces", []typed{{0, "\x1b"}, {10 * ms, "["}, {10 * ms, "A"}}, "move1"},
		{"arrow too slow is Esc and keys", []typed{{0, "\x1b"}, {40 * ms, "["}}, "stop stop"},
		{"escape three times", []typed{{0, "\x1b\x1b\x1b"}}, "stop stop stop"},
		{"escape and park at once", []typed{{0, "\x1bp"}}, "stop"},
		{"escape and Ctrl-C at once", []typed{{0, "\x1b\x03"}}, "stop end"},
		{"sequence cut short", []typed{{0, "\x1b[1"}}, "stop"},
		{"endless sequence", []typed{{0, "\x1b[" + strings.Repeat("1", 40)}}, "stop choose1 choose1 choose1 choose1 choose1 choose1 choose1 choose1 choose1"},
		{"a hit once", []typed{{0, "a"}}, "holding"},
		{"a held", held(500*ms, 33*ms, 20), "arm"},
		{"a held long arms once", held(500*ms, 33*ms, 200), "arm"},
		{"a held too short", held(500*ms, 33*ms, 10), "holding"},
		{"a let go between", append(held(500*ms, 33*ms, 10), held(500*ms, 33*ms, 10)...), "holding holding"},
		{"a in one burst, as pasted", []typed{{0, strings.Repeat("a", 500)}}, "holding"},
		{"a slowly hit", held(600*ms, 600*ms, 6), "holding holding holding holding"},
		{"another key ends the hold", append(append(held(500*ms, 33*ms, 10), typed{ms, "h"}), held(500*ms, 33*ms, 10)...), "holding home holding"},
		{"stop ends the hold", append(append(held(500*ms, 33*ms, 10), typed{ms, " "}), held(500*ms, 33*ms, 10)...), "holding stop holding"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, play(c.keys...)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestReadKeysNeedsATerminal(t *testing.T) {
	f, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, _, err := ReadKeys(context.Background(), f); !errors.Is(err, ErrNoTerminal) {
		t.Errorf("got %v", err)
	}
}

// Nothing that a keyboard, a paste or a line with noise can send arms without a second of a.
func FuzzKeys(f *testing.F) {
	f.Add([]byte("\x1b[Aaaa\x1b"))
	f.Add([]byte("a\x1b[<0;1;1Mü q"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var d decoder
		now := time.Unix(0, 0)
		for _, c := range b {
			for _, k := range d.feed(c, now) {
				if k.Kind == Arm || k.Kind == 0 {
					t.Fatalf("%q gave %v", b, k.Kind)
				}
			}
			if len(d.escape) > 32 {
				t.Fatal("a sequence without end is kept")
			}
		}
		for range 4 {
			now = now.Add(time.Second)
			d.wait(now)
		}
		if at := d.deadline(now); !at.Equal(now.Add(time.Hour)) {
			t.Fatal("something still waits")
		}
	})
}
