package main

import "github.com/spf13/cobra"

// commissionOnSeat are the steps on the real seat, in the order in which they are done.
func commissionOnSeat() []*cobra.Command {
	return nil
}
