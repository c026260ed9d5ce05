package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"perch/host/commissioning/drawing"
	"perch/host/commissioning/measures"
	"perch/host/config"
)

type measuresOptions struct {
	file    string
	kind    string
	picture string
	only    []string
	sets    []string
}

func commissionMeasures() *cobra.Command {
	var o measuresOptions
	c := &cobra.Command{
		Use:   "measures",
		Short: "B. Give the lengths, masses and motors of your seat, against a drawing",
		Long: `Ask for the numbers of your seat one by one and keep them in the seat file; where there is no such file, make one. A
drawing of the seat with its own numbers, to scale for two cranks, is written beside it: hold it against the real thing.

Every answer is a number with its unit: 400 mm, 40 cm, 0.4 m or 15.75 in; 75 kg or 165 lb. Enter keeps what stands in
brackets; - takes an optional value out. Nothing is written before all answers go together. The file can be edited by
hand as well: what need not change stays as it is, comments included. A change of any value ends the seat's
commissioning: the steps on the seat are then to be done again.`,
		Example: `  perch commission measures --seat-file seat.toml
  perch commission measures --seat-file seat.toml --only load,drive
  perch commission measures --seat-file seat.toml --set crank_radius="95 mm" --set load.rider_mass="90 kg"
  perch commission measures --seat-file new.toml --kind six-linear`,
		Args: arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			return takeMeasures(c.InOrStdin(), c.OutOrStdout(), o)
		},
	}
	f := c.Flags()
	seatFileFlag(c, &o.file)
	f.StringVar(&o.kind, "kind", "", "the kind of mechanism of a new seat: `KIND` is one of "+strings.Join(config.Kinds(), ", "))
	f.StringVar(&o.picture, "picture", "", "the drawing, an SVG `FILE` (default the seat file's name with .svg)")
	f.StringSliceVar(&o.only, "only", nil, "ask for these `TABLES` only: "+strings.Join(measures.Tables(), ", "))
	f.StringArrayVar(&o.sets, "set", nil, "set one value and ask nothing: `KEY=VALUE` (repeatable)")
	return c
}

func takeMeasures(r io.Reader, w io.Writer, o measuresOptions) error {
	if o.file == "" {
		return refuse(errors.New("--seat-file: missing; name the file of your seat, or a new one such as seat.toml"))
	}
	for _, t := range o.only {
		if !slices.Contains(measures.Tables(), t) {
			return refuse(fmt.Errorf("--only %s: is not known; use one of %s", t, strings.Join(measures.Tables(), ", ")))
		}
	}
	text, fresh, err := seatText(o)
	if err != nil {
		return refuse(err)
	}
	before, err := config.ParseSeat(o.file, text)
	if err != nil {
		return refuse(err)
	}
	picture := o.picture
	if picture == "" {
		picture = strings.TrimSuffix(o.file, filepath.Ext(o.file)) + ".svg"
	}
	draw := func(s config.Seat) error {
		return writeFile(picture, func(w io.Writer) error { return drawing.WriteSVG(w, s.Mechanism) })
	}
	drawn := before.Mechanism.Drawing() != ""

	was := text
	if len(o.sets) > 0 {
		if text, err = setAll(text, before, o.sets); err != nil {
			return refuse(err)
		}
	} else {
		if drawn {
			if err := draw(before); err != nil {
				return refuse(fmt.Errorf("--picture: %w", err))
			}
			fmt.Fprintf(w, "%s shows which length is which, with the numbers as they are now; open it beside this, with a browser.\n", picture)
		}
		fmt.Fprintln(w, "Every answer carries its unit, such as 400 mm or 15.75 in. Enter keeps what stands in brackets. Ctrl-C ends it, and nothing is written.")
		if text, err = measures.New(r, w).Ask(text, before, o.only); err != nil {
			return fmt.Errorf("%w; nothing was written to %s", err, o.file)
		}
	}
	after, err := config.ParseSeat(o.file, text)
	if err != nil {
		return refuse(err)
	}
	if drawn {
		if err := draw(after); err != nil {
			return refuse(fmt.Errorf("--picture: %w", err))
		}
	}
	if !fresh && string(was) == string(text) {
		fmt.Fprintf(w, "\nNothing changed; %s stays as it is.\n", o.file)
		return nil
	}
	err = writeFile(o.file, func(w io.Writer) error { _, err := w.Write(text); return err })
	if err != nil {
		return fmt.Errorf("--seat-file: %w", err)
	}
	reportChanges(w, o.file, before, after, fresh)
	if drawn {
		fmt.Fprintf(w, "%s is drawn with these numbers: hold it against the seat.\n", picture)
	}
	fmt.Fprintf(w, "Next: perch commission travel --seat-file %s --picture travel.svg\n", o.file)
	return nil
}

