// Package conformance is the suite for adapters: it starts one as a host does, in a process of its own, feeds it what its
// plan says, and reports what is wrong with its protocol, its stream and its signals, in words that its author can act on.
//
// Checks are a plain list. What several of them judge is tried once, when the first one asks for it: short trials of the
// adapter's life beside each other, then the captures, then what is spoiled. The states that the captures gave are judged by
// package states. An adapter's own test is one call of Run.
package conformance

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"perch/conformance/plan"
	"perch/conformance/report"
	"perch/conformance/states"
	"perch/host/plugin"
	"perch/sdk"
)

// Settings say what is judged and how.
type Settings struct {
	// Program is the adapter. Where its Command is empty, Folder is loaded by its manifest.
	Program plugin.Program
	// Folder is the adapter's own, with its plan; it is started by its manifest where no program is given.
	Folder string
	// Adapter, with Run only, is served by the test's own binary, in a process of its own as ever.
	Adapter *sdk.Adapter
	// Plan is how it is fed. The zero value is the plan.toml of Folder or of Program.Dir, or that of the test's own folder
	// with Run; where there is none, the adapter is tried without a source.
	Plan plan.Plan
	// Only are ids of the checks that are tried; none: all.
	Only []string
	// Require names signals of the states table or groups of them: one that is missing or not shown right fails.
	Require []string
	// Log takes what the adapter logs. nil: nobody.
	Log *slog.Logger
	// Progress is told each result as it comes, in the order of Checks. nil: nobody.
	Progress func(report.Result)

	pace *pace // of tests
}

// Check is one thing that is judged.
type Check = report.Check[*Subject]

// entry is a check and when it is tried: what keeps the machine busy comes last, so as not to spoil what is timed.
type entry struct {
	Check
	busy bool
}

// entries are all checks in the order in which they are told.
func entries() []entry {
	all := slices.Concat(startChecks(), settingsChecks(), lifeChecks(), signalChecks(), livelyChecks())
	for _, c := range states.Checks() {
		all = append(all, entry{Check{ID: c.ID, Title: c.Title, Doc: c.Doc, Run: func(ctx context.Context, s *Subject) (report.Finding, error) {
			return s.judgeStates(ctx, c)
		}}, false})
	}
	return append(all, spoiledChecks()...)
}

// Checks are all of them, in the order in which they are told.
func Checks() []Check {
	var out []Check
	for _, e := range entries() {
		out = append(out, e.Check)
	}
	return out
}

// Judge examines an adapter. An error says that nothing was tried, and why: the settings, the plan or the program are not
// there. What goes wrong later is in the report.
func Judge(ctx context.Context, s Settings) (report.Report, error) {
	if err := s.complete(); err != nil {
		return report.Report{}, err
	}
	checks, err := report.Choose(Checks(), s.Only)
	if err != nil {
		return report.Report{}, err
	}
	if err := s.known(); err != nil {
		return report.Report{}, err
	}
	ctx, cancel := context.WithCancel(ctx)
	subject, err := newSubject(ctx, s)
	if err != nil {
		cancel()
		return report.Report{}, err
	}
	defer subject.close()
	defer cancel()
	r := report.Run(ctx, subject, subject.ahead(ctx, checks), s.Progress)
	r.Subject = "the adapter " + s.Program.Name
	r.Outside = "left out, not promised or nothing to try it on"
	return r, nil
}

