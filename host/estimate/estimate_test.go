package estimate

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

const dt = 0.002 // s

// angles is the attitude of yaw, pitch, roll in degrees, intrinsic z-y-x (ISO 1151-1).
func angles(yaw, pitch, roll float64) quat.Number {
	z := func(deg float64) (float64, float64) { return math.Sincos(deg * math.Pi / 360) }
	sy, cy := z(yaw)
	sp, cp := z(pitch)
	sr, cr := z(roll)
	return quat.Mul(quat.Mul(quat.Number{Real: cy, Kmag: sy}, quat.Number{Real: cp, Jmag: sp}), quat.Number{Real: cr, Imag: sr})
}

func apart(a, b quat.Number) float64 { return norm(between(a, b)) }

func deg(v r3.Vec) r3.Vec { return r3.Scale(180/math.Pi, v) }

func near(a, b r3.Vec, tol float64) bool { return norm(r3.Sub(a, b)) <= tol }

// Mean body rate between two attitudes 0.1 s apart, 2 log(q0* q1)/dt. Expected by that definition, recomputed with
// scipy Rotation: testdata/recompute.py.
var rateCases = []struct {
	from, to [3]float64
	want     r3.Vec // deg/s
}{
	{[3]float64{359, 0, 0}, [3]float64{1, 0, 0}, r3.Vec{Z: 20}},
	{[3]float64{0, 0, 179}, [3]float64{0, 0, -178}, r3.Vec{X: 30}},
	{[3]float64{0, 89, 0}, [3]float64{180, 89, 180}, r3.Vec{Y: 20}}, // over the top of a loop
	{[3]float64{10, 5, -3}, [3]float64{12, 8, 4}, r3.Vec{X: 67.712658, Y: 30.186791, Z: 19.622590}},
}

func TestRates(t *testing.T) {
	for _, c := range rateCases {
		a, b := angles(c.from[0], c.from[1], c.from[2]), angles(c.to[0], c.to[1], c.to[2])
		for _, sign := range []float64{1, -1} { // q and -q are one attitude
			got := deg(r3.Scale(10, between(a, quat.Scale(sign, b))))
			if !near(got, c.want, 2e-6) {
				t.Errorf("%v to %v: %v deg/s, want %v", c.from, c.to, got, c.want)
			}
		}
	}
}

// Expected: slerp (Shoemake 1985), recomputed with scipy Slerp: testdata/recompute.py.
var slerpCases = []struct {
	from, to, want [3]float64
	share          float64
}{
	{[3]float64{350, 0, 0}, [3]float64{10, 0, 0}, [3]float64{0, 0, 0}, 0.5},
	{[3]float64{10, 5, -3}, [3]float64{40, -20, 60}, [3]float64{19.808117, 2.176222, 13.762887}, 0.25},
	{[3]float64{10, 5, -3}, [3]float64{40, -20, 60}, [3]float64{28.400248, -3.302304, 29.825576}, 0.5},
}

func TestSlerp(t *testing.T) {
	for _, c := range slerpCases {
		got := slerp(angles(c.from[0], c.from[1], c.from[2]), angles(c.to[0], c.to[1], c.to[2]), c.share)
		if d := apart(got, angles(c.want[0], c.want[1], c.want[2])) * 180 / math.Pi; d > 2e-6 {
			t.Errorf("%v to %v at %v: off by %v deg", c.from, c.to, c.share, d)
		}
	}
}

// flight is what a source measures at source time t.
type flight func(t float64, s *vehicle.State)

// fly pushes a flight at its rate, delayed as late says, and hands over each motion with the loop's time.
func fly(e *Estimator, f flight, interval, until float64, late func(k int) float64, see func(t float64, m *Motion)) {
	const start = 100.0 // the source's clock at loop time 0, s
	type packet struct {
		tick uint64
		s    vehicle.State
	}
	var packets []packet
	for k := 0; float64(k)*interval < until; k++ {
		x := float64(k) * interval
		s := vehicle.State{SourceTime: int64(math.Round((start + x) * 1e9))}
		f(x, &s)
		l := 0.0
		if late != nil {
			if l = late(k); l < 0 {
				continue // lost
			}
		}
		packets = append(packets, packet{uint64(math.Ceil((x+l)/dt - 1e-6)), s})
	}
	var m Motion
	for n := uint64(0); float64(n)*dt < until; n++ {
		for i := range packets {
			if packets[i].tick == n {
				e.Push(&packets[i].s, n)
			}
		}
		e.Step(n, &m)
		see(float64(n)*dt, &m)
	}
}

