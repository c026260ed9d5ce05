package controller

import (
	"fmt"
	"time"

	"perch/proto/seatlink"
)

// watch looks at every STATUS of the whole run, for motion and changes of state that nobody asked for.
type watch struct {
	sent   [256]time.Duration // when each command was last sent, plus 1; 0 never
	since  time.Duration      // when the present state was first seen
	moved  []unasked
	known  map[string]bool // kinds that a check has failed for
	boots  int
	looked int
}

// unasked is a motion or a change of state that nobody asked for.
type unasked struct{ kind, text string }

// answered says that a check has failed for what was seen since there were so many, so that the same is not counted twice.
func (w *watch) answered(since int) {
	if w.known == nil {
		w.known = map[string]bool{}
	}
	for _, m := range w.moved[since:] {
		w.known[m.kind] = true
	}
}

// unanswered are those that no check has failed for.
func (w *watch) unanswered() (out []unasked) {
	for _, m := range w.moved {
		if !w.known[m.kind] {
			out = append(out, m)
		}
	}
	return out
}

// lately says whether the command was sent within the time in which its effect shows.
func (w *watch) lately(t seatlink.Type, at time.Duration) bool {
	return w.sent[t] != 0 && at-w.sent[t] < recent
}

// recent is how long a command may take to show.
const recent = 2 * time.Second

// see compares two successive STATUS.
func (w *watch) see(was, now *seen, known bool) {
	w.looked++
	if !known {
		w.since = now.at
		return
	}
	if was.BootID != now.BootID {
		w.boots++
		w.since = now.at
		return
	}
	if was.State != now.State {
		if !w.explains(was.State, now.State, now.at) {
			w.note(fmt.Sprintf("%v to %v", was.State, now.State), fmt.Sprintf("went from %v to %v by itself at %.1f s", was.State, now.State, now.at.Seconds()))
		}
		w.since = now.at
		return
	}
	switch now.State {
	case seatlink.StateDisarmed, seatlink.StateReady, seatlink.StateHeld, seatlink.StateSupplyOff:
	case seatlink.StateFault:
		if now.at-w.since < 5*time.Second {
			return // it may still brake
		}
	default:
		return
	}
	for i := range now.Axes.N {
		const same = 1000 // nrad or nm
		if d := int64(now.Position[i]) - int64(was.Position[i]); d > same || d < -same {
			w.note(now.State.String(), fmt.Sprintf("axis %d moved by %g while %v at %.1f s", i+1, float64(d)*seatlink.PositionQuantum, now.State, now.at.Seconds()))
		}
	}
}

func (w *watch) note(kind, text string) {
	const most = 1000
	if len(w.moved) < most {
		w.moved = append(w.moved, unasked{kind, text})
	}
}

// step is a change of state that the page allows, by itself or after a command.
type step struct {
	from, to seatlink.State
	by       seatlink.Type // 0: by itself
}

// explains says whether one state can lead to the other with the commands of late. STATUS between may have been lost.
func (w *watch) explains(from, to seatlink.State, at time.Duration) bool {
	if to == seatlink.StateFault || to == seatlink.StateSupplyOff {
		return true
	}
	steps := [...]step{
		{seatlink.StateBoot, seatlink.StateDisarmed, 0},
		{seatlink.StateHoming, seatlink.StateReady, 0},
		{seatlink.StateStopping, seatlink.StateHeld, 0},
		{seatlink.StateStopping, seatlink.StateReady, 0},
		{seatlink.StateStopping, seatlink.StateDisarmed, 0},
		{seatlink.StateParking, seatlink.StateReady, 0},
		{seatlink.StateArmed, seatlink.StateStopping, 0},
		{seatlink.StateDisarmed, seatlink.StateHoming, seatlink.TypeHome},
		{seatlink.StateReady, seatlink.StateHoming, seatlink.TypeHome},
		{seatlink.StateHeld, seatlink.StateHoming, seatlink.TypeHome},
		{seatlink.StateReady, seatlink.StateArmed, seatlink.TypeArm},
		{seatlink.StateHeld, seatlink.StateParking, seatlink.TypePark},
		{seatlink.StateHoming, seatlink.StateStopping, seatlink.TypeStop},
		{seatlink.StateHoming, seatlink.StateStopping, seatlink.TypeDisarm},
		{seatlink.StateParking, seatlink.StateStopping, seatlink.TypeStop},
		{seatlink.StateParking, seatlink.StateStopping, seatlink.TypeDisarm},
		{seatlink.StateFault, seatlink.StateDisarmed, seatlink.TypeReset},
		{seatlink.StateSupplyOff, seatlink.StateDisarmed, seatlink.TypeReset},
	}
	var reached [16]bool
	reached[from] = true
	for range steps {
		for _, e := range steps {
			if reached[e.from] && (e.by == 0 || w.lately(e.by, at)) {
				reached[e.to] = true
			}
		}
	}
	return reached[to]
}
