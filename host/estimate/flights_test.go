package estimate

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// course is what a vehicle of an invented flight did, one entry a tick: attitude and earth velocity, and what follows
// from them by central differences.
type course struct {
	name string
	q    []quat.Number
	v    []r3.Vec // earth, m/s
	w, f []r3.Vec // body
}

// at is an index of the course; before and after it stands.
func (c *course) at(t float64) int { return min(max(int(math.Round(t/dt)), 0), len(c.q)-1) }

// complete takes body rates and specific force from attitude and velocity: f = Rᵀ(dv/dt - g) (mechanics).
func (c *course) complete() {
	n := len(c.q)
	c.w, c.f = make([]r3.Vec, n), make([]r3.Vec, n)
	for i := range n {
		a, b := max(i-1, 0), min(i+1, n-1)
		h := float64(b-a) * dt
		half := unturn(r3.Scale(0.5, between(c.q[a], c.q[b])))
		c.w[i] = r3.Scale(1/h, between(c.q[a], c.q[b]))
		c.f[i] = toBody(quat.Mul(c.q[a], half), r3.Sub(r3.Scale(1/h, r3.Sub(c.v[b], c.v[a])), r3.Vec{Z: Gravity}))
	}
}

// through is a smooth function through random values every so many s, with rests where rest is the share of zeros.
func through(r *rand.Rand, every, until, most, rest float64) func(float64) float64 {
	var x, y []float64
	for t := 0.0; t < until+3*every; t += every {
		v := most * (2*r.Float64() - 1)
		if r.Float64() < rest || t == 0 {
			v = 0
		}
		x, y = append(x, t), append(y, v)
	}
	var s interp.AkimaSpline
	if err := s.Fit(x, y); err != nil {
		panic(err)
	}
	return s.Predict
}

// gusts is a sum of sinusoids between two frequencies, of this RMS.
func gusts(r *rand.Rand, low, high, rms float64) func(float64) float64 {
	const waves = 12
	var f, p [waves]float64
	for i := range f {
		f[i], p[i] = low*math.Pow(high/low, (float64(i)+r.Float64())/waves), 2*math.Pi*r.Float64()
	}
	return func(t float64) float64 {
		x := 0.0
		for i := range f {
			x += math.Sin(2*math.Pi*f[i]*t + p[i])
		}
		return x * rms * math.Sqrt(2.0/waves)
	}
}

const degrees = 180 / math.Pi

