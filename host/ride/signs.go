package ride

import (
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"sync/atomic"

	"perch/host/seat"
	"perch/host/signs"
)

// IntensityPrefix begins the event of a recording that says that a source has another intensity from the tick of the event
// on. Its name and the intensity follow: see IntensityOf.
const IntensityPrefix = "intensity of source "

// IntensityOf reads the event that begins with IntensityPrefix.
func IntensityOf(message string) (source string, intensity float64, ok bool) {
	rest, ok := strings.CutPrefix(message, IntensityPrefix)
	at := strings.LastIndex(rest, ": ")
	if !ok || at < 0 {
		return "", 0, false
	}
	intensity, err := strconv.ParseFloat(rest[at+2:], 64)
	return rest[:at], intensity, err == nil
}

// trust is how far a source is followed on a real seat, by what a person has seen of its signs.
type trust struct {
	verdict *atomic.Pointer[signs.Verdict] // nil before it has described itself
	// what follows belongs to the loop's goroutine
	whole, gentle float64 // intensities
	now           float64
	lines         [2]string // what the recording is told: of whole, of gentle
	// and this to the one that tells
	told signs.Standing
	real bool
}

func newTrust(name string, intensity float64) trust {
	t := trust{verdict: new(atomic.Pointer[signs.Verdict]), whole: intensity, gentle: min(intensity, signs.Gentle), now: intensity}
	for i, x := range [...]float64{t.whole, t.gentle} {
		t.lines[i] = fmt.Sprintf("%s%s: %v", IntensityPrefix, name, x) // reads back as the same number
	}
	return t
}

// real says whether a seat is there that moves.
func real(s *seat.Status) bool { return s.Connected && !s.Simulated }

// judge looks a source up, by what its adapter says of itself.
func (r *Ride) judge(of int) {
	from := r.s.Sources[of]
	v := signs.Verdict{Standing: signs.Confirmed}
	if !from.Ours {
		r.mu.Lock()
		started := r.plugins
		r.mu.Unlock()
		if of >= len(started) || started[of] == nil {
			return // Start will
		}
		command := from.Check
		if command == "" {
			command = "perch signs --source " + from.Name
		}
		v = r.s.Signs.Check(signs.IdentityOf(from.Name, started[of].Status().Description, from.Settings), command)
	}
	r.trust[of].verdict.Store(&v)
}

// temper brings a source's intensity to what its signs allow on the seat that is there, and says whether the seat follows it
// at all. Where no controller is there it stays as it was: nothing moves.
func (r *Ride) temper(of int, tick uint64) (follow bool) {
	t := &r.trust[of]
	standing := signs.NotConfirmed
	if v := t.verdict.Load(); v != nil {
		standing = v.Standing
	}
	if !r.status.Connected {
		return true
	}
	want, line := t.whole, &t.lines[0]
	if real(&r.status) && standing != signs.Confirmed {
		want, line = t.gentle, &t.lines[1]
	}
	if want != t.now {
		t.now = want
		r.chain.SetIntensity(of, want)
		r.line.Tick, r.line.Message = tick, *line
		r.s.Recorder.PutLine(&r.line)
	}
	return standing != signs.Contradicted || !real(&r.status)
}

// tellSigns tells of sources whose signs nobody has confirmed: once, and again where that changes or a real seat comes.
func (r *Ride) tellSigns(isReal bool) {
	for i := range r.trust {
		t := &r.trust[i]
		v := t.verdict.Load()
		if v == nil || v.Standing == t.told && (isReal == t.real || !isReal) {
			continue
		}
		first := t.told == ""
		t.told, t.real = v.Standing, isReal
		line := fmt.Sprintf("source %s: %s", r.s.Sources[i].Name, v.Line())
		switch {
		case v.Standing == signs.Confirmed && first:
			continue
		case v.Standing == signs.Contradicted && isReal:
			line += "; until then it does not move this seat"
		case v.Standing == signs.NotConfirmed && isReal:
			line += fmt.Sprintf("; until then it rides gently, at %.0f %% of intensity at most", 100*t.gentle)
		}
		level := slog.LevelWarn
		if v.Standing == signs.Confirmed || !isReal {
			level = slog.LevelInfo
		}
		r.tell(level, line)
	}
}
