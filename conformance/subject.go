package conformance

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"perch/conformance/feed"
	"perch/conformance/plan"
	"perch/conformance/report"
	"perch/conformance/states"
	"perch/host/plugin"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// pace holds the lengths of the trials.
type pace struct {
	live    time.Duration // at real speed
	capture time.Duration // that a whole capture is delivered in, at best
	longest time.Duration // that is waited for a capture that sets its own pace
	absent  time.Duration // without a source
	first   time.Duration // until a source that is there gives states
	spoiled time.Duration // of spoiled packets
	flood   time.Duration
}

func usual() pace {
	return pace{
		live: 6 * time.Second, capture: 7 * time.Second, longest: 12 * time.Second, absent: 2600 * time.Millisecond,
		first: 6 * time.Second, spoiled: 2500 * time.Millisecond, flood: 6 * time.Second,
	}
}

// atOnce is how many runs of the adapter there are at one time.
const atOnce = 10

// Subject is an adapter under examination. What is tried once for several checks is kept in it.
type Subject struct {
	settings    Settings
	description sdk.Description
	slots       chan struct{}
	trials      sync.WaitGroup

	starting   func() startTrial
	two        func() (report.Finding, error)
	second     func() (secondTrial, error)
	live       func() (liveTrial, error)
	recordings func() ([]recording, error)
	flooding   func() (floodTrial, error)
	lines      *lineCount // of the live run
	everLogged *lineCount // of all
	alone      sync.Once

	preparing sync.Once
	prepared  struct {
		each []judgedFeed
		all  *states.Subject
		err  error
	}
}

// newSubject prepares the trials and begins none but the first: whether it starts at all.
func newSubject(ctx context.Context, s Settings) (*Subject, error) {
	x := &Subject{settings: s, slots: make(chan struct{}, atOnce), lines: &lineCount{}, everLogged: &lineCount{}}
	x.starting = sync.OnceValue(func() startTrial { return x.tryStart(ctx) })
	x.two = sync.OnceValues(func() (report.Finding, error) { return x.tryTwo(ctx) })
	x.second = sync.OnceValues(func() (secondTrial, error) { return x.trySecond(ctx) })
	x.live = sync.OnceValues(func() (liveTrial, error) { return x.tryLive(ctx) })
	x.recordings = sync.OnceValues(func() ([]recording, error) { return x.record(ctx) })
	x.flooding = sync.OnceValues(func() (floodTrial, error) { return x.tryFlood(ctx) })
	st := x.starting()
	x.description = st.description
	return x, ctx.Err()
}

// close waits for what is still being tried.
func (s *Subject) close() { s.trials.Wait() }

// started is an error where the adapter does not start: nothing else can be tried then.
func (s *Subject) started() error {
	if s.starting().err != nil {
		return report.Missing("an adapter that starts")
	}
	return nil
}

