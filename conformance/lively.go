package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"perch/conformance/feed"
	"perch/conformance/plan"
	"perch/conformance/report"
	"perch/sdk/capture"
	"perch/sdk/vehicle"
)

// liveTrial is what came of a source at its own speed.
type liveTrial struct {
	states  []seen
	length  time.Duration
	muted   uint64
	packets []time.Duration // times between packets of the capture
	late    time.Duration   // by how much this machine was late itself, at worst
}

func livelyChecks() []entry {
	return []entry{
		try("latency", "States reach the host as soon as they are measured", `At the source's own speed, states arrive evenly: how far their arrival is behind the source's time varies by less than a quarter of a second, and they
come within 0.1 s of being received, as a rule.
Why it matters: what is felt later than it is seen makes sick; above some 0.1 s it is noticed.
Usual mistakes: states that are gathered and sent together; a buffer that fills until it is full; a read that waits for a full block.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t, err := s.live()
			if err != nil {
				return report.Finding{}, err
			}
			return t.latency(), nil
		}),
		try("arrival", "observed_at is when the bytes came", `observed_at_ns is unix time, taken when the bytes reached the adapter: a little before the host has the state, and never after.
Why it matters: by it the host knows the age of what it shows, however long it was on its way within the machine.
Usual mistakes: the source's time copied into it; a time that was taken once; seconds or milliseconds for nanoseconds; a clock that is not unix time.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t, err := s.live()
			if err != nil {
				return report.Finding{}, err
			}
			return t.arrival(), nil
		}),
		try("log", "What it logs arrives, and is not too much", `What an adapter logs, or writes to stderr, is what its operator reads when something is wrong. Over a run without trouble it writes less than 5 lines a second;
more than 50 are dropped by the host.
Why it matters: the line that says what is wrong is lost among thousands that say that all is well.
Usual mistakes: a line for each packet; a debug level that was left on.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t, err := s.live()
			if err != nil {
				return report.Finding{}, err
			}
			const expected = "less than 5 lines a second while all is well"
			s.lines.mu.Lock()
			n, example := s.lines.stderr, s.lines.example
			s.lines.mu.Unlock()
			if n > 50 && float64(n) > 5*t.length.Seconds() {
				f := fail(fmt.Sprintf("%d lines in %.1f s, such as %q", n, t.length.Seconds(), example), expected)
				if t.muted > 0 {
					f.Measured += fmt.Sprintf("; %d more were dropped", t.muted)
				}
				return f, nil
			}
			s.everLogged.mu.Lock()
			defer s.everLogged.mu.Unlock()
			if s.everLogged.stderr == 0 {
				return outside("an adapter that logs: it never did, not even when its source was lost"), nil
			}
			return pass("%d lines in %.1f s; such as %q", n, t.length.Seconds(), s.everLogged.example), nil
		}),
		try("stdout", "It does not print to stdout", `The first line on stdout is the handshake. What follows is taken for text and goes to the log; it breaks nothing, and costs both sides time.
Why it matters: whoever prints before the handshake does not start at all, and a library that prints does so when it likes.
Usual mistakes: print statements left from a first try; states printed for checking.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t, err := s.live()
			if err != nil {
				return report.Finding{}, err
			}
			const expected = "nothing but the handshake; logs go to stderr"
			s.lines.mu.Lock()
			n := s.lines.stdout
			s.lines.mu.Unlock()
			switch {
			case n > 10 && float64(n) > t.length.Seconds():
				return fail(fmt.Sprintf("%d lines on stdout in %.1f s", n, t.length.Seconds()), expected), nil
			case n > 0:
				return warn(fmt.Sprintf("%d lines on stdout in %.1f s", n, t.length.Seconds()), expected), nil
			}
			return pass("nothing"), nil
		}),
	}
}

