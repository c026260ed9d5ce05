package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"perch/adapters/demo"
	"perch/adapters/mavlink"
	"perch/host/plugin"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// builtIn are the adapters that this binary serves when it is executed again as a child.
func builtIn() []sdk.Adapter {
	return []sdk.Adapter{demo.Adapter(), mavlink.Adapter()}
}

// builtInNamed finds one by its name.
func builtInNamed(name string) (sdk.Adapter, error) {
	var names []string
	for _, a := range builtIn() {
		if a.Name == name {
			return a, nil
		}
		names = append(names, a.Name)
	}
	return sdk.Adapter{}, fmt.Errorf("source %q: no built-in adapter has that name and no file has that path; built in: %s", name, strings.Join(names, ", "))
}

// program finds what to start for a --source NAME|PATH.
func program(name string) (plugin.Program, error) {
	if _, err := builtInNamed(name); err == nil {
		self, err := os.Executable()
		if err != nil {
			return plugin.Program{}, fmt.Errorf("source %q: this program cannot find its own file to serve it: %w", name, err)
		}
		return plugin.Program{Name: name, Command: []string{self, "serve", name}}, nil
	}
	info, err := os.Stat(name)
	if err != nil {
		_, err := builtInNamed(name)
		return plugin.Program{}, err
	}
	if info.IsDir() {
		p, _, err := plugin.Load(name)
		return p, err
	}
	path, err := filepath.Abs(name)
	if err != nil {
		return plugin.Program{}, fmt.Errorf("source %q: %w", name, err)
	}
	return plugin.Program{Name: filepath.Base(path), Command: []string{path}, Dir: filepath.Dir(path)}, nil
}

// serveCommand is what the host starts for a built-in adapter.
func serveCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "serve ADAPTER",
		Short:   "Serve a built-in adapter to a host (started by perch itself)",
		Example: "  perch serve demo",
		Hidden:  true,
		Args:    arguments(1, "the name of a built-in adapter"),
		RunE: func(_ *cobra.Command, args []string) error {
			a, err := builtInNamed(args[0])
			if err != nil {
				return refuse(err)
			}
			sdk.Serve(a)
			return nil
		},
	}
}

func adaptersCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "adapters [PATH...]",
		Short: "List the adapters that can be loaded and what each says of itself",
		Long: `List the built-in adapters, and any programs given by path. Each is started in a process of its own,
asked to describe itself, and ended.`,
		Example: "  perch adapters\n  perch adapters ./my-adapter --json",
		RunE: func(c *cobra.Command, args []string) error {
			names := args
			if len(names) == 0 {
				for _, a := range builtIn() {
					names = append(names, a.Name)
				}
			}
			return listAdapters(c.Context(), c.OutOrStdout(), names, asJSON)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object a line for machines")
	return c
}

func listAdapters(ctx context.Context, w io.Writer, names []string, asJSON bool) error {
	for i, name := range names {
		p, err := program(name)
		if err != nil {
			return refuse(err)
		}
		ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
		d, err := plugin.Describe(ctx, p, slog.New(slog.DiscardHandler))
		cancel()
		if err != nil {
			return err
		}
		if asJSON {
			err = json.NewEncoder(w).Encode(describedJSON(d))
		} else {
			if i > 0 {
				fmt.Fprintln(w)
			}
			err = describe(w, d)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func describe(w io.Writer, d sdk.Description) error {
	fmt.Fprintf(w, "%s %s: %s\n", d.Name, d.Version, d.Summary)
	if d.NominalRate > 0 {
		fmt.Fprintf(w, "  usual rate  %g Hz\n", d.NominalRate)
	}
	fmt.Fprintf(w, "  gives       %s\n", wrapped(signalNames(d.Signals)))
	if len(d.Never) > 0 {
		fmt.Fprintf(w, "  never gives %s\n", wrapped(signalNames(d.Never)))
	}
	if len(d.Settings) == 0 {
		return nil
	}
	fmt.Fprintln(w, "  settings, each as --set KEY=VALUE")
	table := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
	for _, s := range d.Settings {
		var value []string
		switch {
		case len(s.Choices) > 0:
			value = append(value, strings.Join(s.Choices, " or "))
		case s.Unit != "":
			value = append(value, "in "+s.Unit)
		}
		if s.Default != "" {
			value = append(value, "default "+s.Default)
		}
		if s.Required {
			value = append(value, "required")
		}
		fmt.Fprintf(table, "    %s\t%s\t%s\n", s.Key, strings.Join(value, ", "), s.Help)
	}
	return table.Flush()
}

// wrapped joins names into lines that fit a terminal of 80 columns beside what stands before them.
func wrapped(names []string) string {
	const room, indent = 64, "\n              "
	var b strings.Builder
	used := 0
	for i, n := range names {
		if i < len(names)-1 {
			n += ","
		}
		switch {
		case i == 0:
		case used+1+len(n) > room:
			b.WriteString(indent)
			used = 0
		default:
			b.WriteByte(' ')
			used++
		}
		b.WriteString(n)
		used += len(n)
	}
	return b.String()
}

func signalNames(signals []vehicle.Signal) []string {
	names := make([]string, 0, len(signals))
	for _, s := range signals {
		names = append(names, s.String())
	}
	return slices.Clip(names)
}

type settingJSON struct {
	Key      string   `json:"key"`
	Type     string   `json:"type"`
	Unit     string   `json:"unit,omitempty"`
	Help     string   `json:"help"`
	Default  string   `json:"default,omitempty"`
	Required bool     `json:"required"`
	Minimum  *float64 `json:"minimum,omitempty"`
	Maximum  *float64 `json:"maximum,omitempty"`
	Choices  []string `json:"choices,omitempty"`
}

type descriptionJSON struct {
	Name        string        `json:"name"`
	Version     string        `json:"version"`
	Summary     string        `json:"summary"`
	Signals     []string      `json:"signals"`
	Never       []string      `json:"never_signals"`
	NominalRate float64       `json:"nominal_rate_hz,omitempty"`
	Settings    []settingJSON `json:"settings"`
}

func describedJSON(d sdk.Description) descriptionJSON {
	out := descriptionJSON{
		Name: d.Name, Version: d.Version, Summary: d.Summary, NominalRate: d.NominalRate,
		Signals: signalNames(d.Signals), Never: signalNames(d.Never), Settings: []settingJSON{},
	}
	types := [...]string{"", "string", "number", "integer", "boolean", "duration", "choice"}
	for _, s := range d.Settings {
		out.Settings = append(out.Settings, settingJSON{
			Key: s.Key, Type: types[s.Type], Unit: s.Unit, Help: s.Help, Default: s.Default, Required: s.Required,
			Minimum: s.Minimum, Maximum: s.Maximum, Choices: s.Choices,
		})
	}
	return out
}
