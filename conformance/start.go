package conformance

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"perch/conformance/report"
	"perch/host/plugin"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// startTrial is what came of starting the adapter and ending it.
type startTrial struct {
	description sdk.Description
	took, end   time.Duration
	killed      bool
	err         error // it did not start, or could not be ended
}

// How long an adapter gets to end after it was asked to, and to end a stream.
const ending = time.Second

func (s *Subject) tryStart(ctx context.Context) (t startTrial) {
	begun := time.Now()
	session, err := s.open(ctx, nil)
	t.took = time.Since(begun)
	if err != nil {
		t.err = err
		return t
	}
	t.description = session.Description()
	t.end, t.killed, t.err = session.Close()
	return t
}

func startChecks() []entry {
	return []entry{
		try("starts", "It starts and says what it is", `The adapter is started as a host starts it: its handshake is the first line that it prints, within 5 s; it serves gRPC with TLS and answers
Describe within 2 s, before anything is opened.
Why it matters: without it there is no source.
Usual mistakes: something printed before the handshake; a handshake that is not flushed; Describe that waits for the source; a library that is missing on
another machine.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			t := s.starting()
			if t.err != nil {
				return fail(strings.ReplaceAll(t.err.Error(), "\n", "; "), "a handshake as the first line within 5 s, a description within 2 s"), nil
			}
			return pass("it described itself %d ms after it was started", t.took.Milliseconds()), nil
		}),
		try("ends", "It ends when its host asks it to", `A host ends an adapter by the Shutdown call, then by closing its stdin. It is gone within 1 s, without being killed.
Why it matters: an adapter that lingers keeps the port or the serial line, and the next start fails.
Usual mistakes: a thread that is waited for and never ends; a signal handler that swallows the end; no Shutdown service in an adapter that uses no SDK.`,
			func(ctx context.Context, s *Subject) (report.Finding, error) {
				t, err := s.endings(ctx)
				if err != nil {
					return report.Finding{}, err
				}
				const expected = "the process is gone within 1 s of Shutdown"
				switch {
				case t.killed:
					return fail(fmt.Sprintf("it had to be killed after %.1f s", t.end.Seconds()), expected), nil
				case t.end > 2*ending:
					return fail(fmt.Sprintf("it took %.1f s", t.end.Seconds()), expected), nil
				case t.end > ending:
					return warn(fmt.Sprintf("it took %.1f s", t.end.Seconds()), expected), nil
				}
				return pass("it ended in %d ms", t.end.Milliseconds()), nil
			}),
		try("by_hand", "Started by hand it says what it is, and ends", `Whoever starts the program without a host sees a line that says what it is and how it is used, and it ends with a status that is not 0.
Why it matters: it is the first thing that a user tries who has downloaded it.
Usual mistake: it waits for a host that never comes.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			if err := s.started(); err != nil {
				return report.Finding{}, err
			}
			printed, done, err := plugin.ByHand(ctx, s.settings.Program, 5*time.Second)
			const expected = "a line that says what it is; then it ends"
			switch {
			case ctx.Err() != nil:
				return report.Finding{}, ctx.Err()
			case err != nil:
				return report.Finding{}, err
			case !done:
				return fail("it goes on for 5 s", expected), nil
			case printed == "":
				return warn("it ends and prints nothing", expected), nil
			}
			return pass("it prints %q", printed), nil
		}),
		try("versions", "It agrees on a version of the protocol", `A host offers the versions that it speaks; the adapter takes the highest that both know, and a host that knows none of them is refused.
Why it matters: a host or an adapter that is newer than the other still works, or says that it does not.
Usual mistakes: the highest version that the host offers is taken, known or not; the version is not looked at.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			if err := s.started(); err != nil {
				return report.Finding{}, err
			}
			const unknown = 1000
			expected := fmt.Sprintf("version %d of %d and %d; none of %d alone", sdk.ProtocolVersion, sdk.ProtocolVersion, unknown, unknown)
			begin := func(versions ...int) (int, error) {
				session, err := plugin.Open(ctx, s.settings.Program, plugin.Options{Log: s.settings.Log}, versions...)
				if err != nil {
					return 0, err
				}
				v := session.Version()
				_, _, err = session.Close()
				return v, err
			}
			v, err := begin(sdk.ProtocolVersion, unknown)
			if ctx.Err() != nil {
				return report.Finding{}, ctx.Err()
			}
			if err != nil {
				return fail(fmt.Sprintf("offered versions %d and %d it does not start: %s", sdk.ProtocolVersion, unknown, strings.ReplaceAll(err.Error(), "\n", "; ")), expected), nil
			}
			if v != sdk.ProtocolVersion {
				return fail(fmt.Sprintf("offered versions %d and %d it takes %d", sdk.ProtocolVersion, unknown, v), expected), nil
			}
			if v, err = begin(unknown); err == nil {
				return fail(fmt.Sprintf("offered version %d alone it takes %d", unknown, v), expected), nil
			}
			return pass("it takes version %d, and refuses a host that only knows others", sdk.ProtocolVersion), ctx.Err()
		}),
		try("description", "Its description is complete", `The description has a name, a semantic version, a sentence of summary; each signal of the states table is either given or never given; a vector and an
attitude are declared whole; each setting has a type, a sentence of help and a default that is right.
Why it matters: it is all that an operator sees before the source is there, and the host plans by it.
Usual mistakes: signals that are neither declared nor ruled out; a setting without help; a default that is out of its own bounds.`, func(_ context.Context, s *Subject) (report.Finding, error) {
			if err := s.started(); err != nil {
				return report.Finding{}, err
			}
			return described(s.description), nil
		}),
	}
}

// endings ends an adapter in the middle of a stream.
func (s *Subject) endings(ctx context.Context) (t startTrial, err error) {
	t = s.starting()
	if t.err != nil {
		return t, report.Missing("an adapter that starts")
	}
	release, err := s.slot(ctx)
	if err != nil {
		return t, err
	}
	defer release()
	src, err := s.feed(ctx, s.main(), endless)
	if err != nil {
		return t, err
	}
	defer src.Close()
	for try := 0; ; try++ {
		session, err := s.open(ctx, nil)
		if err != nil {
			return t, err
		}
		running := stream(ctx, session, src.settings, false)
		running.until(ctx, time.Second, func() bool { return running.counts().first > 0 })
		t.end, t.killed, err = session.Close()
		<-running.done
		if err != nil {
			return t, err
		}
		// Once may be the machine's fault.
		if try == 1 || !t.killed && t.end < ending {
			return t, nil
		}
	}
}

var semantic = regexp.MustCompile(`^\d+\.\d+\.\d+([-+][0-9A-Za-z.+-]+)?$`)

// described judges a description.
func described(d sdk.Description) report.Finding {
	var wrong, doubtful []error
	for _, f := range d.Faults() {
		wrong = append(wrong, f)
	}
	add := func(list *[]error, format string, a ...any) { *list = append(*list, fmt.Errorf(format, a...)) }
	if d.Version != "" && !semantic.MatchString(d.Version) {
		add(&wrong, "version %q is no semantic version such as 1.0.0", d.Version)
	}
	if strings.TrimSpace(d.Summary) == "" {
		add(&wrong, "there is no summary")
	}
	if len(d.Signals) == 0 {
		add(&wrong, "it declares no signal")
	}
	given, never := vehicle.Set(0).With(d.Signals...), vehicle.Set(0).With(d.Never...)
	for _, first := range []vehicle.Signal{vehicle.PositionN, vehicle.VelocityX, vehicle.VelocityN, vehicle.AngularVelocityP, vehicle.SpecificForceX} {
		whole(given, first, 3, &wrong)
	}
	whole(given, vehicle.AttitudeW, 4, &wrong)
	open := 0
	example := vehicle.SignalCount
	for x := range vehicle.SignalCount {
		if !given.Has(x) && !never.Has(x) {
			if open++; example == vehicle.SignalCount {
				example = x
			}
		}
	}
	if open > 0 {
		add(&doubtful, "%d signals are neither given nor never given, such as %v", open, example)
	}
	for _, x := range d.Settings {
		if strings.TrimSpace(x.Help) == "" {
			add(&wrong, "setting %s has no help", x.Key)
		}
	}
	const expected = "a description that says all that an operator needs"
	switch {
	case len(wrong) > 0:
		return fail(strings.ReplaceAll(errors.Join(wrong...).Error(), "\n", "; "), expected)
	case len(doubtful) > 0:
		return warn(strings.ReplaceAll(errors.Join(doubtful...).Error(), "\n", "; "), expected)
	}
	return pass("%s %s: %d signals given, %d never, %d settings", d.Name, d.Version, len(d.Signals), len(d.Never), len(d.Settings))
}

// whole wants a vector declared whole or not at all.
func whole(given vehicle.Set, first vehicle.Signal, n int, wrong *[]error) {
	have := 0
	for i := range n {
		if given.Has(first + vehicle.Signal(i)) {
			have++
		}
	}
	if have > 0 && have < n {
		*wrong = append(*wrong, fmt.Errorf("%v and what belongs to it are declared in part", first))
	}
}
