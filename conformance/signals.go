package conformance

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"perch/conformance/feed"
	"perch/conformance/plan"
	"perch/conformance/report"
	"perch/conformance/states"
	"perch/sdk/vehicle"
)

// recording is what one feed gave.
type recording struct {
	feed   *plan.Feed
	states []vehicle.State // without ObservedAt where the capture was not delivered at its own speed
	err    string          // why the stream ended early, "" where it did not
	late   time.Duration   // in the source's time: for how long this machine held everything up, at worst
	cut    bool            // the capture is longer than what was delivered
}

func signalChecks() []entry {
	return []entry{
		try("declared", "It gives nothing that it did not declare", `Every signal that comes from any feed is listed in the description as given.
Why it matters: the host plans by the description what it must derive, and shows it.
Usual mistake: a field that was added to the code and not to the description.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			given, err := s.given(ctx)
			if err != nil {
				return report.Finding{}, err
			}
			if extra := given &^ vehicle.Set(0).With(s.description.Signals...); extra != 0 {
				return fail("it gives "+names(extra)+" and does not declare it", "what the description lists as given"), nil
			}
			return pass("what it gives is declared"), nil
		}),
		try("given", "It gives all that it promises", `Every signal that the plan promises - all that the description declares, where the plan says nothing - is given by at least one feed, and each feed gives what the plan
expects of it.
Why it matters: a promise that no capture shows has never been tried.
Usual mistakes: a signal that the source only has in another mode, with no capture of that; a list that was copied from another adapter.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			given, err := s.given(ctx)
			if err != nil {
				return report.Finding{}, err
			}
			recordings, err := s.recordings()
			if err != nil {
				return report.Finding{}, err
			}
			var missing []string
			for _, p := range s.promised() {
				if !p.Kept(given) {
					missing = append(missing, p.Name)
				}
			}
			for _, r := range recordings {
				for _, p := range r.feed.Expect.Signals {
					if !p.Kept(signals(r.states)) {
						missing = append(missing, fmt.Sprintf("%s from feed %q", p.Name, r.feed.Name))
					}
				}
			}
			for _, name := range s.settings.Require {
				if p, ok := plan.Signals(name); ok && !p.Kept(given) {
					missing = append(missing, name+", which is required")
				}
			}
			if len(missing) > 0 {
				return fail("no feed gives "+strings.Join(missing, ", "), "a capture that holds it; or do not declare it, or promise less in the plan"), nil
			}
			return pass("%s", names(given)), nil
		}),
		try("classes", "The vehicle's class is one that was promised", `Where the plan promises vehicle classes, each of them is named by some feed, and no other.
Why it matters: the profile of the ride is chosen by it.
Usual mistakes: the name of a vehicle in place of its class; capital letters.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			recordings, err := s.recordings()
			if err != nil {
				return report.Finding{}, err
			}
			promised := s.settings.Plan.Promises.Classes
			if len(promised) == 0 {
				return outside("classes that the plan promises"), nil
			}
			seen := map[string]bool{}
			for _, r := range recordings {
				for i := range r.states {
					if c := r.states[i].Class; c != "" {
						seen[c] = true
					}
				}
			}
			for c := range seen {
				if !slices.Contains(promised, c) {
					return fail(fmt.Sprintf("the class %q", c), "one of "+strings.Join(promised, ", ")), nil
				}
			}
			for _, c := range promised {
				if !seen[c] {
					return report.Finding{}, report.Missing("a feed of a vehicle of class %q", c)
				}
			}
			return pass("%s", strings.Join(promised, ", ")), nil
		}),
		try("whole_feed", "Every feed is taken to its end", `Each feed of the plan gives states, and the stream goes on until the host ends it.
Why it matters: it is what a ride is.
Usual mistakes: an error of one packet that ends the stream; a source that is taken to be another version's, and ignored.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			recordings, err := s.recordings()
			if err != nil {
				return report.Finding{}, err
			}
			const expected = "states from every feed, and a stream that goes on"
			n, cut := 0, ""
			for _, r := range recordings {
				if r.cut {
					cut = "; what is longer was delivered in part"
				}
				switch {
				case r.err != "":
					return fail(fmt.Sprintf("with feed %q the stream ends: %s", r.feed.Name, r.err), expected), nil
				case len(r.states) == 0:
					return fail(fmt.Sprintf("feed %q gives no state", r.feed.Name), expected), nil
				}
				n += len(r.states)
			}
			return pass("%d feeds, %d states%s", len(recordings), n, cut), nil
		}),
	}
}

// promised are the plan's promises, or the description's.
func (s *Subject) promised() []plan.Promised {
	if p := s.settings.Plan.Promises.Signals; p != nil {
		return p
	}
	var out []plan.Promised
	for _, x := range s.description.Signals {
		out = append(out, plan.Promised{Name: x.String(), Any: []vehicle.Set{vehicle.Set(0).With(x)}})
	}
	return out
}