// A steady turn: attitude, and what is given besides.
func turning(bank, speed float64, with func(t float64, q quat.Number, s *vehicle.State)) flight {
	yaw := Gravity * math.Tan(bank*math.Pi/180) / speed * 180 / math.Pi // deg/s
	return func(t float64, s *vehicle.State) {
		q := angles(yaw*t, 0, bank)
		s.PutAttitude(q)
		with(t, q, s)
	}
}

// A coordinated level turn at 50 m/s: f = (0, 0, -g/cos φ), q = ψ' sin φ, r = ψ' cos φ, ψ' = g tan φ/V (mechanics; the
// load factors 1.154, 1.414, 2 agree with the handbook table).
var turnCases = []struct{ bank, fz, q, r float64 }{
	{15, -10.15259, 0.7793, 2.9085},
	{30, -11.32374, 3.2440, 5.6188},
	{45, -13.86870, 7.9462, 7.9462},
	{60, -19.61330, 16.8564, 9.7320},
	{75, -37.88999, 40.5102, 10.8547},
}

func TestCoordinatedTurn(t *testing.T) {
	for _, c := range turnCases {
		for name, with := range map[string]func(float64, quat.Number, *vehicle.State){
			"body velocity": func(t float64, q quat.Number, s *vehicle.State) { s.PutVec(vehicle.VelocityX, r3.Vec{X: 50}) },
			"earth velocity": func(t float64, q quat.Number, s *vehicle.State) {
				s.PutVec(vehicle.VelocityN, toEarth(q, r3.Vec{X: 50}))
			},
		} {
			e := New(Settings{Delay: -1}, dt)
			fly(e, turning(c.bank, 50, with), 0.01, 3, nil, func(now float64, m *Motion) {
				if now < 1 {
					return
				}
				if !m.Present.Has(vehicle.SpecificForceX, vehicle.AngularVelocityP, vehicle.VelocityX, vehicle.VelocityN) ||
					!m.Derived.Has(vehicle.SpecificForceX, vehicle.AngularVelocityP) || m.Derived.Has(vehicle.AttitudeW) {
					t.Fatalf("%s: present %b, derived %b", name, m.Present, m.Derived)
				}
				if w := deg(m.AngularVelocity); !near(w, r3.Vec{Y: c.q, Z: c.r}, 2e-3) {
					t.Fatalf("%v deg, %s: rates %v deg/s, want 0, %v, %v", c.bank, name, w, c.q, c.r)
				}
				// The slope of earth velocity is that of up to 45 ms ago, since which the vehicle turned.
				tol := 2e-3
				if name == "earth velocity" {
					tol = 0.045 * math.Hypot(c.q, c.r) * math.Pi / 180 * -c.fz
				}
				if !near(m.SpecificForce, r3.Vec{Z: c.fz}, tol) {
					t.Fatalf("%v deg, %s: specific force %v, want 0, 0, %v within %v", c.bank, name, m.SpecificForce, c.fz, tol)
				}
				if !near(m.Velocity, r3.Vec{X: 50}, 0.05) {
					t.Fatalf("velocity %v", m.Velocity)
				}
			})
		}
	}
}

