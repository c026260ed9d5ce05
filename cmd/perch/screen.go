package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"perch/host/config"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/ride"
	"perch/host/signs"
	"perch/host/terminal"
	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// screen is where a ride is shown: a panel, plain lines, or JSON.
type screen struct {
	json    bool
	holding atomic.Uint64 // Float64bits: how far the arming key has been held
	counts  atomic.Int32  // s until the seat may move; 0: no countdown
	display *terminal.Display
	c       config.Config
	m       mechanism.Mechanism
	started time.Time
	gone    chan struct{} // nobody reads what is shown

	mu     sync.Mutex
	lines  *json.Encoder
	closed bool
}

func newScreen(w io.Writer, asJSON bool, c config.Config, m mechanism.Mechanism) *screen {
	s := &screen{json: asJSON, c: c, m: m, started: time.Now(), gone: make(chan struct{}, 1)}
	out := output{w, s.gone}
	s.lines = json.NewEncoder(out)
	if !asJSON {
		s.display = terminal.NewDisplay(out, isTerminal(w), terminal.Size(os.Stdout))
		if os.Getenv("NO_COLOR") != "" {
			s.display.Monochrome()
		}
	}
	return s
}

// output tells when nobody reads it any more.
type output struct {
	io.Writer
	gone chan struct{}
}

func (o output) Write(b []byte) (int, error) {
	n, err := o.Writer.Write(b)
	if err != nil {
		select {
		case o.gone <- struct{}{}:
		default: // told already
		}
	}
	return n, err
}

// every is how often to show.
func (s *screen) every() time.Duration {
	if s.json {
		return 100 * time.Millisecond
	}
	return terminal.FrameTime
}

// tell shows a line.
func (s *screen) tell(level slog.Level, line string) {
	if !s.json {
		s.display.Event(time.Since(s.started), line)
		return
	}
	s.encode(map[string]any{"event": line, "level": level.String()})
}

func (s *screen) encode(v any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		_ = s.lines.Encode(v) // output tells the operator
	}
}

// close gives the terminal back.
func (s *screen) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed && s.display != nil {
		_ = s.display.Close()
	}
	s.closed = true
}

// rideJSON is what --json prints ten times a second.
type rideJSON struct {
	Time       float64            `json:"t_s"`
	Source     string             `json:"source"`
	Condition  string             `json:"source_condition"`
	Rate       float64            `json:"source_rate_hz"`
	Age        *float64           `json:"source_age_s"`
	Signs      signs.Standing     `json:"signs"`
	Gentle     bool               `json:"gentle"`
	Why        string             `json:"signs_reason,omitempty"`
	Remedy     string             `json:"signs_remedy,omitempty"`
	State      string             `json:"state"`
	Cause      string             `json:"cause,omitempty"`
	Wanted     map[string]float64 `json:"wanted"`
	Commanded  map[string]float64 `json:"commanded"`
	Held       []string           `json:"held"`
	Actuators  map[string]float64 `json:"actuators"`
	Controller string             `json:"controller"`
	Ticks      uint64             `json:"ticks"`
	Skipped    uint64             `json:"ticks_skipped"`
	Lost       uint64             `json:"rows_lost"`
}

// show draws a snapshot.
func (s *screen) show(r ride.Snapshot) {
	if s.json {
		s.encode(s.object(r))
		return
	}
	s.display.Render(s.view(r))
}

// signsOf is what is known of the signs of a source.
func signsOf(r ride.Snapshot, source int) signs.Verdict {
	if source < len(r.Signs) {
		return r.Signs[source]
	}
	return signs.Verdict{Standing: signs.Confirmed} // nothing has started
}

// gently says what the seat that is there makes of a source whose signs are not confirmed.
func gently(s signs.Standing) string {
	if s == signs.Contradicted {
		return ": it does not move this seat"
	}
	return ": gentle"
}

func (s *screen) object(r ride.Snapshot) rideJSON {
	row := &r.Row
	out := rideJSON{
		Time: float64(row.Tick) / s.c.Rate, Source: s.c.Sources[row.Source].Name, Condition: row.Liveness.Condition.String(),
		Rate: row.Liveness.Rate, State: row.Guarded.State.String(), Cause: row.Guarded.Cause.String(),
		Wanted: s.named(&row.Wanted), Commanded: s.named(&row.Guarded.Pose), Held: heldWords(row.Guarded.Held),
		Actuators: map[string]float64{}, Controller: r.Status.State.String(),
		Ticks: r.Timing.Ticks, Skipped: r.Timing.Skipped, Lost: r.Lost,
	}
	if row.Seen && !math.IsInf(row.Liveness.Age, 0) {
		out.Age = &row.Liveness.Age
	}
	verdict := signsOf(r, row.Source)
	out.Signs, out.Why, out.Remedy = verdict.Standing, verdict.Reason, verdict.Remedy
	out.Gentle = row.Source < len(r.Gentle) && r.Gentle[row.Source]
	for i, a := range s.m.Actuators() {
		out.Actuators[a.Name+"_"+a.Unit] = row.Guarded.Actuators[i]
	}
	return out
}

