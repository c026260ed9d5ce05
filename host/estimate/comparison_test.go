package estimate

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

var update = flag.Bool("update", false, "write comparison.md")

// plain are the textbook ways that the estimator is compared with. They know the source's clock exactly.
type plain int

const (
	hold plain = iota
	extrapolation
	interpolation
	plains
)

var plainNames = [plains]string{"hold", "linear extrapolation", "linear interpolation"}

type knownQ struct {
	t float64
	q quat.Number
	w r3.Vec
}

type knownV struct {
	t float64
	v r3.Vec
}

// known is what has arrived so far, in order of source time.
type known struct {
	rates, forced bool
	q             []knownQ
	v, f          []knownV
}

func (k *known) take(s *vehicle.State) {
	t := float64(s.SourceTime) * 1e-9
	if q, ok := s.Attitude(); ok {
		w, ok := s.Vec(vehicle.AngularVelocityP)
		k.rates = k.rates || ok
		k.q = append(k.q, knownQ{t, q, w})
	}
	if v, ok := s.Vec(vehicle.VelocityN); ok {
		k.v = append(k.v, knownV{t, v})
	}
	if f, ok := s.Vec(vehicle.SpecificForceX); ok {
		k.f, k.forced = append(k.f, knownV{t, f}), true
	}
}

// stretch is the pair of samples around t, or the last two; share is how far between them t is.
func stretch(n int, at func(int) float64, t float64, way plain) (a, b int, share float64) {
	i := n - 1
	for i > 0 && at(i) > t {
		i--
	}
	if way == hold || n < 2 || i == n-1 && way == interpolation {
		return i, i, 0
	}
	if i == n-1 {
		i--
	}
	return i, i + 1, (t - at(i)) / (at(i+1) - at(i))
}

func (k *known) vector(s []knownV, t float64, way plain) r3.Vec {
	if len(s) == 0 {
		return r3.Vec{}
	}
	a, b, x := stretch(len(s), func(i int) float64 { return s[i].t }, t, way)
	return r3.Add(s[a].v, r3.Scale(x, r3.Sub(s[b].v, s[a].v)))
}

func (k *known) motion(t float64, way plain) (q quat.Number, w, f r3.Vec) {
	if len(k.q) == 0 {
		return quat.Number{Real: 1}, w, f
	}
	at := func(i int) float64 { return k.q[i].t }
	a, b, x := stretch(len(k.q), at, t, way)
	q = slerp(k.q[a].q, k.q[b].q, x)
	if k.rates {
		w = r3.Add(k.q[a].w, r3.Scale(x, r3.Sub(k.q[b].w, k.q[a].w)))
	} else if a, b, _ = stretch(len(k.q), at, t, extrapolation); a != b {
		w = r3.Scale(1/(at(b)-at(a)), between(k.q[a].q, k.q[b].q))
	}
	if k.forced {
		return q, w, k.vector(k.f, t, way)
	}
	f = r3.Vec{Z: -Gravity}
	if len(k.v) > 1 {
		if a, b, _ = stretch(len(k.v), func(i int) float64 { return k.v[i].t }, t, extrapolation); a != b {
			f = r3.Add(f, r3.Scale(1/(k.v[b].t-k.v[a].t), r3.Sub(k.v[b].v, k.v[a].v)))
		}
	}
	return q, w, toBody(q, f)
}

// score is how far a motion is from the true one, RMS.
type score struct {
	attitude, rate, force float64 // deg, deg/s, m/s²
	late                  struct{ attitude, rate, force float64 }
	kink                  float64 // deg/s², the attitude's second difference at its 99.9 %... worst
	delay                 float64
}

type tally struct {
	n                         float64
	q, w, f, qn, wn, fn, kink float64
	last                      [2]quat.Number
}

func (y *tally) add(c *course, now, delay float64, q quat.Number, w, f r3.Vec) {
	y.n++
	then, here := c.at(now-delay), c.at(now)
	flat := func(v r3.Vec) r3.Vec { v.Z = 0; return v }
	sq := func(v r3.Vec) float64 { return r3.Dot(v, v) }
	y.q += sq(between(c.q[then], q))
	y.qn += sq(between(c.q[here], q))
	y.w += sq(flat(r3.Sub(w, c.w[then])))
	y.wn += sq(flat(r3.Sub(w, c.w[here])))
	y.f += sq(flat(r3.Sub(f, c.f[then])))
	y.fn += sq(flat(r3.Sub(f, c.f[here])))
	if y.n > 2 {
		y.kink = max(y.kink, norm(r3.Sub(between(y.last[1], q), between(y.last[0], y.last[1])))/dt)
	}
	y.last[0], y.last[1] = y.last[1], q
}

func (y *tally) score(delay float64) (s score) {
	r := func(x float64) float64 { return math.Sqrt(x / y.n) }
	s.attitude, s.rate, s.force = r(y.q)*degrees, r(y.w)*degrees, r(y.f)
	s.late.attitude, s.late.rate, s.late.force = r(y.qn)*degrees, r(y.wn)*degrees, r(y.fn)
	s.kink, s.delay = y.kink*degrees, delay
	return s
}

// compare runs a feed of a course through the estimator, and through each plain way at the delay that it had.
func compare(c *course, f telemetry, settings Settings, until float64) (ours score, others [plains]score) {
	packets := f.sample(c, until)
	e := New(settings, dt)
	var k known
	var m Motion
	var mine tally
	var their [plains]tally
	delays, next := 0.0, 0
	for n := uint64(0); float64(n)*dt < until; n++ {
		now := float64(n) * dt
		for ; next < len(packets) && packets[next].at <= now+1e-9; next++ {
			e.Push(&packets[next].s, n)
			k.take(&packets[next].s)
		}
		e.Step(n, &m)
		if now < 8 {
			continue
		}
		d := e.Delay()
		delays += d
		mine.add(c, now, d, m.Attitude, m.AngularVelocity, m.SpecificForce)
		for w := range plains {
			q, r, a := k.motion(now-d, w)
			their[w].add(c, now, d, q, r, a)
		}
	}
	d := delays / mine.n
	for w := range plains {
		others[w] = their[w].score(d)
	}
	return mine.score(d), others
}

func TestTry(t *testing.T) {
	if os.Getenv("TRY") == "" {
		t.Skip()
	}
	const until = 60
	cs := courses(until)
	for _, f := range feeds {
		for _, c := range cs {
			if os.Getenv("TRY") != "all" && c.name != os.Getenv("TRY") {
				continue
			}
			for _, d := range []float64{-1, 0} {
				ours, others := compare(c, f, Settings{Delay: d}, until)
				line := func(n string, s score) {
					fmt.Printf("%-32s %-11s %-12s D %.3f shape %6.2f %6.1f %6.2f  now %6.2f %6.1f %6.2f  kink %8.2f\n", f.name, c.name, n, s.delay, s.attitude, s.rate, s.force, s.late.attitude, s.late.rate, s.late.force, s.kink)
				}
				line("ours", ours)
				for w := range plains {
					line(plainNames[w][:min(12, len(plainNames[w]))], others[w])
				}
			}
		}
	}
	_ = bytes.NewBuffer
	_ = *update
}
