// Package perception measures how far what a rider of the seat perceives is from what the vehicle's occupant would.
//
// Two motions are compared, the vehicle's and the seat's, sampled at 50 Hz in four channels: rates of roll and pitch
// through a model of the semicircular canals, specific force along x and y at the head through one of the otoliths, each
// discretised bilinearly and divided by its threshold of perception. The error is the RMS over time of the norm of the
// four differences, divided by that of a chair at rest: 0 where the rider perceives what the vehicle does, 1 for a chair
// that never moves, more where not moving would be better.
//
// The models' time constants are those of the vestibular literature (Telban & Cardullo, NASA/CR-2005-213747, 2005); the
// otoliths' vary between authors, and are a yardstick that stays the same rather than a claim about people. The seat
// turns about a joint below the head, so that turning it faster or slower is felt as a push; the vehicle is taken at its
// reference point. Axes are those of ISO 1151-1: x forward, y right, z down; roll right side down, pitch nose up.
//
// Everything here is a function of series: it reads no clock, does no I/O, and keeps nothing.
package perception

import "math"

const (
	// Step is the time between two samples of every series here, s.
	Step = 0.02
	// Gravity is standard gravity, m/s² (ISO 80000-3).
	Gravity = 9.80665
)

// Channel is one of the four things that are compared.
type Channel uint8

// The channels, in the order of every Series.
const (
	RollRate  Channel = iota // p, rad/s
	PitchRate                // q, rad/s
	ForceX                   // specific force forward, m/s²
	ForceY                   // specific force to the right, m/s²
	Channels                 // not a channel: how many there are
)

var channelNames = [Channels]string{"roll rate", "pitch rate", "force forward", "force sideways"}

// String is the channel's name on screens.
func (c Channel) String() string {
	if c < Channels {
		return channelNames[c]
	}
	return "unknown"
}

// thresholds of perception: rates by Benson, Hutt & Brown (1989), forces by Benson, Spencer & Stott (1986).
var thresholds = [Channels]float64{2.04 * math.Pi / 180, 2.07 * math.Pi / 180, 0.063, 0.057}

// Threshold is the least that a person notices, in the channel's unit.
func (c Channel) Threshold() float64 { return thresholds[c] }

// Series is a motion, one slice a channel, all of one length: in the channels' units, or perceived, in thresholds.
type Series [Channels][]float64

// Len is the number of samples.
func (s *Series) Len() int { return len(s[0]) }

// NewSeries makes a series of n zeros.
func NewSeries(n int) Series {
	var s Series
	for c := range s {
		s[c] = make([]float64, n)
	}
	return s
}

// Seat gives what a head feels that is so many metres above the joint about which the seat turns by these angles, rad.
// Derivatives are central differences, one-sided at the ends.
func Seat(roll, pitch []float64, head float64) Series {
	n := min(len(roll), len(pitch))
	s := NewSeries(n)
	p, q := s[RollRate], s[PitchRate]
	gradient(roll[:n], p)
	gradient(pitch[:n], q)
	for i := range q {
		q[i] *= math.Cos(roll[i])
	}
	gradient(q, s[ForceX])
	gradient(p, s[ForceY])
	for i := range n {
		s[ForceX][i] = Gravity*math.Sin(pitch[i]) - head*s[ForceX][i]
		s[ForceY][i] = -Gravity*math.Cos(pitch[i])*math.Sin(roll[i]) + head*s[ForceY][i]
	}
	return s
}

func gradient(x, out []float64) {
	n := len(x)
	if n < 2 {
		clear(out)
		return
	}
	out[0], out[n-1] = (x[1]-x[0])/Step, (x[n-1]-x[n-2])/Step
	for i := 1; i < n-1; i++ {
		out[i] = (x[i+1] - x[i-1]) / (2 * Step)
	}
}

// Perceive gives what is perceived of a motion, in thresholds. Turning is perceived from rest, force as if the first
// sample had lasted for ever.
func Perceive(of *Series) Series {
	out := NewSeries(of.Len())
	for c := range Channels {
		f := NewFilter(c, Step)
		if len(of[c]) > 0 && c >= ForceX {
			f.Settle(of[c][0])
		}
		for i, x := range of[c] {
			out[c][i] = f.Step(x)
		}
	}
	return out
}

// Filter is the perception of one channel in discrete time: b over a, both in powers of z⁻¹ with a[0] = 1.
type Filter struct {
	b, a [3]float64
	z    [2]float64
}

// NewFilter is a channel's filter at a time step of dt s, at rest: what is perceived, in thresholds, of the channel's
// quantity. The canals are 458.4 s²/((1+80s)(1+5.73s)), the otoliths 0.4(1+10s)/((1+5s)(1+0.016s)); bilinear, without
// prewarping.
func NewFilter(c Channel, dt float64) Filter {
	var b, a [3]float64 // by descending powers of s
	if c < ForceX {
		b, a = [3]float64{458.4, 0, 0}, [3]float64{80 * 5.73, 80 + 5.73, 1}
	} else {
		b, a = [3]float64{0, 4, 0.4}, [3]float64{5 * 0.016, 5 + 0.016, 1}
	}
	k := 2 / dt
	bilinear := func(p [3]float64) [3]float64 {
		x, y, z := p[0]*k*k, p[1]*k, p[2]
		return [3]float64{x + y + z, 2 * (z - x), x - y + z}
	}
	f := Filter{b: bilinear(b), a: bilinear(a)}
	for i, a0 := 0, f.a[0]; i < 3; i++ {
		f.b[i] /= a0 * c.Threshold()
		f.a[i] /= a0
	}
	return f
}

