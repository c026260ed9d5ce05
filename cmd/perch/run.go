package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"perch/adapters/demo"
	"perch/host/awake"
	"perch/host/chain"
	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/cueing"
	"perch/host/estimate"
	"perch/host/mechanism"
	"perch/host/plugin"
	"perch/host/record"
	"perch/host/ride"
	"perch/host/signs"
	"perch/sdk/recording"
)

type runOptions struct {
	config  string
	sources []string
	sets    []string
	seat    string
	rate    float64
	length  time.Duration
	rider   string
	trace   string
	record  string
	arm     bool
	json    bool
	probe   string
	signs   string
}

func runCommand() *cobra.Command {
	var o runOptions
	c := &cobra.Command{
		Use:   "run",
		Short: "Ride: a source, through the chain and the guard, to a seat",
		Long: `Start the sources, open the seat's controller, and move the seat as the live source's vehicle moves.

Without anything else an invented flight moves a simulated seat. A controller that says it is simulated homes and arms
itself, because nothing moves. Any other stays parked until you ask: h homes it; hold a for a second to arm it. Esc or
space always stops. Ctrl-C settles, parks and ends; a second Ctrl-C ends at once, and the controller brakes by itself.

A source whose signs nobody has confirmed with perch signs rides a real seat gently, at 25 % of intensity at most, and is
marked so; one that was seen to be wrong does not ride it. The invented flight is confirmed: it is the program's own.

Before anyone rides: a switch that cuts the motor supply without this program, and somebody at that switch. Perch is no
substitute for it and carries no safety rating; local codes come first.`,
		Example: `  perch run
  perch run --source mavlink --set listen=udp://127.0.0.1:14550 --seat /dev/ttyACM0
  perch run --source mavlink --set file=flight.tlog --trace ride.csv
  perch run --config seat-and-sources.toml --arm
  perch run --for 20s --json | head`,
		Args: arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error { return run(c.Context(), c.OutOrStdout(), o) },
	}
	f := c.Flags()
	f.StringVar(&o.config, "config", "", "a configuration `FILE` (TOML)")
	f.StringArrayVar(&o.sources, "source", nil, "an adapter by `NAME|PATH` (repeatable; the first is live)")
	f.StringArrayVar(&o.sets, "set", nil, "a setting: `KEY=VALUE` with one source, SOURCE.KEY=VALUE with several (repeatable)")
	f.StringVar(&o.seat, "seat", "", "the seat's `PORT`: simulated, a serial port, or usb:VID:PID[:SERIAL]")
	f.Float64Var(&o.rate, "rate", 0, "the loop's rate in `HZ`, 50 to 1000 (default 500)")
	f.DurationVar(&o.length, "for", 0, "settle, park and end after this long, such as 60s")
	f.StringVar(&o.rider, "rider", "", "the `MASS` of who sits in it, such as \"75 kg\"; one above the mass that the seat is sized for is refused")
	f.StringVar(&o.trace, "trace", "", "write a row a tick to this CSV `FILE`")
	f.StringVar(&o.record, "record", "", "record states, commands, status and events to this `FILE`")
	f.StringVar(&o.signs, "signs", "", "the `FILE` that perch signs keeps its answers in (default: in your folder for state)")
	f.BoolVar(&o.arm, "arm", false, "arm a real seat once, after cautions and a countdown (needs a terminal)")
	f.BoolVar(&o.json, "json", false, "ten JSON objects a second instead of a picture")
	f.StringVar(&o.probe, "probe", "", "write this ride's timing to a file, for perch measure")
	if err := f.MarkHidden("probe"); err != nil {
		panic(err) // the flag is two lines above
	}
	return c
}

// configured joins the file and the flags; flags go before the file.
func configured(o runOptions) (config.Config, error) {
	c := config.Default()
	if o.config != "" {
		var err error
		if c, err = config.Load(o.config); err != nil {
			return c, err
		}
	}
	if len(o.sources) > 0 {
		c.Sources = nil
		for _, name := range o.sources {
			p, err := program(name)
			if err != nil {
				return c, err
			}
			if slices.ContainsFunc(c.Sources, func(s config.Source) bool { return s.Name == p.Name }) {
				return c, fmt.Errorf("--source %s: named twice; give each source a name of its own in a --config file", name)
			}
			source := config.Source{Name: p.Name, Adapter: name}
			if p.Dir != "" { // not built in
				path, err := filepath.Abs(name)
				if err != nil {
					return c, fmt.Errorf("--source %s: %w", name, err)
				}
				source.Adapter, source.Command = "", []string{path}
			}
			c.Sources = append(c.Sources, source)
		}
		c.Live = c.Sources[0].Name
	}
	names := make([]string, len(c.Sources))
	for i, s := range c.Sources {
		names[i] = s.Name
	}
	sets, err := config.ParseSets(o.sets, names)
	if err != nil {
		return c, err
	}
	for i := range c.Sources {
		s := &c.Sources[i]
		merged := map[string]string{}
		for _, from := range []map[string]string{s.Settings, sets[s.Name]} {
			for k, v := range from {
				merged[k] = v
			}
		}
		s.Settings = merged
	}
	if o.seat != "" {
		c.Seat.Port = o.seat
	}
	if o.rate != 0 {
		if !(o.rate >= 50 && o.rate <= 1000) {
			return c, fmt.Errorf("--rate %g: the loop runs at 50 to 1000 Hz; choose a rate between them", o.rate)
		}
		c.Rate = o.rate
	}
	return c, nil
}

