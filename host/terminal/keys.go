package terminal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"golang.org/x/term"
)

// Kind is what a key press asks for.
type Kind uint8

// The kinds.
const (
	Stop    Kind = iota + 1 // Esc, space, and every printing key without a meaning of its own
	Holding                 // a is being held; Progress says how far
	Arm                     // a was held for ArmTime
	Park                    // p
	Home                    // h
	Reset                   // r
	End                     // q, Ctrl-C
	Choose                  // 1 to 9; Number says which source
	Confirm                 // Enter
	Move                    // an arrow: Number is 1 for right and up, -1 for left and down
)

// String is the kind in a word.
func (k Kind) String() string {
	names := [...]string{Stop: "stop", Holding: "holding", Arm: "arm", Park: "park", Home: "home", Reset: "reset", End: "end", Choose: "choose", Confirm: "confirm", Move: "move"}
	if int(k) < len(names) && k > 0 {
		return names[k]
	}
	return "unknown"
}

// Key is one thing that was asked for.
type Key struct {
	Kind     Kind
	Number   int     // of Choose and Move
	Progress float64 // of Holding, 0 to 1; 0: let go
}

// KeysHelp is the keys in one line.
const KeysHelp = "Esc or other: stop  hold a: arm  p park  h home  r reset  1-9 source  q end"

// How arming by a held key is told from a key that was hit. A terminal reports no release: a held key is one whose
// repeats keep coming. Keyboards wait up to 0.66 s before the first repeat and then repeat 20 to 40 times a second; a
// remote line bunches them.
const (
	ArmTime     = time.Second            // how long a must be held
	firstRepeat = 750 * time.Millisecond // longest wait for the first repeat
	nextRepeat  = 250 * time.Millisecond // and for each later one
	armRepeats  = 5                      // fewest repeats
)

// An arrow or function key starts with the byte of Esc. What follows it within this time belongs to it.
const escapeTime = 30 * time.Millisecond

// ErrNoTerminal says that a file is no terminal, so nobody can press keys there.
var ErrNoTerminal = errors.New("keys cannot be read: the input is no terminal; run it in one, or use the console page")

// ReadKeys puts a terminal into raw mode and sends what its keys ask for. The channel closes when the terminal
// is gone, which is when the operator is, or when ctx ends; restore gives the terminal back as it was and may be called more than
// once. Raw mode takes Ctrl-C from the system, so it arrives as End. A Stop is never dropped; it waits for the
// receiver, and what is pressed meanwhile waits behind it.
//
// To arm, a is held for ArmTime: see there. Keys with no meaning stop, because a hand that hits the keyboard in haste hits any;
// function keys do nothing.
func ReadKeys(ctx context.Context, f *os.File) (<-chan Key, func(), error) {
	fd := int(f.Fd())
	if !term.IsTerminal(fd) {
		return nil, nil, ErrNoTerminal
	}
	old, err := term.MakeRaw(fd)
	if err != nil {
		return nil, nil, fmt.Errorf("terminal cannot be put into raw mode: %w; use the console page", err)
	}
	var once sync.Once
	restore := func() { once.Do(func() { _ = term.Restore(fd, old) }) }

	pressed := make(chan []byte)
	go func() {
		// A read from a terminal cannot be interrupted everywhere: this goroutine may outlive ctx by one key.
		defer close(pressed)
		for {
			buf := make([]byte, 64)
			n, err := f.Read(buf)
			if n > 0 {
				select {
				case pressed <- buf[:n]:
				case <-ctx.Done():
					return
				}
			}
			if err != nil {
				return
			}
		}
	}()
	keys := make(chan Key, 16)
	go decode(ctx, pressed, keys)
	return keys, restore, nil
}

func decode(ctx context.Context, pressed <-chan []byte, keys chan<- Key) {
	defer close(keys)
	var d decoder
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		var out []Key
		select {
		case <-ctx.Done():
			return
		case now := <-timer.C:
			out = d.wait(now)
		case b, ok := <-pressed:
			if !ok {
				return
			}
			now := time.Now()
			out = d.wait(now)
			for _, c := range b {
				out = append(out, d.feed(c, now)...)
			}
		}
		for _, k := range out {
			if k.Kind == Holding && len(keys) == cap(keys) {
				continue // only how far; nothing that matters may wait behind it
			}
			select {
			case keys <- k:
			case <-ctx.Done():
				return
			}
		}
		timer.Reset(time.Until(d.deadline(time.Now())))
	}
}

// decoder turns bytes and their times into keys.
type decoder struct {
	escape   []byte    // a sequence that has begun
	began    time.Time // its latest byte
	rest     int       // bytes of a character beyond ASCII that are still to come
	first    time.Time // a: first of this hold; zero: none
	latest   time.Time
	repeats  int
	finished bool // this hold has armed
}