// f = dV/dt + ω×V - Rᵀg for V = (50,1,2), dV/dt = (1,0.5,-0.3), ω = (0.1,0.05,0.2), yaw, pitch, roll 77, 5, 20 deg:
// (1.754706, 6.958691, -11.880170) (mechanics, recomputed in testdata/recompute.py).
func TestSpecificForceFromMotion(t *testing.T) {
	v, a, w := r3.Vec{X: 50, Y: 1, Z: 2}, r3.Vec{X: 1, Y: 0.5, Z: -0.3}, r3.Vec{X: 0.1, Y: 0.05, Z: 0.2}
	q0, at := angles(77, 5, 20), 1.5
	for _, interval := range []float64{0.01, 0.1} {
		e := New(Settings{Delay: -1}, dt)
		best := math.Inf(1)
		fly(e, func(t float64, s *vehicle.State) {
			s.PutAttitude(quat.Mul(q0, unturn(r3.Scale(t-at, w))))
			s.PutVec(vehicle.AngularVelocityP, w)
			s.PutVec(vehicle.VelocityX, r3.Add(v, r3.Scale(t-at, a)))
		}, interval, 2, nil, func(now float64, m *Motion) {
			if math.Abs(now-e.Delay()-at) > dt/2 {
				return
			}
			best = norm(r3.Sub(m.SpecificForce, r3.Vec{X: 1.754706, Y: 6.958691, Z: -11.880170}))
		})
		if best > 2e-3*50 && interval > 0.05 || best > 1e-2 && interval < 0.05 {
			t.Errorf("every %v s: off by %v m/s²", interval, best)
		}
	}
}

// Attitude alone gives no specific force.
func TestNoForceFromAttitudeAlone(t *testing.T) {
	e := New(Settings{Delay: -1}, dt)
	fly(e, turning(30, 50, func(float64, quat.Number, *vehicle.State) {}), 0.02, 1, nil, func(now float64, m *Motion) {
		if m.Present&(force|body|earth) != 0 || m.SpecificForce != (r3.Vec{}) {
			t.Fatalf("present %b, force %v", m.Present, m.SpecificForce)
		}
	})
}

// RMS error of a sinusoid divided by its RMS, against u = f/fs: hold √(2(1 - sin θ/θ)), θ = 2πu; linear extrapolation;
// extrapolation with the signal's own derivative; and of the signal one sample ago linear interpolation, the parabola
// through the last three samples, the cubic that meets value and derivative at both ends, and the derivative of that
// cubic: by integrating over one sample (closed forms; testdata/recompute.py).
var reconstructionCases = []struct{ u, hold, extrapolated, rated, interpolated, parabola, hermite, slope float64 }{
	{0.01, 0.0363, 0.0020, 0.0009, 0.0004, 0.0000, 0.0000, 0.0000},
	{0.02, 0.0725, 0.0080, 0.0035, 0.0014, 0.0001, 0.0000, 0.0000},
	{0.05, 0.1809, 0.0498, 0.0220, 0.0090, 0.0014, 0.0000, 0.0002},
	{0.10, 0.3592, 0.1953, 0.0876, 0.0357, 0.0112, 0.0003, 0.0014},
	{0.125, 0.4465, 0.3006, 0.1363, 0.0556, 0.0215, 0.0006, 0.0028},
	{0.20, 0.6974, 0.7204, 0.3422, 0.1393, 0.0835, 0.0040, 0.0111},
}

