package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"perch/conformance/report"
	"perch/conformance/states"
)

func conformCommand() *cobra.Command {
	var o conformStatesOptions
	c := &cobra.Command{
		Use:   "conform",
		Short: "Prove that something keeps to its protocol, or say what is wrong with it",
		Long: `Prove that something keeps to its protocol, or say what is wrong with it and how to mend it.

--states judges vehicle states that were recorded: a recording of a ride, or a states table as CSV or JSON lines, packed with gzip or
not. Columns may be missing and cells empty. What the recording does not show is told, with the motion that would show it.

Exit codes: 0 conforms, in part too; 1 does not; 2 could not be judged.`,
		Example: `  perch conform --states flight.csv
  perch conform --states ride.perchrec --require attitude --require angular_velocity --json
  perch conform --explain turning_roll
  perch conform controller --port /dev/ttyACM0`,
		Args: subcommand,
		RunE: func(c *cobra.Command, args []string) error {
			switch {
			case o.explain != "":
				return explained(c.OutOrStdout(), states.Checks(), o.explain)
			case o.file != "":
				return conformStates(c.Context(), c.OutOrStdout(), o)
			case c.Flags().NFlag() > 0:
				return refuse(errors.New("--states: missing; name the file that is to be judged"))
			}
			return help(c, args)
		},
	}
	f := c.Flags()
	f.StringVar(&o.file, "states", "", "judge the states in this `FILE`")
	f.StringVar(&o.source, "source", "", "of a recording of several sources, the `NAME` of the one that is meant")
	f.BoolVar(&o.json, "json", false, "the report as JSON, for machines")
	f.StringSliceVar(&o.require, "require", nil, "fail unless this `SIGNAL`, or group such as velocity, is shown right (repeatable)")
	f.StringSliceVar(&o.only, "only", nil, "only the check with this `ID` (repeatable)")
	f.StringVar(&o.explain, "explain", "", "explain the check with this `ID`, and try nothing")
	c.AddCommand(conformControllerCommand())
	return c
}

// verdict ends the program with the code of a verdict that has been told already.
type verdict struct{ report.Verdict }

func (v verdict) Error() string { return string(v.Verdict) }

// conclude writes a report and makes its verdict the program's.
func conclude(w io.Writer, r *report.Report, asJSON bool, explain string) error {
	var err error
	if asJSON {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		e.SetEscapeHTML(false)
		err = e.Encode(r)
	} else {
		err = r.Write(w, explain)
	}
	if err == nil && r.Verdict.ExitCode() != 0 {
		err = verdict{r.Verdict}
	}
	return err
}

// progress shows on a terminal which check is being tried; elsewhere nothing.
type progress struct {
	out    *os.File
	on     bool
	titles []string
	at     int
}

func newProgress(out *os.File, titles []string) *progress {
	p := &progress{out: out, titles: titles, on: term.IsTerminal(int(out.Fd()))}
	p.show()
	return p
}

// done is told each check that has been tried.
func (p *progress) done(report.Result) {
	p.at++
	p.show()
}

func (p *progress) show() {
	if !p.on {
		return
	}
	line := ""
	if p.at < len(p.titles) {
		line = fmt.Sprintf("%d/%d  %s", p.at+1, len(p.titles), p.titles[p.at])
	}
	if width, _, err := term.GetSize(int(p.out.Fd())); err == nil && len(line) >= width && width > 1 {
		line = line[:width-1]
	}
	fmt.Fprint(p.out, "\r\x1b[K", strings.ToValidUTF8(line, ""))
}

// explained prints what a check is about.
func explained[S any](w io.Writer, checks []report.Check[S], id string) error {
	c, err := report.Find(checks, id)
	if err != nil {
		return refuse(fmt.Errorf("--explain: %w", err))
	}
	_, err = fmt.Fprintf(w, "%s: %s\n\n%s\n", c.ID, c.Title, c.Doc)
	return err
}
