package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"

	"perch/conformance/report"
	"perch/conformance/states"
)

type conformStatesOptions struct {
	reports
	file, source string
	only         []string
	require      []string
	explain      string
}

// conformStates judges recorded states.
func conformStates(ctx context.Context, w io.Writer, o conformStatesOptions) error {
	if _, err := report.Choose(states.Checks(), o.only); err != nil {
		return refuse(fmt.Errorf("--only: %w", err))
	}
	if err := states.Known(o.require); err != nil {
		return refuse(fmt.Errorf("--require: %w", err))
	}
	t, err := states.Load(o.file, o.source)
	if err != nil {
		return refuse(fmt.Errorf("--states: %w", err))
	}
	ctx, stop := interrupted(ctx)
	defer stop()
	r := states.Judge(ctx, t.States, states.Options{Require: o.require, Faults: t.Faults, Only: o.only})
	r.Subject = filepath.Base(o.file)
	if t.Source != "" {
		r.Subject += " (source " + t.Source + ")"
	}
	return o.conclude(w, &r, report.Pages(states.Checks()))
}