func TestReconstruction(t *testing.T) {
	for _, c := range reconstructionCases {
		const h, amplitude = 0.1, 0.1 // s, rad; short of where extrapolation is slowed
		f := c.u / h
		signal := func(t float64) (float64, float64) {
			s, k := math.Sincos(2 * math.Pi * f * t)
			return amplitude * s, amplitude * 2 * math.Pi * f * k
		}
		// Reconstructions, without the smoothing between them, and the plain ways of the comparison.
		var power, ratePower, rated, parabola, hermite, slope float64
		var plainly [plains]float64
		var k track
		var q heading
		var p known
		for i := range 200 {
			t0 := float64(i) * h
			x, r := signal(t0)
			k.put(t0, r3.Vec{X: x}, 7)
			q.put(bearing{t: t0, q: unturn(r3.Vec{Y: x})})
			q.measured(t0, r3.Vec{Y: r})
			p.v = append(p.v, knownV{t0, r3.Vec{X: x}})
			if i < 2 {
				continue
			}
			for n := range 50 {
				now := t0 + (float64(n)+0.5)/50*h
				want, _ := signal(now)
				ago, rate := signal(now - h)
				power += want * want
				ratePower += rate * rate
				for way := range plains {
					at, of := now, want
					if way == interpolation {
						at, of = now-h, ago
					}
					plainly[way] += square(p.vector(p.v, at, way).X - of)
				}
				w, along := q.ahead(r3.Vec{}, false)
				a, _ := q.value(q.n-1, now, w, along)
				rated += square(turn(a).Y - want)
				v, _ := k.value(k.n-2, now-h)
				parabola += square(v.X - ago)
				a, w = q.value(q.n-2, now-h, w, along)
				hermite += square(turn(a).Y - ago)
				slope += square(w.Y - rate)
			}
		}
		if got := math.Sqrt(slope / ratePower); math.Abs(got-c.slope) > 1e-4+0.01*c.slope {
			t.Errorf("u = %v, body rate: %.4f, want %.4f", c.u, got, c.slope)
		}
		for name, x := range map[string][2]float64{
			"hold": {plainly[hold], c.hold}, "extrapolated": {plainly[extrapolation], c.extrapolated},
			"interpolated": {plainly[interpolation], c.interpolated},
			"rate-aided":   {rated, c.rated}, "parabola": {parabola, c.parabola}, "hermite": {hermite, c.hermite},
		} {
			if got := math.Sqrt(x[0] / power); math.Abs(got-x[1]) > 1e-4+0.01*x[1] {
				t.Errorf("u = %v, %s: %.4f, want %.4f", c.u, name, got, x[1])
			}
		}
		// The whole estimator: what smoothing adds stays small beside the closed form.
		run := func(delay float64, rates bool) float64 {
			var sum, power float64
			e := New(Settings{Delay: delay}, dt)
			fly(e, func(t float64, s *vehicle.State) {
				x, r := signal(t)
				s.PutAttitude(unturn(r3.Vec{Y: x}))
				if rates {
					s.PutVec(vehicle.AngularVelocityP, r3.Vec{Y: r})
				}
			}, h, 60, nil, func(now float64, m *Motion) {
				if now > 5 {
					want, _ := signal(now - delay)
					sum += square(turn(m.Attitude).Y - want)
					power += want * want
				}
			})
			return math.Sqrt(sum / power)
		}
		outInter, outRated := run(h, false), run(0, true)
		if outInter > 1.1*c.parabola+0.002 {
			t.Errorf("u = %v: interpolated %.4f, closed form %.4f", c.u, outInter, c.parabola)
		}
		if outRated > 2.1*c.rated+0.002 { // an error fades over half an interval rather than stepping
			t.Errorf("u = %v: rate-aided %.4f, closed form %.4f", c.u, outRated, c.rated)
		}
		t.Logf("u %.3f: interpolated %.4f (closed form %.4f), rate-aided %.4f (%.4f)", c.u, outInter, c.parabola, outRated, c.rated)
	}
}

func square(x float64) float64 { return x * x }

// A whole turn through 0/360 and a loop over the top, at each kind of rate: no wrap shows.
func TestWraps(t *testing.T) {
	for _, interval := range []float64{0.01, 0.05, 0.25} {
		for name, w := range map[string]r3.Vec{"turn": {Z: 1.5}, "loop": {Y: 1.2}, "roll": {X: 2}} {
			e := New(Settings{Delay: -1}, dt)
			fly(e, func(t float64, s *vehicle.State) {
				q := unturn(r3.Scale(t, w))
				if int(t/interval)%2 == 1 {
					q = quat.Scale(-1, q) // streams do flip
				}
				s.PutAttitude(q)
			}, interval, 12, nil, func(now float64, m *Motion) {
				if now < 4 {
					return
				}
				if d := apart(m.Attitude, unturn(r3.Scale(now-e.Delay(), w))); d > 0.002 {
					t.Fatalf("%s every %v s at %v: off by %v rad", name, interval, now, d)
				}
				if !near(m.AngularVelocity, w, 0.01) {
					t.Fatalf("%s every %v s at %v: rate %v", name, interval, now, m.AngularVelocity)
				}
			})
		}
	}
}

