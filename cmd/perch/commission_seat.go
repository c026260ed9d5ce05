package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"go.bug.st/serial"

	"perch/host/commissioning"
	"perch/host/commissioning/guide"
	"perch/host/commissioning/practice"
	"perch/host/config"
	"perch/host/guard"
	"perch/host/jog"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/seat"
	"perch/host/terminal"
	"perch/proto/seatlink"
)

// commissionOnSeat are the steps on the real seat, in the order in which they are done.
func commissionOnSeat() []*cobra.Command {
	steps := []struct{ name, short, long string }{
		{commissioning.Identity, "1. Which controller it is, and that the supply switch works (rods off)",
			`Nobody in the seat, rods off the cranks. Which controller is on the port, do its limits fit the seat file, does the switch
of the motor supply cut the motors' power, does nothing move when it comes back; and, where they are wired, the
drivers' alarms.`},
		{commissioning.Directions, "2. Which way each motor turns, and each home switch (rods off)",
			`Nobody in the seat, rods off the cranks. Each home switch is pressed by hand; the seat homes for the first time; each
crank turns one degree up while you hold a key. The firmware owns the signs: where one is wrong, this step names the line of
board.h to change.`},
		{commissioning.Homing, "3. That it homes, each time to the same place (rods off)",
			`Nobody in the seat, rods off the cranks. It homes five times from different places; the edges of the home switches have to
come to lie within 0.1 deg (0.2 mm).`},
		{commissioning.Angles, "4. The seat's angles as you measure them, and their signs (rods on, ballast)",
			`Nobody in the seat, rods on, guards in place, ballast tied down. Each axis moves to both sides at reduced speed while you
hold a key; you read an inclinometer or a phone and type the angle. The readings have to lie within 0.5 deg of a straight line,
with a scale within 5 % and level within 0.5 deg.`},
		{commissioning.Stops, "5. That it stops by itself, whatever fails (rods on, ballast)",
			`Nobody in the seat, rods on, guards in place, ballast tied down. While the seat sways at reduced speed: the stop key, the
data cable pulled, its program killed, another program at its port, the switch of the motor supply. It has to stop softly,
stay there, and its controller must not have restarted.`},
		{commissioning.Power, "6. What the seat does without power (rods on, ballast)",
			`Nobody in the seat, rods on, guards in place, ballast tied down. The motor supply is switched off where the seat has most to
fall. If it falls, nobody rides until the seat file names the brake, the balance or the buffers that hold it, and they do.`},
		{commissioning.Raise, "7. Full limits with the heaviest rider's ballast, raised slowly",
			`Nobody in the seat, rods on, guards in place, ballast of the heaviest rider tied down. Each axis moves to both sides at 25, 50
and 100 % of the limits while you hold a key.`},
	}
	var out []*cobra.Command
	for _, s := range steps {
		var file, port string
		c := &cobra.Command{
			Use: s.name, Short: s.short,
			Long: s.long + `

Every movement needs a key that is held, the right arrow; let go, and the seat stops. Esc stops it at once. A question is
answered with yes or no, typed out; no ends the step with what to do. What was done is kept in [commissioning] of the seat
file; nothing else of the file changes. With --seat simulated it is practice, and nothing is kept.`,
			Example: fmt.Sprintf("  perch commission %s --seat-file seat.toml --seat /dev/ttyACM0\n  perch commission %s --seat-file seat.toml --seat simulated", s.name, s.name),
			Args:    arguments(0, "no argument"),
			RunE: func(c *cobra.Command, _ []string) error {
				return commission(c.Context(), c.OutOrStdout(), file, port, s.name)
			},
		}
		seatFileFlag(c, &file)
		seatPortFlag(c, &port)
		out = append(out, c)
	}
	return append(out, commissionStatus(), commissionSway())
}

func seatPortFlag(c *cobra.Command, port *string) {
	c.Flags().StringVar(port, "seat", "", "the seat's `PORT`: simulated, a serial port, or usb:VID:PID[:SERIAL] (default: the seat file's)")
}

// seatOn reads a seat file, with the port of the flag where there is one.
func seatOn(file, port string) (config.Seat, error) {
	s, err := seatFile(file)
	if err == nil && port != "" {
		s.Port = port
	}
	return s, err
}

