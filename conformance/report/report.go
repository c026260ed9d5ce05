// Package report is how a suite of checks says whether something does what it claims, and if not, what is wrong.
//
// A suite is a plain list of checks over a subject of its own type. Run makes a Report of it; its verdict has an exit
// code, its JSON form is for machines, Write is for people. The suites themselves are in folders of their own.
package report

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Verdict is what a report says as a whole.
type Verdict string

// The verdicts of a report.
const (
	Conforms       Verdict = "conforms"
	ConformsInPart Verdict = "conforms_in_part" // something that was promised could not be checked
	DoesNot        Verdict = "does_not"
	CouldNotJudge  Verdict = "could_not_judge"
)

// ExitCode is what a command that judged ends with: 0 conforms, in part too; 1 does not; 2 could not judge.
func (v Verdict) ExitCode() int {
	switch v {
	case Conforms, ConformsInPart:
		return 0
	case DoesNot:
		return 1
	}
	return 2
}

// Outcome is what one check found.
type Outcome string

// The outcomes of a check.
const (
	Pass         Outcome = "pass"
	Fail         Outcome = "fail"
	Warn         Outcome = "warn"          // not as it should be, but no rule is certainly broken
	NotCheckable Outcome = "not_checkable" // Needs says what is missing
)

// Diagnosis names what is wrong in a form that a program can act on. A field that says nothing is left out.
type Diagnosis struct {
	Signal    string `json:"signal,omitempty"`    // what is wrong, such as "angular_velocity" or "position"
	Component string `json:"component,omitempty"` // which part of it, such as "y" or "axis 1"
	// Kind is one of unit, sign, axis, frame, order, gravity, time, delay, stuck, wrap, offset, or a suite's own word.
	Kind   string  `json:"kind,omitempty"`
	Detail string  `json:"detail,omitempty"` // in words
	Scale  float64 `json:"scale,omitempty"`  // with Matrix takes what was given to what is right
	// Matrix has nine numbers, row by row, or is left out.
	Matrix []float64 `json:"matrix,omitempty"`
	// Alternatives are what else would explain the same data, where the data cannot tell.
	Alternatives []Diagnosis `json:"alternatives,omitempty"`
}

// Finding is what a check found.
type Finding struct {
	Outcome   Outcome    `json:"verdict"`
	Measured  string     `json:"measured"` // what was seen, with units
	Expected  string     `json:"expected"` // what would be right
	Needs     string     `json:"needs"`    // what is missing to judge it
	Diagnosis *Diagnosis `json:"diagnosis,omitempty"`
	Series    *Series    `json:"series,omitempty"` // what is wrong, drawn

	// Unclaimed says that what was not checkable was not promised either, so that the report's verdict stands without it.
	Unclaimed bool `json:"-"`
}

// Check is one rule and how to try it on a subject.
type Check[Subject any] struct {
	ID    string
	Title string // one line
	Doc   string // what it means, why a rider cares, how authors usually get it wrong
	Run   func(ctx context.Context, s Subject) (Finding, error)
}

// Result is what one check of a report found.
type Result struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	Finding
}

// Report is what a suite found. Its JSON form is what its fields' tags say.
type Report struct {
	Verdict Verdict  `json:"verdict"`
	Subject string   `json:"subject,omitempty"` // what was judged
	Problem string   `json:"problem,omitempty"` // why the run ended early
	Checks  []Result `json:"checks"`

	// Outside is how Write calls what was neither checkable nor promised; "": not for this suite to see.
	Outside string `json:"-"`
}

// Judge sets the verdict from the checks: one that failed decides; with a Problem, or with nothing checked, it could
// not be judged; one that was promised and not checkable makes it conform in part.
func (r *Report) Judge() {
	checked := false
	part := false
	r.Verdict = Conforms
	for i := range r.Checks {
		switch c := &r.Checks[i]; c.Outcome {
		case Fail:
			r.Verdict = DoesNot
			return
		case NotCheckable:
			part = part || !c.Unclaimed
		default:
			checked = true
		}
	}
	switch {
	case r.Problem != "" || !checked:
		r.Verdict = CouldNotJudge
	case part:
		r.Verdict = ConformsInPart
	}
}

// Count says how many checks had the outcome.
func (r *Report) Count(o Outcome) (n int) {
	for i := range r.Checks {
		if r.Checks[i].Outcome == o {
			n++
		}
	}
	return n
}

// MissingError is what a check returns that could not be done: the check is then not checkable and needs this.
type MissingError struct {
	What string
}

// Error says it.
func (e *MissingError) Error() string { return "needs " + e.What }

// Missing gives a MissingError.
func Missing(format string, a ...any) error { return &MissingError{fmt.Sprintf(format, a...)} }

// Run runs the checks in their order and judges. A check that returns a MissingError is not checkable; any other error
// ends the run: its text is the report's Problem, and what was not run yet is not checkable. done, unless nil, is told
// each result as it comes. A context that ends ends the run in the same way.
func Run[Subject any](ctx context.Context, s Subject, checks []Check[Subject], done func(Result)) Report {
	var r Report
	for _, c := range checks {
		one := Result{ID: c.ID, Title: c.Title}
		if r.Problem == "" {
			var err error
			if err = ctx.Err(); err == nil {
				one.Finding, err = c.Run(ctx, s)
			}
			var missing *MissingError
			switch {
			case errors.As(err, &missing):
				one.Outcome, one.Needs = NotCheckable, missing.What
			case errors.Is(err, context.Canceled):
				r.Problem = "interrupted"
			case err != nil:
				r.Problem = err.Error()
			}
		}
		if r.Problem != "" {
			one.Finding = Finding{Outcome: NotCheckable, Needs: "a run that is not cut short: " + r.Problem}
		}
		r.Checks = append(r.Checks, one)
		if done != nil {
			done(one)
		}
	}
	r.Judge()
	return r
}

// Choose gives the checks with the ids, in the suite's order; all of them where no id is given. An id that no check has
// is an error that lists those there are.
func Choose[Subject any](checks []Check[Subject], ids []string) ([]Check[Subject], error) {
	if len(ids) == 0 {
		return checks, nil
	}
	for _, id := range ids {
		if _, err := Find(checks, id); err != nil {
			return nil, err
		}
	}
	var out []Check[Subject]
	for _, c := range checks {
		if slices.Contains(ids, c.ID) {
			out = append(out, c)
		}
	}
	return out, nil
}

// Find gives the check with the id, or an error that lists the ids there are.
func Find[Subject any](checks []Check[Subject], id string) (Check[Subject], error) {
	var ids []string
	for _, c := range checks {
		if c.ID == id {
			return c, nil
		}
		ids = append(ids, c.ID)
	}
	return Check[Subject]{}, fmt.Errorf("there is no check %q; there are %s", id, strings.Join(ids, ", "))
}