// complete finds the program and the plan.
func (s *Settings) complete() (err error) {
	if len(s.Program.Command) == 0 {
		if s.Folder == "" {
			return errors.New("no adapter: give a program or a folder")
		}
		if s.Program, _, err = plugin.Load(s.Folder); err != nil {
			return err
		}
	}
	if s.Folder == "" {
		s.Folder = s.Program.Dir
	}
	if len(s.Plan.Feeds) == 0 {
		path := filepath.Join(s.Folder, plan.File)
		if _, missing := os.Stat(path); s.Folder == "" || errors.Is(missing, os.ErrNotExist) {
			s.Plan = plan.Bare()
		} else if s.Plan, err = plan.Load(path); err != nil {
			return err
		}
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	if s.pace == nil {
		p := usual()
		s.pace = &p
	}
	for _, name := range s.Require {
		if _, ok := plan.Signals(name); !ok {
			return fmt.Errorf("%q is required and is no signal of the states table, nor a group of them", name)
		}
	}
	return nil
}

// known checks the list of known failures.
func (s *Settings) known() error {
	var all []error
	for _, k := range s.Plan.Known {
		if _, err := report.Find(Checks(), k.Check); err != nil {
			all = append(all, fmt.Errorf("%s:%d: known_failures.check: %w", s.Plan.Path, k.Line, err))
		}
	}
	return errors.Join(all...)
}

// excused makes a known failure a warning, and one that passes a failure.
func (s *Settings) excused(id string, f report.Finding) report.Finding {
	i := slices.IndexFunc(s.Plan.Known, func(k plan.Known) bool { return k.Check == id })
	if i < 0 {
		return f
	}
	k := s.Plan.Known[i]
	switch f.Outcome {
	case report.Fail:
		f.Outcome = report.Warn
		f.Measured = fmt.Sprintf("%s (a known failure: %s)", f.Measured, k.Reason)
	case report.Pass:
		return report.Finding{Outcome: report.Fail, Measured: "it passes, and is listed as a known failure: " + k.Reason,
			Expected: fmt.Sprintf("a list of failures that is true: remove %s:%d", s.Plan.Path, k.Line)}
	}
	return f
}

// ahead begins all checks at once: those that are timed, then those that keep the machine busy. The checks that it gives
// wait for what came of them.
func (s *Subject) ahead(ctx context.Context, checks []Check) []Check {
	type result struct {
		finding report.Finding
		err     error
	}
	waits := make([]chan result, len(checks))
	out := slices.Clone(checks)
	var timed sync.WaitGroup
	var start []func()
	for _, e := range entries() {
		at := slices.IndexFunc(checks, func(c Check) bool { return c.ID == e.ID })
		if at < 0 {
			continue
		}
		waits[at] = make(chan result, 1)
		if !e.busy {
			timed.Add(1)
		}
		start = append(start, func() {
			if e.busy {
				timed.Wait()
			} else {
				defer timed.Done()
			}
			var r result
			if r.err = ctx.Err(); r.err == nil {
				r.finding, r.err = e.Run(ctx, s)
			}
			waits[at] <- r
		})
		out[at].Run = func(context.Context, *Subject) (report.Finding, error) {
			r := <-waits[at]
			return s.settings.excused(e.ID, r.finding), r.err
		}
	}
	for _, f := range start {
		s.trials.Go(f)
	}
	return out
}

// serving tells a test's binary that it was started to serve the adapter of one of its tests.
const serving = "PERCH_CONFORMANCE_SERVES"

// Run examines an adapter as a test: a subtest for each check, which fails where the check fails. Where s names no program,
// it is s.Adapter, or else the adapter of the folder that the test lies in. It takes less than half a minute.
func Run(t testing.TB, s Settings) {
	t.Helper()
	if s.Adapter != nil {
		if os.Getenv(serving) == t.Name() {
			sdk.Serve(*s.Adapter)
			os.Exit(0)
		}
		self, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		var only []string
		for _, part := range strings.Split(t.Name(), "/") {
			only = append(only, "^"+regexp.QuoteMeta(part)+"$")
		}
		s.Program = plugin.Program{Name: s.Adapter.Name, Command: []string{self, "-test.run", strings.Join(only, "/")}, Env: []string{serving + "=" + t.Name()}}
	}
	if s.Folder == "" {
		s.Folder = "."
	}
	if s.Log == nil {
		s.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	}
	r, err := Judge(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	one := func(t testing.TB, c report.Result) {
		t.Helper()
		switch c.Outcome {
		case report.Fail:
			t.Errorf("%s: measured %s; expected %s%s", c.Title, c.Measured, c.Expected, diagnosed(c.Diagnosis))
		case report.Warn:
			t.Logf("to be looked at: %s: measured %s; expected %s%s", c.Title, c.Measured, c.Expected, diagnosed(c.Diagnosis))
		case report.NotCheckable:
			t.Skip("needs " + c.Needs)
		}
	}
	for _, c := range r.Checks {
		if parent, ok := t.(*testing.T); ok {
			parent.Run(c.ID, func(t *testing.T) { one(t, c) })
		} else if c.Outcome != report.NotCheckable {
			one(t, c)
		}
	}
	if r.Verdict == report.CouldNotJudge {
		t.Errorf("%s could not be judged: %s", r.Subject, r.Problem)
	}
}

func diagnosed(d *report.Diagnosis) string {
	if d == nil {
		return ""
	}
	return "; " + d.String()
}