// commission does a step.
func commission(ctx context.Context, w io.Writer, file, port, step string) error {
	s, err := seatOn(file, port)
	if err != nil {
		return refuse(err)
	}
	m, err := s.Mechanism.New()
	if err != nil {
		return refuse(err)
	}
	host, err := hostFor(s, m, file)
	if err != nil {
		return refuse(err)
	}
	talk, err := terminal.NewDialogue(os.Stdin, w)
	if err != nil {
		return refuse(fmt.Errorf("perch commission %s: %w", step, err))
	}
	defer func() { _ = talk.Close() }()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	o := &talker{ctx: ctx, d: talk}
	if s.Port == config.Simulated {
		o.Tell("This is practice: the controller is simulated, nothing moves, and nothing is kept.", "")
	}
	o.Tell(terminal.Cautions()...)
	o.Tell("")
	if yes, err := o.Confirm("Have you read this, and is somebody at the switch of the motor supply?"); err != nil || !yes {
		return refuse(errors.Join(err, fmt.Errorf("perch commission %s: nothing was done; read the cautions, and have somebody at the switch", step)))
	}
	roomForLoop()
	r, err := guide.Sitting{Operator: o, Host: host, Seat: s, RealTime: true, Now: time.Now}.Do(ctx, step)
	fault := new(guide.Fault)
	isFault := errors.As(err, &fault)
	switch {
	case err != nil && !isFault && !r.Begun:
		return refuse(err)
	case err != nil && !isFault:
		return err
	case r.Simulated && err == nil:
		o.Tell("", fmt.Sprintf("%s went well. It was practice, with a simulated controller: nothing is recorded.", step))
		return nil
	case r.Simulated:
		return err
	}
	record := commissioning.Enter(s, r.Who, step, r.Step)
	if e := config.WriteRecord(file, record); e != nil {
		return errors.Join(err, e)
	}
	if err != nil {
		return fmt.Errorf("%s failed, and %s says so: %w", step, file, err)
	}
	s.Record = record
	o.Tell("", fmt.Sprintf("%s passed; it is in %s.", step, file))
	if e := commissioning.Check(s, r.Who); e != nil {
		next, _, _ := strings.Cut(e.Error(), "\n")
		o.Tell("Next: " + next + ".")
	} else {
		o.Tell("This seat is commissioned: perch run may ride it.")
	}
	return nil
}

// talker is the operator at a terminal.
type talker struct {
	ctx context.Context
	d   *terminal.Dialogue
}

func (t *talker) Tell(lines ...string) {
	for _, l := range lines {
		t.d.Say(l)
	}
}

func (t *talker) Confirm(question string) (bool, error) {
	t.d.Forget()
	for {
		answer, err := t.d.Line(t.ctx, question+" [yes or no] ")
		if err != nil {
			return false, err
		}
		switch strings.ToLower(answer) {
		case "yes":
			return true, nil
		case "no":
			return false, nil
		}
		t.Tell("Type yes or no, and Enter. Ctrl-C ends the step.")
	}
}

func (t *talker) Number(question string, d config.Dimension) (float64, error) {
	t.d.Forget()
	for {
		answer, err := t.d.Line(t.ctx, question)
		if err != nil {
			return 0, err
		}
		v, err := config.ParseQuantity(answer, d)
		if err == nil {
			return v, nil
		}
		t.Tell(err.Error())
	}
}

func (t *talker) Hold(instruction string, h guide.Hold) error {
	t.Tell(instruction + " [hold →]")
	var ended error
	return t.d.Keys(t.ctx, func(k terminal.Key) {
		switch k.Kind {
		case terminal.Move:
			h.Press()
		case terminal.Stop:
			h.Stop()
		case terminal.End:
			h.Stop()
			ended = terminal.ErrInterrupted
		}
	}, func() (bool, error) {
		if ended != nil {
			return false, ended
		}
		return h.Done()
	})
}

func (t *talker) Wait(instruction string, done func() bool) error {
	t.Tell(instruction + " [it goes on by itself]")
	var ended error
	return t.d.Keys(t.ctx, func(k terminal.Key) {
		if k.Kind == terminal.End {
			ended = terminal.ErrInterrupted
		}
	}, func() (bool, error) { return done(), ended })
}

// hostFor is the way to the seat's controller, or to one that is simulated here.
func hostFor(s config.Seat, m mechanism.Mechanism, file string) (guide.Host, error) {
	if s.Port == config.Simulated {
		c := controllerSettings(config.Config{Seat: s}, m)
		settings, sway := swayOf(s, m, c.Limits[:c.Axes.N])
		return practice.New(c, settings, sway)
	}
	return &portHost{seat: s, m: m, file: file}, nil
}

// slowed is the seat at reduced speed, with actuators no faster than its controller takes then.
func slowed(s config.Seat, m mechanism.Mechanism, limits []seatlink.AxisLimits) (mechanism.Mechanism, guard.Limits) {
	return jog.Slowed(m, s.Limits, commissioning.ReducedOf(s), jog.Reduced(limits))
}

