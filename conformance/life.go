package conformance

import (
	"context"
	"fmt"
	"time"

	"perch/conformance/report"
	"perch/sdk/vehicle"
)

func lifeChecks() []entry {
	return []entry{
		try("two_at_once", "Two of them run beside each other", `Two instances, each with a source and settings of its own, both give states.
Why it matters: two vehicles on one bench, or a ride while somebody watches the same source with another program.
Usual mistakes: a port, a lock file or a name in shared memory that is fixed in the code.`, func(_ context.Context, s *Subject) (report.Finding, error) { return s.two() }),
		try("cancel", "A cancelled stream closes its source within 1 s", `When the host cancels the stream, the source is closed within 1 s, so that it can be opened again: a second stream of the same process gives its first
message within a second.
Why it matters: whoever changes a setting in a ride waits for just that.
Usual mistakes: a read without a deadline, which notices the end with the next packet; a thread that is waited for.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t, err := s.second()
			if err != nil {
				return report.Finding{}, err
			}
			const expected = "the source closed within 1 s of the end of its stream"
			switch {
			case t.failed != "":
				return report.Finding{}, report.Missing("a second stream that gives states")
			case t.again > 7*ending/4:
				return fail(fmt.Sprintf("the next stream had to wait for %.1f s", t.again.Seconds()), expected), nil
			case t.again > 5*ending/4:
				return warn(fmt.Sprintf("the next stream had to wait for %.1f s", t.again.Seconds()), expected), nil
			}
			return pass("the next stream began after %d ms", t.again.Milliseconds()), nil
		}),
		try("second_stream", "A second stream gives what the first gave", `After a stream was cancelled the host may begin another in the same process, and gets the same signals.
Why it matters: the host does so after the operator has changed something; an adapter that only works once looks dead.
Usual mistakes: a source that is opened when the program starts and closed with the first stream; state of the first stream that is kept.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t, err := s.second()
			if err != nil {
				return report.Finding{}, err
			}
			if t.failed != "" {
				return fail(t.failed, "states as from the first stream"), nil
			}
			return pass("it gives states again"), nil
		}),
		try("restart", "Killed and started again it gives states", `A host that has lost an adapter starts it again. What the first one left behind - a lock, a port, a file - does not stop the second.
Why it matters: after a crash the ride goes on, or it does not.
Usual mistakes: a lock file that outlives its process; a helper that was started and holds the port.`, func(ctx context.Context, s *Subject) (report.Finding, error) { return s.tryRestart(ctx) }),
		try("absent", "While there is no source it says so, twice a second", `Before the source is there the stream gives states with the condition absent, without signals, about twice a second, and does not end.
Why it matters: by it the host tells a source that is switched off from an adapter that hangs, which it ends after 3 s.
Usual mistakes: an error in place of patience; silence until the first packet; zeros.`, func(ctx context.Context, s *Subject) (report.Finding, error) { return s.tryAbsent(ctx) }),
		try("lost", "A source that is lost and comes back is said to be absent, then runs", `When the source stops, states with the condition absent come within 3 s; when it is back, states that run come within 6 s. The stream goes on all the while.
Why it matters: a radio link drops out in every flight.
Usual mistakes: the stream ends with the first error of the connection; a serial port that is not opened again; the last state sent again and again.`,
			func(ctx context.Context, s *Subject) (report.Finding, error) { return s.tryLost(ctx) }),
	}
}

// enough states that run show that a source gives states.
const enough = 3

// silent is the finding of a trial that needs states, where none come.
func (s *Subject) silent(t *taken) error {
	if why := t.ended(); why != "" {
		return report.Missing("a feed that it takes; its stream ended: %s", why)
	}
	return report.Missing("a feed of which it makes states: with feed %q none came within %v", s.main().Name, s.settings.pace.first)
}

