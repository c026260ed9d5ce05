// Package plugin starts adapters as programs of their own, verifies them, streams their states and starts them
// again when they fail.
//
// An adapter is not trusted. It may crash, hang, flood, lie about where it listens, print what it likes and send
// what is no state: the host stays up, the process and whatever it started are ended, and the operator reads one
// line that names the adapter, what happened and what to do. What an adapter sends is validated before it is
// handed on; whether it is plausible is not this package's business.
//
// The process boundary is go-plugin's, with the parts that an adapter could turn against its host replaced: the
// runner, the certificates, the reading of stdout and stderr, and every deadline.
package plugin

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"perch/sdk"
	"perch/sdk/vehicle"
)

// Program is what is started for a source.
type Program struct {
	// Name is the operator's name of the source, which every message begins with.
	Name string
	// Command is the argument vector. Command[0] is the path of the program, already resolved; a relative one is
	// taken from the host's working directory, not from Dir.
	Command []string
	// Dir is the folder of the adapter, and its working directory. Empty: none, as for a built-in adapter.
	Dir string
	// SHA256 is the pin in hexadecimal, over Dir where it is set and over the file Command[0] otherwise; Sum says
	// how. It is checked before every start. Empty: no pin.
	SHA256 string
	// Env is added to the clean environment that an adapter gets, as "KEY=VALUE".
	Env []string
}

// Phase is where a source's process stands.
type Phase uint8

// The phases.
const (
	Starting Phase = iota // started, not yet streaming
	Running               // streaming
	Waiting               // failed, waiting to be started again
	Stopped               // ended because it was asked to
)

// String is the phase in lower case.
func (p Phase) String() string {
	switch p {
	case Starting:
		return "starting"
	case Running:
		return "running"
	case Waiting:
		return "waiting"
	case Stopped:
		return "stopped"
	}
	return "unknown"
}

// Event is one thing that an operator is told about a source.
type Event struct {
	Name  string // the Program's name
	Phase Phase  // the phase that follows
	Level slog.Level
	Text  string   // one line, complete in itself: the name, what happened, what to do
	Words []string // at most the last 20 lines that the process wrote, oldest first
}

// Options are the ways out of a Source. Each may be nil.
type Options struct {
	// Log takes what the adapter writes to stderr and stdout, and the details of starting and ending.
	Log *slog.Logger
	// Sink takes every valid state, one at a time, from the goroutine that reads the stream. The state is used
	// again for the next message: copy what is to be kept. While Sink blocks, no state is read.
	Sink func(*vehicle.State)
	// Notify takes what an operator should read. It is called from several goroutines and must not block.
	Notify func(Event)
	// OnRestart is called after the process was started again and before Sink gets its first state, which is
	// marked as a discontinuity: a new process knows nothing of the old one's clock and origin.
	OnRestart func()

	pace *pace // of tests; nil: the usual one
}

// Status is a snapshot of a source.
type Status struct {
	Phase       Phase
	PID         int       // 0 where there is no process
	Restarts    int       // how often it was started again
	Since       time.Time // of the phase
	LastError   string    // the text of the last failure, "" where there was none
	Received    uint64    // messages of all its runs, refused ones included
	Refused     uint64    // messages that were no valid state
	Muted       uint64    // lines of its output that were dropped because there were too many
	Description sdk.Description
}

// SettingsError is everything that is wrong with the settings of one source.
type SettingsError struct {
	Name   string
	Faults []sdk.Fault
}

// Error lists every fault in one line.
func (e *SettingsError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "source %s: its settings are wrong", e.Name)
	for i, f := range e.Faults {
		sep := "; "
		if i == 0 {
			sep = ": "
		}
		b.WriteString(sep)
		b.WriteString(tidy(f.Error(), 300))
	}
	return b.String()
}

// pace holds every length of time by which an adapter is judged.
type pace struct {
	start    time.Duration // from the start of the process to its handshake
	describe time.Duration // for one call that is not the stream
	grace    time.Duration // between closing the stream and asking the process to end
	silence  time.Duration // without any message, heartbeats included
	flood    time.Duration // with the reader's budget used up
	refused  time.Duration // with nothing but refused states
	stdin    time.Duration // from asking it to end to closing its stdin
	kill     time.Duration // from asking it to end to killing its group
	give     time.Duration // from asking it to end to no longer waiting
	first    time.Duration // the first wait before starting again
	longest  time.Duration // the longest one
	stable   time.Duration // a run of this length starts the waits from the first again
}

func usual() pace {
	return pace{
		start: 5 * time.Second, describe: 2 * time.Second,
		grace: 150 * time.Millisecond, silence: 3 * time.Second, flood: time.Second, refused: 2 * time.Second,
		stdin: time.Second, kill: 2500 * time.Millisecond, give: 5 * time.Second,
		first: 250 * time.Millisecond, longest: 8 * time.Second, stable: time.Minute,
	}
}

func (o Options) withDefaults() Options {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Sink == nil {
		o.Sink = func(*vehicle.State) {}
	}
	if o.Notify == nil {
		o.Notify = func(Event) {}
	}
	if o.OnRestart == nil {
		o.OnRestart = func() {}
	}
	if o.pace == nil {
		p := usual()
		o.pace = &p
	}
	return o
}

// Describe starts the program, asks what it is, and ends it.
func Describe(ctx context.Context, p Program, log *slog.Logger) (sdk.Description, error) {
	o := Options{Log: log}.withDefaults()
	c, d, err := launch(ctx, p, o, sdk.ProtocolVersion)
	if err != nil {
		return sdk.Description{}, err
	}
	return d, c.end()
}

// Start starts the program, checks the settings against its description and with the adapter itself, and streams
// until ctx ends or Stop is called. A source that could not be started, and settings that are wrong, are an error
// here (SettingsError has every fault); what fails later is told through Options.Notify and tried again.
func Start(ctx context.Context, p Program, settings map[string]string, o Options) (*Source, error) {
	o = o.withDefaults()
	c, d, err := launch(ctx, p, o, sdk.ProtocolVersion)
	if err != nil {
		return nil, err
	}
	if err := c.check(ctx, d, settings); err != nil {
		return nil, both(err, c.end())
	}
	return supervise(ctx, p, settings, o, c, d), nil
}
