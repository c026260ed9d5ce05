package record

import (
	"errors"
	"log/slog"
	"strings"
	"sync"

	"perch/host/chain"
	"perch/host/seat"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

// Seen is a state at the tick at which the chain first saw it.
type Seen struct {
	Tick   uint64
	Source int
	State  vehicle.State
}

// Said is the controller's word at a tick.
type Said struct {
	Tick   uint64
	Status seat.Status
}

// Line is a line for the recording that the loop itself has to say.
type Line struct {
	Tick    uint64
	Message string
}

// Recorder stands between the loop, which puts, and the files. Put methods are for the loop alone, Drain for one
// other goroutine, Event for any.
type Recorder struct {
	// Trace and Recording are the ways out; either may be nil.
	Trace     *Trace
	Recording *recording.Writer

	actuators int

	rows *Ring[chain.Row]
	seen *Ring[Seen]
	said *Ring[Said]
	told *Ring[Line]

	mu     sync.Mutex
	events []recording.Event

	last    chain.Row
	status  seat.Status
	row     chain.Row
	state   Seen
	word    Said
	line    Line
	dropped uint64
	failed  error
}

// NewRecorder makes one that holds two seconds of ticks at 500 Hz before it drops any. actuators is how many
// the mechanism has.
func NewRecorder(trace *Trace, to *recording.Writer, actuators int) *Recorder {
	return &Recorder{
		Trace: trace, Recording: to, actuators: actuators,
		rows: NewRing[chain.Row](1024), seen: NewRing[Seen](1024), said: NewRing[Said](128),
		told: NewRing[Line](128),
	}
}

// PutRow takes a tick's row.
func (r *Recorder) PutRow(row *chain.Row) { r.rows.Put(row) }

// PutState takes a state at the tick that sees it.
func (r *Recorder) PutState(s *Seen) {
	if r.Recording != nil {
		r.seen.Put(s)
	}
}

// PutStatus takes the controller's word.
func (r *Recorder) PutStatus(s *Said) { r.said.Put(s) }

// PutLine takes what the loop has to say, such as a change of the live source, which the chain needs to be run again.
func (r *Recorder) PutLine(l *Line) {
	if r.Recording != nil {
		r.told.Put(l)
	}
}

// Event takes a line for the operator into the recording.
func (r *Recorder) Event(tick uint64, level slog.Level, message string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.Recording != nil {
		r.events = append(r.events, recording.Event{
			Tick: tick, Level: level.String(), Message: strings.ToValidUTF8(message, "?"), // the format takes no other
		})
	}
}

// Dropped counts rows, states, statuses and lines that were lost because the files were too slow.
func (r *Recorder) Dropped() uint64 {
	return r.rows.Dropped() + r.seen.Dropped() + r.said.Dropped() + r.told.Dropped()
}

// Drain writes what has come, lines and states before the row of their tick. After an error it goes on emptying the rings, so
// that the last row stays the newest, and gives the error once more at each call.
func (r *Recorder) Drain() error {
	for r.said.Take(&r.word) {
		r.status = r.word.Status
		r.keep(r.writeStatus())
	}
	for r.rows.Take(&r.row) {
		for p := r.told.Peek(); p != nil && p.Tick <= r.row.Tick; p = r.told.Peek() {
			r.told.Take(&r.line)
			r.keep(r.writeLine())
		}
		for p := r.seen.Peek(); p != nil && p.Tick <= r.row.Tick; p = r.seen.Peek() {
			r.seen.Take(&r.state)
			r.keep(r.writeState())
		}
		r.last = r.row
		r.keep(r.writeRow())
	}
	r.keep(r.writeEvents())
	return r.failed
}

// Last is the newest row and controller status that Drain met.
func (r *Recorder) Last() (*chain.Row, *seat.Status) { return &r.last, &r.status }

// Flush hands what was written to the files.
func (r *Recorder) Flush() error {
	if r.Trace != nil {
		r.keep(r.Trace.Flush())
	}
	if r.Recording != nil {
		r.keep(r.Recording.Flush())
	}
	return r.failed
}

// keep remembers the first failure; a file that failed once is not written again.
func (r *Recorder) keep(err error) {
	if err != nil && r.failed == nil {
		r.failed = err
	}
}

func (r *Recorder) writeRow() error {
	if r.failed != nil {
		return nil
	}
	var err error
	if r.Trace != nil {
		err = r.Trace.Write(&r.row)
	}
	if r.Recording != nil {
		c := recording.Command{
			Tick: r.row.Tick, Wanted: r.row.Wanted, Commanded: r.row.Guarded.Pose,
			Actuators: r.row.Guarded.Actuators[:r.actuators], SeatState: r.row.Guarded.State.String(), Source: -1,
			Input: recording.GuardInput{
				Ask: uint32(r.row.Input.Ask), Controller: controllerBits(&r.row.Input.Controller), BootID: r.row.Input.Controller.BootID,
				Positions: r.row.Input.Controller.Position[:r.actuators], OperatorAge: r.row.Input.OperatorAge,
			},
		}
		if r.row.Seen {
			c.Source, c.SourceAge = r.row.Source, r.row.Liveness.Age
		}
		err = errors.Join(err, r.Recording.WriteCommand(&c))
	}
	return err
}

func (r *Recorder) writeState() error {
	if r.Recording == nil || r.failed != nil {
		return nil
	}
	return r.Recording.WriteState(&recording.State{Tick: r.state.Tick, Source: r.state.Source, State: r.state.State})
}

func (r *Recorder) writeLine() error {
	if r.Recording == nil || r.failed != nil {
		return nil
	}
	return r.Recording.WriteEvent(&recording.Event{
		Tick: r.line.Tick, Level: slog.LevelInfo.String(), Message: strings.ToValidUTF8(r.line.Message, "?"),
	})
}

func (r *Recorder) writeStatus() error {
	if r.Recording == nil || r.failed != nil {
		return nil
	}
	s := &r.word.Status
	return r.Recording.WriteStatus(&recording.Status{
		Tick: r.word.Tick, State: s.State.String(), Faults: uint32(s.Faults),
		LastSequence: uint32(s.LastSequence), Positions: s.Positions[:s.N],
	})
}

func (r *Recorder) writeEvents() error {
	r.mu.Lock()
	events := r.events
	r.events = nil
	r.mu.Unlock()
	if r.Recording == nil || r.failed != nil {
		return nil
	}
	if d := r.Dropped(); d > r.dropped {
		events = append(events, recording.Event{Tick: r.last.Tick, Level: slog.LevelWarn.String(),
			Message: "the recording could not keep up: entries before this one are missing", Dropped: d - r.dropped})
		r.dropped = d
	}
	for i := range events {
		if err := r.Recording.WriteEvent(&events[i]); err != nil {
			return err
		}
	}
	return nil
}
