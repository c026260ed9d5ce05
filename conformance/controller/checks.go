// Package controller proves a seat controller against proto/seatlink/README.md, over the line alone: what it is told,
// what it says, and when.
//
// Connect gets a Subject, Checks is the plain list, and Run joins them in a report. The suite makes the motors move:
// nobody on the seat, and the cranks off or the links disconnected.
//
// A host's time is uncertain: bytes lie in drivers and USB bridges for up to 16 ms, and the program may be kept
// waiting. So a check judges by what is certain whatever the line's delay was: by positions and counters in STATUS, by
// lower bounds of time, by upper bounds with room. What delay could explain, and what fails while this machine is late, is
// tried up to three times, and counts if it comes each time.
package controller

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"perch/conformance/report"
)

// Check is one of the page's rules.
type Check = report.Check[*Subject]

// Checks are all of them, in the order in which they are run: what moves nothing, then homing, arming, motion and
// stops. The losses of the link come last and together: the third in a minute is a fault, after which a controller that is
// homed by hand needs its operator.
func Checks() []Check {
	var out []Check
	for _, part := range [][]Check{frameChecks(), statusChecks(), unhomedChecks(), sequenceChecks(), armingChecks(), motionChecks(), stopChecks(),
		tightenChecks(), lossChecks(), wholeChecks(), outsideChecks()} {
		out = append(out, part...)
	}
	return out
}

// Run runs the checks on a connected controller and leaves it at rest. done, unless nil, is told each result.
func Run(ctx context.Context, s *Subject, checks []Check, done func(report.Result)) report.Report {
	r := report.Run(ctx, s, checks, done)
	s.Settle()
	r.Subject = s.Name()
	return r
}

// tolerated is how late this machine may be with what it sends before a failure is doubted.
const tolerated = 8 * ms

// check makes a Check of a function that tries one rule.
func check(id, title, doc string, try func(s *Subject) (report.Finding, error)) Check {
	return Check{ID: id, Title: title, Doc: doc, Run: func(_ context.Context, s *Subject) (report.Finding, error) {
		if err := s.begin(id); err != nil {
			return report.Finding{}, err
		}
		seen := len(s.watch.moved)
		var f report.Finding
		var err error
		for range 3 {
			s.late = 0
			f, err = try(s)
			doubtful := f.Outcome == report.Warn || f.Outcome == report.Fail && s.late > tolerated
			if err != nil || !doubtful {
				break // else this machine's own delay may be all that it was
			}
		}
		switch { // doubtful three times
		case f.Outcome != report.Warn:
		case f.Needs != "":
			f.Outcome = report.NotCheckable
		case f.Diagnosis != nil:
			f.Outcome = report.Fail
		}
		if errors.Is(err, errSilent) {
			return fail("nothing more came from it, for 3 s", "a controller that goes on talking whatever comes", &report.Diagnosis{Signal: "line", Kind: "silent",
				Detail: "it hung or fell silent while this was tried"}), nil
		}
		if f.Outcome == report.Fail {
			s.watch.answered(seen)
		}
		s.player.on = false
		f.Measured = strings.TrimSuffix(f.Measured, "; ")
		return f, err
	}}
}

// begin makes sure that there is somebody to talk to.
func (s *Subject) begin(id string) error {
	s.mark()
	s.player.on = false
	if !s.Understood() && id != idCRCSent {
		return report.Missing("frames that can be understood (see %s)", idCRCSent)
	}
	if s.line.Now()-s.heard > silence {
		s.heard = s.line.Now()
		if _, err := s.fresh(); errors.Is(err, errSilent) {
			return report.Missing("a controller that still talks")
		} else if err != nil {
			return err
		}
	}
	return nil
}

func pass(measured, expected string) report.Finding {
	return report.Finding{Outcome: report.Pass, Measured: measured, Expected: expected}
}

func warn(measured, expected string) report.Finding {
	return report.Finding{Outcome: report.Warn, Measured: measured, Expected: expected}
}

func fail(measured, expected string, d *report.Diagnosis) report.Finding {
	return report.Finding{Outcome: report.Fail, Measured: measured, Expected: expected, Diagnosis: d}
}

// hurried is what is found where this machine, or the line, did not keep the time that a check needs.
func (s *Subject) hurried(expected string) report.Finding {
	f := warn(fmt.Sprintf("setpoints came late in the middle of it; slowest round trip %.0f ms", ms64(s.trip)), expected)
	f.Needs = "a machine that is not busy and a line without delays, so that setpoints come in time"
	return f
}

// because makes a diagnosis about the controller itself.
func because(signal, kind, format string, a ...any) *report.Diagnosis {
	return &report.Diagnosis{Signal: signal, Kind: kind, Detail: fmt.Sprintf(format, a...)}
}

// answered says what came back for a command.
func answered(r fmt.Stringer, heard bool) string {
	if !heard {
		return "no RESULT"
	}
	return fmt.Sprintf("RESULT %d, %v", r, r)
}
