package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
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

// explain prints what a check is about, of whichever suite; all of them as Markdown. With a file named by --markdown the
// pages are written there.
func explain(w io.Writer, id, markdown string) error {
	found := chapters()
	if id != explainAll {
		found = nil
		for _, c := range chapters() {
			c.Pages = slices.DeleteFunc(c.Pages, func(p report.Page) bool { return p.ID != id })
			if len(c.Pages) > 0 {
				found = append(found, c)
			}
		}
	}
	switch {
	case len(found) == 0:
		return refuse(noSuchCheck(id))
	case markdown != "":
		if err := writeFile(markdown, func(w io.Writer) error { return writePages(w, found) }); err != nil {
			return refuse(fmt.Errorf("--markdown: %w", err))
		}
		return nil
	case id == explainAll:
		return writePages(w, found)
	}
	for i, c := range found {
		if i > 0 { // in two suites
			fmt.Fprintf(w, "\nAnd for %s, ", strings.ToLower(c.Title))
		}
		if err := c.Pages[0].Write(w); err != nil {
			return err
		}
	}
	return nil
}

// noSuchCheck lists the checks there are.
func noSuchCheck(id string) error {
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
	return errors.New(b.String())
}

// writePages writes checks' pages as one document in Markdown.
func writePages(w io.Writer, of []report.Chapter) error {
	return report.WritePages(w, "What is checked", "What each check means, why it matters to a rider, and what authors usually get wrong. "+
		"Made from the checks themselves; "+explainCommand+" ID shows one of them.", of)
}