// named gives the mechanism's axes of a pose by name and unit.
func (s *screen) named(p *pose.Pose) map[string]float64 {
	out := map[string]float64{}
	for a := range pose.Count {
		if s.m.Axes().Has(a) {
			out[a.String()+"_"+a.Unit()] = p[a]
		}
	}
	return out
}

func heldWords(h guard.Held) []string {
	if h == 0 {
		return []string{}
	}
	return strings.Split(h.String(), ", ")
}

func (s *screen) view(r ride.Snapshot) terminal.View {
	row := &r.Row
	v := terminal.View{
		Elapsed: time.Duration(float64(row.Tick) / s.c.Rate * float64(time.Second)),
		State:   row.Guarded.State.String(), Cause: row.Guarded.Cause.String(), Armed: r.Status.Armed, Reduced: r.Status.Reduced,
		Holding: math.Float64frombits(s.holding.Load()), Countdown: float64(s.counts.Load()),
		Axes: s.m.Axes(), Low: s.c.Seat.Limits.Low, High: s.c.Seat.Limits.High,
		Wanted: row.Wanted, Commanded: row.Guarded.Pose,
		Controller: terminal.Controller{State: r.Status.State.String(), Port: r.Status.Port, Simulated: r.Status.Simulated},
		Ticks:      r.Timing.Ticks, Skipped: r.Timing.Skipped,
	}
	if row.Guarded.Held != 0 {
		v.Held = heldWords(row.Guarded.Held)
	}
	for i, c := range s.c.Sources {
		from := terminal.Source{Name: c.Name, Adapter: c.Adapter}
		if i == row.Source {
			from.Condition, from.Rate, from.Age = row.Liveness.Condition.String(), row.Liveness.Rate, row.Liveness.Age
			if verdict := signsOf(r, i); verdict.Standing != signs.Confirmed {
				from.Signs, from.Remedy = strings.TrimPrefix(verdict.Standing.Words(), "signs "), verdict.Remedy
				if r.Gentle[i] {
					from.Signs += gently(verdict.Standing)
				}
			}
			v.Source = from
		}
		if len(s.c.Sources) > 1 {
			v.Others = append(v.Others, from)
		}
	}
	motion := &row.Motion
	if motion.Present.Has(vehicle.AttitudeW) {
		v.HasAttitude = true
		v.Attitude.Yaw, v.Attitude.Pitch, v.Attitude.Roll = axes.ToEuler(motion.Attitude)
	}
	if motion.Present.Has(vehicle.VelocityX) {
		v.HasSpeed = true
		v.Speed = r3.Norm(motion.Velocity)
	}
	for i, a := range s.m.Actuators() {
		v.Actuators = append(v.Actuators, terminal.Actuator{Name: a.Name, Unit: a.Unit, Position: row.Guarded.Actuators[i], Low: a.Low, High: a.High})
	}
	return v
}

// handler sends log lines that an operator should see to the screen.
func (s *screen) handler() slog.Handler { return lineHandler{tell: s.tell} }

// lineHandler makes of a log record a line for a person: "source mavlink: telemetry comes in (vehicle 1)".
type lineHandler struct {
	tell   func(slog.Level, string)
	prefix string
}

func (h lineHandler) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelInfo }

func (h lineHandler) Handle(_ context.Context, r slog.Record) error {
	var notes []string
	r.Attrs(func(a slog.Attr) bool {
		switch {
		case a.Key == "from" || a.Key == "boot_id" || strings.Contains(h.prefix, note(a)):
			// Which pipe it came through, or what is said already: nothing to a person.
		default:
			notes = append(notes, note(a))
		}
		return true
	})
	line := h.prefix + r.Message
	if len(notes) > 0 {
		line += " (" + strings.Join(notes, ", ") + ")"
	}
	h.tell(r.Level, line)
	return nil
}

// note is an attribute in words.
func note(a slog.Attr) string {
	return strings.ReplaceAll(a.Key, "_", " ") + " " + a.Value.String()
}

func (h lineHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	for _, a := range attrs {
		// The ride and the adapter's keeper both say which source it is.
		if said := note(a) + ": "; !strings.Contains(h.prefix, said) {
			h.prefix += said
		}
	}
	return h
}

func (h lineHandler) WithGroup(string) slog.Handler { return h }
