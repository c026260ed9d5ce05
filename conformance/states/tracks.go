package states

import (
	"cmp"
	"math"
	"slices"

	"perch/conformance/consistency"
	"perch/sdk/vehicle"
)

// track is one group of signals as the states give it: the indexes of the states that hold all of it.
type track struct {
	name  string // of the group, as diagnoses name it
	title string // as people are told it
	first vehicle.Signal
	n     int
	at    []int // of running states, in the order in which they came
	part  int   // running states that hold some of it only
}

func tracks() []*track {
	return []*track{
		{name: string(consistency.Position), title: "position", first: vehicle.PositionN, n: 3},
		{name: string(consistency.Velocity), title: "velocity in body axes", first: vehicle.VelocityX, n: 3},
		{name: string(consistency.Velocity), title: "velocity in earth axes", first: vehicle.VelocityN, n: 3},
		{name: string(consistency.Attitude), title: "attitude", first: vehicle.AttitudeW, n: 4},
		{name: string(consistency.AngularVelocity), title: "angular velocity", first: vehicle.AngularVelocityP, n: 3},
		{name: string(consistency.SpecificForce), title: "specific force", first: vehicle.SpecificForceX, n: 3},
		{name: string(consistency.Airspeed), title: "airspeed", first: vehicle.Airspeed, n: 1},
		{name: string(consistency.AngleOfAttack), title: "angle of attack", first: vehicle.AngleOfAttack, n: 1},
		{name: string(consistency.Sideslip), title: "sideslip", first: vehicle.Sideslip, n: 1},
		{name: string(consistency.OnGround), title: "on the ground", first: vehicle.OnGround, n: 1},
		{name: "engine_rpm", title: "engine speed", first: vehicle.EngineRPM, n: 1},
		{name: "rotor_rpm", title: "rotor speed", first: vehicle.RotorRPM, n: 1},
		{name: "gear_ratio", title: "gear", first: vehicle.GearRatio, n: 1},
		{name: "flap_ratio", title: "flaps", first: vehicle.FlapRatio, n: 1},
	}
}

// signals is the set of the track's signals.
func (k *track) signals() (out vehicle.Set) {
	for i := range k.n {
		out = out.With(k.first + vehicle.Signal(i))
	}
	return out
}

func (s *Subject) find(first vehicle.Signal) *track {
	for _, k := range s.tracks {
		if k.first == first {
			return k
		}
	}
	return &track{}
}

// value is component c of a track's i-th sample.
func (s *Subject) value(k *track, i, c int) float64 {
	return s.states[k.at[i]].Values[k.first+vehicle.Signal(c)]
}

// time is when a track's i-th sample was, s since the first state.
func (s *Subject) time(k *track, i int) float64 { return s.seconds(k.at[i]) }

func (s *Subject) seconds(state int) float64 {
	return float64(s.states[state].SourceTime-s.states[0].SourceTime) * 1e-9
}

// broken says whether a track's i-th sample does not continue the one before.
func (s *Subject) broken(k *track, i int) bool { return s.cuts[k.at[i]] != s.cuts[k.at[i-1]] }

// same says whether two samples of a track are equal bit for bit.
func (s *Subject) same(k *track, i, j int) bool {
	for c := range k.n {
		if math.Float64bits(s.value(k, i, c)) != math.Float64bits(s.value(k, j, c)) {
			return false
		}
	}
	return true
}

// apart is the length of the difference of two samples; of an attitude the angle between them, rad.
func (s *Subject) apart(k *track, i, j int) float64 {
	sum, dot := 0.0, 0.0
	for c := range k.n {
		d := s.value(k, j, c) - s.value(k, i, c)
		sum += d * d
		dot += s.value(k, i, c) * s.value(k, j, c)
	}
	if k.first == vehicle.AttitudeW {
		return 2 * math.Acos(min(1, math.Abs(dot)))
	}
	return math.Sqrt(sum)
}

func (s *Subject) size(k *track, i int) float64 {
	sum := 0.0
	for c := range k.n {
		sum += s.value(k, i, c) * s.value(k, i, c)
	}
	return math.Sqrt(sum)
}

// interval is the median time between samples of a track, s; +Inf with fewer than two.
func (s *Subject) interval(k *track) float64 {
	var d []float64
	for i := 1; i < len(k.at); i++ {
		if x := s.time(k, i) - s.time(k, i-1); x > 0 && !s.broken(k, i) {
			d = append(d, x)
		}
	}
	if len(d) == 0 {
		return math.Inf(1)
	}
	slices.Sort(d)
	return d[len(d)/2]
}

func quantile(x []float64, share float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Clone(x)
	slices.Sort(x)
	return x[min(len(x)-1, int(share*float64(len(x))))]
}

// ordered are the states as the relations are judged on them: each run of the source's clock in the order of source time,
// since signals may come later than others that were measured after them, and one run after the other. without are signals
// that are left out.
func (s *Subject) ordered(without vehicle.Set) []vehicle.State {
	out := slices.Clone(s.states)
	for i := range out {
		out[i].Present &^= without
		_ = out[i].Admit() // scales the attitude, as a host does; what it would refuse is not in here
	}
	sort := func(run []vehicle.State) {
		slices.SortStableFunc(run, func(a, b vehicle.State) int { return cmp.Compare(a.SourceTime, b.SourceTime) })
	}
	begin := 0
	for i := 1; i <= len(out); i++ {
		if i < len(out) && !s.anew[i] {
			continue
		}
		sort(out[begin:i])
		if begin > 0 { // a second after what came before, or as much later as it arrived
			past, here := &out[begin-1], &out[begin]
			pause := int64(1e9)
			if past.ObservedAt != 0 && here.ObservedAt > past.ObservedAt && s.arrives {
				pause = max(here.ObservedAt-past.ObservedAt, 1e6)
			}
			shift := past.SourceTime + pause - here.SourceTime
			for j := begin; j < i; j++ {
				out[j].SourceTime += shift
			}
			out[begin].Discontinuity = true
		}
		begin = i
	}
	return out
}