// A step of attitude at 100 Hz shows at the tick at which it arrives, and makes a step neither in the attitude nor
// in its rate; it is there within 0.1 s.
func TestStepShowsAtOnce(t *testing.T) {
	const size, at = 0.1, 1.0
	e := New(Settings{Delay: -1}, dt)
	var last, lastRate float64
	first := 0.0
	fly(e, func(t float64, s *vehicle.State) {
		x := 0.0
		if t >= at-1e-9 {
			x = size
		}
		s.PutAttitude(unturn(r3.Vec{Y: x}))
	}, 0.01, 2, nil, func(now float64, m *Motion) {
		x := turn(m.Attitude).Y
		if math.Abs(x) > 1e-6 && first == 0 {
			first = now
		}
		rate := (x - last) / dt
		if math.Abs(rate-lastRate) > 2*80*80*size*dt { // a quick second-order system of 80 rad/s
			t.Fatalf("at %v: rate from %v to %v rad/s", now, lastRate, rate)
		}
		if now > at+0.1 && math.Abs(x-size) > 0.02*size {
			t.Fatalf("at %v: %v, want %v", now, x, size)
		}
		last, lastRate = x, rate
	})
	if math.Abs(first-at) > dt/2 {
		t.Errorf("shows at %v, arrived at %v", first, at)
	}
	if e.Delay() != 0 {
		t.Errorf("delay %v at 100 Hz", e.Delay())
	}
}

func TestDelayByRate(t *testing.T) {
	for _, c := range []struct{ interval, want float64 }{{0.005, 0}, {0.01, 0}, {0.02, 0}, {0.04, 0.04}, {0.1, 0.1}, {0.25, 0.25}, {1, 0.5}} {
		e := New(Settings{Delay: -1}, dt)
		fly(e, func(t float64, s *vehicle.State) { s.PutAttitude(angles(t, 0, 0)) }, c.interval, 30*c.interval, nil, func(float64, *Motion) {})
		if math.Abs(e.Delay()-c.want) > 0.1*c.want+0.002 {
			t.Errorf("every %v s: delay %v, want %v", c.interval, e.Delay(), c.want)
		}
	}
}

// Soonest delays nothing, smoothest half as much again, and a quick source is not delayed anywhere.
func TestSmoothness(t *testing.T) {
	for _, c := range []struct{ interval, smoothness, want float64 }{
		{0.01, 1, 0}, {0.02, 1, 0}, {0.2, -1, 0}, {0.2, -7, 0}, {0.2, -0.5, 0.1}, {0.2, 0, 0.2}, {0.2, 1, 0.3}, {0.2, 9, 0.3}, {1, 1, 0.5},
	} {
		e := New(Settings{Delay: -1, Smoothness: c.smoothness}, dt)
		fly(e, func(t float64, s *vehicle.State) { s.PutAttitude(angles(t, 0, 0)) }, c.interval, 30*c.interval, nil, func(float64, *Motion) {})
		if math.Abs(e.Delay()-c.want) > 0.1*c.want+0.002 {
			t.Errorf("every %v s, smoothness %v: delay %v, want %v", c.interval, c.smoothness, e.Delay(), c.want)
		}
	}
}

// Arrival late by up to 40 ms, in clumps, with losses: the motion stays near the true one, without a step.
func TestJitter(t *testing.T) {
	noise := func(k int) float64 { return math.Abs(math.Mod(math.Sin(float64(k)*12.9898)*43758.5453, 1)) }
	for name, late := range map[string]func(k int) float64{
		"jitter": func(k int) float64 { return 0.04 * noise(k) },
		"clumps": func(k int) float64 { return float64(3-k%4) * 0.02 },
		"losses": func(k int) float64 {
			if noise(k) < 0.15 {
				return -1
			}
			return 0.01 * noise(k+1000)
		},
	} {
		for _, rates := range []bool{true, false} {
			e := New(Settings{Delay: -1}, dt)
			truth := func(t float64) r3.Vec { return r3.Vec{Y: 0.3 * math.Sin(2*math.Pi*0.3*t)} }
			var worst, worstStep, last float64
			fly(e, func(t float64, s *vehicle.State) {
				s.PutAttitude(unturn(truth(t)))
				if rates {
					s.PutVec(vehicle.AngularVelocityP, r3.Vec{Y: 0.3 * 2 * math.Pi * 0.3 * math.Cos(2*math.Pi*0.3*t)})
				}
			}, 0.02, 20, late, func(now float64, m *Motion) {
				x := turn(m.Attitude).Y
				if now > 3 {
					worst = max(worst, math.Abs(x-truth(now-e.Delay()).Y))
					worstStep = max(worstStep, math.Abs(x-last))
				}
				last = x
			})
			t.Logf("%s, rates %v: error %.4f rad, step %.5f rad, delay %.3f s", name, rates, worst, worstStep, e.Delay())
			// 0.57 rad/s at most, 1.07 rad/s²: 20 ms of clock and 40 ms of extrapolation.
			if worst > 0.02 || worstStep > 2*0.57*dt {
				t.Errorf("%s, rates %v: error %v, step %v", name, rates, worst, worstStep)
			}
		}
	}
}

