package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"perch/conformance/controller"
	"perch/conformance/report"
	"perch/conformance/states"
)

// explainCommand explains a check of any suite.
const explainCommand = "perch conform --explain"

// explainAll stands for every check.
const explainAll = "all"

func explainFlag(c *cobra.Command, id *string) {
	c.Flags().StringVar(id, "explain", "", "explain the check with this `ID`, and try nothing; "+explainAll+" for every one, as Markdown")
}

// chapters are the pages of all suites.
func chapters() []report.Chapter {
	return []report.Chapter{
		{Title: "Adapters", About: "What is checked of an adapter that is started and fed: perch conform NAME. Its states are judged too.", Pages: onlyAdapters(report.Pages(states.Checks()))},
		{Title: "States", About: "What is checked of the states that an adapter gives, and of recorded ones: perch conform --states FILE.", Pages: report.Pages(states.Checks())},
		{Title: "Controllers", About: "What is checked of a seat controller, over its port: perch conform controller --port PORT.", Pages: report.Pages(controller.Checks())},
	}
}

// explain prints what a check is about, of whichever suite; or all of them, as Markdown.
func explain(w io.Writer, id string) error {
	if id == explainAll {
		return writePages(w)
	}
	found := false
	for _, c := range chapters() {
		for _, p := range c.Pages {
			if p.ID != id {
				continue
			}
			if found { // in two suites
				fmt.Fprintf(w, "\nAnd for %s, ", strings.ToLower(c.Title))
			}
			found = true
			if err := p.Write(w); err != nil {
				return err
			}
		}
	}
	if found {
		return nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "--explain: there is no check %q; there are", id)
	for _, c := range chapters() {
		fmt.Fprintf(&b, "\n  %s:", strings.ToLower(c.Title))
		for i, p := range c.Pages {
			if i > 0 {
				b.WriteByte(',')
			}
			b.WriteString(" " + p.ID)
		}
	}
	b.WriteString("\n  " + explainAll + ": every one, as Markdown")
	return refuse(errors.New(b.String()))
}

// writePages writes every check's page as one document in Markdown.
func writePages(w io.Writer) error {
	return report.WritePages(w, "What is checked", "What each check means, why it matters to a rider, and what authors usually get wrong. "+
		"Made from the checks themselves; "+explainCommand+" ID shows one of them.", chapters())
}
