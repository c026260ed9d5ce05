package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"perch/host/chain"
	"perch/host/config"
	"perch/host/preview"
	"perch/host/record"
)

type previewOptions struct {
	config, against string
	source, truth   string
	trace, plot     string
	floor, json     bool
}

// plainSeat is the word for the seat of preview.Default, where a configuration file could stand.
const plainSeat = "default"

func previewCommand() *cobra.Command {
	var o previewOptions
	c := &cobra.Command{
		Use:   "preview RECORDING|STATES",
		Short: "See how a flight would feel: the whole chain offline",
		Long: `Run a recording of a ride, or a states table (CSV or JSON lines, packed with gzip or not), through estimation, cueing and guard, much
faster than it was flown, and say how it would have felt. Nothing moves.

The perceived error compares what models of the inner ear make of the vehicle's motion and of the seat's: 0 is the
vehicle, 1 a chair that never moves, more is worse than not moving. A false cue is one that is perceived on the seat,
and in the vehicle not at all or the other way. --floor adds the least error that any motion within the travel could
have with the next two minutes known.

Without a configuration the seat turns 12 deg either way about roll and pitch, at up to 40 deg/s, with full cues in the
mode predictive. Of a configuration the seat and the profile count; its sources do not.

Exit codes: 0 done; 1 tried and failed; 2 refused, nothing was run.`,
		Example: `  perch preview flight.rec
  perch preview flight.csv.gz --floor --plot flight.html
  perch preview flight.csv --config ride.toml --against default --plot compared.svg
  perch preview flight.csv --trace trace.csv --json
  perch preview poor.csv --truth good.csv`,
		Args: arguments(1, "one recording or states table"),
		RunE: func(c *cobra.Command, args []string) error {
			ctx, stop := interrupted(c.Context())
			defer stop()
			return previewed(ctx, c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.config, "config", "", "a configuration `FILE` (TOML), or default for the plain seat")
	f.StringVar(&o.against, "against", "", "a second configuration `FILE` to set beside the first, or default")
	f.StringVar(&o.source, "source", "", "which source of a recording, by its `NAME`")
	f.StringVar(&o.truth, "truth", "", "judge by the vehicle's motion in this other `FILE` of the same flight, on the same clock")
	f.StringVar(&o.trace, "trace", "", "write a row a tick to this CSV `FILE` (of --config)")
	f.StringVar(&o.plot, "plot", "", "draw it into this `FILE`, .svg or .html")
	f.BoolVar(&o.floor, "floor", false, "also find the least error that there could be")
	f.BoolVar(&o.json, "json", false, "the figures as one JSON object")
	return c
}

// check finds what is wrong with the flags before time is spent.
func (o *previewOptions) check() error {
	var err error
	for _, x := range []struct{ flag, path string }{{"--trace", o.trace}, {"--plot", o.plot}} {
		if x.path == "" {
			continue
		}
		if info, e := os.Stat(filepath.Dir(x.path)); e != nil || !info.IsDir() {
			err = errors.Join(err, fmt.Errorf("%s %s: there is no such folder; name a file in one that exists", x.flag, x.path))
		}
	}
	if ext := strings.ToLower(filepath.Ext(o.plot)); o.plot != "" && ext != ".svg" && ext != ".html" {
		err = errors.Join(err, fmt.Errorf("--plot %s: a picture ends in .svg, a page in .html; name one of them", o.plot))
	}
	if o.plot != "" && filepath.Clean(o.plot) == filepath.Clean(o.trace) {
		err = errors.Join(err, fmt.Errorf("--plot and --trace: both are %s; give each a file of its own", o.plot))
	}
	return err
}

// previewSettings are those of a configuration file, or the plain seat's.
func previewSettings(path, class string) (preview.Settings, error) {
	if path == "" || path == plainSeat {
		return preview.Default(class)
	}
	c, err := config.Load(path)
	if err != nil {
		return preview.Settings{}, err
	}
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		return preview.Settings{}, fmt.Errorf("%s: %w", path, err)
	}
	c.Sources, c.Live = []config.Source{{Name: "flight"}}, "flight"
	s := preview.Settings{Name: strings.TrimSuffix(filepath.Base(path), ".toml"), Chain: chainSettings(c, m), Head: c.Seat.Load.HeadHeight}
	if s.Head == 0 {
		s.Head = preview.DefaultHead
	}
	return s, nil
}

func previewed(ctx context.Context, w io.Writer, path string, o previewOptions) (err error) {
	if err := o.check(); err != nil {
		return refuse(err)
	}
	flight, err := preview.Open(path, o.source)
	if err != nil {
		return refuse(err)
	}
	var truth *preview.Flight
	if o.truth != "" {
		if truth, err = preview.Open(o.truth, ""); err != nil {
			return refuse(fmt.Errorf("--truth: %w", err))
		}
	}
	var all []preview.Settings
	for i, x := range []struct{ flag, path string }{{"--config", o.config}, {"--against", o.against}} {
		if i > 0 && x.path == "" {
			continue
		}
		s, err := previewSettings(x.path, flight.Class)
		if err != nil {
			return refuse(fmt.Errorf("%s: %w", x.flag, err))
		}
		s.Floor = o.floor
		all = append(all, s)
	}
	told := newHowFar(o.json)
	defer told.end()
	var runs []*preview.Result
	run := func(s preview.Settings, each func(float64, *chain.Row) error) error {
		r, err := preview.Run(ctx, flight, truth, s, each, func(x float64) { told.at((float64(len(runs)) + x) / float64(len(all))) })
		if err != nil {
			return err
		}
		runs = append(runs, r)
		return nil
	}
	for i, s := range all {
		if i > 0 || o.trace == "" {
			err = run(s, nil)
		} else {
			err = writeFile(o.trace, func(file io.Writer) error {
				name := flight.Source
				if name == "" {
					name = "states"
				}
				t, err := record.NewTrace(file, 1/s.Chain.Rate, []string{name}, s.Chain.Mechanism.Actuators())
				if err != nil {
					return err
				}
				t.Begin = flight.Begin()
				return errors.Join(run(s, func(_ float64, row *chain.Row) error { return t.Write(row) }), t.Flush())
			})
		}
		if errors.Is(err, context.Canceled) {
			return errors.New("interrupted; nothing was written")
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	told.end()
	if o.plot != "" {
		draw := preview.WriteSVG
		if strings.EqualFold(filepath.Ext(o.plot), ".html") {
			draw = preview.WriteHTML
		}
		if err := writeFile(o.plot, func(file io.Writer) error { return draw(file, runs...) }); err != nil {
			return fmt.Errorf("--plot: %w", err)
		}
	}
	if !o.json {
		return preview.WriteTable(w, runs...)
	}
	out := struct {
		File   string            `json:"file"`
		Source string            `json:"source,omitempty"`
		Class  string            `json:"vehicle_class,omitempty"`
		States int               `json:"states"`
		Length float64           `json:"length_s"`
		Runs   []preview.Figures `json:"runs"`
	}{path, flight.Source, flight.Class, flight.States(), flight.Seconds(), nil}
	for _, r := range runs {
		out.Runs = append(out.Runs, r.Figures())
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(out)
}

// howFar says on a terminal how far a run is that takes long.
type howFar struct {
	shown bool
	since time.Time
	on    bool
}

func newHowFar(quiet bool) *howFar {
	return &howFar{on: !quiet && term.IsTerminal(int(os.Stderr.Fd())), since: time.Now()}
}

func (p *howFar) at(share float64) {
	if p.on && time.Since(p.since) > time.Second {
		fmt.Fprintf(os.Stderr, "\r%3.0f %%", 100*share)
		p.shown = true
	}
}

func (p *howFar) end() {
	if p.shown {
		fmt.Fprint(os.Stderr, "\r     \r")
		p.shown = false
	}
}
