package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"perch/conformance/controller"
	"perch/conformance/report"
	"perch/host/config"
	"perch/host/seat"
	"perch/host/seat/simulated"
	"perch/host/terminal"
)

type conformControllerOptions struct {
	reports
	port, file    string
	baud          int
	cranksOff     bool
	despiteRecord bool
	levelled      bool
	only          []string
	explain       string
}

func conformControllerCommand() *cobra.Command {
	var o conformControllerOptions
	c := &cobra.Command{
		Use:   "controller",
		Short: "Prove a seat controller: frames, states, watchdog, brake, limits",
		Long: `Prove a controller that claims the seat link, over its port alone: frames and resynchronisation, the table of states, homing and
arming, directions, limits, watchdog, brake law and latch. It takes a minute or two.

The motors move by themselves meanwhile, some of it fast and over most of their travel: take the rods off the cranks, or uncouple
the motors, and keep nobody near them. You are asked about that, unless the controller says that it is simulated.
--cranks-off says so beforehand. A seat that has a commissioning record is asked about again; without a terminal it needs
--despite-record too.

At the end the controller's limits are narrower by a millionth, until its next reset; reset it before you ride.

Exit codes: 0 conforms, in part too; 1 does not; 2 could not be judged.`,
		Example: `  perch conform controller --port /dev/ttyACM0
  perch conform controller --seat-file seat.toml --cranks-off --json
  perch conform controller --port simulated
  perch conform controller --explain watchdog`,
		Args: arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			if o.explain != "" {
				return explain(c.OutOrStdout(), o.explain, o.markdown)
			}
			return conformController(c.Context(), c.OutOrStdout(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.port, "port", "", "the controller's `PORT`: simulated, a serial port, or usb:VID:PID[:SERIAL] (default: the seat file's)")
	f.IntVar(&o.baud, "baud", 0, "the line's `BAUD` (default: the seat file's, or 500000)")
	f.StringVar(&o.file, "seat-file", "", "the seat's own `FILE`")
	o.flags(c)
	f.BoolVar(&o.cranksOff, "cranks-off", false, "say beforehand that the rods are off the cranks and nobody is near")
	f.BoolVar(&o.despiteRecord, "despite-record", false, "say beforehand that it is a commissioned seat and is taken apart on purpose")
	f.BoolVar(&o.levelled, "levelled", false, "say beforehand that the cranks of a controller that is homed by hand are where its HOME takes them to be")
	f.StringSliceVar(&o.only, "only", nil, "only the check with this `ID` (repeatable), and what it needs")
	explainFlag(c, &o.explain)
	return c
}

func conformController(ctx context.Context, w io.Writer, o conformControllerOptions) error {
	checks, err := report.Choose(controller.Checks(), o.only)
	if err != nil {
		return refuse(fmt.Errorf("--only: %w", err))
	}
	s := config.DefaultSeat()
	if o.file != "" {
		if s, err = config.LoadSeat(o.file); err != nil {
			return refuse(err)
		}
		if s.Driver == config.TextDriver {
			return refuse(fmt.Errorf("%s: its controller is driven as text and does not claim the seat link; what is known of it is for perch commission", o.file))
		}
	} else if o.port == "" {
		return refuse(errors.New(`--port: missing; name the controller's port, as perch ports lists it, or "simulated"`))
	}
	if o.port != "" {
		s.Port = o.port
	}
	if o.baud != 0 {
		s.Baud = o.baud
	}
	ctx, stop := interrupted(ctx)
	defer stop()
	port, err := openController(ctx, s)
	if err != nil {
		return refuse(err)
	}
	defer func() {
		time.Sleep(100 * time.Millisecond) // for the last stop to leave a buffer
		_ = port.Close()
	}()
	subject, err := controller.Connect(controller.Open(ctx, port))
	if err != nil {
		if ctx.Err() != nil {
			err = errors.New("interrupted")
		}
		r := report.Report{Subject: "the controller on " + s.Port, Problem: err.Error(), Checks: []report.Result{}}
		r.Judge()
		return o.conclude(w, &r, report.Pages(controller.Checks()))
	}
	if hello := subject.Hello(); subject.Understood() && !hello.Simulated {
		if board := hello.BoardName(); s.Board != "" && board != s.Board {
			return refuse(fmt.Errorf("%s: its controller is %q, and %q is connected; look at the port", o.file, s.Board, board))
		}
		if err := cranksOff(ctx, w, o, !s.Record.IsZero(), hello.ByHand); err != nil {
			return refuse(err)
		}
	}
	titles := make([]string, len(checks))
	for i := range checks {
		titles[i] = checks[i].Title
	}
	p := newProgress(os.Stderr, titles)
	r := controller.Run(ctx, subject, checks, p.done)
	if p.on {
		fmt.Fprint(os.Stderr, "\r\x1b[K")
	}
	err = o.conclude(w, &r, report.Pages(controller.Checks()))
	if !o.json && !subject.Hello().Simulated && slices.ContainsFunc(r.Checks, func(c report.Result) bool {
		return c.ID == controller.Tighten && c.Outcome != report.NotCheckable
	}) {
		fmt.Fprintln(w, "The controller's limits are narrower by a millionth until its next reset; reset it before you ride.")
	}
	return err
}

// openController opens the port of a seat, or a simulated controller in this process.
func openController(ctx context.Context, s config.Seat) (io.ReadWriteCloser, error) {
	if s.Port == config.Simulated {
		m, err := s.Mechanism.New()
		if err != nil {
			return nil, err
		}
		return simulated.Dial(context.WithoutCancel(ctx), controllerSettings(config.Config{Seat: s}, m))
	}
	dial, err := seat.NewDial(s.Port, s.Baud)
	if err != nil {
		return nil, err
	}
	port, _, err := dial(ctx)
	return port, err
}

// cranksOff makes sure that nothing hangs on the motors.
func cranksOff(ctx context.Context, w io.Writer, o conformControllerOptions, recorded, byHand bool) error {
	cautions := append(terminal.Cautions(), "",
		"This seat's motors move by themselves now, some of it fast and over most of their travel, whatever the controller makes of it.",
		"The rods must be off the cranks, or the motors uncoupled; nobody in the seat or near the motors; somebody at the switch.")
	if !term.IsTerminal(int(os.Stdin.Fd())) || !term.IsTerminal(int(os.Stdout.Fd())) || o.cranksOff && (!recorded || o.despiteRecord) && (!byHand || o.levelled) {
		switch {
		case !o.cranksOff:
			return errors.New("the controller does not say that it is simulated, and there is no terminal to ask at; take the rods off the cranks and say so with --cranks-off")
		case recorded && !o.despiteRecord:
			return fmt.Errorf("%s: has a commissioning record, so it may be ready to ride; if its rods really are off, add --despite-record, and commission it again afterwards", o.file)
		}
		if byHand && !o.levelled {
			return errors.New("the controller is homed by hand: with the motors' supply off put the cranks where its HOME takes them to be, switch on, and add --levelled")
		}
		for _, l := range cautions {
			fmt.Fprintln(os.Stderr, l)
		}
		return nil
	}
	talk, err := terminal.NewDialogue(os.Stdin, w)
	if err != nil {
		return err
	}
	defer func() { _ = talk.Close() }()
	ask := &talker{ctx: ctx, d: talk}
	ask.Tell(cautions...)
	ask.Tell("")
	var questions []string
	if !o.cranksOff {
		questions = append(questions, "Are the rods off the cranks, or the motors uncoupled, and is nobody near them?")
	}
	if recorded && !o.despiteRecord {
		questions = append(questions, o.file+" has a commissioning record, so this seat may be ready to ride. Is it taken apart now, and will you commission it again?")
	}
	if byHand && !o.levelled {
		questions = append(questions, "This controller is homed by hand. Are the cranks where its HOME takes them to be, and were the motors without power while they were put there?")
	}
	for _, q := range questions {
		yes, err := ask.Confirm(q)
		if err != nil {
			return err
		}
		if !yes {
			return errors.New("nothing was moved; see to that first")
		}
	}
	return nil
}