// chainSettings makes the chain's settings from the configuration.
func chainSettings(c config.Config, m mechanism.Mechanism) chain.Settings {
	cues := cueing.Preset(c.Profile.Class)
	cues.Intensity = c.Profile.Intensity
	if mode, err := cueing.ParseMode(c.Profile.Mode); err == nil { // config takes no other
		cues.Mode = mode
	}
	s := chain.Settings{
		Rate: c.Rate, Mechanism: m, Limits: commissioning.RideLimits(c.Seat, m.Axes()), Estimate: estimate.Settings{Delay: -1},
	}
	for i, source := range c.Sources {
		s.Cueing = append(s.Cueing, cues)
		if source.Name == c.Live {
			s.Live = i
		}
	}
	return s
}

// liveOf is the index of the source that is live first.
func liveOf(c config.Config) int {
	return max(0, slices.IndexFunc(c.Sources, func(s config.Source) bool { return s.Name == c.Live }))
}

// sources finds the program of each configured source. Relative paths are relative to base, the configuration
// file's folder.
func sources(c config.Config, base string) ([]ride.Source, error) {
	var out []ride.Source
	for _, s := range c.Sources {
		var p plugin.Program
		var err error
		if s.Adapter != "" {
			p, err = program(s.Adapter)
		} else {
			p, err = located(s, base)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, ride.Source{Name: s.Name, Program: p, Settings: s.Settings, Ours: s.Adapter == demo.Adapter().Name})
	}
	return out, nil
}

// located finds the files of a command: a folder with a manifest, or a program. The folder that a pin covers is the
// program's own; where an interpreter is named it is that of what it runs.
func located(s config.Source, base string) (plugin.Program, error) {
	folder := s.Command[0]
	if !filepath.IsAbs(folder) {
		folder = filepath.Join(base, folder)
	}
	if info, err := os.Stat(folder); err == nil && info.IsDir() && len(s.Command) == 1 {
		p, _, err := plugin.Load(folder)
		p.Name, p.SHA256 = s.Name, s.SHA256
		return p, err
	}
	p := plugin.Program{Name: s.Name, SHA256: s.SHA256}
	command, own, err := plugin.Resolve(base, s.Command, true)
	if err != nil {
		return p, fmt.Errorf("source %q: command %q: looked in folder %s: %w; give its path, or an interpreter and the path of a script", s.Name, s.Command, base, err)
	}
	p.Command, p.Dir = command, filepath.Dir(own)
	return p, nil
}

// checkLength refuses a --for that has passed before it began.
func checkLength(d time.Duration) error {
	if d < 0 {
		return fmt.Errorf("--for %v: is negative; give a time such as 60s, or leave it out to go on until Ctrl-C", d)
	}
	return nil
}

