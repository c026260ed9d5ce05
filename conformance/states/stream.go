package states

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"perch/conformance/consistency"
	"perch/conformance/report"
	"perch/sdk/vehicle"
)

// streamChecks are about the stream of states, whatever they say.
func streamChecks() []Check {
	check := func(id, title, doc string, try func(*Subject) report.Finding) Check {
		return Check{ID: id, Title: title, Doc: doc, Run: func(_ context.Context, s *Subject) (report.Finding, error) { return try(s), nil }}
	}
	return []Check{
		check("rows", "Every state is one that a host takes", `A state is refused whole when a value is not finite or beyond what can be meant, when an attitude is not whole or its norm
is not between 0.9 and 1.1, when a truth value is neither 0 nor 1, or when a row does not fit its columns.
Why it matters: the host drops such a state, and says so once. A source whose states are refused moves nothing.
Usual mistakes: NaN for "not measured" (leave the cell empty, the signal absent); a quaternion of zeros until the source has aligned;
decimal commas; a value in thousandths.`, (*Subject).rows),
		check("signals", "The signals are given that were promised, and whole", `What was promised or required is given at least twice, and a vector always with all of its components.
Why it matters: the host plans with what a source says that it gives, and leaves what is derived where something is missing.
Usual mistakes: a signal in the description that the source never sends; one of three components under a wrong name, which is then a
further signal that nobody reads.`, (*Subject).signals),
		check("source_time", "The source's time advances, for each signal", `source_time_ns is when the values were measured, by the source's own clock. It never goes back for one signal. A state that holds only
other signals may be older than the one before, since these may come later. Where a source begins anew, its first state is marked as
a discontinuity.
Why it matters: what goes back in time has an infinite rate of change, or a negative one: a kick.
Usual mistakes: packets that overtook each other on the network; a clock of 32 bits that runs over; a time of the day at midnight; a time in single
precision, which advances in steps after some hours; the mark forgotten when the source starts again.`, (*Subject).sourceTime),
		check("observed_at", "The times of arrival are honest", `observed_at_ns is when the bytes reached the adapter, ns of unix time, by the adapter's clock. It does not go back, it moves on with each packet, and it
is behind the source's clock by an amount that varies by less than a second.
Why it matters: by it the host sees a source that has fallen behind, and a delay that grows.
Usual mistakes: the source's time copied; the time at which the program started; seconds or milliseconds for nanoseconds; the time at which a
batch was processed rather than received.`, (*Subject).observedAt),
		check("rate", "States come at a steady rate", `How often each signal is given, and how evenly. A rate that was promised is kept to four fifths.
Why it matters: below some 10 states a second the seat can only follow slow motion; a rhythm that varies shakes it.
Usual mistakes: a source that sends with each frame of its screen; two packets at once, then none; a rate that was asked for and not granted.`, (*Subject).rate),
		check("gaps", "Nothing is missing in between", `A gap is a time without states of more than five times their usual interval, and more than 0.3 s.
Why it matters: the host takes such a source to be gone, and settles the seat.
Usual mistakes: a loop that waits for something else; a receive buffer that runs over; a pause that is not told (say paused, do not fall silent).`, (*Subject).gaps),
		check("duplicates", "Nothing is told twice", `No signal is given twice with one source time.
Why it matters: it costs time, and a rate that is computed between the two has nothing to divide by.
Usual mistakes: two sockets on one port; a packet that is sent on by two paths; a source time of too few digits.`, (*Subject).duplicates),
		check("repeats", "Nothing is repeated from an earlier packet", `A state holds what was measured at its source time, and nothing else. A signal that comes more rarely is absent in the states in
between; the host combines.
Why it matters: a repeated value says that nothing moved, and then that it moved all at once: a staircase, which is felt as a knock with every step.
Usual mistake: one state kept in a variable, into which each packet writes its part, and which is sent whole every time.`, (*Subject).repeats),
		check("zeros", "What is not known is absent, not zero", `A signal that is exactly zero throughout, while others show that it cannot be, was never measured.
Why it matters: a specific force of zero is free fall, an angular velocity of zero denies every turn. The host can derive what is absent, but it
believes what it is given.
Usual mistakes: a structure that is filled with zeros; a field of the source's packet that this vehicle does not fill in.`, (*Subject).zeros),
		check("norm", "The attitude is a unit quaternion", `attitude_w, x, y, z is a rotation: the sum of its squares is 1.
Why it matters: the host scales it to 1, but what is far from 1 was no rotation in the first place.
Usual mistakes: interpolation without scaling; elements of a matrix taken for a quaternion; integers that were not scaled. A file that is read has
its attitudes scaled already; what was too far from 1 is told by the check of rows.`, (*Subject).norm),
		check("ranges", "Values are plausible", `Nearly all values are such as vehicles have: angular velocity to 50 rad/s (eight turns a second), specific force to 20 g, speeds to 1000 m/s, angles of
the air within half a turn, ratios from 0 to 1.
Why it matters: the guard keeps the seat inside its limits, so such values move it from one limit to the other.
Usual mistakes: degrees, percent, knots, or a bad scale; spikes at the start.`, (*Subject).ranges),
		check("jumps", "Jumps are marked", `Where position or attitude jump - a respawn, a reset, another vehicle, a replay - the state is marked as a discontinuity.
Why it matters: a jump that is marked is faded over; one that is not is motion, as far as the host can tell.
Usual mistakes: the mark is left out; it is set on the state before the jump; a jump of the map's origin is taken for no jump.`, (*Subject).jumps),
	}
}

