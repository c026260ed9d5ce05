package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"slices"

	"perch/adapters/demo"
	"perch/adapters/mavlink"
	"perch/conformance"
	"perch/conformance/plan"
	"perch/conformance/report"
)

type conformAdapterOptions struct {
	plan    string
	example bool
	verbose bool
}

// conformAdapter examines an adapter.
func conformAdapter(ctx context.Context, w io.Writer, name string, o conformAdapterOptions, common conformStatesOptions) error {
	checks, err := report.Choose(conformance.Checks(), common.only)
	if err != nil {
		return refuse(fmt.Errorf("--only: %w", err))
	}
	s := conformance.Settings{Only: common.only, Require: common.require}
	if s.Program, err = program(name); err != nil {
		return refuse(err)
	}
	s.Folder = s.Program.Dir
	path := o.plan
	if path == "" && s.Folder == "" {
		folder, remove, err := builtInPlan(name)
		if err != nil {
			return err
		}
		defer remove()
		s.Folder = folder
	}
	if path != "" {
		if s.Plan, err = plan.Load(path); err != nil {
			return refuse(fmt.Errorf("--plan: %w", err))
		}
	}
	if o.verbose {
		s.Log = slog.New(lineHandler{tell: func(_ slog.Level, line string) { fmt.Fprintln(os.Stderr, line) }})
	}
	titles := make([]string, len(checks))
	for i := range checks {
		titles[i] = checks[i].Title
	}
	ctx, stop := interrupted(ctx)
	defer stop()
	p := newProgress(os.Stderr, titles)
	s.Progress = p.done
	r, err := conformance.Judge(ctx, s)
	if p.on {
		fmt.Fprint(os.Stderr, "\r\x1b[K")
	}
	if err != nil {
		return refuse(err)
	}
	return common.conclude(w, &r, report.Pages(checks))
}

// builtInPlan writes the plan and the captures of a built-in adapter into a folder, which remove removes.
func builtInPlan(name string) (folder string, remove func(), err error) {
	files, ok := map[string]fs.FS{"demo": demo.Plan, "mavlink": mavlink.Plan}[name]
	if !ok {
		return "", func() {}, nil
	}
	if folder, err = os.MkdirTemp("", "perch-plan"); err != nil {
		return "", nil, err
	}
	remove = func() { _ = os.RemoveAll(folder) }
	if err = os.CopyFS(folder, files); err != nil {
		remove()
		return "", nil, err
	}
	return folder, remove, nil
}

// onlyAdapters are the checks of the adapter suite that are not about recorded states.
func onlyAdapters(states []report.Page) []report.Page {
	return slices.DeleteFunc(report.Pages(conformance.Checks()), func(p report.Page) bool {
		return slices.ContainsFunc(states, func(o report.Page) bool { return o.ID == p.ID })
	})
}

// oneSubject wants exactly one thing to judge.
func oneSubject(states string, args []string) error {
	switch {
	case states != "" && len(args) > 0:
		return refuse(errors.New("--states judges a file without an adapter: give one of the two"))
	case len(args) > 1:
		return refuse(fmt.Errorf("%d adapters: give one; see: perch conform --help", len(args)))
	}
	return nil
}
