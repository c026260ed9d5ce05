package estimate

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/capture"
	"perch/sdk/mavlink"
	"perch/sdk/vehicle"
)

// recorded is the attitudes and body rates of a recorded log, in the order of their arrival.
func recorded(t *testing.T, name string) []packet {
	t.Helper()
	path := "../../../shared/data/" + name + ".tlog.gz"
	if _, err := os.Stat(path); err != nil {
		t.Skip("no recorded telemetry beside this checkout")
	}
	f, err := capture.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	var out []packet
	var start int64
	for {
		r, err := f.Read()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		if start == 0 {
			start = r.Time
		}
		var frame mavlink.Frame
		var m mavlink.Attitude
		if mavlink.Parse(r.Data, &frame) != mavlink.Checked || frame.ID != mavlink.IDAttitude || !frame.Decode(&m) {
			continue
		}
		s := vehicle.State{SourceTime: int64(m.TimeBootMs) * 1e6}
		s.PutAttitude(angles(float64(m.Yaw)*degrees, float64(m.Pitch)*degrees, float64(m.Roll)*degrees))
		s.PutVec(vehicle.AngularVelocityP, r3.Vec{X: float64(m.RollSpeed), Y: float64(m.PitchSpeed), Z: float64(m.YawSpeed)})
		out = append(out, packet{float64(r.Time-start) * 1e-9, s})
	}
}

// withoutRates is the state with its attitude alone.
func withoutRates(s vehicle.State) vehicle.State {
	out := vehicle.State{SourceTime: s.SourceTime}
	if q, ok := s.Attitude(); ok {
		out.PutAttitude(q)
	}
	return out
}

// Of recorded telemetry every fourth attitude is withheld, and what was made of the others for its time compared with
// it, in deg: the estimator is nearer than what holds them or joins them with lines at
// the same moment; than a line carried on, where rates are measured.
func TestRecordedTelemetryWithheld(t *testing.T) {
	for _, name := range []string{"radio-flight", "hand-tilt"} {
		for _, rates := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, rates %v", name, rates), func(t *testing.T) {
				packets := recorded(t, name)
				e := New(Settings{Delay: -1}, dt)
				var m Motion
				var k known
				var withheld []knownQ
				var ours float64
				var plainly [plains]float64
				var delay, n float64
				next, seen := 0, 0
				for tick := uint64(0); next < len(packets); tick++ {
					for ; next < len(packets) && packets[next].at <= float64(tick)*dt; next++ {
						s := packets[next].s
						if !rates {
							s = withoutRates(s)
						}
						if q, ok := s.Attitude(); ok {
							if len(k.q) > 0 && float64(s.SourceTime)*1e-9 <= k.q[len(k.q)-1].t {
								continue // clocks go back where the log was cut
							}
							if seen++; seen%4 == 0 {
								withheld = append(withheld, knownQ{t: float64(s.SourceTime) * 1e-9, q: q})
								continue
							}
						}
						e.Push(&s, tick)
						k.take(&s)
					}
					e.Step(tick, &m)
					at := float64(e.base)*1e-9 + float64(tick)*dt - e.clock.offset - e.Delay()
					for len(withheld) > 0 && withheld[0].t <= at {
						w := withheld[0]
						withheld = withheld[1:]
						if at-w.t > 2*dt || seen < 40 {
							continue
						}
						n, delay = n+1, delay+e.Delay()
						ours += square(apart(m.Attitude, w.q))
						for way := range plains {
							q, _, _ := k.motion(at, way)
							plainly[way] += square(apart(q, w.q))
						}
					}
				}
				deg := func(x float64) float64 { return math.Sqrt(x/n) * degrees }
				t.Logf("%.0f withheld, %.0f ms: estimate %.2f deg, hold %.2f, extrapolation %.2f, interpolation %.2f", n, delay/n*1000,
					deg(ours), deg(plainly[hold]), deg(plainly[extrapolation]), deg(plainly[interpolation]))
				for way := range plains {
					most := 1.02
					if !rates && way == extrapolation {
						// A line carried on for the half second that packets are late is nearer in the few steady
						// turns of these logs; the estimate has come to rest by then.
						most = 1.6
					}
					if n < 20 || math.Sqrt(ours) > most*math.Sqrt(plainly[way]) {
						t.Errorf("%.0f withheld: %.2f deg, %s %.2f deg", n, deg(ours), plainNames[way], deg(plainly[way]))
					}
				}
			})
		}
	}
}

// Recorded telemetry at 2.5 to 3 Hz, up to 0.9 s late in clumps: the motion is smooth, begins once, and the body
// rates that follow from the attitudes agree in sign and size with the measured ones.
func TestRecordedTelemetry(t *testing.T) {
	for _, name := range []string{"radio-flight", "hand-tilt"} {
		t.Run(name, func(t *testing.T) {
			packets := recorded(t, name)
			derived, measured := New(Settings{Delay: -1}, dt), New(Settings{Delay: -1}, dt)
			var x, y Motion
			var n uint64
			restarts, worst, delay := 0, 0.0, 0.0
			var dot, power r3.Vec
			last := quat.Number{Real: 1}
			step := func() {
				derived.Step(n, &x)
				measured.Step(n, &y)
				if x.Restarted {
					t.Logf("begins at %.2f s", float64(n)*dt)
					restarts++
				} else {
					worst = max(worst, apart(last, x.Attitude)/dt)
				}
				last = x.Attitude
				delay = max(delay, derived.Delay())
				if x.Derived.Has(vehicle.AngularVelocityP) && y.Present.Has(vehicle.AngularVelocityP) {
					a, b := x.AngularVelocity, y.AngularVelocity
					dot = r3.Add(dot, r3.Vec{X: a.X * b.X, Y: a.Y * b.Y, Z: a.Z * b.Z})
					power = r3.Add(power, r3.Vec{X: b.X * b.X, Y: b.Y * b.Y, Z: b.Z * b.Z})
				}
				n++
			}
			for _, p := range packets {
				for float64(n)*dt < p.at {
					step()
				}
				s := withoutRates(p.s)
				derived.Push(&s, n)
				measured.Push(&p.s, n)
			}
			gain := r3.Vec{X: dot.X / power.X, Y: dot.Y / power.Y, Z: dot.Z / power.Z}
			t.Logf("%d ticks, %d begins, at most %.2f rad/s, delay up to %.2f s, gain of derived rates %.2f", n, restarts, worst, delay, gain)
			if restarts == 0 || restarts > 3 {
				t.Errorf("began %d times", restarts)
			}
			if worst > 6 {
				t.Errorf("moved at %v rad/s", worst)
			}
			if gain.X < 0.3 || gain.Y < 0.3 || gain.X > 1.2 || gain.Y > 1.2 {
				t.Errorf("derived rates are %v of the measured ones", gain)
			}
		})
	}
}
