package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"perch/host/commissioning/sizing"
	"perch/host/config"
)

func commissionSizing() *cobra.Command {
	var file string
	var asJSON, brief bool
	c := &cobra.Command{
		Use:   "sizing",
		Short: "D. Check on paper that motors, gears, cranks and stops are enough",
		Long: `Check on paper that motors, gears, cranks and stops are enough for this seat and its heaviest rider, over the whole
pose box and with all axes moving at once. Each number is shown with its formula and with the numbers of this seat.

It wants [load], [drive] and [hard_stop] in the seat file; perch commission measures asks for them.
Exit code 1 where anything is too little. It judges numbers; it cannot judge the wood, the welds and the bolts.`,
		Example: "  perch commission sizing --seat-file seat.toml\n  perch commission sizing --seat-file seat.toml --brief\n  perch commission sizing --seat-file seat.toml --json",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			s, err := seatFile(file)
			if err != nil {
				return refuse(err)
			}
			m, err := s.Mechanism.New()
			if err != nil {
				return refuse(err)
			}
			r, err := sizing.Check(sizing.Input{Mechanism: m, Limits: s.Limits, Load: s.Load, Drive: s.Drive, HardStop: s.HardStop})
			if err != nil {
				return refuse(fmt.Errorf("%s: %w", file, err))
			}
			w := c.OutOrStdout()
			if asJSON {
				err = json.NewEncoder(w).Encode(struct {
					Enough bool `json:"enough"`
					sizing.Result
				}{r.Enough(), r})
			} else {
				err = writeSizing(w, r, brief)
			}
			if few := r.With(sizing.TooLittle); err == nil && len(few) > 0 {
				return fmt.Errorf("sizing: %s", count(len(few), "number is too little", "numbers are too little"))
			}
			return err
		},
	}
	seatFileFlag(c, &file)
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object for machines, in SI")
	c.Flags().BoolVar(&brief, "brief", false, "only what has a verdict, without formulas")
	return c
}

// seatFileFlag adds the seat file's flag.
func seatFileFlag(c *cobra.Command, file *string) {
	c.Flags().StringVar(file, "seat-file", "", "the seat `FILE` (TOML)")
}

// seatFile reads the seat file that a step of commissioning must have.
func seatFile(file string) (config.Seat, error) {
	if file == "" {
		return config.Seat{}, errors.New("--seat-file: missing; name the file of your seat; perch commission measures makes one")
	}
	return config.LoadSeat(file)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func writeSizing(w io.Writer, r sizing.Result, brief bool) error {
	var b strings.Builder
	for _, l := range r.Lines {
		if brief && l.Verdict == sizing.Given {
			continue
		}
		mark := "          "
		if l.Verdict != sizing.Given {
			mark = fmt.Sprintf("%-10s", l.Verdict)
		}
		fmt.Fprintf(&b, "%s  %s: %s\n", mark, l.Title, l.Shown)
		if !brief {
			fmt.Fprintf(&b, "              formula  %s\n              here     %s\n", l.Formula, l.Working)
		}
		if l.Note != "" {
			fmt.Fprintf(&b, "              %s\n", l.Note)
		}
	}
	few, cautions := len(r.With(sizing.TooLittle)), len(r.With(sizing.Caution))
	fmt.Fprintf(&b, "\n%s, %s\n", count(few, "number is too little", "numbers are too little"), count(cautions, "caution", "cautions"))
	_, err := io.WriteString(w, b.String())
	return err
}
