package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"perch/host/config"
	"perch/host/plugin"
	"perch/host/terminal"
	"perch/sdk/vehicle"
)

type watchOptions struct {
	sets   []string
	length time.Duration
	json   bool
	csv    string
}

func watchCommand() *cobra.Command {
	var o watchOptions
	c := &cobra.Command{
		Use:   "watch ADAPTER|PATH",
		Short: "Show what a source gives, as its adapter gave it",
		Long: `Start an adapter and show its states live, as it gave them: nothing is derived, nothing is filled in, and
what is not shown was not measured. No seat is opened.

--json prints one flat object a state; --csv writes the states table. Without --for it goes on until Ctrl-C.`,
		Example: `  perch watch demo --for 5s
  perch watch mavlink --set listen=udp://127.0.0.1:14550
  perch watch mavlink --set file=flight.tlog --json | head
  perch watch demo --for 10s --csv states.csv`,
		Args: arguments(1, "the name or path of one adapter"),
		RunE: func(c *cobra.Command, args []string) error {
			ctx, stop := interrupted(c.Context())
			defer stop()
			return watch(ctx, c.OutOrStdout(), args[0], o)
		},
	}
	c.Flags().StringArrayVar(&o.sets, "set", nil, "a setting of the adapter, `KEY=VALUE` (repeatable)")
	c.Flags().DurationVar(&o.length, "for", 0, "end after this long, such as 10s")
	c.Flags().BoolVar(&o.json, "json", false, "one flat JSON object a state")
	c.Flags().StringVar(&o.csv, "csv", "", "write the states table to this `FILE`")
	return c
}

func watch(ctx context.Context, w io.Writer, name string, o watchOptions) (err error) {
	if err := checkLength(o.length); err != nil {
		return refuse(err)
	}
	p, err := program(name)
	if err != nil {
		return refuse(err)
	}
	settings, err := config.ParseSets(o.sets, []string{p.Name})
	if err != nil {
		return refuse(err)
	}
	if o.length > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.length)
		defer cancel()
	}
	out := &stateOutput{json: o.json, lines: bufio.NewWriter(w)}
	if o.csv != "" {
		file, err := os.Create(o.csv)
		if err != nil {
			return refuse(fmt.Errorf("--csv: %w; name a file in a folder that exists", err))
		}
		buffered := bufio.NewWriter(file)
		out.table = vehicle.NewCSVWriter(buffered)
		defer func() { err = errors.Join(err, out.table.Flush(), buffered.Flush(), file.Close()) }()
	}
	source, err := plugin.Start(ctx, p, settings[p.Name], plugin.Options{
		Log:    slog.New(lineHandler{tell: func(_ slog.Level, line string) { fmt.Fprintln(os.Stderr, line) }}),
		Sink:   out.take,
		Notify: func(e plugin.Event) { fmt.Fprintln(os.Stderr, e.Text) },
	})
	if err != nil {
		return refuse(err)
	}
	started := time.Now()
	live := terminal.NewWatch(w, isTerminal(w), terminal.Size(os.Stdout))
	defer func() {
		err = errors.Join(err, live.Close())
		stopping, cancel := context.WithTimeout(context.Background(), 6*time.Second)
		defer cancel()
		err = errors.Join(err, source.Stop(stopping), out.flush())
	}()
	interval := time.Second
	if isTerminal(w) {
		interval = 100 * time.Millisecond
	}
	for ticker := time.NewTicker(interval); ; {
		select {
		case <-ctx.Done():
			ticker.Stop()
			return nil
		case <-ticker.C:
			if err := out.flush(); err != nil {
				return err
			}
			if !o.json {
				state, received := out.latest()
				if received == 0 {
					continue
				}
				live.Render(time.Since(started), shown(source.Status(), p.Name, received, time.Since(started), &state), &state)
			}
		}
	}
}

// shown describes the source to the screen; the rate is what was received since the start.
func shown(status plugin.Status, name string, received uint64, elapsed time.Duration, s *vehicle.State) terminal.Source {
	out := terminal.Source{Name: name, Condition: s.Condition.String(), Rate: float64(received) / elapsed.Seconds()}
	if status.Phase != plugin.Running {
		out.Condition = status.Phase.String()
	}
	return out
}

// stateOutput takes states from the adapter's reader and hands them to a file, to lines, and to the screen.
type stateOutput struct {
	json bool

	mu       sync.Mutex
	joined   vehicle.State // newest value of each signal, for the screen alone
	received uint64
	table    *vehicle.CSVWriter
	lines    *bufio.Writer
	line     []byte
	err      error
}

func (o *stateOutput) take(s *vehicle.State) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.received++
	join(&o.joined, s)
	if o.table != nil {
		o.err = errors.Join(o.err, o.table.Write(s))
	}
	if o.json {
		o.line = append(vehicle.AppendJSON(o.line[:0], s), '\n')
		_, err := o.lines.Write(o.line)
		o.err = errors.Join(o.err, err)
	}
}

func (o *stateOutput) latest() (vehicle.State, uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.joined, o.received
}

func (o *stateOutput) flush() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return errors.Join(o.err, o.lines.Flush())
}

// join lays a state over the one that is shown.
func join(shown, s *vehicle.State) {
	present, values := shown.Present, shown.Values
	for x := range vehicle.SignalCount {
		if s.Present.Has(x) {
			values[x] = s.Values[x]
		}
	}
	name, class := shown.Name, shown.Class
	*shown = *s
	shown.Values, shown.Present = values, present|s.Present
	if shown.Name == "" {
		shown.Name = name
	}
	if shown.Class == "" {
		shown.Class = class
	}
}

// isTerminal says whether w is a screen that can be drawn on.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && terminal.Capable(f)
}
