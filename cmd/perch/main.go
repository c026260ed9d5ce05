// Command perch drives a home-built motion seat from any source of vehicle motion. See README.md.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"
)

// version is set by a release build: -ldflags "-X main.version=1.2.3".
var version = "0.1.0-dev"

// The exit codes, which scripts may rely on.
const (
	exitDone    = 0
	exitFailed  = 1 // it was tried and did not work
	exitRefused = 2 // what was asked for was wrong; nothing was started
)

// refusal marks an error in what was asked for, before anything was started.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

// refuse turns an error into a refusal; nil stays nil.
func refuse(err error) error {
	if err == nil {
		return nil
	}
	return refusal{err}
}

func main() { os.Exit(execute(os.Args[1:])) }

func execute(args []string) int {
	root := rootCommand()
	root.SetArgs(args)
	err := root.ExecuteContext(context.Background())
	var told verdict
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, new(refusal)):
		fmt.Fprintln(os.Stderr, "perch:", err)
		return exitRefused
	case errors.As(err, &told):
		return told.ExitCode() // the report has said it
	case errors.As(err, new(unconfirmed)):
		return exitFailed // so has the summary
	default:
		fmt.Fprintln(os.Stderr, "perch:", err)
		return exitFailed
	}
}

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "perch",
		Short: "Drive a home-built motion seat from any source of vehicle motion",
		Long: `Perch turns the motion of a radio-controlled model or a desktop simulator into the motion of a
home-built seat. A source is read by an adapter in a process of its own; the seat is guarded whatever
the adapter says.

Perch is no substitute for a switch that cuts the motor supply, and carries no safety rating.

Exit codes: 0 done; 1 tried and failed; 2 refused, nothing was started.`,
		Example:       "  perch run\n  perch watch demo --for 5s",
		Version:       version,
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	// A command that only holds others refuses what none of them is called.
	root.Args, root.RunE = subcommand, help
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return refusal{fmt.Errorf("%w; see: %s --help", err, c.CommandPath())}
	})
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(runCommand(), watchCommand(), adaptersCommand(), portsCommand(), jogCommand(), measureCommand(), seatCommand(), commissionCommand(), conformCommand(), signsCommand(), previewCommand(), newCommand(), serveCommand())
	return root
}

// subcommand refuses a name that no command of c has.
func subcommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	c.SuggestionsMinimumDistance = 2 // letters that differ
	names := c.SuggestionsFor(args[0])
	if len(names) == 0 {
		for _, s := range c.Commands() {
			if s.IsAvailableCommand() {
				names = append(names, s.Name())
			}
		}
	}
	return refusal{fmt.Errorf("there is no command %q; use one of %s; see: %s --help", args[0], strings.Join(names, ", "), c.CommandPath())}
}

func help(c *cobra.Command, _ []string) error { return c.Help() }

// arguments refuses any other number of arguments.
func arguments(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return refusal{fmt.Errorf("%s takes %s; see: %s --help", c.CommandPath(), what, c.CommandPath())}
		}
		return nil
	}
}