func (s *Subject) rows() report.Finding {
	f := &s.refused
	switch {
	case f.Count > 0:
		return fail(fmt.Sprintf("%d refused; %s", f.Count, strings.Join(f.First, "; ")), "finite values with their units, empty where nothing was measured", nil)
	case f.Cut != "":
		return warn(f.Cut, "a file that ends whole", nil)
	}
	return pass("%d states", len(s.states))
}

func (s *Subject) signals() report.Finding {
	var missing, part, undeclared []string
	for x := range vehicle.SignalCount {
		wanted, given := (s.options.Promised | s.required).Has(x), s.given.Has(x)
		switch {
		case wanted && !given && !s.otherFrame(x):
			missing = append(missing, x.String())
		case given && s.options.Promised != 0 && !s.options.Promised.Has(x):
			undeclared = append(undeclared, x.String())
		}
	}
	for _, k := range s.tracks {
		// A climb alone, or a height, is measured by itself; a turn about one axis is not.
		alone := k.first == vehicle.PositionN || k.first == vehicle.VelocityN
		if !alone && k.part > len(k.at)/20 {
			part = append(part, k.title)
		}
	}
	switch {
	case len(missing) > 0:
		return fail("never given: "+strings.Join(missing, ", "), "what was promised or required", &report.Diagnosis{Signal: missing[0], Kind: "missing", Detail: "give it, or do not promise it"})
	case len(undeclared) > 0:
		return fail("given and not promised: "+strings.Join(undeclared, ", "), "what was promised, and nothing else", &report.Diagnosis{Signal: undeclared[0], Kind: "undeclared", Detail: "add it to what the adapter says that it gives"})
	case len(part) > 0:
		return warn("without all of their components: "+strings.Join(part, ", ")+s.further(), "vectors that are whole", nil)
	}
	var given []string
	for _, k := range s.tracks {
		if len(k.at) > 0 {
			given = append(given, k.title)
		}
	}
	if len(given) == 0 {
		return fail("no signal of the states table while the source says that it runs"+s.further(), "at least one of "+vehicle.PositionN.String()+" to "+vehicle.FlapRatio.String(), nil)
	}
	return pass("%s", strings.Join(given, ", "))
}

