package estimate

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// Ten minutes of each kind of poor telemetry, the source's clock 100 ppm fast: nothing drifts, nothing steps, and at the
// end the motion is as near to the true one as at the beginning.
func TestTenMinutesWithoutDrift(t *testing.T) {
	const until, run = 60.0, 600.0
	rotor := courses(until)[3]
	for _, f := range feeds {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			packets := f.sample(rotor, until)
			e := New(Settings{Delay: -1}, dt)
			var m, last Motion
			next, lap := 0, 0
			var first, final, power, steps float64
			for n := uint64(0); float64(n)*dt < run; n++ {
				now := float64(n) * dt
				for {
					if next == len(packets) {
						next, lap = 0, lap+1
					}
					p := packets[next]
					if p.at+float64(lap)*until > now+1e-9 {
						break
					}
					// Between laps the vehicle is elsewhere: the same flight again, on the same clock.
					p.s.SourceTime = int64(float64(p.s.SourceTime+int64(lap)*int64(until*1e9)) * 1.0001)
					e.Push(&p.s, n)
					next++
				}
				e.Step(n, &m)
				at := math.Mod(now-e.Delay(), until)
				if at > 10 && at < until-2 && now > 10 {
					steps = max(steps, norm(r3.Sub(m.SpecificForce, last.SpecificForce)), norm(r3.Sub(m.AngularVelocity, last.AngularVelocity)), apart(m.Attitude, last.Attitude))
					d := square(apart(m.Attitude, rotor.q[rotor.at(at)]))
					if now < until {
						first += d
					} else if now > run-until {
						final += d
					}
					power++
				}
				last = m
			}
			t.Logf("first %.4f, last %.4f rad, largest step %.3f", math.Sqrt(first/power*10), math.Sqrt(final/power*10), steps)
			if final > 2*first+power/10*square(0.003) {
				t.Errorf("RMS error from %.4f to %.4f rad", math.Sqrt(first/power*10), math.Sqrt(final/power*10))
			}
			// 1 m/s², 1 rad/s or 1 rad in a tick would be felt as a knock.
			if steps > 0.5 {
				t.Errorf("a step of %v", steps)
			}
		})
	}
}

// A packet that arrives after a gap, far from where the motion was thought to be, makes no step: the attitude goes
// there at no more than the gap's error times its quickness, and is there within an interval.
func TestLateTruthIsTakenUpSmoothly(t *testing.T) {
	for _, interval := range []float64{0.1, 0.2, 0.33} {
		e := New(Settings{Delay: -1}, dt)
		var m Motion
		var last float64
		returned := 0.0
		var fastest, beyond float64
		for n := uint64(0); float64(n)*dt < 40*interval; n++ {
			now := float64(n) * dt
			if k := now / interval; math.Abs(k-math.Round(k)) < 1e-6 && (k < 15 || k > 17.5) {
				x := 0.0
				if k > 15.5 {
					x = 0.2
					if returned == 0 {
						returned = now
					}
				}
				s := vehicle.State{SourceTime: int64(n) * 2e6}
				s.PutAttitude(unturn(r3.Vec{X: x}))
				e.Push(&s, n)
			}
			e.Step(n, &m)
			x := turn(m.Attitude).X
			fastest, beyond = max(fastest, math.Abs(x-last)/dt), max(beyond, x, 0)
			if returned > 0 && now > returned+e.Delay()+2*interval && math.Abs(x-0.2) > 0.005 {
				t.Fatalf("every %v s: %v at %v s after the return, want 0.2", interval, x, now-returned)
			}
			last = x
		}
		t.Logf("every %v s: at most %.2f rad/s, beyond by %.4f rad", interval, fastest, beyond-0.2)
		// A critically damped move of 0.2 rad at 6 an interval is at most 0.2·6/e an interval fast; without ringing.
		if fastest > 2*0.2*6/math.E/interval || beyond > 0.2*1.15 {
			t.Errorf("every %v s: %v rad/s, up to %v rad", interval, fastest, beyond)
		}
	}
}