// given are the signals of all feeds.
func (s *Subject) given(context.Context) (set vehicle.Set, err error) {
	recordings, err := s.recordings()
	for _, r := range recordings {
		set |= signals(r.states)
	}
	if err == nil && set == 0 {
		err = report.Missing("a feed of which it makes states")
	}
	return set, err
}

func signals(all []vehicle.State) (set vehicle.Set) {
	for i := range all {
		set |= all[i].Present
	}
	return set
}

// record takes every feed of the plan, beside each other.
func (s *Subject) record(ctx context.Context) ([]recording, error) {
	if err := s.started(); err != nil {
		return nil, err
	}
	feeds := s.settings.Plan.Feeds
	out := make([]recording, len(feeds))
	errs := make(chan error, len(feeds))
	for i := range feeds {
		go func() {
			release, err := s.slot(ctx)
			if err == nil {
				out[i], err = s.recordOne(ctx, &feeds[i])
				release()
			}
			errs <- err
		}()
	}
	var first error
	for range feeds {
		if err := <-errs; first == nil {
			first = err
		}
	}
	return out, first
}

// How much faster than at its own speed a capture is delivered, and how many packets a second that may be: an adapter's
// queue is short, and a machine that is busy for a moment must not overrun it.
const (
	most        = 10
	mostPackets = 400
)

func (s *Subject) recordOne(ctx context.Context, f *plan.Feed) (recording, error) {
	speed := 1.0
	if steered(f) {
		// Its length is known when it is open.
		src, err := s.feed(ctx, f, paused)
		if err != nil {
			return recording{}, err
		}
		sum := src.Summary()
		src.Close()
		length := time.Duration(sum.Last - sum.First).Seconds()
		speed = max(1, min(most, length/s.settings.pace.capture.Seconds(), length*mostPackets/float64(sum.Packets)))
	}
	r, arrives, err := s.deliver(ctx, f, speed)
	if err == nil && arrives && speed > 1 {
		// Its clock is that of the arrival, so it must come as it came.
		r, _, err = s.deliver(ctx, f, 1)
	}
	return r, err
}

// deliver takes a feed at a speed. arrives says that the source's time is that of the arrival, which is then known before all
// has been delivered.
func (s *Subject) deliver(ctx context.Context, f *plan.Feed, speed float64) (r recording, arrives bool, err error) {
	r.feed = f
	src, err := s.feed(ctx, f, func(d *feed.Delivery) { d.Speed = speed })
	if err != nil {
		return r, false, err
	}
	defer src.Close()
	session, err := s.open(ctx, nil)
	if err != nil {
		return r, false, err
	}
	t := stream(ctx, session, src.settings, true)
	length := s.settings.pace.longest
	begun := time.Now()
	watching, stop := context.WithCancel(ctx)
	defer stop()
	late := make(chan time.Duration, 1)
	go func() { late <- share(lateness(watching, time.Hour, &source{}), 1) }()
	looked := false
	quiet := 700 * time.Millisecond // after the end: an adapter may wait for what belongs together
	if f.Deliver == feed.Capture {
		quiet = 2 * time.Second
	}
	if t.runs(ctx, s.settings.pace.first, 1) {
		t.until(ctx, 2*length, func() bool {
			now := time.Now()
			if !looked && speed > 1.1 && now.Sub(begun) > 3*time.Second {
				looked = true
				if arrives = byArrival(t, speed); arrives {
					return true
				}
			}
			switch over := now.Sub(begun) > length; {
			case f.Deliver == feed.Capture:
				return over || now.Sub(t.counts().last) > quiet
			case src.Feed == nil || !done(src):
				r.cut = over && src.Feed != nil
				return over
			}
			return now.Sub(t.counts().last) > quiet
		})
	}
	if src.Feed == nil || !done(src) || f.Deliver == feed.Capture {
		r.err = t.ended() // what ends when its source has ended is told by the check of that
	}
	if r.err == "" && src.Feed != nil && src.Err() != nil {
		r.err = src.Err().Error()
	}
	stop()
	r.late = time.Duration(float64(<-late) * speed)
	_, _, _ = session.Close()
	<-t.done
	if ctx.Err() != nil {
		return r, false, ctx.Err()
	}
	for _, x := range t.states {
		if f.Deliver == feed.Capture || speed != 1 {
			x.state.ObservedAt = 0 // when it came says nothing of the source; that is judged at the source's own speed
		}
		r.states = append(r.states, x.state)
	}
	r.states = slices.DeleteFunc(r.states, func(x vehicle.State) bool { return x.Condition == vehicle.Absent })
	return r, arrives, nil
}

func done(s *source) bool {
	select {
	case <-s.Done():
		return true
	default:
		return false
	}
}