// courses are flights and drives of so many s, invented. Their equations are the textbook ones of a point that turns:
// a coordinated turn, ψ' = g tan φ/V; a rotor that pulls along its axis against drag; a road that bends and bumps.
func courses(until float64) []*course {
	var out []*course
	n := int(until/dt) + 1
	add := func(name string, seed uint64, step func(r *rand.Rand) func(t float64) (quat.Number, r3.Vec)) {
		c := &course{name: name}
		next := step(rand.New(rand.NewPCG(seed, 7)))
		for i := range n {
			q, v := next(float64(i) * dt)
			c.q, c.v = append(c.q, q), append(c.v, v)
		}
		c.complete()
		out = append(out, c)
	}
	aeroplane := func(bank, dwell, rough float64) func(*rand.Rand) func(float64) (quat.Number, r3.Vec) {
		return func(r *rand.Rand) func(float64) (quat.Number, r3.Vec) {
			roll, pitch := through(r, dwell, until, bank, 0.3), through(r, 5, until, 8, 0.2)
			speed := through(r, 7, until, 5, 0)
			gr, gp, gy, gz := gusts(r, 0.3, 2, 2*rough), gusts(r, 0.3, 2, 1.5*rough), gusts(r, 0.2, 1, rough), gusts(r, 0.2, 2, 0.6*rough)
			yaw, turned := 0.0, 0.0
			return func(t float64) (quat.Number, r3.Vec) {
				v := 25 + speed(t)
				// The turn follows the bank within about 0.3 s; until then the vehicle slips.
				turned += dt / 0.3 * (Gravity*math.Tan(roll(t)/degrees)/v*degrees - turned)
				yaw += turned * dt
				q := angles(yaw+gy(t), pitch(t)+gp(t), roll(t)+gr(t))
				track := angles(yaw, pitch(t), roll(t))
				return q, r3.Add(toEarth(track, r3.Vec{X: v}), r3.Vec{Z: gz(t)})
			}
		}
	}
	add("aeroplane", 1, aeroplane(40, 3, 0.4))
	add("turbulence", 2, aeroplane(30, 4, 1.5))
	add("rolls", 3, func(r *rand.Rand) func(float64) (quat.Number, r3.Vec) {
		rollRate, pitchRate, slow := through(r, 1.5, until, 140, 0.5), through(r, 2, until, 50, 0.4), gusts(r, 0.3, 2, 3)
		q := quat.Number{Real: 1}
		return func(t float64) (quat.Number, r3.Vec) {
			q = unit(quat.Mul(q, unturn(r3.Scale(dt/degrees, r3.Vec{X: rollRate(t) + slow(t), Y: pitchRate(t) + slow(t+9), Z: slow(t + 17)}))))
			return q, toEarth(q, r3.Vec{X: 28 - 4*math.Sin(t/3)})
		}
	})
	add("multirotor", 4, func(r *rand.Rand) func(float64) (quat.Number, r3.Vec) {
		roll, pitch, yaw := through(r, 1.6, until, 22, 0.3), through(r, 1.6, until, 22, 0.3), through(r, 4, until, 80, 0)
		shake, lift := gusts(r, 0.5, 2.5, 1), through(r, 3, until, 1.5, 0)
		v := r3.Vec{}
		return func(t float64) (quat.Number, r3.Vec) {
			q := angles(yaw(t)+shake(t), pitch(t)+shake(t+7), roll(t)+shake(t+31))
			pull := r3.Add(toEarth(q, r3.Vec{Z: -Gravity - lift(t)}), r3.Vec{Z: Gravity})
			v = r3.Add(v, r3.Scale(dt, r3.Sub(pull, r3.Scale(0.35, v))))
			return q, v
		}
	})
	add("ground", 5, func(r *rand.Rand) func(float64) (quat.Number, r3.Vec) {
		speed, bend := through(r, 2.5, until, 9, 0.1), through(r, 2, until, 0.05, 0.3)
		bumpX, bumpY, bumpZ := gusts(r, 0.5, 4, 0.6), gusts(r, 0.5, 4, 0.6), gusts(r, 0.5, 4, 0.08)
		yaw, v := 0.0, 8.0
		return func(t float64) (quat.Number, r3.Vec) {
			v += dt / 0.2 * (max(10+speed(t), 0) - v)
			rate := v * bend(t)
			yaw += rate * dt * degrees
			q := angles(yaw, bumpY(t), bumpX(t)-0.6*v*rate)
			return q, r3.Add(toEarth(angles(yaw, 0, 0), r3.Vec{X: v}), r3.Vec{Z: bumpZ(t)})
		}
	})
	add("hand", 6, func(r *rand.Rand) func(float64) (quat.Number, r3.Vec) {
		roll, pitch, yaw := through(r, 0.9, until, 45, 0.3), through(r, 0.9, until, 40, 0.3), through(r, 1.5, until, 40, 0.3)
		return func(t float64) (quat.Number, r3.Vec) { return angles(yaw(t), pitch(t), roll(t)), r3.Vec{} }
	})
	return out
}

// telemetry says how a course is sampled and what becomes of it on its way.
type telemetry struct {
	name          string
	attitude      float64 // Hz
	rates         bool    // with the attitude
	velocity      float64 // Hz; 0: none
	body          bool    // the velocity is in body axes
	force         float64
	late, most    float64 // mean of what comes late by chance, and its most, s
	clump         float64 // s: all that was due leaves together
	lost          float64 // share
	noise, vnoise float64 // rad (rates: three times as many rad/s), m/s
}

