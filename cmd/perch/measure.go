package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime"
	"time"

	"github.com/spf13/cobra"

	"perch/adapters/demo"
	"perch/host/chain"
	"perch/host/config"
	"perch/host/guard"
	"perch/host/measure"
	"perch/host/ride"
	"perch/sdk/vehicle"
)

func measureCommand() *cobra.Command {
	var length time.Duration
	var rate float64
	var asJSON bool
	c := &cobra.Command{
		Use:   "measure",
		Short: "Measure whether this machine's timing is good enough",
		Long: `Measure perch run as it ships, from a datagram with an attitude to the frame in which its effect first shows, on a
pseudo-terminal with a simulated controller; beside it a bare relay and a bare loop, which show what the machine itself
costs. Leave the machine alone meanwhile. No port is opened and no seat moves.`,
		Example: "  perch measure\n  perch measure --for 60s --json",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			ctx, stop := interrupted(c.Context())
			defer stop()
			self, err := os.Executable()
			if err != nil {
				return fmt.Errorf("measure: this program cannot find its own file: %w", err)
			}
			allocs, err := allocsPerTick(rate)
			if err != nil {
				return err
			}
			report, err := measure.Run(ctx, measure.Settings{
				Program: self, Length: length, Rate: rate, Allocs: allocs,
				Progress: func(line string) { fmt.Fprintln(os.Stderr, line) },
			})
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(report)
			}
			_, err = io.WriteString(c.OutOrStdout(), report.Text())
			return err
		},
	}
	c.Flags().DurationVar(&length, "for", 20*time.Second, "how long to measure")
	c.Flags().Float64Var(&rate, "rate", 500, "the loop's rate in `HZ`")
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object for machines")
	c.AddCommand(relayCommand(), bareCommand())
	return c
}

func relayCommand() *cobra.Command {
	var listen, terminal string
	c := &cobra.Command{
		Use: "relay", Hidden: true, Args: arguments(0, "no argument"),
		Short:   "A bare relay from a datagram to a frame (started by perch measure)",
		Example: "  perch measure relay --listen 127.0.0.1:9000 --terminal /dev/pts/1",
		RunE:    func(c *cobra.Command, _ []string) error { return measure.Relay(c.Context(), listen, terminal) },
	}
	c.Flags().StringVar(&listen, "listen", "", "UDP address to listen on")
	c.Flags().StringVar(&terminal, "terminal", "", "terminal to write to")
	return c
}

func bareCommand() *cobra.Command {
	var rate float64
	var length time.Duration
	c := &cobra.Command{
		Use: "bare", Hidden: true, Args: arguments(0, "no argument"),
		Short:   "A bare loop (started by perch measure)",
		Example: "  perch measure bare --rate 500 --for 2s",
		RunE: func(c *cobra.Command, _ []string) error {
			return measure.Bare(c.Context(), c.OutOrStdout(), rate, length)
		},
	}
	c.Flags().Float64Var(&rate, "rate", 500, "the loop's rate in `HZ`")
	c.Flags().DurationVar(&length, "for", time.Second, "how long")
	return c
}

// allocsPerTick runs 10,000 ticks of the configured chain on the demo's flight, riding, and counts allocations.
func allocsPerTick(rate float64) (float64, error) {
	c := config.Default()
	c.Rate = rate
	m, err := c.Seat.Mechanism.New()
	if err != nil {
		return 0, err
	}
	joined, err := chain.New(chainSettings(c, m))
	if err != nil {
		return 0, err
	}
	flight := demo.NewFlight(1)
	var row chain.Row
	var state vehicle.State
	in := chain.Input{Controller: guard.Controller{Present: true, Simulated: true, Homed: true, Ready: true, Supply: true, BootID: 1}}
	tick := func() {
		if t := time.Duration(float64(joined.Tick()) / rate * float64(time.Second)); joined.Tick()%5 == 0 {
			flight.At(t, &state)
			joined.See(0, &state)
		}
		in.Ask = 0
		if row.Guarded.State == guard.Parked && row.Liveness.Live() {
			in.Ask, in.Controller.Armed = guard.AskArm, true
		}
		joined.Step(&in, &row)
		if row.Guarded.Setpoint {
			in.Controller.Position = row.Guarded.Actuators
		}
	}
	for range 1000 {
		tick()
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for range 10_000 {
		tick()
	}
	runtime.ReadMemStats(&after)
	return float64(after.Mallocs-before.Mallocs) / 10_000, nil
}

// writeProbe leaves a ride's timing in a file.
func writeProbe(path string, p *ride.Probe) error {
	late, waits, delay := p.Read()
	data, err := json.Marshal(measure.Probed{Late: late, Waits: waits, Delay: delay})
	if err == nil {
		err = os.WriteFile(path, data, 0o600)
	}
	if err != nil {
		return fmt.Errorf("--probe: %w", err)
	}
	return nil
}
