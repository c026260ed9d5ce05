package conformance

import (
	"context"
	"fmt"
	"sync"
	"time"

	"perch/conformance/feed"
	"perch/conformance/report"
	"perch/host/plugin"
)

func spoiledChecks() []entry {
	out := []entry{}
	for _, v := range []struct {
		variant          feed.Variant
		id, title, usual string
	}{
		{feed.Truncated, "truncated", "Packets that are cut short do it no harm", "a packet is read past its end; the rest of the one before is taken for the missing part"},
		{feed.Flipped, "flipped", "Packets with flipped bits do it no harm", "a checksum that is not looked at; a length out of the packet that is believed; values that are not tested for being finite"},
		{feed.Random, "random", "Random bytes do it no harm", "an error of a library that is not caught; a search for the start of a packet that never ends"},
		{feed.Oversized, "oversized", "Packets that are too long do it no harm", "a buffer of a fixed size; a packet that is taken to be another kind by its length"},
	} {
		e := try(v.id, v.title, fmt.Sprintf(`While such packets come the process lives, the stream goes on, and no state is sent that a host must refuse: not finite, or
beyond what can be meant. Afterwards a second stream with good packets gives states.
Why it matters: radio links and networks do this, and anybody on the network may.
Usual mistakes: %s.`, v.usual), func(ctx context.Context, s *Subject) (report.Finding, error) { return s.trySpoiled(ctx, v.variant) })
		e.busy = true
		out = append(out, e)
	}
	flood := try("flood", "Ten times as many packets do it no harm", `While each packet comes ten times, as fast as it may, the process lives, the stream goes on, and no state is sent that a host must refuse. Afterwards a second
stream gives states.
Why it matters: a burst must not end the ride.
Usual mistakes: a queue without an end; a thread for each packet.`, func(_ context.Context, s *Subject) (report.Finding, error) {
		t, err := s.flooding()
		return t.finding, err
	})
	memory := try("memory", "Its memory stays flat", `While it is flooded the process does not grow by more than 16 MB and a quarter.
Why it matters: a ride of an hour must end by itself.
Usual mistakes: a list of all that ever came, kept for a log or a mean; a queue that is filled faster than it is emptied.`, func(_ context.Context, s *Subject) (report.Finding, error) {
		t, err := s.flooding()
		if err != nil {
			return report.Finding{}, err
		}
		const expected = "no more than 16 MB and a quarter of growth"
		switch {
		case t.finding.Unclaimed:
			return t.finding, nil
		case t.finding.Outcome != report.Pass:
			return report.Finding{}, report.Missing("an adapter that stands a flood")
		case t.before == 0 || t.after == 0:
			return outside("a system that tells how much memory a process takes: Linux"), nil
		}
		measured := fmt.Sprintf("from %d MB to %d MB within %.1f s and %d states", t.before>>20, t.after>>20, t.length.Seconds(), t.states)
		if t.after > t.before+t.before/4+16<<20 {
			return fail(measured, expected), nil
		}
		return pass("%s", measured), nil
	})
	flood.busy, memory.busy = true, true
	return append(out, flood, memory)
}

// floodTrial is what came of a flood.
type floodTrial struct {
	finding       report.Finding
	before, after int64 // memory, bytes; 0: not known
	length        time.Duration
	states        int
}

func (s *Subject) trySpoiled(ctx context.Context, v feed.Variant) (report.Finding, error) {
	f, _, err := s.spoil(ctx, v, s.settings.pace.spoiled, nil)
	return f, err
}

func (s *Subject) tryFlood(ctx context.Context) (t floodTrial, err error) {
	settled := s.settings.pace.flood / 3
	t.finding, t.states, err = s.spoil(ctx, feed.Flood, s.settings.pace.flood, func(session *plugin.Session, passed time.Duration) {
		if passed < settled {
			return
		}
		if t.after = memory(session.PID()); t.before == 0 {
			t.before = t.after
			t.length = -passed
		}
	})
	t.length += s.settings.pace.flood
	return t, err
}

// spoil delivers spoiled packets for a time, then good ones in a second stream. watch is told now and then how much of the
// time has passed.
func (s *Subject) spoil(ctx context.Context, v feed.Variant, length time.Duration, watch func(*plugin.Session, time.Duration)) (f report.Finding, given int, err error) {
	main := s.main()
	if !steered(main) {
		return outside("a feed that can be spoiled: one by udp, tcp, tcp_client, serial or file"), 0, nil
	}
	release, err := s.slot(ctx)
	if err != nil {
		return f, 0, err
	}
	release = sync.OnceFunc(release)
	defer release()
	bad, err := s.feed(ctx, main, func(d *feed.Delivery) { d.Loops, d.Variant, d.Seed = -1, v, 1 })
	if err != nil {
		return f, 0, err
	}
	session, err := s.open(ctx, nil)
	if err != nil {
		bad.Close()
		return f, 0, err
	}
	defer func() { _, _, _ = session.Close() }()
	first, cancel := context.WithCancel(ctx)
	defer cancel()
	t := stream(first, session, bad.settings, false)
	begun := time.Now()
	for next := time.Duration(0); time.Since(begun) < length && t.ended() == "" && ctx.Err() == nil; next += 100 * time.Millisecond {
		if watch != nil {
			watch(session, time.Since(begun))
		}
		t.until(ctx, next+100*time.Millisecond-time.Since(begun), func() bool { return false })
	}
	sent := bad.Counts().Packets
	why := t.ended()
	c := t.counts()
	cancel()
	bad.Close()
	const expected = "a stream that goes on without a state that a host must refuse, and states as before once the packets are good"
	switch {
	case ctx.Err() != nil:
		return f, 0, ctx.Err()
	case why != "":
		return fail("the stream ends: "+why, expected), 0, nil
	case c.refused > 0:
		return fail(fmt.Sprintf("%d states that a host must refuse, such as: %s", c.refused, c.why), expected), 0, nil
	case sent == 0:
		return f, 0, report.Missing("a feed that it takes: it did not take one packet of %q", main.Name)
	}
	good, err := s.feed(ctx, main, endless)
	if err != nil {
		return f, 0, err
	}
	defer good.Close()
	t = stream(ctx, session, good.settings, false)
	if !t.runs(ctx, s.settings.pace.first, enough) {
		if why = t.ended(); why != "" {
			return fail("afterwards a second stream ends: "+why, expected), 0, ctx.Err()
		}
		// Whether it is the spoiled packets' doing shows where there were none.
		release()
		if second, err := s.second(); err != nil || second.failed != "" {
			return f, 0, report.Missing("a second stream that gives states")
		}
		return fail("afterwards no state comes from good packets", expected), 0, ctx.Err()
	}
	return pass("%d packets, %d states of them; afterwards states as before", sent, c.running), c.running, nil
}