// tryLive takes a source at its own speed, once more where that was slow: once may be the machine's fault.
func (s *Subject) tryLive(ctx context.Context) (t liveTrial, err error) {
	release, err := s.slot(ctx)
	if err != nil {
		return t, err
	}
	defer release()
	for range 3 {
		s.lines.reset()
		if t, err = s.liveOnce(ctx); err != nil || len(t.states) < few || !t.slow() {
			break
		}
	}
	return t, err
}

func (s *Subject) liveOnce(ctx context.Context) (t liveTrial, err error) {
	main := s.main()
	if main.Deliver == feed.Capture {
		return t, report.Missing("a feed at its source's own speed: one by udp, tcp, tcp_client, serial, file or program")
	}
	src, err := s.feed(ctx, main, nil)
	if err != nil {
		return t, err
	}
	defer src.Close()
	session, err := s.open(ctx, s.lines)
	if err != nil {
		return t, err
	}
	running := stream(ctx, session, src.settings, true)
	given := running.runs(ctx, s.settings.pace.first, enough)
	begun := time.Now()
	if given {
		t.late = share(lateness(ctx, s.settings.pace.live, src), 1)
	}
	t.length = time.Since(begun)
	t.muted = session.Muted()
	if t.packets, err = packets(main, s.settings.pace.live); err != nil {
		return t, err
	}
	_, _, _ = session.Close()
	<-running.done
	if !given {
		return t, s.silent(running)
	}
	for _, x := range running.states {
		if x.state.Condition == vehicle.Running && x.state.Present != 0 {
			t.states = append(t.states, x)
		}
	}
	return t, ctx.Err()
}

// lateness lets a time pass, less where the source ends, and measures how late this machine wakes up.
func lateness(ctx context.Context, d time.Duration, src *source) (late []time.Duration) {
	var done <-chan struct{}
	if src.Feed != nil {
		done = src.Done()
	}
	const step = 5 * time.Millisecond
	tick := time.NewTicker(step)
	defer tick.Stop()
	end := time.Now().Add(d)
	last := time.Now()
	for {
		select {
		case <-ctx.Done():
			return late
		case <-done:
			return late
		case <-tick.C:
		}
		now := time.Now()
		late = append(late, max(0, now.Sub(last)-step))
		if last = now; now.After(end) {
			return late
		}
	}
}

// share is the value that a share of all lies below.
func share(all []time.Duration, q float64) time.Duration {
	if len(all) == 0 {
		return 0
	}
	all = slices.Sorted(slices.Values(all))
	return all[min(len(all)-1, int(q*float64(len(all))))]
}

// few states are too few to judge times by.
const few = 8

// unevenness is by how much the time varies that states of one kind take from their source's time to their arrival: within a
// second and a half, as a rule, so that a moment in which the machine stood still counts for little.
func (t *liveTrial) unevenness() (spread time.Duration) {
	const window = 1500 * time.Millisecond
	type delay struct{ at, behind time.Duration }
	// Signals of one kind share a delay: a position may be older than an attitude when it comes.
	kinds := map[vehicle.Set][]delay{}
	for i := range t.states {
		x, first := &t.states[i], &t.states[0]
		at := x.at.Sub(first.at)
		kinds[x.state.Present] = append(kinds[x.state.Present], delay{at, at - time.Duration(x.state.SourceTime-first.state.SourceTime)})
	}
	for _, all := range kinds {
		if len(all) < few {
			continue
		}
		behind := make([]time.Duration, len(all))
		for i, d := range all {
			behind[i] = d.behind
		}
		level(behind)
		windows := map[time.Duration][]time.Duration{}
		for i, d := range all {
			windows[d.at/window] = append(windows[d.at/window], behind[i])
		}
		var spreads []time.Duration
		for _, b := range windows {
			if len(b) >= few {
				spreads = append(spreads, share(b, 0.95)-share(b, 0.05))
			}
		}
		if len(spreads) == 0 {
			spreads = []time.Duration{share(behind, 0.95) - share(behind, 0.05)}
		}
		spread = max(spread, share(spreads, 0.5))
	}
	return spread
}

