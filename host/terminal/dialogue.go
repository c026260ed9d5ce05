package terminal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/charmbracelet/x/ansi"
	"golang.org/x/term"
)

// ErrInterrupted says that Ctrl-C was pressed, or that the terminal is gone.
var ErrInterrupted = errors.New("ended by the operator; nothing more was done")

// Dialogue asks at a terminal, and reads held keys in between. It has the terminal in raw mode, so that no key waits
// for Enter. It is for one goroutine.
type Dialogue struct {
	out     io.Writer
	pressed chan []byte
	waiting []byte // read and not yet looked at
	restore func()
	size    func() (width, height int)
}

// NewDialogue takes a terminal; ErrNoTerminal if in is none. Close gives it back.
func NewDialogue(in *os.File, out io.Writer) (*Dialogue, error) {
	fd := int(in.Fd())
	if !term.IsTerminal(fd) {
		return nil, ErrNoTerminal
	}
	old, err := term.MakeRaw(fd)
	if err != nil {
		return nil, fmt.Errorf("terminal cannot be put into raw mode: %w", err)
	}
	var once sync.Once
	d := &Dialogue{out: lines{out}, pressed: make(chan []byte), size: Size(in), restore: func() { once.Do(func() { _ = term.Restore(fd, old) }) }}
	go d.read(in)
	return d, nil
}

// read sends what is typed. It ends with the terminal; a read from one cannot be interrupted everywhere.
func (d *Dialogue) read(in io.Reader) {
	defer close(d.pressed)
	for {
		b := make([]byte, 64)
		n, err := in.Read(b)
		if n > 0 {
			d.pressed <- b[:n]
		}
		if err != nil {
			return
		}
	}
}

// lines ends lines as a terminal in raw mode wants them.
type lines struct{ io.Writer }

func (l lines) Write(p []byte) (int, error) {
	_, err := l.Writer.Write(bytes.ReplaceAll(p, []byte("\n"), []byte("\r\n")))
	return len(p), err
}

// Say shows a line, broken between words where it is longer than the terminal is wide.
func (d *Dialogue) Say(line string) { fmt.Fprintln(d.out, d.wrap(line)) }

func (d *Dialogue) wrap(line string) string {
	width, _ := d.size()
	if width < 20 {
		return line
	}
	end := len(line) - len(strings.TrimRight(line, " ")) // the cursor of a question stands behind it
	return ansi.Wrap(line[:len(line)-end], width-1, "") + line[len(line)-end:]
}

// Write shows text.
func (d *Dialogue) Write(p []byte) (int, error) { return d.out.Write(p) }

// Close gives the terminal back.
func (d *Dialogue) Close() error {
	d.restore()
	return nil
}

// Forget drops what was typed and not asked for, such as the repeats of a key that was held.
func (d *Dialogue) Forget() {
	d.waiting = nil
	for {
		select {
		case _, ok := <-d.pressed:
			if !ok {
				return
			}
		default:
			return
		}
	}
}

// Line shows a prompt and reads a line, without its end. ErrInterrupted for Ctrl-C.
func (d *Dialogue) Line(ctx context.Context, prompt string) (string, error) {
	fmt.Fprint(d.out, d.wrap(prompt))
	var line []byte
	escape := 0 // bytes of an arrow key so far
	for {
		for len(d.waiting) == 0 {
			select {
			case <-ctx.Done():
				return "", ctx.Err()
			case b, ok := <-d.pressed:
				if !ok {
					return "", ErrInterrupted
				}
				d.waiting = b
			}
		}
		c := d.waiting[0]
		d.waiting = d.waiting[1:]
		switch {
		case c == '\r' || c == '\n':
			fmt.Fprintln(d.out)
			return strings.TrimSpace(string(line)), nil
		case c == 0x03 || c == 0x04 && len(line) == 0:
			fmt.Fprintln(d.out)
			return "", ErrInterrupted
		case c == 0x7f || c == '\b':
			if len(line) > 0 {
				_, n := utf8.DecodeLastRune(line)
				line = line[:len(line)-n]
				fmt.Fprint(d.out, "\b \b")
			}
		case c == 0x1b: // an arrow that was held a little too long, and what belongs to it
			escape = 1
			continue
		case escape == 1 && (c == '[' || c == 'O'):
			escape = 2
			continue
		case escape == 2:
		case c >= ' ' && len(line) < 200:
			line = append(line, c)
			_, _ = d.out.Write([]byte{c})
		}
		escape = 0
	}
}

// Keys calls press for each key until done says that it is over, which it is asked 50 times a second. The error is done's,
// ctx's, or ErrInterrupted where the terminal is gone. What the keys mean is as for ReadKeys.
func (d *Dialogue) Keys(ctx context.Context, press func(Key), done func() (bool, error)) error {
	var keys decoder
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	d.Forget()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case b, ok := <-d.pressed:
			if !ok {
				return ErrInterrupted
			}
			now := time.Now()
			for _, k := range keys.wait(now) {
				press(k)
			}
			for _, c := range b {
				for _, k := range keys.feed(c, now) {
					press(k)
				}
			}
		case now := <-tick.C:
			for _, k := range keys.wait(now) {
				press(k)
			}
		}
		if over, err := done(); over || err != nil {
			return err
		}
	}
}