var feeds = []telemetry{
	{name: "100 Hz, all", attitude: 100, rates: true, velocity: 100, force: 100, late: 0.001, most: 0.003},
	{name: "25 Hz, rates; velocity 10", attitude: 25, rates: true, velocity: 10, late: 0.004, most: 0.03, lost: 0.01},
	{name: "10 Hz, rates; velocity 5", attitude: 10, rates: true, velocity: 5, late: 0.02, most: 0.1, lost: 0.02},
	{name: "5 Hz, rates; velocity 2.5", attitude: 5, rates: true, velocity: 2.5, late: 0.005, most: 0.02},
	{name: "5 Hz, no rates, clumps", attitude: 5, velocity: 2.5, late: 0.02, most: 0.1, clump: 0.1, lost: 0.02},
	{name: "3 Hz, rates; velocity 2, radio", attitude: 3, rates: true, velocity: 2, late: 0.15, most: 0.9, lost: 0.03},
	{name: "20 Hz, rates and body velocity", attitude: 20, rates: true, velocity: 20, body: true, late: 0.004, most: 0.03, lost: 0.01},
	{name: "10 Hz, rates; velocity 5, noise", attitude: 10, rates: true, velocity: 5, late: 0.02, most: 0.1, lost: 0.02, noise: 0.0035, vnoise: 0.1},
}

type packet struct {
	at float64 // s, of the loop
	s  vehicle.State
}

// sample is what arrives of a course, in the order of its arrival.
func (f telemetry) sample(c *course, until float64) []packet {
	r := rand.New(rand.NewPCG(uint64(f.attitude*1000), 99))
	rows := map[int]*vehicle.State{}
	row := func(i int) *vehicle.State {
		if rows[i] == nil {
			rows[i] = &vehicle.State{SourceTime: int64(i) * 2e6}
		}
		return rows[i]
	}
	vec := func(v r3.Vec, noise float64) r3.Vec {
		return r3.Add(v, r3.Scale(noise, r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}))
	}
	each := func(rate, shift float64, put func(i int, s *vehicle.State)) {
		for k := 0; rate > 0 && (float64(k)+shift)/rate < until; k++ {
			i := int(math.Round((float64(k) + shift) / rate / dt))
			put(i, row(i))
		}
	}
	each(f.attitude, 0, func(i int, s *vehicle.State) {
		s.PutAttitude(quat.Mul(c.q[i], unturn(vec(r3.Vec{}, f.noise))))
		if f.rates {
			s.PutVec(vehicle.AngularVelocityP, vec(c.w[i], 3*f.noise))
		}
	})
	shift := 0.0
	if f.velocity < f.attitude {
		shift = 0.3 // its own message, at times of its own
	}
	each(f.velocity, shift, func(i int, s *vehicle.State) {
		if v := vec(c.v[i], f.vnoise); f.body {
			s.PutVec(vehicle.VelocityX, toBody(c.q[i], v))
		} else {
			s.PutVec(vehicle.VelocityN, v)
		}
	})
	each(f.force, 0, func(i int, s *vehicle.State) { s.PutVec(vehicle.SpecificForceX, c.f[i]) })
	order := make([]int, 0, len(rows))
	for i := range rows {
		order = append(order, i)
	}
	sort.Ints(order)
	var out []packet
	last := 0.0
	for _, i := range order {
		at := float64(i)*dt + min(f.most, f.late*r.ExpFloat64())
		if f.clump > 0 {
			at = math.Ceil(at/f.clump) * f.clump
		}
		last = max(last, at) // a stream keeps its order
		if r.Float64() >= f.lost {
			out = append(out, packet{last, *rows[i]})
		}
	}
	// The least latency cannot be known, and counts as none.
	least := math.Inf(1)
	for i := range out {
		least = min(least, out[i].at-float64(out[i].s.SourceTime)*1e-9)
	}
	for i := range out {
		out[i].at -= least
	}
	return out
}
