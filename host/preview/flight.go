package preview

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

const (
	// MostStates is how many states a flight may have.
	MostStates = 1_000_000
	// MostSeconds is how long a flight may last, s.
	MostSeconds = 6 * 3600

	otherRun = 1e9 // ns; a source time further back than this began anew
)

// Flight is what was recorded of one vehicle.
type Flight struct {
	Name   string // of the file
	Source string // its name in a recording, "" elsewhere
	Class  string // of the vehicle, "" where the states do not say
	Notes  []string

	states   []vehicle.State // in the order of their arrival
	arrivals []float64       // s of source time since the first state
	first    int64           // source time of the first running state, ns
	begin    float64         // s; the time of the first tick
	end      float64         // s; the last source time
	given    [4]curve        // p, q, force x, force y as the source gives them, by time
}

// curve is points to be joined by straight lines, t ascending.
type curve struct{ t, v []float64 }

func (c *curve) add(t, v float64) {
	if n := len(c.t); n == 0 || t > c.t[n-1] {
		c.t, c.v = append(c.t, t), append(c.v, v)
	}
}

// Seconds is how long the flight lasts.
func (f *Flight) Seconds() float64 { return f.end - f.begin }

// Begin is the time of the first tick, s after the first state's source time: when that state arrived.
func (f *Flight) Begin() float64 { return f.begin }

// States is how many states it has.
func (f *Flight) States() int { return len(f.states) }

// Open reads a recording of a ride, or a states table as CSV or JSON lines, each packed with gzip or not: the content decides, not
// the name. Of a recording of several sources, source names the one that is meant; elsewhere it is "". An error names the
// file, the line or the record, and what to do; a recording that was cut is read as far as it goes, with a note.
func Open(path, source string) (*Flight, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w; name a recording or a states table", err)
	}
	defer func() { _ = file.Close() }()
	if info, err := file.Stat(); err == nil && info.IsDir() {
		return nil, fmt.Errorf("%s: is a folder; name a recording or a states table in it", path)
	}
	f, err := Read(file, source)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	f.Name = path
	return f, nil
}

// Read is Open from a stream.
func Read(in io.Reader, source string) (*Flight, error) {
	r := bufio.NewReaderSize(in, 64<<10)
	if head, _ := r.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(r)
		if err != nil {
			return nil, fmt.Errorf("it is packed, and damaged: %w; pack it again", err)
		}
		r = bufio.NewReaderSize(z, 64<<10)
	}
	mark := []byte("\xef\xbb\xbf")
	head, err := r.Peek(64)
	if len(head) == 0 {
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		return nil, errors.New("the file is empty; name a recording or a states table")
	}
	if bytes.HasPrefix(head, mark) {
		_, _ = r.Discard(len(mark))
		head = head[len(mark):]
	}
	switch {
	case bytes.HasPrefix(head, []byte("perchrec")):
		return fromRecording(r, source)
	case bytes.IndexByte(head, 0) >= 0:
		return nil, errors.New("it is neither a recording nor a states table; make one of a log with: perch watch ADAPTER --set file=LOG --csv STATES.csv")
	case source != "":
		return nil, errors.New("only a recording has sources with names, and this is none; leave the source out")
	case bytes.HasPrefix(bytes.TrimLeft(head, " \t\r\n"), []byte("{")):
		return fromTable(vehicle.NewJSONReader(r).Read)
	}
	return fromTable(vehicle.NewCSVReader(r).Read)
}

// errTooMany is more states than are taken.
var errTooMany = fmt.Errorf("it holds more than %d states; cut out the part that is meant", MostStates)

func fromTable(read func(*vehicle.State) error) (*Flight, error) {
	f := &Flight{}
	var late []float64 // s, observed after source time; NaN: not said
	said := false
	for {
		var s vehicle.State
		err := read(&s)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%w; mend that row or take it out", err)
		}
		if len(f.states) == MostStates {
			return nil, errTooMany
		}
		l := math.NaN()
		if s.ObservedAt != 0 && s.ObservedAt != s.SourceTime {
			l, said = float64(s.ObservedAt-s.SourceTime)/1e9, true
		}
		f.states, late = append(f.states, s), append(late, l)
	}
	if err := f.one(); err != nil {
		return nil, err
	}
	late = late[:len(f.states)]
	least := math.Inf(1)
	for i, l := range late {
		if f.states[i].Condition == vehicle.Running && !math.IsNaN(l) {
			least = min(least, l)
		}
	}
	for i := range f.states {
		t := f.time(&f.states[i])
		if said && !math.IsNaN(late[i]) && !math.IsInf(least, 0) {
			t += late[i] - least
		}
		f.arrivals = append(f.arrivals, t)
	}
	return f, f.arrange()
}