// seatText is the text of the seat file, or that of a new one.
func seatText(o measuresOptions) (text []byte, fresh bool, err error) {
	text, err = os.ReadFile(o.file)
	switch {
	case err == nil && o.kind != "":
		return nil, false, fmt.Errorf("--kind %s: %s is there already, with a kind of its own; name a new file, or edit mechanism.kind by hand", o.kind, o.file)
	case err == nil:
		return text, false, nil
	case !errors.Is(err, fs.ErrNotExist):
		return nil, false, fmt.Errorf("--seat-file: %w", err)
	case o.kind == "" || o.kind == config.TwoCrank:
		return config.DefaultSeatText(), true, nil
	case o.kind == config.Box:
		return nil, false, errors.New("--kind box: has no ordinary size to start from; write its tables by hand, as the built-in seat file shows")
	case !slices.Contains(config.Kinds(), o.kind):
		return nil, false, fmt.Errorf("--kind %s: is not known; use one of %s", o.kind, strings.Join(config.Kinds(), ", "))
	}
	s, err := config.OrdinarySeat(o.kind)
	return s.Text(), true, err
}

// setAll puts in what --set gives. A key may be given by its last part where that is the only one.
func setAll(text []byte, s config.Seat, sets []string) ([]byte, error) {
	entries := s.Entries()
	for _, set := range sets {
		key, value, ok := strings.Cut(set, "=")
		if !ok {
			return nil, fmt.Errorf("--set %s: is not KEY=VALUE; write such as --set crank_radius=\"95 mm\"", set)
		}
		var found []config.Entry
		for _, e := range entries {
			if e.Key == key {
				found = []config.Entry{e}
				break
			}
			if strings.HasSuffix(e.Key, "."+key) {
				found = append(found, e)
			}
		}
		switch len(found) {
		case 0:
			return nil, fmt.Errorf("--set %s: this seat has no value %q; perch commission measures asks for all that it has", set, key)
		case 1:
		default:
			return nil, fmt.Errorf("--set %s: could be %s or %s; give the whole key", set, found[0].Key, found[1].Key)
		}
		next, err := measures.Put(text, found[0], strings.TrimSpace(value))
		if err != nil {
			return nil, fmt.Errorf("--set %s: %w", set, err)
		}
		text = next
	}
	return text, nil
}

// reportChanges says what changed.
func reportChanges(w io.Writer, file string, before, after config.Seat, fresh bool) {
	if fresh {
		fmt.Fprintf(w, "\n%s is new. Its port is %q: name your controller's with port = in the file, or with --seat.\n", file, after.Port)
		return
	}
	old := map[string]string{}
	for _, v := range before.Values() {
		old[v.Key] = v.Text
	}
	fmt.Fprintf(w, "\n%s:\n", file)
	for _, v := range after.Values() {
		was, ok := old[v.Key]
		if !ok {
			was = "nothing"
		}
		if was != v.Text {
			fmt.Fprintf(w, "  %s: %s, was %s\n", v.Key, v.Text, was)
		}
		delete(old, v.Key)
	}
	for _, key := range slices.Sorted(maps.Keys(old)) {
		fmt.Fprintf(w, "  %s: left out, was %s\n", key, old[key])
	}
	if !before.Record.IsZero() && before.Hash() != after.Hash() {
		fmt.Fprintln(w, "The seat was commissioned with other numbers: commission it again before anybody rides.")
	}
}