// In a gap the motion goes on for the length of 0.3 s, comes to rest, and the force becomes that of rest; a source
// that returns after 2 s begins anew.
func TestGap(t *testing.T) {
	e := New(Settings{Delay: -1}, dt)
	restarts := 0
	fly(e, func(t float64, s *vehicle.State) {
		s.PutAttitude(unturn(r3.Vec{Z: 0.5 * t}))
		s.PutVec(vehicle.AngularVelocityP, r3.Vec{Z: 0.5})
		s.PutVec(vehicle.SpecificForceX, r3.Vec{X: 3, Z: -Gravity})
		s.Put(vehicle.OnGround, 1)
	}, 0.02, 8, func(k int) float64 {
		if t := float64(k) * 0.02; t > 2 && t < 6 {
			return -1
		}
		return 0
	}, func(now float64, m *Motion) {
		away := func(yaw float64) float64 { return apart(m.Attitude, unturn(r3.Vec{Z: yaw})) }
		if m.Restarted {
			restarts++
		}
		switch {
		case now > 2.5 && now < 3.9:
			if d := away(0.5 * (2 + 0.3)); d > 0.005 {
				t.Fatalf("at %v: off by %v", now, d)
			}
			if norm(m.AngularVelocity) > 1e-6 {
				t.Fatalf("at %v: rate %v", now, m.AngularVelocity)
			}
			if now > 3.5 && !near(m.SpecificForce, r3.Vec{Z: -Gravity}, 1e-6) {
				t.Fatalf("at %v: force %v", now, m.SpecificForce)
			}
		case now > 4.2 && now < 5.9:
			if m.Present&^ground != 0 {
				t.Fatalf("at %v: present %b", now, m.Present)
			}
		case now > 6.1:
			if d := away(0.5 * now); d > 0.01 || !m.OnGround {
				t.Fatalf("at %v: off by %v", now, d)
			}
		}
	})
	if restarts != 3 {
		t.Errorf("%d restarts, want 3: first, gone, back", restarts)
	}
}

