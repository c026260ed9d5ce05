package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"time"

	"perch/host/config"
	"perch/host/mechanism"
	"perch/host/seat"
	"perch/host/seat/simulated"
	"perch/host/seat/text"
)

// checkLine says whether the seat's line carries its setpoints at the loop's rate. What does not stop a ride is a
// warning.
func checkLine(c config.Config, m mechanism.Mechanism) (warning string, err error) {
	where := "seat"
	if c.SeatFile != "" {
		where = c.SeatFile
	}
	switch {
	case c.Seat.Port == config.Simulated:
		return "", nil
	case c.Seat.Driver == config.TextDriver:
		_, err = textSettings(c, m, nil).Check()
	case c.Seat.Baud != 0:
		err = seat.CheckBaud(c.Seat.Baud, len(m.Actuators()), c.Rate)
		warning = seat.DetuneWarning(c.Seat.Baud)
	default:
		_, err = seat.ChooseBaud(len(m.Actuators()), c.Rate)
	}
	if err != nil {
		return "", fmt.Errorf("%s: %w", where, err)
	}
	return warning, nil
}

func textSettings(c config.Config, m mechanism.Mechanism, log *slog.Logger) text.Settings {
	axes, metres := config.TextAxes(m)
	d := c.Seat.Dialect
	return text.Settings{Port: c.Seat.Port, Baud: c.Seat.Baud, Template: d.Template, OnStart: d.OnStart, OnStop: d.OnStop,
		Rate: d.Rate, Loop: c.Rate, Axes: axes, Metres: metres, Log: log}
}

// openSeat opens the controller, or makes a simulated one in this process.
func openSeat(ctx context.Context, c config.Config, m mechanism.Mechanism, log *slog.Logger) (seat.Driver, error) {
	actuators := m.Actuators()
	s := seat.Settings{
		Port: c.Seat.Port, Baud: c.Seat.Baud, N: len(actuators), Metres: actuators[0].Unit == "m",
		Period: time.Duration(float64(time.Second) / c.Rate), Board: c.Seat.Board, Log: log,
	}
	switch {
	case c.Seat.Port == config.Simulated:
		return seat.NewLink(ctx, s, func(ctx context.Context) (io.ReadWriteCloser, string, error) {
			port, err := simulated.Dial(ctx, controllerSettings(c, m))
			return port, config.Simulated, err
		})
	case c.Seat.Driver == config.TextDriver:
		return text.Open(ctx, textSettings(c, m, log))
	}
	return seat.Open(ctx, s)
}

// statusOf is what is known of the controller now.
func statusOf(d seat.Driver) (s seat.Status) {
	d.Status(&s)
	return s
}