func (s *Subject) tryTwo(ctx context.Context) (report.Finding, error) {
	if err := s.started(); err != nil {
		return report.Finding{}, err
	}
	var streams [2]*taken
	const expected = "two instances that give states at the same time"
	for i := range streams {
		src, err := s.feed(ctx, s.main(), endless)
		if err != nil {
			return report.Finding{}, err
		}
		defer src.Close()
		session, err := s.open(ctx, nil)
		if err != nil {
			if i == 1 {
				return fail("the second one does not start: "+err.Error(), expected), nil
			}
			return report.Finding{}, err
		}
		defer func() { _, _, _ = session.Close() }()
		streams[i] = stream(ctx, session, src.settings, false)
		if streams[i].runs(ctx, s.settings.pace.first, enough) {
			continue
		}
		if ctx.Err() != nil {
			return report.Finding{}, ctx.Err()
		}
		if i == 0 {
			return report.Finding{}, s.silent(streams[i])
		}
		if why := streams[i].ended(); why != "" {
			return fail("the second one ends: "+why, expected), nil
		}
		return fail("the second one gives no state", expected), nil
	}
	// The first one must still be there, unless its capture is at its end.
	if steered(s.main()) && !streams[0].runs(ctx, s.settings.pace.first/2, enough) {
		return fail("the first one falls silent when the second begins", expected), ctx.Err()
	}
	return pass("both give states"), nil
}

// secondTrial is what came of two streams, one after the other.
type secondTrial struct {
	again  time.Duration // from the end of the first until the second says something
	failed string        // "": it gives states as the first did
}

func (s *Subject) trySecond(ctx context.Context) (t secondTrial, err error) {
	release, err := s.slot(ctx)
	if err != nil {
		return t, err
	}
	defer release()
	for range 2 { // once may be the machine's fault
		if t, err = s.twoStreams(ctx); err != nil || t.failed == "" && t.again < ending {
			break
		}
	}
	return t, err
}

func (s *Subject) twoStreams(ctx context.Context) (t secondTrial, err error) {
	src, err := s.feed(ctx, s.main(), endless)
	if err != nil {
		return t, err
	}
	defer src.Close()
	session, err := s.open(ctx, nil)
	if err != nil {
		return t, err
	}
	defer func() { _, _, _ = session.Close() }()
	first, cancel := context.WithCancel(ctx)
	one := stream(first, session, src.settings, false)
	given := one.runs(ctx, s.settings.pace.first, enough)
	one.runs(ctx, 500*time.Millisecond, 1000)
	cancel()
	if !given {
		return t, s.silent(one)
	}
	begun := time.Now()
	two := stream(ctx, session, src.settings, false)
	said := two.until(ctx, s.settings.pace.first, func() bool { return two.counts().first > 0 })
	t.again = time.Since(begun)
	switch why := two.ended(); {
	case why != "":
		t.failed = "the second stream ends: " + why
	case !said:
		t.failed = fmt.Sprintf("the second stream says nothing for %v", s.settings.pace.first)
	case !two.until(ctx, s.settings.pace.first, func() bool { return two.counts().running >= enough }):
		t.failed = fmt.Sprintf("the second stream gives no state that runs within %v; the first one did", s.settings.pace.first)
	default:
		want := one.counts().signals
		if !two.until(ctx, s.settings.pace.first/2, func() bool { return two.counts().signals&want == want }) && steered(s.main()) {
			t.failed = "the second stream does not give " + names(want&^two.counts().signals) + ", which the first one gave"
		}
	}
	return t, ctx.Err()
}

func (s *Subject) tryRestart(ctx context.Context) (report.Finding, error) {
	release, err := s.slot(ctx)
	if err != nil {
		return report.Finding{}, err
	}
	defer release()
	src, err := s.feed(ctx, s.main(), endless)
	if err != nil {
		return report.Finding{}, err
	}
	defer src.Close()
	session, err := s.open(ctx, nil)
	if err != nil {
		return report.Finding{}, err
	}
	one := stream(ctx, session, src.settings, false)
	given := one.runs(ctx, s.settings.pace.first, enough)
	if given {
		session.Kill()
	}
	_, _, _ = session.Close()
	<-one.done
	if !given {
		return report.Finding{}, s.silent(one)
	}
	const expected = "states again, as after the first start"
	if session, err = s.open(ctx, nil); err != nil {
		return fail("it does not start again: "+err.Error(), expected), ctx.Err()
	}
	defer func() { _, _, _ = session.Close() }()
	two := stream(ctx, session, src.settings, false)
	begun := time.Now()
	if !two.runs(ctx, s.settings.pace.first, enough) {
		if why := two.ended(); why != "" {
			return fail("its stream ends: "+why, expected), ctx.Err()
		}
		return fail(fmt.Sprintf("no state for %v", s.settings.pace.first), expected), ctx.Err()
	}
	return pass("states came %d ms after the next start", time.Since(begun).Milliseconds()), nil
}

