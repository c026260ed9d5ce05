// Package measures asks a builder for the numbers of a seat, one by one, and puts them into the text of its seat file.
package measures

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"

	"perch/host/commissioning/drawing"
	"perch/host/config"
)

// ErrEnded says that the answers ended before the questions.
var ErrEnded = errors.New("the answers ended before the last question")

// Put sets one value in the text of a seat file, and says what is wrong with that value. Whether it goes together with
// the others is for config.ParseSeat to say, when all are there.
func Put(text []byte, e config.Entry, answer string) ([]byte, error) {
	next, err := config.Set(text, e, answer)
	if err != nil {
		return nil, err
	}
	_, err = config.ParseSeat("", next)
	var faults config.Faults
	if !errors.As(err, &faults) {
		return next, err
	}
	for _, f := range faults {
		if f.Key == e.Key {
			return nil, errors.New(f.Message)
		}
	}
	return next, nil
}

// Interview asks at a terminal.
type Interview struct {
	answers *bufio.Scanner
	w       io.Writer
}

// New makes an interview that reads a line for each answer.
func New(r io.Reader, w io.Writer) *Interview { return &Interview{bufio.NewScanner(r), w} }

func (i *Interview) say(format string, a ...any) { fmt.Fprintf(i.w, format, a...) }

// answer reads a line. ErrEnded: there is none.
func (i *Interview) answer() (string, error) {
	i.say("  > ")
	if !i.answers.Scan() {
		i.say("\n")
		return "", errors.Join(ErrEnded, i.answers.Err())
	}
	return strings.TrimSpace(i.answers.Text()), nil
}

// Ask goes through the tables of a seat, those named or all, and gives the text with the answers in it, in which
// config.ParseSeat finds no fault. Tables that a seat may lack are asked for only where the builder says so.
func (i *Interview) Ask(text []byte, seat config.Seat, tables []string) ([]byte, error) {
	entries := seat.Entries()
	letters := map[string]string{}
	for n, m := range seat.Mechanism.Measures() {
		letters["mechanism."+m.Key] = fmt.Sprintf("%c in the drawing: ", 'A'+n)
	}
	again := map[string]bool{} // tables that must be asked for whatever they are
	for {
		var table string
		skip := false
		for n := range entries {
			e := &entries[n]
			top, _, _ := strings.Cut(e.Key, ".")
			if len(again) == 0 && !wanted(tables, top) || len(again) > 0 && !again[top] {
				continue
			}
			if top != table {
				table, skip = top, false
				i.say("\n%s\n", title(top))
				if !has(entries, top) && len(again) == 0 && len(tables) == 0 {
					i.say("  Not in the file yet. y to give it now, Enter to leave it out.\n")
					answer, err := i.answer()
					if err != nil {
						return nil, err
					}
					skip = !strings.HasPrefix(strings.ToLower(answer), "y")
				}
			}
			if skip {
				continue
			}
			var err error
			if text, err = i.one(text, e, letters[e.Key]); err != nil {
				return nil, err
			}
		}
		_, err := config.ParseSeat("seat file", text)
		if err == nil {
			return text, nil
		}
		var faults config.Faults
		if !errors.As(err, &faults) {
			return nil, err
		}
		i.say("\nThese do not go together yet:\n")
		clear(again)
		for _, f := range faults {
			f.File, f.Line = "", 0
			i.say("  %v\n", f)
			top, _, _ := strings.Cut(f.Key, ".")
			again[top] = true
		}
		asked := false
		for _, e := range entries {
			top, _, _ := strings.Cut(e.Key, ".")
			asked = asked || again[top]
		}
		if !asked { // nothing that is asked for mends it
			return nil, faults
		}
		i.say("Go through them again; Enter keeps what stands in brackets.\n")
	}
}

// one asks for one value until the answer can be used.
func (i *Interview) one(text []byte, e *config.Entry, letter string) ([]byte, error) {
	now := e.Now
	switch {
	case now != "":
		now = " [" + now + "]"
	case e.Optional:
		now = " [left out]"
	}
	i.say("%s%s\n", e.Key, now)
	if words := letter + drawing.Words(e.Key); words != "" {
		i.say("    %s\n", words)
	}
	if e.Words != nil {
		i.say("    one of %s\n", strings.Join(e.Words, ", "))
	}
	for {
		answer, err := i.answer()
		if err != nil {
			return nil, err
		}
		switch {
		case answer == "" && (e.Now != "" || e.Optional):
			return text, nil
		case answer == "":
			i.say("    is needed; such as %s\n", e.Example())
			continue
		case answer == "-" && !e.Optional:
			i.say("    cannot be left out; such as %s\n", e.Example())
			continue
		case answer == "-":
			answer = ""
		}
		next, err := Put(text, *e, answer)
		if err != nil {
			i.say("    %v\n", err)
			continue
		}
		e.Now = answer
		return next, nil
	}
}

func wanted(tables []string, top string) bool {
	if len(tables) == 0 {
		return true
	}
	for _, t := range tables {
		if t == top {
			return true
		}
	}
	return false
}

// has says whether the file has any value of a table.
func has(entries []config.Entry, top string) bool {
	for _, e := range entries {
		if strings.HasPrefix(e.Key, top+".") && e.Now != "" {
			return true
		}
	}
	return false
}

// Tables are those that Ask knows, in their order.
func Tables() []string { return []string{"mechanism", "limits", "hard_stop", "load", "drive"} }

func title(table string) string {
	switch table {
	case "mechanism":
		return "Mechanism: lengths from centre to centre, with the seat level; then what its motors may be asked for"
	case "limits":
		return "Limits: what the guard keeps to, at the rider"
	case "hard_stop":
		return "Hard stops: where metal or buffers end the travel of each axis, the others level; push the seat there without power"
	case "load":
		return "Load: what the seat carries"
	case "drive":
		return "Drive: motor and gear; all motors alike"
	}
	return table
}
