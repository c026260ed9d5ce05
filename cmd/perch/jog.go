package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"perch/host/commissioning"
	"perch/host/commissioning/guide"
	"perch/host/config"
	"perch/host/jog"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/seat"
	"perch/host/terminal"
	"perch/proto/seatlink"
)

func jogCommand() *cobra.Command {
	var file, port, axis string
	c := &cobra.Command{
		Use:   "jog",
		Short: "Move one axis of the seat by hand, slowly, while a key is held",
		Long: `Move one axis of the seat by hand: an axis of the seat, such as roll, at reduced speed (0.25 m/s at the rider's head);
or one motor by its name, such as left, where the rods are off. It needs no commissioning record.

Right and up arrow move it one way, left and down the other. Each press, and each repeat of a key that is held, moves for 150
ms at most; then the seat brakes. Hold h: home. Hold p: back to the park position. r: reset a fault. 1 to 9: another axis.
Esc, space and every other key stop at once. q or Ctrl-C ends.

Nobody is in the seat while it is jogged; somebody is at the switch of the motor supply.`,
		Example: "  perch jog --axis roll --seat-file seat.toml --seat /dev/ttyACM0\n  perch jog --axis left --seat-file seat.toml\n  perch jog --seat simulated",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			return jogSeat(c.Context(), c.OutOrStdout(), file, port, axis)
		},
	}
	seatFileFlag(c, &file)
	seatPortFlag(c, &port)
	c.Flags().StringVar(&axis, "axis", "", "the `AXIS` of the seat, or the motor, that moves first (default: the first axis)")
	return c
}

func jogSeat(ctx context.Context, w io.Writer, file, port, axis string) error {
	s := config.DefaultSeat()
	if file != "" || port != config.Simulated {
		var err error
		if s, err = seatOn(file, port); err != nil {
			return refuse(err)
		}
	}
	m, err := s.Mechanism.New()
	if err != nil {
		return refuse(err)
	}
	names, at, rods, err := jogAxis(m, axis)
	if err != nil {
		return refuse(err)
	}
	talk, err := terminal.NewDialogue(os.Stdin, w)
	if err != nil {
		return refuse(fmt.Errorf("perch jog: %w", err))
	}
	defer func() { _ = talk.Close() }()
	d, err := openSeat(ctx, config.Config{Seat: s, SeatFile: file, Rate: 500}, m, slog.New(slog.DiscardHandler))
	if err != nil {
		return refuse(err)
	}
	defer func() { _ = d.Close() }()
	o := &talker{ctx: ctx, d: talk}
	if statusOf(d).Simulated {
		o.Tell("The controller says that it is simulated: nothing moves.")
	} else if err := jogCautions(o, rods); err != nil {
		return refuse(err)
	}
	if statusOf(d).OneWay {
		o.Tell(terminal.OneWay(commissioning.StopsByItself(s))...)
		o.Tell("It cannot home: bring the seat to level with the motors on, check with a spirit level; h says that it stands level.")
	}
	levelled := false
	if status := statusOf(d); status.HandHomed && !status.Homed && !status.Simulated {
		if levelled, err = o.Confirm("This seat is homed by hand. Was it levelled by a spirit level while the motor supply was off?"); err != nil || !levelled {
			return refuse(errors.Join(err, errors.New("perch jog: nothing was moved; switch the motor supply off, level the seat by a spirit level, switch on, and start again")))
		}
	}
	var limits []seatlink.AxisLimits
	if l, ok := d.(guide.Line); ok {
		if limits, err = l.Limits(ctx); err != nil {
			return err
		}
	}
	settings := jog.Settings{RealTime: true}
	roomForLoop()
	if rods {
		settings.Mechanism, settings.Limits = slowed(s, m, limits)
	} else {
		settings.Mechanism, settings.Limits = jog.Own(m, jog.Reduced(limits))
	}
	j, err := jog.New(settings, d)
	if err != nil {
		return refuse(err)
	}
	defer j.Start(ctx)()
	o.Tell("", "Hold → or ← to move, h to home, p to park; Esc stops; r resets; 1-9 choose the axis; q ends.")
	metres := func(a pose.Axis) bool { return a.Unit() == "m" }
	if !rods {
		metres = func(pose.Axis) bool { return m.Actuators()[0].Unit == "m" }
	}
	return jogKeys(o, j, d, names, metres, at, levelled)
}

