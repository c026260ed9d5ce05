package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"perch/conformance/report"
)

// reports are the forms in which a command that judges gives its report, and the flags that ask for them.
type reports struct {
	json                  bool
	junit, markdown, html string
}

// flags gives a command the flags, and has them looked at before it runs.
func (o *reports) flags(c *cobra.Command) {
	f := c.Flags()
	f.BoolVar(&o.json, "json", false, "the report as JSON, for machines")
	f.StringVar(&o.junit, "junit", "", "write the report into this `FILE` too, as JUnit XML for CI servers")
	f.StringVar(&o.markdown, "markdown", "", "write it into this `FILE` too, as Markdown")
	f.StringVar(&o.html, "html", "", "write it into this `FILE` too, as a page with plots for a browser")
	c.PreRunE = func(*cobra.Command, []string) error { return refuse(o.check()) }
}

// form is one file that is asked for.
type form struct {
	flag, path string
	write      func(*report.Report, io.Writer) error
}

func (o *reports) forms(pages []report.Page) []form {
	return []form{
		{"--junit", o.junit, (*report.Report).JUnit},
		{"--markdown", o.markdown, func(r *report.Report, w io.Writer) error { return r.Markdown(w, explainCommand) }},
		{"--html", o.html, func(r *report.Report, w io.Writer) error { return r.HTML(w, pages) }},
	}
}

// check finds what cannot be written before time is spent on judging.
func (o *reports) check() error {
	var err error
	for i, f := range o.forms(nil) {
		if f.path == "" {
			continue
		}
		if info, e := os.Stat(filepath.Dir(f.path)); e != nil {
			err = errors.Join(err, fmt.Errorf("%s: %w; name a file in a folder that exists", f.flag, e))
		} else if !info.IsDir() {
			err = errors.Join(err, fmt.Errorf("%s: %s is no folder", f.flag, filepath.Dir(f.path)))
		}
		for _, other := range o.forms(nil)[:i] {
			if filepath.Clean(other.path) == filepath.Clean(f.path) {
				err = errors.Join(err, fmt.Errorf("%s and %s: both are %s; give each a file of its own", other.flag, f.flag, f.path))
			}
		}
	}
	return err
}

// conclude writes a report in every form that is asked for, whatever its verdict, and makes the verdict the program's.
// pages explain the checks of this report.
func (o *reports) conclude(w io.Writer, r *report.Report, pages []report.Page) error {
	var err error
	if o.json {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		e.SetEscapeHTML(false)
		err = e.Encode(r)
	} else {
		err = r.Write(w, explainCommand)
	}
	for _, f := range o.forms(pages) {
		if f.path == "" {
			continue
		}
		if e := writeFile(f.path, func(w io.Writer) error { return f.write(r, w) }); e != nil {
			err = errors.Join(err, fmt.Errorf("%s: %w", f.flag, e))
		}
	}
	switch {
	case err != nil && r.Verdict != report.DoesNot:
		return refuse(err) // no 1: it may conform
	case err == nil && r.Verdict.ExitCode() != 0:
		return verdict{r.Verdict}
	}
	return err
}
