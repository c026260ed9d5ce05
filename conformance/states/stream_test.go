package states

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/conformance/report"
	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// told are the checks that fail or warn.
func told(r report.Report) map[string]report.Result {
	out := map[string]report.Result{}
	for _, c := range r.Checks {
		if c.Outcome == report.Fail || c.Outcome == report.Warn {
			out[c.ID] = c
		}
	}
	return out
}

const position = vehicle.Set(1<<vehicle.PositionN | 1<<vehicle.PositionE | 1<<vehicle.PositionD)

// Streams that are unusual and right: nothing is told.
func TestOddStreamsThatAreRight(t *testing.T) {
	all := flights(t)
	clone := func(name string) []vehicle.State { return slices.Clone(all[name].States) }
	streams := map[string][]vehicle.State{}

	// Positions that come 120 ms after all else, in states of their own: older than the states before.
	var late []vehicle.State
	given := clone("ground")
	for i, s := range given {
		s.Present &^= position
		late = append(late, s)
		if i >= 6 {
			p := given[i-6]
			p.Present &= position
			p.ObservedAt = s.ObservedAt
			late = append(late, p)
		}
	}
	streams["a signal that comes later"] = late

	// The source begins anew half way, and says so.
	anew := clone("multirotor")
	from := anew[1200].SourceTime
	for i := 1200; i < len(anew); i++ {
		anew[i].SourceTime -= from
	}
	anew[1200].Discontinuity = true
	streams["the source begins anew"] = anew

	// A pause of ten seconds, told as such.
	paused := clone("multirotor")
	for i := 1200; i < len(paused); i++ {
		paused[i].SourceTime += 10e9
		paused[i].ObservedAt += 10e9
	}
	pause := vehicle.State{Condition: vehicle.Paused, SourceTime: paused[1199].SourceTime + 20e6, ObservedAt: paused[1199].ObservedAt + 20e6}
	paused = slices.Insert(paused, 1200, pause)
	paused[1201].Discontinuity = true
	streams["a pause"] = paused

	// Attitudes in whole degrees, as some radio links send them, at 5 Hz.
	coarse := clone("gentle")
	for i := range coarse {
		q, ok := coarse[i].Attitude()
		if !ok || i%5 != 0 {
			coarse[i].Present &^= vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)
			continue
		}
		yaw, pitch, roll := axes.ToEuler(q)
		whole := func(x float64) float64 { return math.Round(x*180/math.Pi) * math.Pi / 180 }
		coarse[i].PutAttitude(axes.FromEuler(whole(yaw), whole(pitch), whole(roll)))
	}
	streams["whole degrees"] = coarse

	// A vehicle that stands.
	stands := make([]vehicle.State, 2000)
	for i := range stands {
		s := &stands[i]
		s.SourceTime = int64(i) * 20e6
		s.PutAttitude(quat.Number{Real: 1})
		s.PutVec(vehicle.AngularVelocityP, r3.Vec{})
		s.PutVec(vehicle.SpecificForceX, r3.Vec{Z: -9.80665})
		s.PutVec(vehicle.VelocityN, r3.Vec{})
		s.Put(vehicle.Airspeed, 0)
		s.Put(vehicle.OnGround, 1)
	}
	streams["standing"] = stands

	for name, list := range streams {
		for id, c := range told(conform(t, list, name)) {
			t.Errorf("%s: %s %s: %s %v", name, c.Outcome, id, c.Measured, c.Diagnosis)
		}
	}
	if r := conform(t, stands, "standing"); r.Verdict != report.ConformsInPart {
		t.Errorf("at rest everything is said to be shown: %s", r.Verdict)
	}
}

// Streams that are wrong: one check says so.
func TestStreamsThatAreWrong(t *testing.T) {
	all := flights(t)
	for _, w := range []struct {
		name, flight, check string
		make                func([]vehicle.State) []vehicle.State
	}{
		{"positions repeated from an earlier packet", "gusty", "repeats", func(list []vehicle.State) []vehicle.State {
			last := r3.Vec{}
			for i := range list {
				if v, ok := list[i].Vec(vehicle.PositionN); ok {
					last = v
				} else if i > 10 {
					list[i].PutVec(vehicle.PositionN, last)
				}
			}
			return list
		}},
		{"every state twice", "gentle", "duplicates", func(list []vehicle.State) (out []vehicle.State) {
			for _, s := range list {
				out = append(out, s, s)
			}
			return out
		}},
		{"states lost", "gusty", "gaps", func(list []vehicle.State) (out []vehicle.State) {
			for i, s := range list {
				if i%300 < 240 {
					out = append(out, s)
				}
			}
			return out
		}},
		{"starts again unmarked", "multirotor", "source_time", func(list []vehicle.State) []vehicle.State {
			from := list[1200].SourceTime
			for i := 1200; i < len(list); i++ {
				list[i].SourceTime -= from
			}
			return list
		}},
		{"arrival goes back", "gentle", "observed_at", func(list []vehicle.State) []vehicle.State {
			for i := range list {
				if i%20 == 3 {
					list[i].ObservedAt -= 3e9
				}
			}
			return list
		}},
		{"rate that varies", "turn", "rate", func(list []vehicle.State) (out []vehicle.State) {
			for i, s := range list {
				if i%9 < 5 {
					out = append(out, s)
				}
			}
			return out
		}},
	} {
		got := told(conform(t, w.make(slices.Clone(all[w.flight].States)), w.name))
		if _, ok := got[w.check]; !ok || len(got) != 1 {
			t.Errorf("%s: %+v", w.name, got)
		}
	}
}

// States that come straight from an adapter may be anything.
func TestStatesThatAHostRefuses(t *testing.T) {
	list := slices.Clone(flights(t)["gentle"].States)
	for i := range list {
		switch i {
		case 10:
			list[i].Present |= 1 << vehicle.Airspeed
			list[i].Values[vehicle.Airspeed] = math.NaN()
		case 20:
			list[i].Present |= vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)
			list[i].Values[vehicle.AttitudeW] = 3
		}
	}
	r := Judge(t.Context(), list, Options{})
	got := told(r)
	if c, ok := got["rows"]; !ok || len(got) != 1 || r.Verdict != report.DoesNot {
		t.Errorf("%s, %+v", r.Verdict, got)
	} else if want := "2 refused; state 11: "; c.Measured[:len(want)] != want {
		t.Error(c.Measured)
	}
	for i := range list {
		for x := vehicle.AttitudeW; x <= vehicle.AttitudeZ; x++ {
			list[i].Values[x] *= 1.02
		}
	}
	if got := told(Judge(t.Context(), list[30:], Options{})); got["norm"].Outcome != report.Fail || len(got) != 1 {
		t.Errorf("a norm of 1.02: %+v", got)
	}
}

func TestNothingToJudge(t *testing.T) {
	for _, list := range [][]vehicle.State{nil, {}, {{Values: [vehicle.SignalCount]float64{math.NaN()}, Present: 1}}} {
		if r := Judge(t.Context(), list, Options{}); r.Verdict != report.CouldNotJudge || r.Problem == "" {
			t.Errorf("%+v", r)
		}
	}
	for _, list := range [][]vehicle.State{{{}}, {{SourceTime: 1}, {SourceTime: 2, Condition: vehicle.Absent}}} {
		if r := Judge(t.Context(), list, Options{}); r.Verdict != report.DoesNot || told(r)["signals"].Outcome != report.Fail {
			t.Errorf("%+v", r)
		}
	}
}