func (s *Subject) tryAbsent(ctx context.Context) (report.Finding, error) {
	if !steered(s.main()) {
		return outside("a feed that can be held back: one by udp, tcp, tcp_client, serial or file"), nil
	}
	release, err := s.slot(ctx)
	if err != nil {
		return report.Finding{}, err
	}
	defer release()
	src, err := s.feed(ctx, s.main(), paused)
	if err != nil {
		return report.Finding{}, err
	}
	defer src.Close()
	if err := src.Lose(); err != nil {
		return report.Finding{}, err
	}
	session, err := s.open(ctx, nil)
	if err != nil {
		return report.Finding{}, err
	}
	defer func() { _, _, _ = session.Close() }()
	t := stream(ctx, session, src.settings, false)
	length := s.settings.pace.absent
	t.until(ctx, length, func() bool { return false })
	const expected = "states with the condition absent and without signals, twice a second, and a stream that goes on"
	c := t.counts()
	rate := float64(c.absent) / length.Seconds()
	switch {
	case ctx.Err() != nil:
		return report.Finding{}, ctx.Err()
	case t.ended() != "":
		return fail("the stream ends: "+t.ended(), expected), nil
	case c.running > 0:
		return fail(fmt.Sprintf("%d states that say that the source runs", c.running), expected), nil
	case c.strange > 0:
		return fail(fmt.Sprintf("%d absent states hold signals", c.strange), expected), nil
	case rate < 0.7:
		return fail(fmt.Sprintf("%d absent states in %v", c.absent, length), expected), nil
	case rate < 1.4 || rate > 10:
		return warn(fmt.Sprintf("%d absent states in %v", c.absent, length), expected), nil
	}
	return pass("%d absent states in %v", c.absent, length), nil
}

func (s *Subject) tryLost(ctx context.Context) (report.Finding, error) {
	if !steered(s.main()) {
		return outside("a feed that can be taken away: one by udp, tcp, tcp_client, serial or file"), nil
	}
	release, err := s.slot(ctx)
	if err != nil {
		return report.Finding{}, err
	}
	defer release()
	src, err := s.feed(ctx, s.main(), endless)
	if err != nil {
		return report.Finding{}, err
	}
	defer src.Close()
	session, err := s.open(ctx, nil)
	if err != nil {
		return report.Finding{}, err
	}
	defer func() { _, _, _ = session.Close() }()
	t := stream(ctx, session, src.settings, false)
	if !t.runs(ctx, s.settings.pace.first, enough) {
		return report.Finding{}, s.silent(t)
	}
	if err := src.Lose(); err != nil {
		return report.Finding{}, err
	}
	lost := time.Now()
	before := t.counts().absent
	const expected = "absent within 3 s of the loss, states that run within 6 s of the return, in one stream"
	noticed := t.until(ctx, 4*time.Second, func() bool { return t.counts().absent > before })
	took := time.Since(lost)
	switch c := t.counts(); {
	case ctx.Err() != nil:
		return report.Finding{}, ctx.Err()
	case t.ended() != "":
		return fail("the stream ends when the source is lost: "+t.ended(), expected), nil
	case !noticed && c.last.After(lost.Add(time.Second)):
		return fail(fmt.Sprintf("it still gives states that run %.1f s after the source was lost", c.last.Sub(lost).Seconds()), expected), nil
	case !noticed:
		return fail("it says nothing for 4 s after the source was lost", expected), nil
	}
	if err := src.Restore(); err != nil {
		return report.Finding{}, err
	}
	back := time.Now()
	if !t.runs(ctx, s.settings.pace.first, enough) {
		if why := t.ended(); why != "" {
			return fail("the stream ends when the source is back: "+why, expected), nil
		}
		return fail(fmt.Sprintf("no state that runs for %v after the source was back", s.settings.pace.first), expected), ctx.Err()
	}
	return pass("absent after %.1f s, states again %.1f s after it was back", took.Seconds(), time.Since(back).Seconds()), nil
}

// names lists signals.
func names(set vehicle.Set) string {
	out := ""
	n := 0
	for x := range vehicle.SignalCount {
		if !set.Has(x) {
			continue
		}
		if n++; n > 6 {
			return out + " and more"
		}
		if out != "" {
			out += ", "
		}
		out += x.String()
	}
	return out
}