// slow says that the adapter holds states back.
func (t *liveTrial) slow() bool {
	usual := share(t.carried(), 0.5)
	return t.unevenness() > uneven && share(t.packets, 1) < uneven || usual > 100*time.Millisecond && usual < time.Hour
}

// carried are the times from the bytes to the host, as far as observed_at is a time at all.
func (t *liveTrial) carried() (out []time.Duration) {
	for i := range t.states {
		if x := &t.states[i]; x.state.ObservedAt > 1e17 {
			out = append(out, time.Duration(x.at.UnixNano()-x.state.ObservedAt))
		}
	}
	return out
}

// uneven states do not come at the rhythm of their source.
const uneven = 250 * time.Millisecond

func (t *liveTrial) latency() report.Finding {
	if len(t.states) < few {
		return report.Finding{Outcome: report.NotCheckable, Needs: fmt.Sprintf("%d states at the source's own speed", few)}
	}
	spread, usual := t.unevenness(), share(t.carried(), 0.5)
	measured := fmt.Sprintf("arrival against source time varies by %d ms; %d ms from the bytes to the host", spread.Milliseconds(), usual.Milliseconds())
	// Packets that come rarely or in clumps, as over a radio, are not the adapter's doing.
	if share(t.packets, 1) >= uneven && spread > uneven {
		measured += ", but so do the packets of the capture"
	}
	const expected = "less than 250 ms of variation beside the source's own, less than 100 ms from the bytes to the host"
	switch slow := t.slow(); {
	case slow && t.late > 200*time.Millisecond:
		return report.Finding{Outcome: report.NotCheckable, Measured: measured, Needs: fmt.Sprintf("a machine that is less busy: it was late itself, by %d ms", t.late.Milliseconds())}
	case slow:
		return fail(measured, expected)
	}
	return pass("%s", measured)
}

// packets are the times between the packets of a capture's beginning.
func packets(f *plan.Feed, length time.Duration) (gaps []time.Duration, err error) {
	if !steered(f) {
		return nil, nil
	}
	file, err := capture.Open(f.Capture)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }()
	first, last := int64(0), int64(0)
	for {
		p, err := file.Read()
		if errors.Is(err, io.EOF) || err == nil && last != 0 && p.Time-first > int64(length) {
			return gaps, nil
		}
		if err != nil {
			return nil, err
		}
		if !f.Select.Holds(p) {
			continue
		}
		if last != 0 {
			gaps = append(gaps, time.Duration(p.Time-last))
		} else {
			first = p.Time
		}
		last = p.Time
	}
}

// level takes out of delays what grows evenly: a clock of another speed is told by the check of the clock.
func level(b []time.Duration) {
	quarter := len(b) / 4
	slope := float64(share(b[len(b)-quarter:], 0.5)-share(b[:quarter], 0.5)) / float64(len(b)-quarter)
	for i := range b {
		b[i] -= time.Duration(slope * float64(i))
	}
}

func (t *liveTrial) arrival() report.Finding {
	if len(t.states) < few {
		return report.Finding{Outcome: report.NotCheckable, Needs: fmt.Sprintf("%d states at the source's own speed", few)}
	}
	const expected = "unix time in ns, at most a second before the host has the state and never after"
	wrong, worst := 0, time.Duration(0)
	for i := range t.states {
		x := &t.states[i]
		if x.state.ObservedAt == 0 {
			return fail("it is 0", expected)
		}
		d := time.Duration(x.at.UnixNano() - x.state.ObservedAt)
		if d >= -20*time.Millisecond && d <= time.Second+t.late {
			continue
		}
		if wrong++; d.Abs() > worst.Abs() {
			worst = d
		}
	}
	if 20*wrong > len(t.states) {
		return fail(fmt.Sprintf("in %d of %d states it is wrong: %d s off at worst", wrong, len(t.states), int64(-worst.Seconds())), expected)
	}
	return pass("right in %d of %d states", len(t.states)-wrong, len(t.states))
}