// deadline is when wait has something to do.
func (d *decoder) deadline(now time.Time) time.Time {
	at := now.Add(time.Hour)
	if len(d.escape) > 0 {
		at = d.began.Add(escapeTime)
	}
	if !d.first.IsZero() {
		if t := d.latest.Add(d.patience()); t.Before(at) {
			at = t
		}
	}
	return at
}

func (d *decoder) patience() time.Duration {
	if d.repeats == 0 {
		return firstRepeat
	}
	return nextRepeat
}

// wait gives what the passing of time alone means.
func (d *decoder) wait(now time.Time) []Key {
	var out []Key
	if len(d.escape) > 0 && now.Sub(d.began) >= escapeTime {
		// Esc alone, or a sequence that was cut short, which may be Esc and another key.
		d.escape = nil
		out = append(out, d.release()...)
		out = append(out, Key{Kind: Stop})
	}
	if !d.first.IsZero() && now.Sub(d.latest) >= d.patience() {
		out = append(out, d.release()...)
	}
	return out
}

func (d *decoder) release() []Key {
	if d.first.IsZero() {
		return nil
	}
	done := d.finished
	d.first, d.repeats, d.finished = time.Time{}, 0, false
	if done {
		return nil
	}
	return []Key{{Kind: Holding}}
}

func (d *decoder) feed(c byte, now time.Time) []Key {
	const esc = 0x1b
	if len(d.escape) > 0 {
		return d.sequence(c, now)
	}
	if c == esc {
		d.escape, d.began = append(d.escape, c), now
		return nil
	}
	if c == 'a' {
		return d.hold(now)
	}
	out := d.release()
	if d.rest > 0 && c&0xc0 == 0x80 {
		d.rest--
		return out
	}
	d.rest = 0
	switch {
	case c == 'p':
		return append(out, Key{Kind: Park})
	case c == 'h':
		return append(out, Key{Kind: Home})
	case c == 'r':
		return append(out, Key{Kind: Reset})
	case c == 'q' || c == 0x03:
		return append(out, Key{Kind: End})
	case c >= '1' && c <= '9':
		return append(out, Key{Kind: Choose, Number: int(c - '0')})
	case c == '\r' || c == '\n':
		return append(out, Key{Kind: Confirm})
	case c >= 0xf0:
		d.rest = 3
	case c >= 0xe0:
		d.rest = 2
	case c >= 0xc0:
		d.rest = 1
	case c < ' ' && c != '\t' && c != '\b':
		return out // control keys: none is hit in haste
	}
	return append(out, Key{Kind: Stop})
}

// sequence takes what follows the byte of Esc (ECMA-48: CSI is ESC [, parameters 0x30-0x3f, intermediates 0x20-0x2f, a
// final byte 0x40-0x7e; SS3 is ESC O and one byte).
func (d *decoder) sequence(c byte, now time.Time) []Key {
	const longest = 32
	d.began = now
	switch n := len(d.escape); {
	case c == 0x1b || c == 0x03:
		// Esc again: the one before was a key.
		d.escape = nil
		return append(append(d.release(), Key{Kind: Stop}), d.feed(c, now)...)
	case n == 1 && (c == '[' || c == 'O'):
		d.escape = append(d.escape, c)
		return nil
	case n == 1:
		// Alt and a key, or Esc and a key right after it.
		d.escape = nil
		return append(d.release(), Key{Kind: Stop})
	case n < longest && d.escape[1] == '[' && c >= 0x20 && c <= 0x3f:
		d.escape = append(d.escape, c)
		return nil
	case c >= 0x40 && c <= 0x7e && n < longest:
		d.escape = nil
		out := d.release()
		switch {
		case n == 2 && (c == 'C' || c == 'A'):
			out = append(out, Key{Kind: Move, Number: 1})
		case n == 2 && (c == 'D' || c == 'B'):
			out = append(out, Key{Kind: Move, Number: -1})
		}
		return out
	}
	d.escape = nil
	return append(d.release(), Key{Kind: Stop})
}

func (d *decoder) hold(now time.Time) []Key {
	if d.first.IsZero() {
		d.first, d.latest, d.repeats, d.finished = now, now, 0, false
		return []Key{{Kind: Holding, Progress: 0.01}}
	}
	d.latest = now
	d.repeats++
	if d.finished {
		return nil
	}
	held := now.Sub(d.first)
	if held >= ArmTime && d.repeats >= armRepeats {
		d.finished = true
		return []Key{{Kind: Arm}}
	}
	return []Key{{Kind: Holding, Progress: min(1, max(0.01, held.Seconds()/ArmTime.Seconds()))}}
}