func fromRecording(r io.Reader, source string) (*Flight, error) {
	d, err := recording.NewReader(r)
	if err != nil {
		return nil, err
	}
	names := d.Header().Sources
	of := -1
	var given []int // sources that have states
	f := &Flight{}
	var ticks []uint64
	for {
		x, err := d.Next()
		var end *recording.Ending
		if errors.As(err, &end) {
			if end.Cut {
				f.Notes = append(f.Notes, end.Error()+"; what comes before is used")
			}
			break
		}
		if err != nil {
			return nil, err
		}
		s, ok := x.(*recording.State)
		if !ok {
			continue
		}
		if !slices.Contains(given, s.Source) {
			given = append(given, s.Source)
			if source == "" && of < 0 || names[s.Source] == source {
				of = s.Source
			}
		}
		if s.Source != of {
			continue
		}
		if len(f.states) == MostStates {
			return nil, errTooMany
		}
		f.states, ticks = append(f.states, s.State), append(ticks, s.Tick)
	}
	var have []string
	for _, i := range given {
		have = append(have, names[i])
	}
	switch {
	case source == "" && len(given) > 1:
		return nil, fmt.Errorf("it is a recording of %d sources, %s; say which one with --source", len(given), strings.Join(have, ", "))
	case source != "" && of < 0:
		return nil, fmt.Errorf("the recording has no states of a source %q; there are %s", source, strings.Join(have, ", "))
	}
	if err := f.one(); err != nil {
		return nil, err
	}
	rate := d.Header().Rate
	if !(rate > 0) {
		return nil, fmt.Errorf("the recording's loop ran at %g Hz; record it again", rate)
	}
	f.Source = names[of]
	least := math.Inf(1)
	for i := range f.states {
		if s := &f.states[i]; s.Condition == vehicle.Running {
			least = min(least, float64(ticks[i])/rate-f.time(s))
		}
	}
	for i := range f.states {
		f.arrivals = append(f.arrivals, float64(ticks[i])/rate-least)
	}
	for i, s := range f.states {
		if s.Condition == vehicle.Running {
			f.begin = f.arrivals[i]
			break
		}
	}
	return f, f.arrange()
}

// time is a state's source time, s since the first.
func (f *Flight) time(s *vehicle.State) float64 { return float64(s.SourceTime-f.first) / 1e9 }

// one keeps the states of one run, finds its first, and says what makes the flight none.
func (f *Flight) one() error {
	known, newest := false, int64(0)
	for i := range f.states {
		s := &f.states[i]
		if s.Class != "" {
			f.Class = s.Class
		}
		if s.Condition != vehicle.Running {
			continue
		}
		if !known {
			known, f.first, newest = true, s.SourceTime, s.SourceTime
		}
		if newest-s.SourceTime > otherRun {
			f.Notes = append(f.Notes, fmt.Sprintf("source time goes back by %.1f s at state %d of %d, another run: that and what follows is left out",
				float64(newest-s.SourceTime)/1e9, i+1, len(f.states)))
			f.states = f.states[:i]
			break
		}
		newest = max(newest, s.SourceTime)
	}
	f.end = float64(newest-f.first) / 1e9
	switch {
	case !known:
		return errors.New("it holds no state of a running vehicle; record some motion")
	case !(f.end > 0):
		return errors.New("all its states are of one time; record some motion")
	case f.end > MostSeconds:
		return fmt.Errorf("its source time spans %.0f s, more than %d; cut out the part that is meant, or mend a wrong time", f.end, MostSeconds)
	}
	return nil
}

// arrange puts the states in the order of arrival, and reads off what the source gives of the motion.
func (f *Flight) arrange() error {
	order := make([]int, len(f.states))
	for i := range order {
		order[i] = i
	}
	for i := range f.states { // before anything is moved: by row, as the table has them
		s := &f.states[i]
		if s.Condition != vehicle.Running {
			continue
		}
		for c, x := range [...]vehicle.Signal{vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.SpecificForceX, vehicle.SpecificForceY} {
			if v, ok := s.Value(x); ok {
				f.given[c].add(f.time(s), v)
			}
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := f.arrivals[a], f.arrivals[b]; {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	states, arrivals := make([]vehicle.State, len(order)), make([]float64, len(order))
	for k, i := range order {
		states[k], arrivals[k] = f.states[i], f.arrivals[i]
	}
	f.states, f.arrivals = states, arrivals
	if !(f.end > f.begin) {
		return errors.New("it ends before its first state has arrived; check observed_at_ns")
	}
	return nil
}

// measured says whether the source gives all that the error is measured by.
func (f *Flight) measured() bool {
	for i := range f.given {
		if len(f.given[i].t) < 2 {
			return false
		}
	}
	return true
}
