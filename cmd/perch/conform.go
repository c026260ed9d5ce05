package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"perch/conformance/plan"
	"perch/conformance/report"
)

func conformCommand() *cobra.Command {
	var o conformStatesOptions
	var a conformAdapterOptions
	c := &cobra.Command{
		Use:   "conform [NAME|PATH]",
		Short: "Prove that something keeps to its protocol, or say what is wrong with it",
		Long: `Prove that something keeps to its protocol, or say what is wrong with it and how to mend it.

With the name of a built-in adapter, or the path of a folder or program, it starts that adapter as a host does, feeds it what its plan
says (plan.toml beside it; --plan-example prints one), and judges its protocol, its stream and its signals. It takes less than
half a minute.

--states judges vehicle states that were recorded: a recording of a ride, or a states table as CSV or JSON lines, packed with gzip or
not. Columns may be missing and cells empty. What the recording does not show is told, with the motion that would show it.

Exit codes: 0 conforms, in part too; 1 does not; 2 could not be judged.`,
		Example: `  perch conform demo
  perch conform ./my-adapter --plan plan.toml --json
  perch conform mavlink --only cancel --only lost
  perch conform --plan-example > my-adapter/plan.toml
  perch conform --states flight.csv
  perch conform --states ride.perchrec --require attitude --require angular_velocity --json
  perch conform --states flight.csv --html report.html --junit report.xml
  perch conform --explain turning_roll
  perch conform controller --port /dev/ttyACM0`,
		Args: func(_ *cobra.Command, args []string) error { return oneSubject(o.file, args) },
		RunE: func(c *cobra.Command, args []string) error {
			switch {
			case a.example:
				_, err := io.WriteString(c.OutOrStdout(), plan.Example())
				return err
			case o.explain != "":
				return explain(c.OutOrStdout(), o.explain, o.markdown)
			case o.file != "":
				return conformStates(c.Context(), c.OutOrStdout(), o)
			case len(args) == 1:
				return conformAdapter(c.Context(), c.OutOrStdout(), args[0], a, o)
			case c.Flags().NFlag() > 0:
				return refuse(errors.New("nothing to judge: name an adapter, or a file of states with --states"))
			}
			return help(c, args)
		},
	}
	f := c.Flags()
	f.StringVar(&o.file, "states", "", "judge the states in this `FILE`")
	f.StringVar(&o.source, "source", "", "of a recording of several sources, the `NAME` of the one that is meant")
	f.StringSliceVar(&o.require, "require", nil, "fail unless this `SIGNAL`, or group such as velocity, is shown right (repeatable)")
	f.StringSliceVar(&o.only, "only", nil, "only the check with this `ID` (repeatable)")
	f.StringVar(&a.plan, "plan", "", "how the adapter is fed, from this `FILE` (default: plan.toml beside it)")
	f.BoolVar(&a.example, "plan-example", false, "print a plan with every key explained")
	f.BoolVar(&a.verbose, "verbose", false, "show what the adapter logs")
	o.flags(c)
	explainFlag(c, &o.explain)
	c.AddCommand(conformControllerCommand())
	return c
}

// verdict ends the program with the code of a verdict that has been told already.
type verdict struct{ report.Verdict }

func (v verdict) Error() string { return string(v.Verdict) }

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
