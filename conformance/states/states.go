// Package states judges vehicle states that were recorded, without the adapter that gave them: whether they are a good
// stream, and whether their signals agree with each other as those of a real vehicle do.
//
// Load reads a file, Judge makes a report of its states by the list of Checks. The checks of the stream are here; what
// holds between signals is found by package consistency and told here, one check for each relation and component.
//
// What a recording does not show is not checkable, and the finding says which motion would show it. A signal that is not
// given is not judged and counts for nothing, unless it was promised or required.
package states

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"perch/conformance/consistency"
	"perch/conformance/report"
	"perch/sdk/vehicle"
)

// Check is one thing that is judged.
type Check = report.Check[*Subject]

// Options say what is expected of a recording.
type Options struct {
	// Require names signals of the states table, or groups of them such as velocity: one that is missing, or not shown
	// right by this recording, fails.
	Require []string
	// Promised is what the source says that it gives. The zero value promises what is given.
	Promised vehicle.Set
	// Rate is how many states a second are promised, Hz; 0: no promise.
	Rate float64
	// Faults are what could not be read.
	Faults Faults
	// Only are the ids of the checks that are tried; none: all.
	Only []string
}

// Subject is what is judged.
type Subject struct {
	states   []vehicle.State
	options  Options
	tracks   []*track
	given    vehicle.Set
	cut      []bool // states that do not continue what came before
	cuts     []int  // how many there were, up to each state
	anew     []bool // states with which the source's clock begins anew
	run      []int  // how many of these there were, up to each state
	arrives  bool   // it is known when the states arrived
	required vehicle.Set
	refused  Faults // states that a host would refuse
	physics  func() physics
}

// New prepares states for the checks. They are not changed. An error names a requirement that is no signal.
func New(given []vehicle.State, o Options) (*Subject, error) {
	s := &Subject{options: o, tracks: tracks(), refused: Faults{Count: o.Faults.Count, First: slices.Clone(o.Faults.First), Cut: o.Faults.Cut}}
	for _, name := range o.Require {
		set, err := signalsNamed(name)
		if err != nil {
			return nil, err
		}
		s.required |= set
	}
	for i := range given {
		x := given[i]
		if err := x.Admit(); err != nil {
			s.refused.add(fmt.Errorf("state %d: %w", i+1, err))
			continue
		}
		s.states = append(s.states, given[i])
	}
	n := len(s.states)
	s.cut, s.anew, s.cuts, s.run = make([]bool, n), make([]bool, n), make([]int, n), make([]int, n)
	last := -1 // the running state before
	for i := range s.states {
		x := &s.states[i]
		if i > 0 {
			s.cuts[i], s.run[i] = s.cuts[i-1], s.run[i-1]
		}
		if x.Condition != vehicle.Running {
			continue
		}
		s.arrives = s.arrives || x.ObservedAt != 0 && x.ObservedAt != x.SourceTime
		s.cut[i] = x.Discontinuity || last != i-1
		if last >= 0 {
			back := s.states[last].SourceTime - x.SourceTime
			s.anew[i] = back > 0 && x.Discontinuity || back > restart
			s.cut[i] = s.cut[i] || s.anew[i]
		}
		last = i
		if s.cut[i] {
			s.cuts[i]++
		}
		if s.anew[i] {
			s.run[i]++
		}
		s.given |= x.Present
		for _, k := range s.tracks {
			switch all := k.signals(); x.Present & all {
			case all:
				k.at = append(k.at, i)
			case 0:
			default:
				k.part++
			}
		}
	}
	s.physics = sync.OnceValue(s.judgePhysics)
	return s, nil
}

// restart is how far back a source's clock goes when it begins anew, ns: farther than a signal may be late.
const restart = 5e9

// Judge judges states.
func Judge(ctx context.Context, given []vehicle.State, o Options) report.Report {
	checks, err := report.Choose(Checks(), o.Only)
	var s *Subject
	if err == nil {
		s, err = New(given, o)
	}
	if err == nil && len(s.states) == 0 {
		err = errors.New("there is no state to judge")
		if len(s.refused.First) > 0 {
			err = fmt.Errorf("there is no state that a host would take: %s", s.refused.First[0])
		}
	}
	if err != nil {
		r := report.Report{Problem: err.Error(), Checks: []report.Result{}}
		r.Judge()
		return r
	}
	r := report.Run(ctx, s, checks, nil)
	r.Outside = "not given, so not judged"
	return r
}

// Checks are all of them, in the order in which they are told.
func Checks() []Check { return append(streamChecks(), physicsChecks()...) }

// Known says which of the names is no signal of the states table and no group of them.
func Known(names []string) error {
	for _, name := range names {
		if _, err := signalsNamed(name); err != nil {
			return err
		}
	}
	return nil
}

// signalsNamed finds a signal of the states table, or the signals of a group.
func signalsNamed(name string) (vehicle.Set, error) {
	if x, ok := vehicle.SignalNamed(name); ok {
		return vehicle.Set(0).With(x), nil
	}
	var set vehicle.Set
	var groups []string
	for _, k := range tracks() {
		if k.name == name {
			set |= k.signals()
		}
		if !slices.Contains(groups, k.name) {
			groups = append(groups, k.name)
		}
	}
	if set == 0 {
		return 0, fmt.Errorf("%q is no signal of the states table, nor a group of them; the groups are %s", name, strings.Join(groups, ", "))
	}
	return set, nil
}

func pass(format string, a ...any) report.Finding {
	return report.Finding{Outcome: report.Pass, Measured: fmt.Sprintf(format, a...)}
}

func fail(measured, expected string, d *report.Diagnosis) report.Finding {
	return report.Finding{Outcome: report.Fail, Measured: measured, Expected: expected, Diagnosis: d}
}

func warn(measured, expected string, d *report.Diagnosis) report.Finding {
	return report.Finding{Outcome: report.Warn, Measured: measured, Expected: expected, Diagnosis: d}
}

// none is the finding where nothing that a check is about is given.
func none(needs string) report.Finding {
	return report.Finding{Outcome: report.NotCheckable, Needs: needs, Unclaimed: true}
}

// diagnosis makes a change one of a report.
func diagnosis(c consistency.Change) *report.Diagnosis {
	d := &report.Diagnosis{Signal: string(c.Group), Component: c.Component, Kind: string(c.Kind), Detail: c.Detail, Scale: c.Scale}
	if c.Matrix != nil {
		d.Matrix = c.Matrix[:]
	}
	if c.Group == consistency.Clock && c.Scale != 0 {
		if unit := map[float64]string{1e3: "microseconds", 1e6: "milliseconds", 1e9: "seconds"}[c.Scale]; unit != "" {
			d.Detail = "it looks like " + unit + " in place of ns"
		}
		d.Detail += fmt.Sprintf(": multiply source_time_ns by %.6g", c.Scale)
	}
	if c.Kind == consistency.Delay {
		d.Detail = fmt.Sprintf("it is about %.0f ms late against the other signals: give each value the source time at which it was measured", 1000*c.Delay)
		if c.Delay < 0 {
			d.Detail = fmt.Sprintf("it is about %.0f ms ahead of the other signals: give each value the source time at which it was measured", -1000*c.Delay)
		}
	}
	return d
}
