package main

import (
	"context"
	"fmt"
	"io"
	"os/exec"
	"time"

	"github.com/spf13/cobra"

	"perch/sdk/scaffold"
)

// choice is for who is unsure which language to take.
const choice = `  describe  nothing to program: a file says what each number means; not yet in this version
  go        --lang go: one program file, quick and steady; needs Go to build it
  python    --lang python: edit and start again, nothing to build; needs python3 with grpcio and protobuf`

func newCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "new",
		Short:   "Begin an adapter of your own",
		Example: "  perch new adapter my-feed --lang python",
		Args:    subcommand,
		RunE:    help,
	}
	c.AddCommand(newAdapterCommand())
	return c
}

func newAdapterCommand() *cobra.Command {
	var language string
	c := &cobra.Command{
		Use:   "adapter NAME",
		Short: "Write a small, complete, tested adapter to begin with",
		Long: `Write a new folder NAME with an adapter that works: it reads lines of numbers over UDP, an invented feed. With it come
its manifest, a sample of the feed, a plan for perch conform, tests, a script for CI, a README, and a copy of the
SDK, so that nothing else of perch is needed. Replace the feed by yours, one step at a time.

` + choice,
		Example: "  perch new adapter my-feed --lang go\n  perch new adapter my-feed --lang python",
		Args:    arguments(1, "the name of the new adapter"),
		RunE: func(c *cobra.Command, args []string) error {
			return newAdapter(c.Context(), c.OutOrStdout(), args[0], scaffold.Language(language))
		},
	}
	c.Flags().StringVar(&language, "lang", "", "what it is written in: `LANGUAGE` is go or python")
	return c
}

func newAdapter(ctx context.Context, w io.Writer, name string, in scaffold.Language) error {
	switch in {
	case "":
		return refuse(fmt.Errorf("in which language? name it with --lang\n%s", choice))
	case scaffold.Go, scaffold.Python:
	case "none":
		return refuse(fmt.Errorf("--lang none: an adapter without a program is not yet in this version; give one of %s, %s", scaffold.Go, scaffold.Python))
	default:
		return refuse(fmt.Errorf("--lang %s: give one of %s, %s", in, scaffold.Go, scaffold.Python))
	}
	if _, err := builtInNamed(name); err == nil {
		return refuse(fmt.Errorf("adapter name %q: a built-in adapter has it; call yours after the feed that it reads", name))
	}
	if err := scaffold.Write(name, name, in); err != nil {
		return refuse(err)
	}
	fmt.Fprintf(w, "%s/ is an adapter with a sample and tests; its README.md says what is where. Next:\n\n  cd %s\n", name, name)
	if in == scaffold.Go {
		fmt.Fprint(w, "  go build && perch watch .     # and play the sample to it from another terminal, as README.md shows\n")
		fmt.Fprint(w, "  go test                       # its tests, and perch conform on the whole of it\n")
		return nil
	}
	fmt.Fprint(w, "  perch watch .                 # and play the sample to it from another terminal, as README.md shows\n")
	fmt.Fprint(w, "  python3 -m unittest           # its tests, and perch conform on the whole of it\n")
	if missing := pythonMisses(ctx); missing != "" {
		fmt.Fprintf(w, "\nBefore that: %s\n", missing)
	}
	return nil
}

// pythonMisses says what the interpreter on PATH lacks for an adapter; nothing where it has all.
func pythonMisses(ctx context.Context) string {
	python, err := exec.LookPath("python3")
	if err != nil {
		return "install Python 3.11 or later; no python3 is on PATH."
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if exec.CommandContext(ctx, python, "-c", "import grpc, google.protobuf").Run() != nil { //nolint:gosec // found on PATH
		return python + " lacks gRPC; apt-get install python3-grpcio python3-protobuf python3-cryptography is for Debian's\nown python3, python3 -m pip install grpcio protobuf cryptography for any other."
	}
	return ""
}
