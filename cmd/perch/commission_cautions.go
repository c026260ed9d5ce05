package main

import (
	"io"
	"strings"

	"github.com/charmbracelet/x/ansi"
	"github.com/spf13/cobra"

	"perch/host/commissioning"
)

func commissionCautions() *cobra.Command {
	return &cobra.Command{
		Use:     "cautions",
		Short:   "A. What this program does not do for you, and what you must provide",
		Long:    `Print what this program does not do for you: what the builder must provide, and the standards to read.`,
		Example: "  perch commission cautions\n  perch commission cautions | less",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := io.WriteString(c.OutOrStdout(), plain(commissioning.Cautions(), 100))
			return err
		},
	}
}

// plain turns a page of Markdown, with its tables, into text of at most so many columns.
func plain(page string, columns int) string {
	var b strings.Builder
	var head, row []string // of a table: its titles, once their rule has been met
	var prose []string     // lines of a paragraph
	wrapped := func(text, first, margin string) {
		text = ansi.Wordwrap(text, columns-len(margin), "")
		b.WriteString(first + strings.ReplaceAll(text, "\n", "\n"+margin) + "\n")
	}
	for line := range strings.Lines(strings.NewReplacer("**", "", "`", "").Replace(page) + "\n") {
		line = strings.TrimRight(line, "\n")
		if len(prose) > 0 && line == "" {
			wrapped(strings.Join(prose, " "), "", "")
			prose = nil
		}
		if !strings.HasPrefix(line, "|") {
			head, row = nil, nil
		}
		switch cells := strings.Split(strings.Trim(line, "| "), " | "); {
		case line == "":
			b.WriteString("\n")
		case strings.HasPrefix(line, "#"):
			b.WriteString(strings.ToUpper(strings.TrimLeft(line, "# ")) + "\n")
		case strings.HasPrefix(line, "- "):
			wrapped(line[2:], "- ", "  ")
		case strings.HasPrefix(line, "| ---"):
			head = row
		case strings.HasPrefix(line, "|") && head == nil:
			row = cells
		case strings.HasPrefix(line, "|"):
			wrapped(cells[0], "- ", "  ")
			for i, cell := range cells[1:] {
				if len(head) > 2 {
					cell = head[i+1] + ": " + cell
				}
				wrapped(cell, "    ", "    ")
			}
		default:
			prose = append(prose, line)
		}
	}
	return strings.TrimRight(b.String(), "\n") + "\n"
}
