//go:build linux || darwin

package guide

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/pose"
	"perch/host/seat"
	"perch/host/seat/text"
	"perch/proto/seatlink"
)

// witness says yes to all, holds keys, and pulls the cable and the switch when told to.
type witness struct {
	t     *testing.T
	link  string
	cable *os.File
	no    string // the question that is answered with no
	asked []string
}

func (w *witness) plug() {
	w.t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		w.t.Skip(err)
	}
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		w.t.Fatal(err)
	}
	_ = os.Remove(w.link)
	if err := os.Symlink(far.Name(), w.link); err != nil {
		w.t.Fatal(err)
	}
	w.cable = near
	go func() {
		for b := make([]byte, 4096); ; {
			if _, err := near.Read(b); err != nil {
				_ = far.Close()
				return
			}
		}
	}()
}

func (w *witness) Tell(...string) {}

func (w *witness) Confirm(question string) (bool, error) {
	w.asked = append(w.asked, question)
	return w.no == "" || !strings.Contains(question, w.no), nil
}

var toldAngle = regexp.MustCompile(`^Told: \D*?(-?[\d.]+ deg)`)

func (w *witness) Number(question string, d config.Dimension) (float64, error) {
	m := toldAngle.FindStringSubmatch(question)
	if m == nil {
		return 0, nil
	}
	return config.ParseQuantity(m[1], d)
}

func (w *witness) Hold(instruction string, h Hold) error {
	for i := range 6000 {
		if done, err := h.Done(); done || err != nil {
			return err
		}
		switch {
		case i == 40 && strings.Contains(instruction, "cable"):
			_ = w.cable.Close()
		case i == 40 && strings.Contains(instruction, "Esc"):
			h.Stop()
		default:
			h.Press()
		}
		time.Sleep(10 * time.Millisecond)
	}
	return errors.New("held for a minute: " + instruction)
}

func (w *witness) Wait(instruction string, done func() bool) error {
	if strings.Contains(instruction, "Plug") {
		w.plug()
	}
	for range 2000 {
		if done() {
			return nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return errors.New("waited long: " + instruction)
}

// inText is the way to the controller.
type inText struct {
	settings text.Settings
}

func (h inText) Open(ctx context.Context) (Line, error) {
	d, err := text.Open(ctx, h.settings)
	return limitless{d}, err
}
func (inText) Intrude(context.Context) error        { return nil }
func (inText) Child(context.Context) (Child, error) { return nil, errors.New("none") }
func (inText) Pretend(Act, int) bool                { return false }

type limitless struct{ seat.Driver }

func (limitless) Limits(context.Context) ([]seatlink.AxisLimits, error) { return nil, nil }

// A seat whose controller is told in text can be commissioned by what a person sees: half the travel until it was seen to stop,
// and all of it then.
func TestWitnessed(t *testing.T) {
	t.Parallel()
	w := &witness{t: t, link: filepath.Join(t.TempDir(), "port")}
	w.plug()
	s := config.DefaultSeat()
	s.Driver, s.Board, s.Port, s.Baud = config.TextDriver, "", w.link, 500000
	s.Dialect = config.Dialect{Template: "{{printf \"%.3f %.3f\" .Actuator1.Deg .Actuator2.Deg}}\n", OnStop: "OFF\n"}
	s.Load.HeadHeight = 0.02 // quick
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		s.Limits.Low[a], s.Limits.High[a] = s.Limits.Low[a]/8, s.Limits.High[a]/8
	}
	s.Drive.Held = "brake"
	m, err := s.Mechanism.New()
	if err != nil {
		t.Fatal(err)
	}
	axes, metres := config.TextAxes(m)
	host := inText{text.Settings{Port: w.link, Baud: s.Baud, Template: s.Dialect.Template, OnStop: s.Dialect.OnStop, Loop: 200, Axes: axes, Metres: metres}}
	do := func(name string) (Result, error) {
		return Sitting{Operator: w, Host: host, Seat: s, Rate: 200, Look: 50 * time.Millisecond, Now: time.Now}.Do(context.Background(), name)
	}
	steps := commissioning.Steps()
	if os.Getenv("PERCH_LONG") == "" {
		steps = steps[:2] // each move takes a second
	}
	for _, name := range steps {
		if full := name == commissioning.Raise; commissioning.StopsByItself(s) != (full || name == commissioning.Power) {
			t.Errorf("before %s: known to stop %v", name, !full)
		}
		r, err := do(name)
		if err != nil || r.Simulated || r.Step.Outcome != config.Passed {
			t.Fatalf("%s: %+v, %v; asked %q", name, r, err, w.asked)
		}
		s.Record = commissioning.Enter(s, r.Who, name, r.Step)
	}
	if len(steps) < len(commissioning.Steps()) {
		return
	}
	if err := commissioning.CheckFile(s); err != nil {
		t.Error(err)
	}
	w.no = "Did it stop by itself"
	var fault *Fault
	if r, err := do(commissioning.Stops); !errors.As(err, &fault) || r.Step.Outcome != "failed" || !strings.Contains(err.Error(), "(cable)") {
		t.Errorf("a controller that goes on: %+v, %v", r, err)
	}
}