// Coefficients are b and a, of the powers 0, -1, -2 of z.
func (f *Filter) Coefficients() (b, a [3]float64) { return f.b, f.a }

// Settle puts the filter where a lasting input has it.
func (f *Filter) Settle(x float64) {
	y := x * (f.b[0] + f.b[1] + f.b[2]) / (f.a[0] + f.a[1] + f.a[2])
	f.z[1] = f.b[2]*x - f.a[2]*y
	f.z[0] = f.b[1]*x - f.a[1]*y + f.z[1]
}

// Memory is what the filter remembers of the past; it adds like the inputs do, so that two filters' difference remembers the
// difference.
func (f *Filter) Memory() [2]float64 { return f.z }

// Remember sets it.
func (f *Filter) Remember(z [2]float64) { f.z = z }

// Step takes a sample and gives what is perceived now.
func (f *Filter) Step(x float64) float64 {
	y := f.b[0]*x + f.z[0]
	f.z[0] = f.b[1]*x - f.a[1]*y + f.z[1]
	f.z[1] = f.b[2]*x - f.a[2]*y
	return y
}

// Report is how far two perceived motions are apart.
type Report struct {
	Error   float64 // of all channels; 1 is a chair at rest
	Still   float64 // RMS norm of the differences for a chair at rest, thresholds
	False   float64 // share of the samples with a false cue in any channel
	Channel [Channels]ChannelReport
}

// ChannelReport is one channel's part.
type ChannelReport struct {
	Error float64 // RMS of the difference over that for a chair at rest; 0 where neither differs
	RMS   float64 // of the difference, thresholds
	Still float64 // RMS of the difference for a chair at rest, thresholds
	False float64 // share of the samples with a false cue
}

// IsFalse says whether a seat gives a false cue where its rider perceives so much of one channel and the vehicle's occupant
// so much, in thresholds: the rider perceives something (more than 1), it differs perceptibly from the vehicle's (by more
// than 1), and the vehicle's has the other sign or is imperceptible (at most 1).
func IsFalse(vehicle, seat float64) bool {
	return math.Abs(seat) > 1 && math.Abs(seat-vehicle) > 1 && (math.Abs(vehicle) <= 1 || vehicle*seat < 0)
}

// Judge compares what is perceived in the vehicle and on the seat, two series of Perceive of one length.
func Judge(vehicle, seat *Series) Report {
	n := min(vehicle.Len(), seat.Len())
	r := Report{}
	if n == 0 {
		return r
	}
	// A level chair at rest perceives exactly nothing in any of these channels.
	var sum, still [Channels]float64
	anyFalse := 0
	for i := range n {
		wrong := false
		for c := range Channels {
			v, s := vehicle[c][i], seat[c][i]
			sum[c] += (v - s) * (v - s)
			still[c] += v * v
			if IsFalse(v, s) {
				r.Channel[c].False += 1 / float64(n)
				wrong = true
			}
		}
		if wrong {
			anyFalse++
		}
	}
	var all, allStill float64
	for c := range Channels {
		h := &r.Channel[c]
		h.RMS, h.Still = math.Sqrt(sum[c]/float64(n)), math.Sqrt(still[c]/float64(n))
		h.Error = over(h.RMS, h.Still)
		all += sum[c]
		allStill += still[c]
	}
	r.Still = math.Sqrt(allStill / float64(n))
	r.Error = over(math.Sqrt(all/float64(n)), r.Still)
	r.False = float64(anyFalse) / float64(n)
	return r
}

// over is a ratio that is 0 where both are nothing.
func over(a, b float64) float64 {
	if a == 0 {
		return 0
	}
	return a / b
}

// Sample reads a curve of straight lines through (t, v), t ascending, at each of the times at, s; beyond its ends the
// ends' values hold.
func Sample(t, v, at []float64) []float64 {
	out := make([]float64, len(at))
	i := 0
	for k, x := range at {
		for i+1 < len(t)-1 && t[i+1] <= x {
			i++
		}
		switch {
		case len(t) == 0:
		case x <= t[0] || len(t) == 1:
			out[k] = v[0]
		case x >= t[len(t)-1]:
			out[k] = v[len(t)-1]
		default:
			out[k] = v[i] + (v[i+1]-v[i])/(t[i+1]-t[i])*(x-t[i])
		}
	}
	return out
}

// Grid is the times from first to before last, one every Step, s.
func Grid(first, last float64) []float64 {
	if !(last > first) {
		return nil
	}
	out := make([]float64, int(math.Ceil((last-first)/Step)))
	for i := range out {
		out[i] = first + float64(i)*Step
	}
	return out
}
