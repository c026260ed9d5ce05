package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perch/host/config"
	"perch/host/mechanism"
	"perch/host/seat"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
)

func seatCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "seat",
		Short:   "The seat's end of the line",
		Example: "  perch seat simulate --link /tmp/seat",
		Args:    subcommand,
		RunE:    help,
	}
	c.AddCommand(simulateCommand())
	return c
}

func simulateCommand() *cobra.Command {
	var link, file, broken string
	c := &cobra.Command{
		Use:   "simulate",
		Short: "Make a simulated controller behind a pseudo-terminal",
		Long: `Make a simulated seat controller behind a pseudo-terminal and point PATH at it, until Ctrl-C. It speaks the seat
link as a real one does, with its own watchdog, brake and limits; its HELLO says that it is simulated.`,
		Example: "  perch seat simulate --link /tmp/seat &\n  perch run --seat /tmp/seat",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			ctx, stop := interrupted(c.Context())
			defer stop()
			return simulate(ctx, c.OutOrStdout(), link, file, broken)
		},
	}
	c.Flags().StringVar(&link, "link", "", "make this symbolic link, `PATH`, to the pseudo-terminal")
	c.Flags().StringVar(&file, "config", "", "a configuration `FILE` (TOML) whose seat it has")
	c.Flags().StringVar(&broken, "broken", "", "make it wrong in the way that `NAME` says, for those who try a suite of checks on it")
	return c
}

func simulate(ctx context.Context, w io.Writer, link, file, broken string) error {
	c := config.Default()
	if file != "" {
		var err error
		if c, err = config.Load(file); err != nil {
			return refuse(err)
		}
	}
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		return refuse(err)
	}
	settings := controllerSettings(c, m)
	if broken != "" {
		if settings.Broken, err = simulated.BrokenNamed(broken); err != nil {
			return refuse(fmt.Errorf("--broken: %w", err))
		}
	}
	name, done, err := simulated.ServePTY(ctx, link, settings)
	if err != nil {
		return refuse(err)
	}
	if link != "" {
		name = link
	}
	fmt.Fprintf(w, "simulated controller on %s; Ctrl-C ends it\n", name)
	<-ctx.Done()
	<-done
	return nil
}

// controllerSettings gives a simulated controller the mechanism's own limits, a tenth wider, since the controller is
// the second opinion and not the first.
func controllerSettings(c config.Config, m mechanism.Mechanism) simulated.Settings {
	actuators := m.Actuators()
	s := simulated.Settings{Axes: seatlink.Axes{N: len(actuators), Metres: actuators[0].Unit == "m"}, Board: c.Seat.Board}
	const reduced = 0.25 // of full speed
	for i, a := range actuators {
		s.Limits[i] = seatlink.AxisLimits{
			Low: int32(math.Round(a.Low * 1e9 * 1.1)), High: int32(math.Round(a.High * 1e9 * 1.1)),
			Speed: uint32(a.Speed * 1e6 * 1.1), ReducedSpeed: uint32(a.Speed * 1e6 * reduced),
			Acceleration: uint32(a.Acceleration * 1e3 * 1.1), Jerk: uint32(a.Jerk * 1e3 * 1.1),
		}
	}
	return s
}

// portJSON is a port as perch ports --json prints it.
type portJSON struct {
	Name    string `json:"name"`
	USB     bool   `json:"usb"`
	VID     string `json:"vid,omitempty"`
	PID     string `json:"pid,omitempty"`
	Serial  string `json:"serial,omitempty"`
	Product string `json:"product,omitempty"`
}

func portsCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "ports",
		Short: "List serial ports with their USB identity",
		Long: `List the serial ports of this machine. A port with a USB identity can be named by it, --seat usb:VID:PID[:SERIAL],
and is then found under whatever path it comes back.`,
		Example: "  perch ports\n  perch ports --json",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			ports, err := seat.Ports()
			if err != nil {
				return fmt.Errorf("ports: %w", err)
			}
			w := c.OutOrStdout()
			if asJSON {
				for _, p := range ports {
					if err := json.NewEncoder(w).Encode(portJSON(p)); err != nil {
						return err
					}
				}
				return nil
			}
			if len(ports) == 0 {
				fmt.Fprintln(w, "no serial port found; plug the controller in, and see that your user may open it (on Linux: group dialout)")
				return nil
			}
			table := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
			fmt.Fprintln(table, "PORT\tUSB IDENTITY\tPRODUCT")
			for _, p := range ports {
				identity := "none"
				if p.USB {
					identity = p.Identity()
				}
				fmt.Fprintf(table, "%s\t%s\t%s\n", p.Name, identity, p.Product)
			}
			return table.Flush()
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object a line for machines")
	return c
}
