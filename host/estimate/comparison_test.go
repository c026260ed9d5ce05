package estimate

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
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
	if v, ok := s.Vec(vehicle.VelocityX); ok {
		if q, ok := s.Attitude(); ok {
			k.v = append(k.v, knownV{t, toEarth(q, v)})
		}
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
	kink                  float64 // the attitude's largest change of rate from one tick to the next, deg/s
	delay                 float64 // s
}

type tally struct {
	n, q, w, f, kink float64
	last             [2]quat.Number
}

func (y *tally) add(c *course, now, delay float64, q quat.Number, w, f r3.Vec) {
	y.n++
	then := c.at(now - delay)
	flat := func(v r3.Vec) r3.Vec { v.Z = 0; return v }
	sq := func(v r3.Vec) float64 { return r3.Dot(v, v) }
	y.q += sq(between(c.q[then], q))
	y.w += sq(flat(r3.Sub(w, c.w[then])))
	y.f += sq(flat(r3.Sub(f, c.f[then])))
	if y.n > 2 {
		y.kink = max(y.kink, norm(r3.Sub(between(y.last[1], q), between(y.last[0], y.last[1])))/dt)
	}
	y.last[0], y.last[1] = y.last[1], q
}

func (y *tally) score(delay float64) (s score) {
	r := func(x float64) float64 { return math.Sqrt(x / y.n) }
	s.attitude, s.rate, s.force = r(y.q)*degrees, r(y.w)*degrees, r(y.f)
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

const (
	pageSeconds = 32.0
	pagePath    = "comparison.md"
)

// total is the RMS over flights; of the kink the largest.
func total(all []score) (s score) {
	for _, x := range all {
		s.attitude += x.attitude * x.attitude / float64(len(all))
		s.rate += x.rate * x.rate / float64(len(all))
		s.force += x.force * x.force / float64(len(all))
		s.delay += x.delay / float64(len(all))
		s.kink = max(s.kink, x.kink)
	}
	s.attitude, s.rate, s.force = math.Sqrt(s.attitude), math.Sqrt(s.rate), math.Sqrt(s.force)
	return s
}

func (s score) row() string {
	return fmt.Sprintf("%.0f ms | %.2f | %.1f | %.2f | %.0f |\n", s.delay*1000, s.attitude, s.rate, s.force, s.kink)
}

// The page is what the estimator does today, and the estimator is not worse than what it is compared with.
func TestComparison(t *testing.T) {
	cs := courses(pageSeconds)
	var ours [3][]score // by smoothness, of each feed
	others := make([][plains]score, len(feeds))
	for i := range ours {
		ours[i] = make([]score, len(feeds))
	}
	t.Run("flights", func(t *testing.T) {
		for i, f := range feeds {
			t.Run(f.name, func(t *testing.T) {
				t.Parallel()
				for k, smoothness := range []float64{-1, 0, 1} {
					if k != 1 && i != knobFeed {
						continue
					}
					var mine []score
					var their [plains][]score
					for _, c := range cs {
						s, o := compare(c, f, Settings{Delay: -1, Smoothness: smoothness}, pageSeconds)
						mine = append(mine, s)
						for w := range plains {
							their[w] = append(their[w], o[w])
						}
					}
					ours[k][i] = total(mine)
					for w := range plains {
						if k == 1 {
							others[i][w] = total(their[w])
						}
					}
				}
			})
		}
	})
	var page bytes.Buffer
	page.WriteString(pageHead)
	for i, f := range feeds {
		fmt.Fprintf(&page, "| %s | estimate | %s", f.name, ours[1][i].row())
		for w := range plains {
			fmt.Fprintf(&page, "| | %s | %s", plainNames[w], others[i][w].row())
		}
	}
	page.WriteString(pageKnob)
	for k, name := range []string{"soonest (-1)", "by rate (0)", "smoothest (1)"} {
		fmt.Fprintf(&page, "| %s | %s", name, ours[k][knobFeed].row())
	}
	page.WriteString(pageFoot)
	if *update {
		if err := os.WriteFile(pagePath, page.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	// The last digit depends on whether a processor fuses multiplication and addition.
	if was, err := os.ReadFile(pagePath); err != nil || runtime.GOARCH == "amd64" && !bytes.Equal(was, page.Bytes()) {
		t.Errorf("%s is not what the estimator does (%v): go test ./host/estimate -run Comparison -update", pagePath, err)
	}
	for i, f := range feeds {
		for w := range plains {
			a, b := ours[1][i], others[i][w]
			// A clock known within a tick or two costs up to 0.1 deg and 0.4 deg/s.
			rate, force, attitude := 1.03, 1.02, 1.0
			if f.noise > 0 { // differences have more of it
				rate, force = 1.4, 1.4
			}
			if !f.rates { // after a loss there is only a step, or the time to fade it
				rate, attitude = 1.1, 1.5
			}
			if i == 0 && w == extrapolation {
				continue // see the page
			}
			if a.attitude > attitude*b.attitude+0.1 || a.rate > rate*b.rate+0.4 || a.force > force*b.force+0.03 {
				t.Errorf("%s: %+v, %s %+v", f.name, a, plainNames[w], b)
			}
			if a.kink > 60 || i > 0 && b.kink < 3*a.kink {
				t.Errorf("%s: the rate steps by %.0f deg/s, %s by %.0f", f.name, a.kink, plainNames[w], b.kink)
			}
		}
	}
}

const knobFeed = 3

const pageHead = `# Estimation beside plain reconstructions

What the estimator makes of poor telemetry, beside what holding, linear extrapolation and linear interpolation make of it at
the same delay; made by ` + "`go test ./host/estimate -run Comparison -update`" + `. Six invented flights and drives of 32 s (aeroplane,
turbulence, rolls, multirotor, ground vehicle, a model tilted by hand), whose true motion is known, are sampled at each
rate, made late by chance (1-20 ms on average, over the radio 0.15 s and up to 0.9 s), most of them lost now and then (1-3 %) and, in
one case, sent in clumps of 0.1 s. No feed but the first has an accelerometer: specific force follows from velocity and attitude.

Figures are RMS over all flights against the true motion of that long ago: attitude, roll and pitch rate, specific force
forward and sideways. The step is the largest change of the angular velocity of the attitude from one tick of 2 ms to the next. The
plain ways know the source's clock exactly, the estimator has to find it; where two samples around the moment are
known, extrapolation interpolates, and where they are not, interpolation holds.

| telemetry | way | delay | attitude, deg | rates, deg/s | force, m/s² | step, deg/s |
| --- | --- | --- | --- | --- | --- | --- |
`

const pageKnob = `
## Smoothness

The same telemetry of 5 Hz with rates, velocity at 2.5 Hz, at the ends of the setting and in its middle:

| smoothness | delay | attitude, deg | rates, deg/s | force, m/s² | step, deg/s |
| --- | --- | --- | --- | --- | --- |
`

const pageFoot = `
What to read from it: with a delay of about one interval the shape of the motion comes back several times better than by joining
samples with lines where rates are measured, and without the steps that every plain way makes when a packet comes. At 100 Hz
nothing is delayed; what remains there is the lag with which corrections fade: a line through the last two samples has none, and
steps instead. The same shows after a packet was lost and no rates are measured: a line steps back at once, the
estimate takes about a third of an interval. White noise of 0.2 deg and 0.1 m/s at 10 Hz makes body rates and force that follow from
differences worse than measured rates and held differences.
`