// jogCautions shows what is said before a real seat moves.
func jogCautions(o *talker, rods bool) error {
	o.Tell(terminal.Cautions()...)
	question := "Is nobody in the seat nor near it, and is somebody at the switch of the motor supply?"
	if !rods {
		question = "Are the rods off the cranks, is nobody near them, and is somebody at the switch of the motor supply?"
	}
	o.Tell("")
	yes, err := o.Confirm(question)
	if err == nil && !yes {
		err = errors.New("perch jog: nothing was moved; see to that first")
	}
	return err
}

// jogAxis finds an axis of the seat, or a motor, by its name: which pose axis moves, of which names. rods is false
// where each motor moves by itself.
func jogAxis(m mechanism.Mechanism, name string) (names map[pose.Axis]string, at pose.Axis, rods bool, err error) {
	axes, motors := map[pose.Axis]string{}, map[pose.Axis]string{}
	var known []string
	first := pose.Count
	for a := range pose.Count {
		if m.Axes().Has(a) {
			axes[a] = a.String()
			known = append(known, a.String())
			first = min(first, a)
		}
	}
	if name == "" {
		return axes, first, true, nil
	}
	for i, a := range m.Actuators() {
		motors[pose.Axis(i)] = a.Name
		known = append(known, a.Name)
	}
	for a, n := range axes {
		if n == name {
			return axes, a, true, nil
		}
	}
	for a, n := range motors {
		if n == name {
			return motors, a, false, nil
		}
	}
	return nil, 0, false, fmt.Errorf("--axis %s: this seat has no such axis or motor; use one of %s", name, strings.Join(known, ", "))
}

// jogKeys moves as keys are pressed, until q.
func jogKeys(o *talker, j *jog.Jog, d seat.Driver, names map[pose.Axis]string, metres func(pose.Axis) bool, at pose.Axis, levelled bool) error {
	var order []pose.Axis
	for a := range pose.Count {
		if names[a] != "" {
			order = append(order, a)
		}
	}
	ended := false
	shown, next := "", time.Now()
	return o.d.Keys(o.ctx, func(k terminal.Key) {
		switch k.Kind {
		case terminal.Move:
			j.Press(jog.Press{Kind: jog.Along, Axis: at, Direction: float64(k.Number)})
		case terminal.Home:
			s := j.Snapshot().Status
			if s.Homed {
				levelled = false // it holds for one homing
			}
			if s.HandHomed && !s.Homed && !s.Simulated && !levelled {
				fmt.Fprint(o.d, "\r\x1b[Kend with q: it has to be levelled by hand again, with the motor supply off\n")
				return
			}
			j.Press(jog.Press{Kind: jog.Home})
		case terminal.Park:
			j.Press(jog.Press{Kind: jog.Park})
		case terminal.Reset:
			d.Do(seat.Reset)
		case terminal.Choose:
			if k.Number <= len(order) {
				at = order[k.Number-1]
			}
		case terminal.End:
			ended = true
		case terminal.Confirm:
		default:
			j.Stop()
		}
	}, func() (bool, error) {
		if now := time.Now(); ended || now.After(next) {
			next = now.Add(100 * time.Millisecond)
			s := j.Snapshot()
			if line := jogLine(&s, names, metres, order, at); line != shown {
				shown = line
				fmt.Fprintf(o.d, "\r\x1b[K%s", line)
			}
		}
		if ended {
			fmt.Fprintln(o.d)
		}
		return ended, nil
	})
}

// jogLine is the seat in a line.
func jogLine(s *jog.Snapshot, names map[pose.Axis]string, metres func(pose.Axis) bool, order []pose.Axis, at pose.Axis) string {
	parts := []string{fmt.Sprintf("%-9s", s.State)}
	for i, a := range order {
		mark := " "
		if a == at {
			mark = ">"
		}
		value := fmt.Sprintf("%7.2f deg", s.Pose[a]*180/math.Pi)
		if metres(a) {
			value = fmt.Sprintf("%7.1f mm", s.Pose[a]*1e3)
		}
		parts = append(parts, fmt.Sprintf("%s%d %s %s", mark, i+1, names[a], value))
	}
	switch {
	case s.Status.Problem != "":
		parts = append(parts, s.Status.Problem)
	case s.State == jog.Fault:
		parts = append(parts, s.Status.Faults.String()+"; mend it, then r, and hold h")
	case s.State == jog.Unhomed:
		parts = append(parts, "hold h to home")
	case s.State == jog.Held:
		parts = append(parts, "stopped; hold p to park, or h to home")
	case s.Refused:
		parts = append(parts, "the controller does not arm: "+s.Status.LastResult.String())
	}
	return strings.Join(parts, "  ")
}