// swayOf is how a program moves that is killed while it does.
func swayOf(s config.Seat, m mechanism.Mechanism, limits []seatlink.AxisLimits) (jog.Settings, pose.Pose) {
	slow, l := slowed(s, m, limits)
	var to pose.Pose
	for a := range pose.Count {
		if m.Axes().Has(a) {
			to[a] = 0.5 * min(l.High[a], -l.Low[a])
			if a == pose.Roll || a == pose.Pitch {
				one := to[a]
				to = pose.Pose{}
				to[a] = one
				break
			}
		}
	}
	return jog.Settings{Mechanism: slow, Limits: l}, to
}

// portHost is a guide.Host over a serial port.
type portHost struct {
	seat config.Seat
	m    mechanism.Mechanism
	file string
	path string // where the port was found last
}

// Open opens the port.
func (h *portHost) Open(ctx context.Context) (guide.Line, error) {
	d, err := openSeat(ctx, config.Config{Seat: h.seat, SeatFile: h.file, Rate: 500}, h.m, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, err
	}
	h.path = statusOf(d).Port
	if l, ok := d.(guide.Line); ok {
		return l, nil
	}
	return silent{d}, nil
}

// silent is a line to a controller that holds no limits, or none that it tells.
type silent struct{ seat.Driver }

// Limits gives none.
func (silent) Limits(context.Context) ([]seatlink.AxisLimits, error) { return nil, nil }

// Intrude opens the port as another program would, without minding our lock.
func (h *portHost) Intrude(context.Context) error {
	p, err := serial.Open(h.path, &serial.Mode{BaudRate: max(9600, h.seat.Baud)})
	if err != nil {
		return err
	}
	return errors.Join(nil, p.Close())
}

// Pretend leaves everything to the operator.
func (h *portHost) Pretend(guide.Act, int) bool { return false }

// swaying is what the other program says of itself.
type swaying struct {
	Moving    bool                `json:"moving"`
	Positions mechanism.Positions `json:"positions"`
}

// rival is another perch that moves the seat.
type rival struct {
	cmd  *exec.Cmd
	in   io.WriteCloser
	mu   sync.Mutex
	last swaying
}

// Child starts perch commission sway.
func (h *portHost) Child(ctx context.Context) (guide.Child, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	p := &rival{cmd: exec.CommandContext(ctx, self, "commission", "sway", "--seat-file", h.file, "--seat", h.seat.Port)}
	p.cmd.Stderr = os.Stderr
	out, err := p.cmd.StdoutPipe()
	if err == nil {
		p.in, err = p.cmd.StdinPipe()
	}
	if err == nil {
		err = p.cmd.Start()
	}
	if err != nil {
		return nil, err
	}
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var s swaying
			if json.Unmarshal(lines.Bytes(), &s) == nil {
				p.mu.Lock()
				p.last = s
				p.mu.Unlock()
			}
		}
	}()
	return p, nil
}

// Press moves for as long as one press does.
func (p *rival) Press() error {
	_, err := p.in.Write([]byte{'\n'})
	return err
}

// Moving is what it said last.
func (p *rival) Moving() (bool, mechanism.Positions) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.last.Moving, p.last.Positions
}

// Kill kills it.
func (p *rival) Kill() error {
	err := p.cmd.Process.Kill()
	_ = p.cmd.Wait() // it ends by the signal
	return err
}

// commissionSway is the program that perch commission stops kills.
func commissionSway() *cobra.Command {
	var file, port string
	c := &cobra.Command{
		Use: "sway", Hidden: true, Short: "Sway at reduced speed, 150 ms for each byte of the input",
		Example: "  perch commission sway --seat-file seat.toml", Args: arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			s, err := seatOn(file, port)
			if err != nil {
				return refuse(err)
			}
			m, err := s.Mechanism.New()
			if err != nil {
				return refuse(err)
			}
			return sway(c.Context(), c.InOrStdin(), c.OutOrStdout(), &portHost{seat: s, m: m, file: file})
		},
	}
	seatFileFlag(c, &file)
	seatPortFlag(c, &port)
	return c
}

