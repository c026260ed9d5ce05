package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perch/host/commissioning/sizing"
	"perch/host/commissioning/travel"
	"perch/host/mechanism"
	"perch/host/pose"
)

func commissionTravel() *cobra.Command {
	var file, picture string
	var asJSON bool
	c := &cobra.Command{
		Use:   "travel",
		Short: "C. Show how far the seat reaches, and where its dead centre is",
		Long: `Show how far the seat reaches: each axis alone as a table, and two axes together as a picture (SVG), with the limits
of the guard, the least angle between rod and crank (transmission angle), and dead centre, where crank and rod line
up: there a motor's force on the links grows without bound, and past it the seat locks or folds the other way. Metal
must stop the seat before it.`,
		Example: "  perch commission travel --seat-file seat.toml --picture travel.svg\n  perch commission travel --seat-file seat.toml --json",
		Args:    arguments(0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			seat, err := seatFile(file)
			if err != nil {
				return refuse(err)
			}
			m, err := seat.Mechanism.New()
			if err != nil {
				return refuse(err)
			}
			s := travel.Seat{Mechanism: m, Limits: seat.Limits}
			if picture != "" {
				if err := writeFile(picture, s.WriteSVG); err != nil {
					return fmt.Errorf("--picture: %w", err)
				}
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(travelOf(s))
			}
			if err := writeTravel(c.OutOrStdout(), s); err != nil {
				return err
			}
			if picture != "" {
				fmt.Fprintf(c.OutOrStdout(), "\nThe picture is %s; open it with a browser.\n", picture)
			}
			return nil
		},
	}
	seatFileFlag(c, &file)
	c.Flags().StringVar(&picture, "picture", "", "draw the map into this SVG `FILE`")
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON object for machines, in m and rad")
	return c
}

func writeTravel(w io.Writer, s travel.Seat) error {
	actuators := s.Mechanism.Actuators()
	t := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
	fmt.Fprintln(t, "AXIS, OTHERS LEVEL\tLIMIT\tREACH\tDEAD CENTRE\tLEAST TRANSMISSION ANGLE\tACTUATORS THERE\t")
	for _, a := range s.Axes() {
		for _, e := range []struct {
			way string
			travel.End
		}{{"low", a.Low}, {"high", a.High}} {
			unit := a.Axis.Unit()
			var stand []string
			for i, v := range e.Actuators {
				stand = append(stand, actuators[i].Name+" "+sizing.Show(v, actuators[i].Unit))
			}
			dead, least := "none", "-"
			if e.DeadCentre != 0 {
				dead, least = sizing.Show(e.DeadCentre, unit), sizing.Show(e.Transmission, "rad")
			}
			fmt.Fprintf(t, "%s %s\t%s\t%s\t%s\t%s\t%s\t\n", a.Axis, e.way, sizing.Show(e.Limit, unit), sizing.Show(e.Reach, unit), dead, least, strings.Join(stand, ", "))
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\nAll axes together reach %.0f %% of their limits at once; the guard stops the seat before it asks for more.\n", 100*s.Together())
	return err
}

// The map as perch commission travel --json prints it; m and rad.
type travelJSON struct {
	Axes      []travelAxisJSON `json:"axes"`
	Actuators []string         `json:"actuators"`
	Together  float64          `json:"together"` // share of the limits that all axes have at once
	Map       *travelMapJSON   `json:"map,omitempty"`
}

type travelAxisJSON struct {
	Axis string        `json:"axis"`
	Unit string        `json:"unit"`
	Low  travelEndJSON `json:"low"`
	High travelEndJSON `json:"high"`
}

type travelEndJSON struct {
	Limit             float64   `json:"limit"`
	Reach             float64   `json:"reach"`
	DeadCentre        float64   `json:"dead_centre,omitempty"`
	TransmissionAngle float64   `json:"transmission_angle_rad,omitempty"`
	Actuators         []float64 `json:"actuators"`
}

type travelMapJSON struct {
	X          string       `json:"x"`
	Y          string       `json:"y"`
	Reach      [][2]float64 `json:"reach"`
	DeadCentre [][2]float64 `json:"dead_centre,omitempty"`
}

func travelOf(s travel.Seat) travelJSON {
	out := travelJSON{Together: s.Together()}
	for _, a := range s.Mechanism.Actuators() {
		out.Actuators = append(out.Actuators, actuatorColumn(a))
	}
	end := func(e travel.End) travelEndJSON {
		return travelEndJSON{e.Limit, e.Reach, e.DeadCentre, e.Transmission, e.Actuators}
	}
	for _, a := range s.Axes() {
		out.Axes = append(out.Axes, travelAxisJSON{a.Axis.String(), a.Axis.Unit(), end(a.Low), end(a.High)})
	}
	if x, y, ok := s.Pair(); ok {
		out.Map = &travelMapJSON{x.String(), y.String(), pairs(s.Boundary(x, y, pose.Pose{})), pairs(s.DeadCentres(x, y))}
	}
	return out
}

func actuatorColumn(a mechanism.Actuator) string { return a.Name + "_" + a.Unit }

func pairs(points []travel.Point) (out [][2]float64) {
	for _, p := range points {
		out = append(out, [2]float64{p.X, p.Y})
	}
	return out
}