// slot waits for its turn. Where two runs at once disturb each other there is one at a time.
func (s *Subject) slot(ctx context.Context) (release func(), err error) {
	if err := s.started(); err != nil {
		return nil, err
	}
	if f, _ := s.two(); f.Outcome == report.Fail {
		s.alone.Do(func() {
			for range atOnce - 1 {
				s.slots <- struct{}{}
			}
		})
	}
	select {
	case s.slots <- struct{}{}:
		return func() { <-s.slots }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// open starts the adapter. Its lines are counted and handed on.
func (s *Subject) open(ctx context.Context, count *lineCount) (*plugin.Session, error) {
	var counts []*lineCount
	if count != nil {
		counts = append(counts, count)
	}
	log := slog.New(&counting{next: s.settings.Log.Handler(), counts: append(counts, s.everLogged)})
	for try := 1; ; try++ {
		session, err := plugin.Open(ctx, s.settings.Program, plugin.Options{Log: log})
		var failure *plugin.Failure
		if err == nil || try == tries || !errors.As(err, &failure) || ctx.Err() != nil {
			return session, err
		}
	}
}

// tries are made to start it: on a busy machine a good adapter may miss a deadline.
const tries = 3

// source is a feed that goes on, and the settings that lead the adapter to it.
type source struct {
	*feed.Feed // nil where the adapter needs none
	settings   map[string]string
}

// feed begins a feed.
func (s *Subject) feed(ctx context.Context, f *plan.Feed, change func(*feed.Delivery)) (*source, error) {
	if f.Deliver == plan.Alone {
		return &source{settings: f.Settings}, nil
	}
	d := f.Delivery()
	if change != nil {
		change(&d)
	}
	_, running, err := feed.Start(ctx, f.Capture, d)
	if err != nil {
		return nil, fmt.Errorf("%s: feed %q: %w", s.settings.Plan.Path, f.Name, err)
	}
	src := &source{running, map[string]string{}}
	for key, value := range f.Settings {
		if src.settings[key], err = running.Fill(value); err != nil {
			_ = running.Close()
			return nil, fmt.Errorf("%s: feed %q: setting %s: %w", s.settings.Plan.Path, f.Name, key, err)
		}
	}
	return src, nil
}

// Close ends the feed.
func (s *source) Close() {
	if s.Feed != nil {
		_ = s.Feed.Close()
	}
}

// endless plays the capture again and again, at real speed.
func endless(d *feed.Delivery) { d.Loops = -1 }

// steered says whether the suite itself can hold and spoil what a feed sends.
func steered(f *plan.Feed) bool {
	switch f.Deliver {
	case feed.UDP, feed.TCP, feed.TCPClient, feed.Serial, feed.File:
		return true
	}
	return false
}

// main is the feed for the trials of the adapter's life: the first one that the suite steers, or else the first.
func (s *Subject) main() *plan.Feed {
	feeds := s.settings.Plan.Feeds
	for i := range feeds {
		if steered(&feeds[i]) {
			return &feeds[i]
		}
	}
	return &feeds[0]
}

// taken is what one stream has given so far.
type taken struct {
	mu      sync.Mutex
	keep    bool
	states  []seen
	begun   time.Time
	first   time.Duration // until the first message
	running int           // states that run and hold something
	absent  int
	last    time.Time // of the last such
	signals vehicle.Set
	refused int
	why     []string // the first few refusals
	strange int      // absent states that hold signals
	done    chan struct{}
	err     error // how it ended, after done
}

// seen is a state and when it came.
type seen struct {
	state vehicle.State
	at    time.Time
}

// stream begins to take a stream. keep keeps the states.
func stream(ctx context.Context, session *plugin.Session, settings map[string]string, keep bool) *taken {
	t := &taken{keep: keep, begun: time.Now(), done: make(chan struct{})}
	go func() {
		defer close(t.done)
		t.err = session.Stream(ctx, settings, t.take)
		if ctx.Err() == nil && t.err == nil {
			t.err = errors.New("it ended by itself")
		}
	}()
	return t
}

const fewWords = 3

func (t *taken) take(s *vehicle.State, refused error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	if t.first == 0 {
		t.first = now.Sub(t.begun)
	}
	if refused != nil {
		if t.refused++; len(t.why) < fewWords {
			t.why = append(t.why, refused.Error())
		}
	}
	switch {
	case s.Condition == vehicle.Absent:
		t.absent++
		if s.Present != 0 {
			t.strange++
		}
	case s.Present != 0:
		t.running++
		t.last = now
		t.signals |= s.Present
	}
	if t.keep {
		t.states = append(t.states, seen{*s, now})
	}
}

// counts is a snapshot of the counters alone.
func (t *taken) counts() (c struct {
	running, absent, refused, strange int
	first                             time.Duration
	last                              time.Time
	signals                           vehicle.Set
	why                               string
}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	c.running, c.absent, c.refused, c.strange, c.first, c.last, c.signals = t.running, t.absent, t.refused, t.strange, t.first, t.last, t.signals
	c.why = strings.Join(t.why, "; ")
	return c
}

// ended says how a stream ended that should have gone on; "" while it goes on.
func (t *taken) ended() string {
	select {
	case <-t.done:
		if t.err == nil {
			return "" // its context ended
		}
		return strings.ReplaceAll(t.err.Error(), "\n", "; ")
	default:
		return ""
	}
}

// until waits until a condition holds, at most d; it gives up when the stream ends.
func (t *taken) until(ctx context.Context, d time.Duration, holds func() bool) bool {
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	limit := time.NewTimer(d)
	defer limit.Stop()
	for {
		if holds() {
			return true
		}
		select {
		case <-tick.C:
		case <-limit.C:
			return holds()
		case <-t.done:
			return holds()
		case <-ctx.Done():
			return false
		}
	}
}

// runs waits until n more states that run have come.
func (t *taken) runs(ctx context.Context, d time.Duration, n int) bool {
	before := t.counts().running
	return t.until(ctx, d, func() bool { return t.counts().running >= before+n })
}

// lineCount counts lines that an adapter printed.
type lineCount struct {
	mu             sync.Mutex
	stdout, stderr int
	example        string
}

// reset begins to count anew.
func (c *lineCount) reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stdout, c.stderr, c.example = 0, 0, ""
}

// counting counts what an adapter prints, and hands it on.
type counting struct {
	next   slog.Handler
	counts []*lineCount
}

// Enabled: all is counted.
func (h *counting) Enabled(context.Context, slog.Level) bool { return true }

// Handle counts a line that came from the adapter.
func (h *counting) Handle(ctx context.Context, r slog.Record) error {
	from := ""
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == "from" {
			from = a.Value.String()
		}
		return true
	})
	for _, c := range h.counts {
		c.mu.Lock()
		switch from {
		case "stdout":
			c.stdout++
		case "stderr":
			c.stderr++
			if c.example == "" {
				c.example = r.Message
			}
		}
		c.mu.Unlock()
	}
	if h.next.Enabled(ctx, r.Level) {
		return h.next.Handle(ctx, r)
	}
	return nil
}

// WithAttrs hands on.
func (h *counting) WithAttrs(a []slog.Attr) slog.Handler {
	return &counting{h.next.WithAttrs(a), h.counts}
}

// WithGroup hands on.
func (h *counting) WithGroup(name string) slog.Handler {
	return &counting{h.next.WithGroup(name), h.counts}
}

func pass(format string, a ...any) report.Finding {
	return report.Finding{Outcome: report.Pass, Measured: fmt.Sprintf(format, a...)}
}

func fail(measured, expected string) report.Finding {
	return report.Finding{Outcome: report.Fail, Measured: measured, Expected: expected}
}

func warn(measured, expected string) report.Finding {
	return report.Finding{Outcome: report.Warn, Measured: measured, Expected: expected}
}

// outside is the finding about what this adapter does not have and nobody promised.
func outside(needs string) report.Finding {
	return report.Finding{Outcome: report.NotCheckable, Needs: needs, Unclaimed: true}
}

// try makes an entry.
func try(id, title, doc string, run func(context.Context, *Subject) (report.Finding, error)) entry {
	return entry{Check: Check{ID: id, Title: title, Doc: doc, Run: func(ctx context.Context, s *Subject) (report.Finding, error) {
		f, err := run(ctx, s)
		var failure *plugin.Failure
		if errors.As(err, &failure) && ctx.Err() == nil {
			return fail(strings.ReplaceAll(err.Error(), "\n", "; "), "an adapter that answers and goes on"), nil
		}
		return f, err
	}}}
}