func sway(ctx context.Context, in io.Reader, out io.Writer, h *portHost) error {
	line, err := h.Open(ctx)
	if err != nil {
		return refuse(err)
	}
	defer func() { _ = line.Close() }()
	limits, err := line.Limits(ctx)
	if err != nil {
		return err
	}
	settings, to := swayOf(h.seat, h.m, limits)
	settings.RealTime = true
	roomForLoop()
	j, err := jog.New(settings, line)
	if err != nil {
		return err
	}
	defer j.Start(ctx)()
	pressed := make(chan bool)
	go func() {
		for b := make([]byte, 1); ; {
			if _, err := in.Read(b); err != nil {
				close(pressed)
				return
			}
			pressed <- true
		}
	}()
	say := time.NewTicker(20 * time.Millisecond)
	defer say.Stop()
	lines := json.NewEncoder(out)
	for {
		s := j.Snapshot()
		select {
		case <-ctx.Done():
			return nil
		case _, open := <-pressed:
			if !open {
				return nil
			}
			if s.State == jog.Still && s.Pose == to {
				for a := range to {
					to[a] = -to[a]
				}
			}
			j.Press(jog.Press{Kind: jog.Toward, To: to})
		case <-say.C:
			if err := lines.Encode(swaying{s.State == jog.Moving, mechanism.Positions(s.Status.Positions)}); err != nil {
				return err
			}
		}
	}
}

// statusJSON is what perch commission status --json prints.
type statusJSON struct {
	File     string     `json:"file"`
	Valid    bool       `json:"valid"`
	Why      []string   `json:"why,omitempty"`
	Compared string     `json:"compared"` // "file" or "file and controller"
	Board    string     `json:"board,omitempty"`
	Firmware string     `json:"firmware,omitempty"`
	Limits   string     `json:"limits,omitempty"`
	Steps    []stepJSON `json:"steps"`
}

type stepJSON struct {
	Name    string            `json:"name"`
	Outcome string            `json:"outcome"` // passed, failed, not done
	Date    string            `json:"date,omitempty"`
	Numbers map[string]string `json:"numbers,omitempty"`
}

func commissionStatus() *cobra.Command {
	var file, port string
	var asJSON bool
	c := &cobra.Command{
		Use: "status", Short: "What is done, and whether the record is valid, or why not",
		Long: `Say which steps are done, with their dates and numbers, and whether the record is valid: for the seat file as it is
now, and with --seat for the controller on that port too. Exit code 1 where it is not valid.`,
		Example: "  perch commission status --seat-file seat.toml\n  perch commission status --seat-file seat.toml --seat /dev/ttyACM0 --json",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			s, err := seatOn(file, port)
			if err != nil {
				return refuse(err)
			}
			out := statusJSON{File: file, Compared: "file"}
			verdict := commissioning.CheckFile(s)
			if port != "" {
				m, err := s.Mechanism.New()
				if err != nil {
					return refuse(err)
				}
				d, err := openSeat(c.Context(), config.Config{Seat: s, SeatFile: file, Rate: 500}, m, slog.New(slog.DiscardHandler))
				if err != nil {
					return refuse(err)
				}
				status := statusOf(d)
				if err := d.Close(); err != nil {
					return err
				}
				out.Compared = "file and controller"
				verdict = commissioning.Check(s, commissioning.Controller{Board: status.Board, Firmware: status.Firmware, Limits: status.Hash})
			}
			if out.Valid = verdict == nil; !out.Valid {
				out.Why = strings.Split(verdict.Error(), "\n")
			}
			if r := s.Record; !r.IsZero() {
				out.Board, out.Firmware, out.Limits = r.Board, r.Firmware, fmt.Sprintf("%08x", r.Limits)
			}
			for _, name := range commissioning.Steps() {
				step := stepJSON{Name: name, Outcome: "not done"}
				if done, ok := s.Record.Steps[name]; ok {
					step.Outcome, step.Date, step.Numbers = done.Outcome, done.Date.Format(time.RFC3339), done.Numbers
				}
				out.Steps = append(out.Steps, step)
			}
			if err := writeStatus(c.OutOrStdout(), out, asJSON); err != nil {
				return err
			}
			if !out.Valid {
				return errors.New("this seat is not commissioned: no source moves it")
			}
			return nil
		},
	}
	seatFileFlag(c, &file)
	seatPortFlag(c, &port)
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object for machines")
	return c
}

func writeStatus(w io.Writer, s statusJSON, asJSON bool) error {
	if asJSON {
		return json.NewEncoder(w).Encode(s)
	}
	var b strings.Builder
	for _, step := range s.Steps {
		fmt.Fprintf(&b, "%-10s  %-8s  %s\n", step.Name, step.Outcome, step.Date)
		for _, k := range slices.Sorted(maps.Keys(step.Numbers)) {
			fmt.Fprintf(&b, "              %s: %s\n", strings.ReplaceAll(k, "_", " "), step.Numbers[k])
		}
	}
	if s.Board != "" {
		fmt.Fprintf(&b, "\nof controller %s, firmware %s, limits %s\n", s.Board, s.Firmware, s.Limits)
	}
	if s.Valid {
		fmt.Fprintf(&b, "valid (compared: %s)\n", s.Compared)
	} else {
		fmt.Fprintf(&b, "not valid:\n  %s\n", strings.Join(s.Why, "\n  "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