func run(ctx context.Context, w io.Writer, o runOptions) (err error) {
	if err := checkLength(o.length); err != nil {
		return refuse(err)
	}
	c, err := configured(o)
	if err != nil {
		return refuse(err)
	}
	if o.rider != "" {
		mass, err := config.ParseQuantity(o.rider, config.Mass)
		if err == nil {
			err = c.Seat.Load.Admit(mass)
		}
		if err != nil {
			return refuse(fmt.Errorf("--rider: %w", err))
		}
	}
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		return refuse(err)
	}
	warning, err := checkLine(c, m)
	if err != nil {
		return refuse(err)
	}
	from, err := sources(c, filepath.Dir(o.config))
	if err != nil {
		return refuse(err)
	}
	for i := range from {
		from[i].Check = howToCheck(o, c.Sources[i])
	}
	if o.arm && c.Seat.Port != config.Simulated && !term.IsTerminal(int(os.Stdin.Fd())) {
		return refuse(errors.New("--arm: needs a terminal to show the cautions and to stop from; start it in one"))
	}
	book, err := signsBook(o.signs)
	if err != nil {
		return refuse(fmt.Errorf("--signs: %w", err))
	}
	recorder, closeFiles, err := openRecorder(o, c, m)
	if err != nil {
		return refuse(err)
	}
	defer func() { err = errors.Join(err, closeFiles()) }()

	roomForLoop()
	screen := newScreen(w, o.json, c, m)
	defer screen.close()
	log := slog.New(screen.handler())
	var probe *ride.Probe
	if o.probe != "" {
		probe = ride.NewProbe(200_000, 50_000)
		defer func() { err = errors.Join(err, writeProbe(o.probe, probe)) }()
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	r, err := ride.New(ride.Settings{
		Chain: chainSettings(c, m), Sources: from, Recorder: recorder, Log: log,
		Tell: screen.tell, Attended: true, RealTime: true, Length: o.length, Probe: probe,
		Commissioned: commissioning.NewGate(c.Seat), Signs: book,
	})
	if err != nil {
		return refuse(err)
	}
	if err := r.Start(ctx); err != nil {
		return refuse(err)
	}
	if warning != "" {
		screen.tell(slog.LevelWarn, warning)
	}
	link, err := openSeat(context.WithoutCancel(ctx), c, m, log)
	if err != nil {
		return refuse(errors.Join(err, r.Stop()))
	}
	defer func() { err = errors.Join(err, link.Close()) }()
	if s := statusOf(link); c.SeatFile == "" && !s.Simulated {
		return refuse(errors.Join(fmt.Errorf("seat %q: the controller %q moves a real seat, and no seat file says what that is; name it with seat_file = \"seat.toml\" in a --config file", s.Port, s.Board), r.Stop()))
	}
	if s, v := statusOf(link), signsOf(r.Snapshot(), liveOf(c)); !s.Simulated && v.Standing == signs.Contradicted {
		return refuse(errors.Join(fmt.Errorf("source %s: %s; it does not ride a real seat", c.Live, v.Line()), r.Stop()))
	}
	if o.arm {
		if err := lack(c.Seat, link); err != nil {
			return refuse(errors.Join(fmt.Errorf("--arm: %w", err), r.Stop()))
		}
	}
	operator := newOperator(ctx, cancel, r, screen, link)
	defer operator.restore()
	go operator.attend(o.arm)
	awakeUntil, sleep := context.WithCancel(context.WithoutCancel(ctx)) // past a Ctrl-C, until the seat is parked
	defer sleep()
	go awake.While(awakeUntil, func() bool { s := statusOf(link); return s.Armed && !s.Simulated }, "the motion seat is armed", log)
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx, link) }()
	for frame := time.NewTicker(screen.every()); ; {
		select {
		case err := <-ended:
			frame.Stop()
			screen.show(r.Snapshot())
			return err
		case <-frame.C:
			screen.show(r.Snapshot())
		}
	}
}

// roomForLoop gives the scheduler one more place than there are processors, so that the loop's thread finds one when it
// wakes; and few collections, since each of them costs the loop.
func roomForLoop() {
	runtime.GOMAXPROCS(runtime.NumCPU() + 1)
	debug.SetGCPercent(400)
}

// openRecorder makes the files that were asked for.
func openRecorder(o runOptions, c config.Config, m mechanism.Mechanism) (*record.Recorder, func() error, error) {
	var files []*os.File
	closeAll := func() error {
		var err error
		for _, f := range files {
			err = errors.Join(err, f.Close())
		}
		return err
	}
	create := func(flag, path string) (*os.File, error) {
		f, err := os.Create(path)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w; name a file in a folder that exists", flag, err), closeAll())
		}
		files = append(files, f)
		return f, nil
	}
	var names, actuators []string
	for _, s := range c.Sources {
		names = append(names, s.Name)
	}
	for _, a := range m.Actuators() {
		actuators = append(actuators, a.Name+"_"+a.Unit)
	}
	var trace *record.Trace
	if o.trace != "" {
		f, err := create("--trace", o.trace)
		if err != nil {
			return nil, nil, err
		}
		if trace, err = record.NewTrace(f, 1/c.Rate, names, m.Actuators()); err != nil {
			return nil, nil, errors.Join(fmt.Errorf("--trace: %w", err), closeAll())
		}
	}
	var to *recording.Writer
	if o.record != "" {
		f, err := create("--record", o.record)
		if err != nil {
			return nil, nil, err
		}
		text := config.DefaultText()
		if o.config != "" {
			if text, err = os.ReadFile(o.config); err != nil {
				return nil, nil, errors.Join(fmt.Errorf("--config: %w", err), closeAll())
			}
		}
		to, err = recording.NewWriter(f, recording.Header{
			PerchVersion: version, Rate: c.Rate, Started: time.Now().UnixNano(), Config: strings.ToValidUTF8(string(text), "?"),
			Sources: names, Actuators: actuators,
		})
		if err != nil {
			return nil, nil, errors.Join(fmt.Errorf("--record: %w", err), closeAll())
		}
	}
	return record.NewRecorder(trace, to, len(actuators)), closeAll, nil
}