func TestDiscontinuity(t *testing.T) {
	base := func(seconds float64, q quat.Number) *vehicle.State {
		s := &vehicle.State{SourceTime: int64(seconds * 1e9)}
		s.PutAttitude(q)
		return s
	}
	for name, c := range map[string]struct {
		send     func(e *Estimator, n uint64) // from 1 s on, each 10 ms
		restarts int
	}{
		"flag": {func(e *Estimator, n uint64) {
			s := base(float64(n)*dt, angles(90, 0, 0))
			s.Discontinuity = n == 500
			e.Push(s, n)
		}, 1},
		"flag, then a late one from before": {func(e *Estimator, n uint64) {
			s := base(float64(n)*dt, angles(90, 0, 0))
			s.Discontinuity = n == 500
			e.Push(s, n)
			e.Push(base(0.9951, quat.Number{Real: 1}), n)
		}, 1},
		"repeated flag": {func(e *Estimator, n uint64) {
			s := base(1, angles(90, 0, 0))
			s.Discontinuity = true
			e.Push(s, n)
		}, 1},
		"clock back":     {func(e *Estimator, n uint64) { e.Push(base(float64(n-500)*dt-7, angles(90, 0, 0)), n) }, 1},
		"clock forth":    {func(e *Estimator, n uint64) { e.Push(base(float64(n)*dt+3600, angles(90, 0, 0)), n) }, 1},
		"attitude jumps": {func(e *Estimator, n uint64) { e.Push(base(float64(n)*dt, angles(90, 0, 0)), n) }, 1},
		"attitude outlier": {func(e *Estimator, n uint64) {
			q := quat.Number{Real: 1}
			if n == 550 {
				q = angles(120, 0, 0)
			}
			e.Push(base(float64(n)*dt, q), n)
		}, 0},
		"stamp outlier": {func(e *Estimator, n uint64) {
			t := float64(n) * dt
			if n == 550 {
				t = 1e6
			}
			e.Push(base(t, quat.Number{Real: 1}), n)
		}, 0},
		"after a pause": {func(e *Estimator, n uint64) {
			s := base(float64(n)*dt, quat.Number{Real: 1})
			if n < 600 {
				s.Condition = vehicle.Paused
			}
			e.Push(s, n)
		}, 1},
		"none": {func(e *Estimator, n uint64) { e.Push(base(float64(n)*dt, quat.Number{Real: 1}), n) }, 0},
	} {
		e := New(Settings{Delay: -1}, dt)
		var m Motion
		restarts := 0
		for n := uint64(0); n < 750; n++ {
			if n%5 == 0 && n < 500 {
				e.Push(base(float64(n)*dt, quat.Number{Real: 1}), n)
			} else if n%5 == 0 {
				c.send(e, n)
			}
			before := m.Attitude
			e.Step(n, &m)
			if n == 0 && !m.Restarted {
				t.Errorf("%s: the first motion is not marked", name)
			}
			if n > 0 && m.Restarted {
				restarts++
			} else if n > 0 && apart(before, m.Attitude) > 1e-9 {
				t.Errorf("%s: moved by %v at tick %d", name, apart(before, m.Attitude), n)
			}
		}
		if restarts != c.restarts {
			t.Errorf("%s: %d restarts, want %d", name, restarts, c.restarts)
		}
		if c.restarts == 1 && name != "after a pause" && apart(m.Attitude, angles(90, 0, 0)) > 1e-9 {
			t.Errorf("%s: attitude %v after", name, m.Attitude)
		}
	}
}

// Signals that come in states of their own join by source time, and components too.
func TestJoin(t *testing.T) {
	e := New(Settings{}, dt)
	var m Motion
	for n := range uint64(500) {
		if n%5 == 0 {
			at := int64(n) * 2e6
			var a, b, c, d vehicle.State
			a.SourceTime, b.SourceTime, c.SourceTime, d.SourceTime = at, at, at, at
			a.PutVec(vehicle.AngularVelocityP, r3.Vec{Z: 0.4})
			b.PutAttitude(unturn(r3.Vec{Z: 0.4 * float64(n) * dt}))
			c.Put(vehicle.SpecificForceX, 1)
			c.Put(vehicle.SpecificForceZ, -9)
			d.Put(vehicle.SpecificForceY, 2)
			d.Put(vehicle.SpecificForceX, 77) // a duplicate that differs: the first one holds
			for _, s := range []*vehicle.State{&a, &b, &c, &d} {
				e.Push(s, n)
			}
		}
		e.Step(n, &m)
	}
	if !e.heading.newest().hasW {
		t.Error("the rate did not join the attitude of its time")
	}
	if !near(m.SpecificForce, r3.Vec{X: 1, Y: 2, Z: -9}, 1e-9) || m.Derived != 0 {
		t.Errorf("force %v, derived %b", m.SpecificForce, m.Derived)
	}
	if d := apart(m.Attitude, unturn(r3.Vec{Z: 0.4 * 499 * dt})); d > 1e-6 {
		t.Errorf("attitude off by %v", d)
	}

	// A component that never comes stays absent.
	e = New(Settings{}, dt)
	s := vehicle.State{}
	s.Put(vehicle.SpecificForceY, 3)
	e.Push(&s, 0)
	e.Step(0, &m)
	if want := vehicle.Set(0).With(vehicle.SpecificForceY); m.Present != want || m.SpecificForce != (r3.Vec{Y: 3}) {
		t.Errorf("present %b, force %v", m.Present, m.SpecificForce)
	}
}