// further lists signals that the states table has no column for, since one may be a known one under a wrong name.
func (s *Subject) further() string {
	var names []string
	for i := range s.states {
		for _, e := range s.states[i].Extra {
			if len(names) < 8 && !slices.Contains(names, e.Name) {
				names = append(names, e.Name)
			}
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "; further signals, which move no seat: " + strings.Join(names, ", ")
}

// otherFrame says that a required component of velocity is missing because the velocity comes in the other axes, and the
// group as a whole was required.
func (s *Subject) otherFrame(x vehicle.Signal) bool {
	body, earth := vec(vehicle.VelocityX), vec(vehicle.VelocityN)
	if s.options.Promised.Has(x) || s.required&(body|earth) != body|earth {
		return false
	}
	return body.Has(x) && s.given&earth == earth || earth.Has(x) && s.given&body == body
}

func (s *Subject) sourceTime() report.Finding {
	const expected = "times that rise, in ns, for each signal; a mark of discontinuity where the source begins anew"
	back, most, which, where := map[int]bool{}, int64(0), "", 0
	still, pairs := 0, 0
	stillest := ""
	for _, k := range s.tracks {
		same, of := 0, 0
		for i := 1; i < len(k.at); i++ {
			d := s.states[k.at[i]].SourceTime - s.states[k.at[i-1]].SourceTime
			of++
			switch {
			case s.run[k.at[i]] != s.run[k.at[i-1]]:
			case d < 0:
				back[k.at[i]] = true
				if -d > most {
					most, which, where = -d, k.title, k.at[i]
				}
			case d == 0 && !s.same(k, i-1, i):
				same++
			}
		}
		if same*max(pairs, 1) > still*max(of, 1) || pairs == 0 {
			still, pairs, stillest = same, of, k.title
		}
	}
	for i := range s.states {
		if s.anew[i] && !s.states[i].Discontinuity {
			back[i] = true
			which, where, most = "all of it", i, max(most, s.states[i-1].SourceTime-s.states[i].SourceTime)
		}
	}
	if len(back) > 0 {
		detail := "sort or drop what overtook; one source time for one moment"
		if most > restart {
			detail = "mark the first state after a restart as a discontinuity"
		}
		return fail(fmt.Sprintf("it goes back in %s, by up to %.3g s: %s, state %d", count(len(back), "state"), float64(most)*1e-9, which, where+1), expected,
			&report.Diagnosis{Signal: "clock", Kind: "time", Detail: "source_time_ns goes back: " + detail})
	}
	if still > 0 && still*50 > pairs {
		return warn(fmt.Sprintf("%d of %d new values of %s have the source time of the one before", still, pairs, stillest), "a time of its own for each moment",
			&report.Diagnosis{Signal: "clock", Kind: "time", Detail: "the clock is too coarse: give it in ns, from a number that holds them"})
	}
	return pass("%.1f s in %d states", s.seconds(len(s.states)-1), len(s.states))
}

func (s *Subject) observedAt() report.Finding {
	const expected = "ns of unix time at which the bytes of each packet came"
	if !s.arrives {
		return none("times of arrival, other than the source's own time (observed_at_ns)")
	}
	delays := map[int][]float64{} // by run of the source's clock
	var back, still, longest, n int
	var most, last int64
	begin := int64(0) // source time since which the arrival stands still
	for i := range s.states {
		x := &s.states[i]
		if x.Condition != vehicle.Running || x.ObservedAt == 0 {
			continue
		}
		n++
		if x.ObservedAt < 1e17 {
			d := &report.Diagnosis{Signal: "clock", Component: "observed_at", Kind: "unit", Detail: "it is no unix time in ns: is it in seconds or ms, or counted from the program's start?"}
			return fail(fmt.Sprintf("%d in state %d, which is a moment in the early seventies", x.ObservedAt, i+1), expected, d)
		}
		if last != 0 {
			if d := last - x.ObservedAt; d > 0 {
				back++
				most = max(most, d)
			}
			if x.ObservedAt == last && x.SourceTime-begin > 1e9 {
				still++
				longest = max(longest, int((x.SourceTime-begin)/1e6))
			} else if x.ObservedAt != last {
				begin = x.SourceTime
			}
		} else {
			begin = x.SourceTime
		}
		last = x.ObservedAt
		delays[s.run[i]] = append(delays[s.run[i]], float64(x.ObservedAt-x.SourceTime)*1e-9)
	}
	clock := func(detail string) *report.Diagnosis {
		return &report.Diagnosis{Signal: "clock", Component: "observed_at", Kind: "time", Detail: detail}
	}
	switch {
	case back > 0 && (most > 1e9 || back*50 > n):
		return fail(fmt.Sprintf("it goes back %d times, by up to %.3g s", back, float64(most)*1e-9), expected, clock("take the time once for each packet, when it is received"))
	case still*10 > n:
		return fail(fmt.Sprintf("it stands still for up to %.1f s while the source's time goes on", float64(longest)*1e-3), expected, clock("take the time for each packet, when it is received"))
	case back > 0:
		return warn(fmt.Sprintf("it goes back %d times, by up to %.3g s", back, float64(most)*1e-9), expected, clock("was the computer's clock set meanwhile?"))
	}
	wide := 0.0
	for _, d := range delays {
		wide = max(wide, spread(d))
	}
	if wide > 1 {
		return warn(fmt.Sprintf("the delay between source and arrival varies by %.1f s", wide), "a delay that varies by less than a second", clock("states wait somewhere: read as fast as they come"))
	}
	return pass("the delay between source and arrival varies by %.0f ms", 1000*wide)
}

// spread is how much delays vary beside a straight line. A clock that runs at another speed is told by the check of the clock.
func spread(delays []float64) float64 {
	n := len(delays)
	if k := n / 4; k > 4 {
		slope := (quantile(delays[n-k:], 0.5) - quantile(delays[:k], 0.5)) / float64(n-k)
		for i := range delays {
			delays[i] -= slope * float64(i)
		}
	}
	return quantile(delays, 0.95) - quantile(delays, 0.02)
}

// fastest is the shortest time that is usual between samples of one track, s.
func (s *Subject) fastest() float64 {
	step := math.Inf(1)
	for _, k := range s.tracks {
		step = min(step, s.interval(k))
	}
	return step
}

func (s *Subject) rate() report.Finding {
	var rates []string
	worst, uneven := 0.0, ""
	for _, k := range s.tracks {
		step := s.interval(k)
		if math.IsInf(step, 1) {
			continue
		}
		rates = append(rates, fmt.Sprintf("%s %.3g Hz", k.title, 1/step))
		if len(k.at) < 30 {
			continue
		}
		var steps []float64
		for i := 1; i < len(k.at); i++ {
			if !s.broken(k, i) {
				steps = append(steps, s.time(k, i)-s.time(k, i-1))
			}
		}
		if spread := (quantile(steps, 0.9) - quantile(steps, 0.1)) / step; spread > worst && quantile(steps, 0.9)-quantile(steps, 0.1) > 0.03 {
			worst, uneven = spread, k.title
		}
	}
	measured := strings.Join(rates, ", ")
	if len(rates) == 0 {
		return report.Finding{Outcome: report.NotCheckable, Needs: "two states that hold something"}
	}
	step := s.fastest()
	if want := s.options.Rate; want > 0 && 1/step < 0.8*want {
		f := fail(measured, fmt.Sprintf("%g states a second, as promised", want), &report.Diagnosis{Signal: "clock", Kind: "rate", Detail: "promise what the source keeps, or ask it for more"})
		if 1/step > 0.5*want {
			f.Outcome = report.Warn
		}
		return f
	}
	if worst > 2 {
		return warn(fmt.Sprintf("%s; the intervals of %s vary by %.1f times their usual length", measured, uneven, worst), "intervals that are alike",
			&report.Diagnosis{Signal: "clock", Kind: "rate", Detail: "is the source time that of the measurement, or that of some batch?"})
	}
	return pass("%s", measured)
}

func (s *Subject) gaps() report.Finding {
	last, n := -1, 0
	var steps []float64
	var where []int
	for i := range s.states {
		x := &s.states[i]
		if x.Condition != vehicle.Running || x.Present == 0 {
			continue
		}
		if last >= 0 && !s.cut[i] {
			if d := float64(x.SourceTime-s.states[last].SourceTime) * 1e-9; d > 0 {
				steps, where = append(steps, d), append(where, i)
			}
		}
		last = i
	}
	if len(steps) < 10 {
		return report.Finding{Outcome: report.NotCheckable, Needs: "ten states or more"}
	}
	usual := quantile(steps, 0.5)
	longest, at, lost, whole := 0.0, 0, 0.0, 0.0
	for i, d := range steps {
		whole += d
		if d > max(5*usual, 0.3) {
			n++
			lost += d
			if d > longest {
				longest, at = d, where[i]
			}
		}
	}
	if n == 0 {
		return pass("the longest interval is %.2f s", quantile(steps, 1))
	}
	f := warn(fmt.Sprintf("%s, the longest of %.1f s before state %d", count(n, "gap"), longest, at+1), "no time without states of more than five times their usual interval", nil)
	if lost > 0.1*whole && n > 1 {
		f.Outcome = report.Fail
		f.Measured += fmt.Sprintf("; %.0f %% of the time is missing", 100*lost/whole)
		f.Diagnosis = &report.Diagnosis{Signal: "clock", Kind: "gaps", Detail: "states are lost or held back: read as fast as they come"}
	}
	return f
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (s *Subject) duplicates() report.Finding {
	twice, of, which := 0, 0, ""
	for _, k := range s.tracks {
		n := 0
		for i := 1; i < len(k.at); i++ {
			if s.states[k.at[i]].SourceTime == s.states[k.at[i-1]].SourceTime && s.same(k, i-1, i) && !s.broken(k, i) {
				n++
			}
		}
		if n > twice {
			twice, of, which = n, len(k.at), k.title
		}
	}
	switch {
	case twice == 0:
		return pass("no signal comes twice with one source time")
	case twice*100 < of:
		return pass("%s comes twice with one source time in %d of %d states", which, twice, of)
	}
	f := warn(fmt.Sprintf("%s comes again with the same source time and value in %d of %d states", which, twice, of), "one state for one moment",
		&report.Diagnosis{Signal: "clock", Kind: "duplicate", Detail: "drop what has the time and the values of the one before; listen once"})
	if twice*5 > of {
		f.Outcome = report.Fail
	}
	return f
}

// moving says whether another track has a new value between two states, from and to. at holds where each track was.
func (s *Subject) moving(k *track, from, to int, at []int) bool {
	for n, other := range s.tracks {
		if other == k || len(other.at) < 2 {
			continue
		}
		for at[n]+1 < len(other.at) && other.at[at[n]+1] <= from {
			at[n]++
		}
		for i := at[n]; i+1 < len(other.at) && other.at[i+1] <= to; i++ {
			if other.at[i] <= from && !s.same(other, i, i+1) || other.at[i] > from {
				return true
			}
		}
	}
	return false
}

func (s *Subject) repeats() report.Finding {
	dead, _ := s.dead()
	judged := 0
	for _, k := range s.tracks {
		if len(k.at) < 30 || k.first >= vehicle.OnGround || k.signals()&dead != 0 {
			continue
		}
		judged++
		// Runs of one value while others move. Copies of a slower packet come in runs of much the same length, of at least
		// two; a slow or coarse signal in runs of any length.
		runs := map[int]int{}
		repeated, pairs, run := 0, 0, 1
		next := make([]int, len(s.tracks))
		for i := 1; i < len(k.at); i++ {
			switch {
			case s.broken(k, i):
				run = 0 // its length is not known
			case !s.same(k, i-1, i):
				pairs++
				if run > 0 {
					runs[run]++
				}
				run = 1
			case s.moving(k, k.at[i-1], k.at[i], next):
				pairs++
				repeated++
				if run > 0 {
					run++
				}
			}
		}
		total := 0
		for _, n := range runs {
			total += n
		}
		alike, usual := 0, 0
		for length := range runs {
			if n := runs[length-1] + runs[length] + runs[length+1]; length > 1 && (n > alike || n == alike && length < usual) {
				alike, usual = n, length
			}
		}
		if runs[1]*3 > total { // as often not repeated
			alike = 0
		}
		if pairs < 30 || repeated*10 < 3*pairs || total < 10 || alike*5 < 4*total {
			continue
		}
		return fail(fmt.Sprintf("%s: %d of %d values are those of the state before, bit for bit, in runs of about %d, while other signals move", k.title, repeated, pairs, usual),
			"a value once, at the source time at which it was measured; absent in the states in between",
			&report.Diagnosis{Signal: k.name, Kind: "stuck", Detail: "it is repeated from an earlier packet: begin each state empty, and put into it only what this packet holds"})
	}
	if judged == 0 {
		return report.Finding{Outcome: report.NotCheckable, Needs: "30 states or more of one signal"}
	}
	return pass("no signal is repeated in between")
}

// dead are the signals that are exactly zero throughout while others show that they cannot be, and what to mend first.
func (s *Subject) dead() (vehicle.Set, string) {
	var set vehicle.Set
	for _, k := range s.deadTracks() {
		set |= k.signals()
	}
	return set, "zeros, to be mended first"
}

func (s *Subject) deadTracks() []*track {
	var out []*track
	if s.travels(vehicle.AttitudeW) > 0.5 && s.constant(vehicle.AngularVelocityP, 0) {
		out = append(out, s.find(vehicle.AngularVelocityP))
	}
	// What does not turn for ten seconds and is not at rest is an identity that nobody measured.
	if k := s.find(vehicle.AttitudeW); s.constant(vehicle.AttitudeW, 1) && s.largest(vehicle.AngularVelocityP) > 0.2 {
		out = append(out, k)
	}
	if s.constant(vehicle.SpecificForceX, 0) { // free fall for a whole recording is none
		out = append(out, s.find(vehicle.SpecificForceX))
	}
	still := func(first vehicle.Signal) bool { return s.constant(first, 0) }
	moves := !still(vehicle.PositionN) && s.travels(vehicle.PositionN) > 30 || s.largest(vehicle.Airspeed) > 15
	for _, first := range []vehicle.Signal{vehicle.VelocityN, vehicle.VelocityX} {
		if still(first) && (moves || s.largest(vehicle.VelocityN) > 5 || s.largest(vehicle.VelocityX) > 5) {
			out = append(out, s.find(first))
		}
	}
	fast := s.largest(vehicle.VelocityN) > 5 || s.largest(vehicle.VelocityX) > 5
	if still(vehicle.PositionN) && fast {
		out = append(out, s.find(vehicle.PositionN))
	}
	for _, one := range []vehicle.Signal{vehicle.Airspeed, vehicle.AngleOfAttack, vehicle.Sideslip} {
		if still(one) && (fast || s.largest(vehicle.Airspeed) > 5) {
			out = append(out, s.find(one))
		}
	}
	return out
}

// constant says whether a track has ten samples or more, all with the given first component and zeros after it.
func (s *Subject) constant(first vehicle.Signal, value float64) bool {
	k := s.find(first)
	for i := range k.at {
		for c := range k.n {
			want := 0.0
			if c == 0 {
				want = value
			}
			if s.value(k, i, c) != want {
				return false
			}
		}
	}
	return len(k.at) >= 10
}

// travels is how far a track goes from sample to sample in all, jumps aside.
func (s *Subject) travels(first vehicle.Signal) float64 {
	k := s.find(first)
	sum := 0.0
	for i := 1; i < len(k.at); i++ {
		if !s.broken(k, i) {
			sum += s.apart(k, i-1, i)
		}
	}
	return sum
}

// largest is what a track's size exceeds in one sample of twenty.
func (s *Subject) largest(first vehicle.Signal) float64 {
	k := s.find(first)
	if len(k.at) == 0 {
		return 0
	}
	sizes := make([]float64, len(k.at))
	for i := range sizes {
		sizes[i] = s.size(k, i)
	}
	return quantile(sizes, 0.95)
}

func (s *Subject) zeros() report.Finding {
	dead := s.deadTracks()
	if len(dead) == 0 {
		return pass("nothing is zero that cannot be")
	}
	var all []string
	for _, k := range dead {
		all = append(all, k.title)
	}
	value := "zero"
	if dead[0].first == vehicle.AttitudeW {
		value = "1, 0, 0, 0"
	}
	return fail(strings.Join(all, ", ")+": "+value+" throughout, while other signals show that it cannot be", "a signal that is not known is left absent",
		&report.Diagnosis{Signal: dead[0].name, Kind: "stuck", Detail: "it was never measured: leave it absent, and out of what the adapter says that it gives"})
}

func (s *Subject) norm() report.Finding {
	k := s.find(vehicle.AttitudeW)
	if len(k.at) == 0 {
		return none("an attitude, which is not given")
	}
	low, high, off := math.Inf(1), 0.0, 0
	for i := range k.at {
		n := s.size(k, i)
		low, high = min(low, n), max(high, n)
		if math.Abs(n-1) > 0.003 {
			off++
		}
	}
	if off*20 > len(k.at) {
		return fail(fmt.Sprintf("the norm is from %.4f to %.4f, and off by more than 0.003 in %d of %d attitudes", low, high, off, len(k.at)), "1",
			&report.Diagnosis{Signal: "attitude", Kind: "unit", Detail: "divide the quaternion by its norm, and look where the norm was lost"})
	}
	return pass("the norm is from %.4f to %.4f", low, high)
}

func (s *Subject) ranges() report.Finding {
	type limit struct {
		first     vehicle.Signal
		low, high float64
		why       string
		percent   bool // values to 100 are percent
		degrees   bool
	}
	limits := []limit{
		{first: vehicle.AngularVelocityP, high: 50, why: "eight turns a second"},
		{first: vehicle.SpecificForceX, high: 20 * 9.80665, why: "20 g"},
		{first: vehicle.VelocityN, high: 1000, why: "three times the speed of sound"},
		{first: vehicle.VelocityX, high: 1000, why: "three times the speed of sound"},
		{first: vehicle.Airspeed, low: -2, high: 1000, why: "three times the speed of sound, and none below zero"},
		{first: vehicle.PositionN, high: 2e7, why: "half of the earth's circumference"},
		{first: vehicle.AngleOfAttack, low: -math.Pi - 0.01, high: math.Pi + 0.01, why: "half a turn either way", degrees: true},
		{first: vehicle.Sideslip, low: -math.Pi - 0.01, high: math.Pi + 0.01, why: "half a turn either way", degrees: true},
		{first: vehicle.EngineRPM, low: -1, high: 2e5, why: "200 000 a minute"},
		{first: vehicle.RotorRPM, low: -1e5, high: 1e5, why: "100 000 a minute"},
		{first: vehicle.GearRatio, low: -0.1, high: 1.1, why: "from 0 to 1", percent: true},
		{first: vehicle.FlapRatio, low: -0.1, high: 1.1, why: "from 0 to 1", percent: true},
	}
	var worst *report.Finding
	given, elsewhere := false, ""
	for _, l := range limits {
		k := s.find(l.first)
		if len(k.at) == 0 {
			continue
		}
		given = true
		if s.mistaken(k) {
			elsewhere = ", beside what is told of " + k.title
			continue
		}
		beyond, most := 0, 0.0
		for i := range k.at {
			x := s.size(k, i)
			if k.n == 1 {
				x = s.value(k, i, 0)
			}
			if x < l.low || x > l.high {
				beyond++
				if math.Abs(x) > math.Abs(most) {
					most = x
				}
			}
		}
		if beyond == 0 {
			continue
		}
		f := warn(fmt.Sprintf("%s is %.4g in one state, and beyond what is plausible in %d of %d", k.title, most, beyond, len(k.at)), l.why, nil)
		if beyond*50 > len(k.at) && (l.percent || l.degrees || k.n == 1) {
			f.Outcome = report.Fail
			d := &report.Diagnosis{Signal: k.name, Kind: "unit", Detail: "look at its unit"}
			switch {
			case l.percent && most <= 101:
				d.Detail, d.Scale = "it looks like percent: multiply by 0.01", 0.01
			case l.degrees && math.Abs(most) > 2*math.Pi+0.01:
				d.Detail, d.Scale = fmt.Sprintf("it looks like degrees: multiply by %.6g", math.Pi/180), math.Pi/180
			case l.degrees:
				d.Kind, d.Detail = "wrap", "it jumps by 360 deg: angles run from -180 to 180 deg"
			}
			f.Diagnosis = d
		}
		if worst == nil || worst.Outcome == report.Warn && f.Outcome == report.Fail {
			worst = &f
		}
	}
	switch {
	case worst != nil:
		return *worst
	case !given:
		return none("a signal with a plausible range")
	}
	return pass("all within what vehicles do%s", elsewhere)
}

// mistaken says whether a mistake of a track's signal is told where it contradicts others.
func (s *Subject) mistaken(k *track) bool {
	return slices.Contains(s.physics().mistaken, consistency.Group(k.name))
}

func (s *Subject) jumps() report.Finding {
	tried := false
	for _, k := range []*track{s.find(vehicle.AttitudeW), s.find(vehicle.PositionN)} {
		if len(k.at) < 20 {
			continue
		}
		tried = true
		var rates []float64
		for i := 1; i < len(k.at); i++ {
			if d := s.time(k, i) - s.time(k, i-1); d > 0 && !s.broken(k, i) {
				rates = append(rates, s.apart(k, i-1, i)/d)
			}
		}
		step := s.interval(k)
		usual := quantile(rates, 0.95)
		n, most, where := 0, 0.0, 0
		for i := 1; i < len(k.at); i++ {
			d := s.time(k, i) - s.time(k, i-1)
			if d <= 0 || d > 3*step || s.broken(k, i) {
				continue
			}
			way := s.apart(k, i-1, i)
			least := max(0.6, 6*usual*d)
			if k.n == 3 {
				least = max(15, 8*usual*d)
			}
			if way > least {
				if n++; way > most {
					most, where = way, k.at[i]
				}
			}
		}
		if n == 0 || n*50 > len(k.at) || s.mistaken(k) { // what jumps all the time is told by what it contradicts
			continue
		}
		unit, amount := "m", most
		if k.n == 4 {
			unit, amount = "deg", most*180/math.Pi
		}
		f := fail(fmt.Sprintf("%s jumps by %.3g %s at %.2f s (state %d) without a mark; %s in all", k.title, amount, unit, s.seconds(where), where+1, count(n, "such jump")),
			"a state after a jump is marked as a discontinuity", &report.Diagnosis{Signal: k.name, Kind: "discontinuity", Detail: "set discontinuity in the first state after the jump"})
		if k.n == 3 {
			f.Outcome = report.Warn // satellite positions do that
		}
		return f
	}
	if !tried {
		return none("a position or an attitude, in 20 states or more")
	}
	return pass("none without a mark")
}
