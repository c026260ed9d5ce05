package main

import "github.com/spf13/cobra"

func commissionCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "commission",
		Short: "Bring a seat from built to ridden, step by step",
		Long: `Bring a seat from built to ridden. The first steps need no seat that moves: its measures, how far it
reaches, whether motors and cranks are strong and fast enough. The further ones are done on the seat, in their order.

Read perch commission cautions first: it says what this program does not do for you.`,
		Example: "  perch commission cautions\n  perch commission measures --seat-file seat.toml\n  perch commission sizing --seat-file seat.toml",
		Args:    subcommand,
		RunE:    help,
	}
	c.AddGroup(&cobra.Group{ID: onPaper, Title: "Before the seat moves:"}, &cobra.Group{ID: onSeat, Title: "On the seat:"})
	for group, commands := range map[string][]*cobra.Command{onPaper: commissionOnPaper(), onSeat: commissionOnSeat()} {
		for _, s := range commands {
			s.GroupID = group
			c.AddCommand(s)
		}
	}
	return c
}

// Groups of the sub-commands.
const (
	onPaper = "paper"
	onSeat  = "seat"
)

// commissionOnPaper are the steps that need no controller.
func commissionOnPaper() []*cobra.Command {
	return []*cobra.Command{commissionCautions(), commissionMeasures(), commissionTravel(), commissionSizing()}
}