// A source that runs at half or at double speed, or whose clock drifts, is followed.
func TestClockRates(t *testing.T) {
	for _, rate := range []float64{0.5, 0.999, 1.001, 2} {
		e := New(Settings{Delay: -1}, dt)
		var m Motion
		worst := 0.0
		for n := range uint64(10000) {
			if n%5 == 0 {
				s := vehicle.State{SourceTime: int64(float64(n) * 2e6 * rate)}
				s.PutAttitude(unturn(r3.Vec{Z: 0.5 * float64(n) * dt * rate}))
				e.Push(&s, n)
			}
			e.Step(n, &m)
			if n > 2500 {
				worst = max(worst, apart(m.Attitude, unturn(r3.Vec{Z: 0.5 * float64(n) * dt * rate})))
			}
		}
		t.Logf("clock at %v: off by %.4f rad", rate, worst)
		limit := 0.003
		if rate == 0.5 || rate == 2 {
			limit = 0.2 // follows in jumps of its clock, 0.3 s of it
		}
		if worst > limit {
			t.Errorf("clock at %v: off by %v rad", rate, worst)
		}
	}
}

// Attitude at 50 Hz and, in states of its own between, earth velocity at 5 Hz, as telemetry has it: a steady
// acceleration of 2 m/s² north at heading north gives f = (2, 0, -g) without a ripple at 5 Hz, and nothing begins anew
// once everything has come.
func TestMixedRates(t *testing.T) {
	e := New(Settings{Delay: -1}, dt)
	var m Motion
	for n := range uint64(5000) {
		if n%10 == 0 {
			s := vehicle.State{SourceTime: int64(n) * 2e6}
			s.PutAttitude(quat.Number{Real: 1})
			e.Push(&s, n)
		}
		if n%100 == 7 {
			at := n - 2
			s := vehicle.State{SourceTime: int64(at) * 2e6} // measured a little before it was sent
			s.PutVec(vehicle.VelocityN, r3.Vec{X: 2 * float64(at) * dt})
			e.Push(&s, n)
		}
		e.Step(n, &m)
		if n < 500 {
			continue
		}
		if m.Restarted {
			t.Fatalf("began anew at tick %d", n)
		}
		if !near(m.SpecificForce, r3.Vec{X: 2, Z: -Gravity}, 0.02) {
			t.Fatalf("tick %d: specific force %v", n, m.SpecificForce)
		}
		if math.Abs(m.Velocity.X-2*float64(n)*dt) > 0.05 || !m.Derived.Has(vehicle.VelocityX) || m.Derived.Has(vehicle.VelocityN) {
			t.Fatalf("tick %d: velocity %v, want %v", n, m.Velocity.X, 2*float64(n)*dt)
		}
	}
}

// A second way to know a signal takes over without a step: specific force from velocity, then measured with a bias.
func TestHandover(t *testing.T) {
	e := New(Settings{Delay: -1}, dt)
	var m Motion
	last := r3.Vec{}
	for n := range uint64(3000) {
		if n%10 == 0 {
			s := vehicle.State{SourceTime: int64(n) * 2e6}
			s.PutAttitude(quat.Number{Real: 1})
			s.PutVec(vehicle.VelocityX, r3.Vec{X: 20})
			if n > 1000 {
				s.PutVec(vehicle.SpecificForceX, r3.Vec{X: 0.6, Z: -9.5})
			}
			e.Push(&s, n)
		}
		e.Step(n, &m)
		if n > 500 && norm(r3.Sub(m.SpecificForce, last)) > 0.02 {
			t.Fatalf("tick %d: force from %v to %v", n, last, m.SpecificForce)
		}
		last = m.SpecificForce
	}
	if !near(last, r3.Vec{X: 0.6, Z: -9.5}, 1e-6) || m.Derived&force != 0 {
		t.Errorf("force %v, derived %b", last, m.Derived)
	}
}
