package estimate

import (
	"errors"
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

// Recorded telemetry at 2.5 to 3 Hz, up to 0.9 s late in clumps: the motion is smooth, begins once, and the body
// rates that follow from the attitudes agree in sign and size with the measured ones.
func TestRecordedTelemetry(t *testing.T) {
	for _, name := range []string{"radio-flight", "hand-tilt"} {
		t.Run(name, func(t *testing.T) {
			path := "../../../shared/data/" + name + ".tlog.gz"
			if _, err := os.Stat(path); err != nil {
				t.Skip("no recorded telemetry beside this checkout")
			}
			f, err := capture.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = f.Close() }()
			var start int64
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
			for {
				r, err := f.Read()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if start == 0 {
					start = r.Time
				}
				for float64(n)*dt < float64(r.Time-start)*1e-9 {
					step()
				}
				var frame mavlink.Frame
				var m mavlink.Attitude
				if mavlink.Parse(r.Data, &frame) != mavlink.Checked || frame.ID != mavlink.IDAttitude || !frame.Decode(&m) {
					continue
				}
				s := vehicle.State{SourceTime: int64(m.TimeBootMs) * 1e6}
				const d = 180 / math.Pi
				s.PutAttitude(angles(float64(m.Yaw)*d, float64(m.Pitch)*d, float64(m.Roll)*d))
				derived.Push(&s, n)
				s.PutVec(vehicle.AngularVelocityP, r3.Vec{X: float64(m.RollSpeed), Y: float64(m.PitchSpeed), Z: float64(m.YawSpeed)})
				measured.Push(&s, n)
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
