package plugin

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// Source is one adapter that is kept running.
type Source struct {
	program  Program
	settings map[string]string
	options  Options
	stop     context.CancelFunc
	done     chan struct{}
	endError error // how the last child ended; to be read after done

	received, refused atomic.Uint64

	mu     sync.Mutex
	status Status
	child  *child
	muted  uint64 // of the children before
}

// supervise takes over a child that has described itself and whose settings are right.
func supervise(ctx context.Context, p Program, settings map[string]string, o Options, c *child, d sdk.Description) *Source {
	ctx, stop := context.WithCancel(ctx)
	s := &Source{program: p, settings: maps.Clone(settings), options: o, stop: stop, done: make(chan struct{}), child: c}
	s.status.Description = d
	s.enter(Running)
	go s.run(ctx, c)
	return s
}

// Status is a snapshot.
func (s *Source) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.status
	t.Received, t.Refused = s.received.Load(), s.refused.Load()
	t.Muted = s.muted
	if s.child != nil {
		t.Muted += s.child.out.mutedLines()
		t.PID, _ = strconv.Atoi(s.child.proc.ID())
	}
	return t
}

// Stop ends the stream, which closes the source, and the process. It returns when the process is gone, or with an
// error when that cannot be reached, or when ctx ends; the ending goes on then. It may be called again.
func (s *Source) Stop(ctx context.Context) error {
	s.stop()
	select {
	case <-s.done:
		return s.endError
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Done is closed when the source has stopped for good.
func (s *Source) Done() <-chan struct{} { return s.done }

func (s *Source) enter(p Phase) {
	if s.status.Phase != p || s.status.Since.IsZero() {
		s.status.Since = time.Now()
	}
	s.status.Phase = p
}

// run attends to one child after the other.
func (s *Source) run(ctx context.Context, c *child) {
	defer close(s.done)
	defer s.stop()
	p := s.options.pace
	wait := p.first
	first := true
	for {
		begun := time.Now()
		err := s.attend(ctx, c, first)
		first = false
		words := c.out.words()
		if ctx.Err() != nil { // not for a failure: time for a healthy adapter to close its source
			select {
			case <-c.proc.exited:
			case <-time.After(p.grace):
			}
		}
		ended := c.end()
		s.mu.Lock()
		s.muted += c.out.mutedLines()
		s.child = nil
		s.mu.Unlock()
		if ctx.Err() != nil {
			s.endError = ended
			break
		}
		err = both(err, ended)
		if time.Since(begun) >= p.stable {
			wait = p.first
		}
		for c = nil; c == nil; {
			s.failed(err, words, wait)
			select {
			case <-ctx.Done():
			case <-time.After(wait):
			}
			if ctx.Err() != nil {
				break
			}
			wait = min(2*wait, p.longest)
			c, err = s.again(ctx)
			words = nil
		}
		if c == nil {
			break
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.enter(Stopped)
}

// failed tells about a failure, once.
func (s *Source) failed(err error, words []string, wait time.Duration) {
	text := oneLine(err)
	s.mu.Lock()
	s.status.LastError = text
	s.enter(Waiting)
	s.mu.Unlock()
	s.options.Notify(Event{s.program.Name, Waiting, slog.LevelError, fmt.Sprintf("%s; starting it again in %v", text, wait), words})
}

// again starts a new child. The program may be another than before, so all is asked and checked again.
func (s *Source) again(ctx context.Context) (*child, error) {
	s.mu.Lock()
	s.status.Restarts++
	s.enter(Starting)
	s.mu.Unlock()
	c, d, err := launch(ctx, s.program, s.options, sdk.ProtocolVersion)
	if err != nil {
		return nil, err
	}
	if err := c.check(ctx, d, s.settings); err != nil {
		return nil, both(err, c.end())
	}
	s.mu.Lock()
	s.status.Description = d
	s.child = c
	s.enter(Running)
	s.mu.Unlock()
	s.options.Notify(Event{s.program.Name, Running, slog.LevelInfo, fmt.Sprintf("source %s: running again", s.program.Name), nil})
	s.options.OnRestart()
	return c, nil
}

// attend streams from a child until the stream ends, and says why it did. It returns when no state of this child can
// reach the sink any more.
func (s *Source) attend(ctx context.Context, c *child, first bool) error {
	stream, cancel := context.WithCancel(ctx)
	defer cancel()
	read := make(chan error, 1)
	go func() { read <- s.read(stream, c, first) }()

	p := s.options.pace
	every := min(p.silence/8, 250*time.Millisecond)
	tick := time.NewTicker(every)
	defer tick.Stop()
	var silent time.Duration // counted in ticks: a host that was itself suspended hears nothing either
	before := s.received.Load()
	var cause error
	exited := c.proc.exited
	var late <-chan time.Time
	for {
		select {
		case err := <-read:
			if cause == nil && ctx.Err() == nil {
				cause = c.why(err)
			}
			return cause
		case <-exited:
			exited = nil
			late = time.After(300 * time.Millisecond) // for what it still sent
		case <-late:
			cancel()
			if cause == nil {
				cause = c.why(io.ErrUnexpectedEOF)
			}
		case <-tick.C:
			silent += every
			if n := s.received.Load(); n != before {
				before, silent = n, 0
			}
			if cause == nil && exited != nil && silent > p.silence {
				cause = &Failure{s.program.Name, fmt.Sprintf("no message for %.1f s: %s hangs", silent.Seconds(), c.program.Command[0]),
					"an adapter sends an absent state twice a second while it has no data: mend the adapter", c.out.lastWords()}
				cancel()
			}
		}
	}
}

// read takes messages from the stream at a bounded rate until it ends.
func (s *Source) read(ctx context.Context, c *child, first bool) error {
	stream, err := c.service.StreamStates(ctx, adapterv1.StreamStatesRequest_builder{Settings: s.settings}.Build(),
		grpc.MaxCallRecvMsgSize(longestMessage))
	if err != nil {
		return err
	}
	var (
		message   = &adapterv1.StreamStatesResponse{}
		state     vehicle.State
		allowance = budget{limit: s.options.pace.flood, from: time.Now()}
		bad       refusals
	)
	for {
		if err := stream.RecvMsg(message); err != nil {
			return err
		}
		now := time.Now()
		s.received.Add(1)
		if allowance.spend(1+proto.Size(message)/1024, now) {
			return &Failure{s.program.Name, fmt.Sprintf("%s floods: more than %d messages in %v, for %v", c.program.Command[0], perPeriod, period, s.options.pace.flood),
				"an adapter sends one state for each packet of its source: mend the adapter", ""}
		}
		if err := sdk.FromWire(message.GetState(), &state); err != nil {
			s.refused.Add(1)
			if bad.add(err, now, s.options.pace.refused) {
				text := fmt.Sprintf("source %s: every state that it sends is refused: %s; mend the adapter, or check it with the conformance suite", s.program.Name, tidy(oneLine(err), 200))
				s.options.Log.Warn(text, "source", s.program.Name)
				s.options.Notify(Event{s.program.Name, Running, slog.LevelWarn, text, nil})
			}
			continue
		}
		bad.good()
		if !first {
			// Its clock and origin are not those of the process before.
			state.Discontinuity = true
			first = true
		}
		s.options.Sink(&state)
	}
}

// The reader takes at most perPeriod messages in each period, ten times what an honest adapter sends; one of more
// than a kilobyte counts as several.
const (
	perPeriod = 20
	period    = 2 * time.Millisecond
)

// budget bounds what the host spends on reading one adapter, and finds one that uses all of it up all the time.
type budget struct {
	limit time.Duration
	from  time.Time
	used  int
	score time.Duration // grows while the budget is used up, falls while it is not
}

// spend takes some of the budget and pauses when it is used up. It is true when that was so for too long.
func (b *budget) spend(cost int, now time.Time) bool {
	if b.used += cost; b.used < perPeriod {
		return false
	}
	took, due := now.Sub(b.from), time.Duration(b.used)*period/perPeriod
	if took < due {
		time.Sleep(due - took)
		now = time.Now()
		b.score += now.Sub(b.from)
	} else {
		b.score = max(0, b.score-took)
	}
	b.used, b.from = 0, now
	return b.score >= b.limit
}

// refusals finds an adapter that sends nothing but refused states.
type refusals struct {
	since time.Time
	count int
	told  bool
}

// add is true once, when nothing else came for too long.
func (r *refusals) add(_ error, now time.Time, limit time.Duration) bool {
	if r.count == 0 {
		r.since = now
	}
	r.count++
	if r.told || r.count < 3 || now.Sub(r.since) < limit {
		return false
	}
	r.told = true
	return true
}

func (r *refusals) good() { r.count = 0 }