// byArrival says that the source's time went as the arrival did, and not as the capture.
func byArrival(t *taken, speed float64) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	var first, last *seen
	for i := range t.states {
		if x := &t.states[i]; x.state.Condition == vehicle.Running && x.state.Present != 0 {
			if first == nil {
				first = x
			}
			last = x
		}
	}
	if first == nil || last.at.Sub(first.at) < time.Second/2 {
		return false
	}
	ratio := float64(last.state.SourceTime-first.state.SourceTime) / float64(last.at.Sub(first.at))
	return math.Abs(ratio-1) < 0.1 && speed > 1.1
}

// judgeStates asks a check of recorded states about each feed. One that fails decides; one that passes is enough.
func (s *Subject) judgeStates(ctx context.Context, c states.Check) (report.Finding, error) {
	subjects, all, err := s.judged()
	if err != nil {
		return report.Finding{}, err
	}
	if c.ID == "observed_at" || c.ID == "clock" {
		if t, err := s.live(); err == nil && len(t.states) > 0 && (c.ID == "observed_at" || t.unevenness() < uneven) {
			states, err := states.New(plain(t.states), states.Options{})
			if err != nil {
				return report.Finding{}, err
			}
			subjects = append(slices.Clone(subjects), judgedFeed{s.main(), states, t.late})
		}
	}
	var best report.Finding
	rank := map[report.Outcome]int{report.Fail: 4, report.Warn: 3, report.Pass: 2, report.NotCheckable: 1}
	for i, x := range subjects {
		f, err := c.Run(ctx, x.subject)
		if err != nil {
			return f, err
		}
		if c.ID == "gaps" && f.Outcome == report.Fail && x.late > 300*time.Millisecond {
			f.Outcome = report.Warn
			f.Measured += fmt.Sprintf("; this machine itself was late, by %.1f s of the source's time", x.late.Seconds())
		}
		if len(subjects) > 1 && f.Measured != "" {
			f.Measured = fmt.Sprintf("feed %q: %s", x.feed.Name, f.Measured)
		}
		claimed := f.Outcome == report.NotCheckable && best.Outcome == report.NotCheckable && best.Unclaimed && !f.Unclaimed
		if i == 0 || rank[f.Outcome] > rank[best.Outcome] || claimed {
			best = f
		}
	}
	if best.Outcome == report.NotCheckable && all != nil {
		// What is required and shown by no feed fails.
		if f, err := c.Run(ctx, all); err != nil || f.Outcome == report.Fail {
			return f, err
		}
	}
	return best, nil
}

// plain leaves out when they came.
func plain(all []seen) (out []vehicle.State) {
	for i := range all {
		out = append(out, all[i].state)
	}
	return out
}

// judgedFeed is a feed whose states are ready to be judged.
type judgedFeed struct {
	feed    *plan.Feed
	subject *states.Subject
	late    time.Duration
}

// judged prepares the states of each feed, and those of all of them together for what is required.
func (s *Subject) judged() (each []judgedFeed, all *states.Subject, err error) {
	s.preparing.Do(func() { s.prepared.each, s.prepared.all, s.prepared.err = s.prepare() })
	return s.prepared.each, s.prepared.all, s.prepared.err
}

func (s *Subject) prepare() (each []judgedFeed, all *states.Subject, err error) {
	recordings, err := s.recordings()
	if err != nil {
		return nil, nil, err
	}
	given := vehicle.Set(0)
	var joined []vehicle.State
	for _, r := range recordings {
		given |= signals(r.states)
		joined = follow(joined, r.states)
	}
	if len(joined) == 0 {
		return nil, nil, report.Missing("a feed of which it makes states")
	}
	for _, r := range recordings {
		if len(r.states) == 0 {
			continue
		}
		rate := r.feed.Expect.Rate
		if rate == 0 {
			rate = s.settings.Plan.Promises.Rate
		}
		if rate == 0 {
			rate = s.description.NominalRate
		}
		x, err := states.New(r.states, states.Options{Rate: rate})
		if err != nil {
			return nil, nil, err
		}
		each = append(each, judgedFeed{r.feed, x, r.late})
	}
	if len(s.settings.Require) > 0 {
		all, err = states.New(joined, states.Options{Require: s.settings.Require})
	}
	return each, all, err
}

// follow appends states as if they came a second after the others, after a jump.
func follow(all, next []vehicle.State) []vehicle.State {
	if len(all) == 0 || len(next) == 0 {
		return append(all, next...)
	}
	end, first := &all[len(all)-1], next[0]
	for i, x := range next {
		x.SourceTime += end.SourceTime + 1e9 - first.SourceTime
		x.ObservedAt = 0
		x.Discontinuity = x.Discontinuity || i == 0
		all = append(all, x)
	}
	return all
}
