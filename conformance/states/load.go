package states

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

// MostStates is how many states one file may hold.
const MostStates = 1_000_000

// MostBytes is how long a file may be once it is unpacked.
const MostBytes = 1 << 30

// Table is what a file holds.
type Table struct {
	Source string // its name in a recording, "" elsewhere
	States []vehicle.State
	Faults Faults
}

// Faults are rows that could not be read, or that a host would refuse.
type Faults struct {
	Count int
	First []string // the first few, each with its place
	Cut   string   // how the file ends too early; "" where it does not
}

// longest is how much of a fault is told, in bytes.
const longest = 240

func (f *Faults) add(err error) {
	if f.Count++; len(f.First) < 3 {
		text := err.Error()
		if len(text) > longest {
			text = strings.ToValidUTF8(text[:longest], "") + "..."
		}
		f.First = append(f.First, text)
	}
}

// Load reads a recording of a ride, or a states table as CSV or as JSON lines, each packed with gzip or not: the content
// decides, not the name. A row that is wrong becomes a fault, and reading goes on. Of a recording of several sources, source
// names the one that is meant; elsewhere it is "". An error says that there is nothing to judge.
func Load(path, source string) (Table, error) {
	f, err := os.Open(path)
	if err != nil {
		return Table{}, err
	}
	defer func() { _ = f.Close() }()
	t, err := Read(f, source)
	if err != nil {
		return Table{}, fmt.Errorf("%s: %w", path, err)
	}
	return t, nil
}

// watched keeps what went wrong below a parser, so that a broken file is not taken for wrong rows without end.
type watched struct {
	r   io.Reader
	err error
}

func (w *watched) Read(p []byte) (int, error) {
	n, err := w.r.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		w.err = err
	}
	return n, err
}

// Read is Load from a stream.
func Read(in io.Reader, source string) (Table, error) {
	w := &watched{r: in}
	r := bufio.NewReader(w)
	if head, _ := r.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(r)
		if err != nil {
			return Table{}, fmt.Errorf("it is packed, and damaged: %w", err)
		}
		w = &watched{r: z}
		r = bufio.NewReader(w)
	}
	w.r = io.LimitReader(w.r, MostBytes)
	head, _ := r.Peek(64)
	text := bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf")), " \t\r\n")
	var t Table
	var err error
	switch {
	case len(head) == 0 && w.err != nil:
		return Table{}, w.err
	case len(head) == 0:
		return Table{}, errors.New("the file is empty")
	case bytes.HasPrefix(head, []byte("perchrec")):
		t, err = fromRecording(r, source)
	case source != "":
		return Table{}, errors.New("only a recording has sources with names, and this is none")
	default:
		if bytes.HasPrefix(head, []byte("\xef\xbb\xbf")) {
			_, _ = r.Discard(3)
		}
		if bytes.HasPrefix(text, []byte("{")) {
			t, err = rows(vehicle.NewJSONReader(r).Read, w)
		} else {
			t, err = rows(vehicle.NewCSVReader(r).Read, w)
		}
	}
	if err == nil && len(t.States) == 0 {
		err = errors.New("it holds no state that can be read")
		if len(t.Faults.First) > 0 {
			err = fmt.Errorf("it holds no state that can be read: %s", t.Faults.First[0])
		}
	}
	return t, err
}

func rows(read func(*vehicle.State) error, w *watched) (Table, error) {
	var t Table
	good := false
	for {
		var s vehicle.State
		err := read(&s)
		switch {
		case err == nil:
			if len(t.States) == MostStates {
				return t, fmt.Errorf("it holds more than %d states: cut out the part that is meant", MostStates)
			}
			good = true
			t.States = append(t.States, s)
			continue
		case errors.Is(err, io.EOF):
			return t, nil
		case w.err != nil:
			t.Faults.Cut = fmt.Sprintf("it cannot be read on after %d states: %v", len(t.States), w.err)
			return t, nil
		case errors.Is(err, bufio.ErrTooLong):
			t.Faults.add(err)
			t.Faults.Cut = fmt.Sprintf("nothing is read after a line of more than %d bytes", vehicle.MaximumLine)
			return t, nil
		}
		if !good && (strings.HasPrefix(err.Error(), "line 1:") || strings.HasPrefix(err.Error(), "line 1,")) { // no row can be read without the columns' names
			return t, fmt.Errorf("%w; a states table begins with the names of its columns, with commas between, as perch watch demo --csv FILE writes it", err)
		}
		t.Faults.add(err)
		if t.Faults.Count > MostStates {
			return t, errors.New("it holds hardly anything but wrong rows")
		}
	}
}

func fromRecording(r io.Reader, source string) (Table, error) {
	d, err := recording.NewReader(r)
	if err != nil {
		return Table{}, err
	}
	names := d.Header().Sources
	by := make([][]vehicle.State, len(names))
	var faults Faults
	n := 0
	for {
		x, err := d.Next()
		var end *recording.Ending
		if errors.As(err, &end) {
			if end.Cut {
				faults.Cut = end.Error()
			}
			break
		}
		if err != nil {
			if strings.HasPrefix(err.Error(), "read the recording") { // it says so again and again
				faults.Cut = err.Error()
				break
			}
			faults.add(err)
			continue
		}
		if s, ok := x.(*recording.State); ok {
			if n++; n > MostStates {
				return Table{}, fmt.Errorf("it holds more than %d states: cut out the part that is meant", MostStates)
			}
			by[s.Source] = append(by[s.Source], s.State)
		}
	}
	t := Table{Faults: faults}
	var given []string
	for i, name := range names {
		if len(by[i]) == 0 {
			continue
		}
		given = append(given, name)
		if name == source || source == "" {
			t.Source, t.States = name, by[i]
		}
	}
	switch {
	case source == "" && len(given) > 1:
		return Table{}, fmt.Errorf("it is a recording of %d sources, %s: say which one is meant", len(given), strings.Join(given, ", "))
	case source != "" && t.Source != source:
		return Table{}, fmt.Errorf("the recording has no states of a source %q; there are %s", source, strings.Join(given, ", "))
	}
	return t, nil
}
