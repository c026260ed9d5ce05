package mavlink

import (
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/vehicle"
)

// Real telemetry, where it is at hand beside the project: it is not part of it.
func realLog(t *testing.T, name string) []vehicle.State {
	t.Helper()
	path := filepath.Join("..", "..", "..", "shared", "data", name)
	if _, err := os.Stat(path); err != nil {
		t.Skip("no recorded telemetry here")
	}
	var out []vehicle.State
	if err := ReadFile(path, 0, slog.New(slog.NewTextHandler(io.Discard, nil)), func(s *vehicle.State) { out = append(out, *s) }); err != nil {
		t.Fatal(err)
	}
	return out
}

// tilt is roll and pitch of a state, rad, and whether it has them.
func tilt(s *vehicle.State) (roll, pitch float64, ok bool) {
	q, ok := s.Attitude()
	roll, pitch, _ = angles(q)
	return roll, pitch, ok
}

// A vehicle tilted by hand: the accelerometer's down must be the attitude's, and the rates must turn the attitude.
func TestHandTilt(t *testing.T) {
	states := realLog(t, "hand-tilt.tlog.gz")
	var rollest, pitchest float64
	var force, errors int
	var attitudes []vehicle.State
	for i := range states {
		s := &states[i]
		if r, p, ok := tilt(s); ok {
			rollest, pitchest = max(rollest, math.Abs(r)), max(pitchest, math.Abs(p))
			attitudes = append(attitudes, *s)
		}
		f, ok := s.Vec(vehicle.SpecificForceX)
		if !ok || len(attitudes) == 0 {
			continue
		}
		force++
		if n := r3.Norm(f); n < 7 || n > 13 {
			errors++
		}
	}
	// The excerpt's description: 49 deg of roll, 46 deg of pitch, about 3 Hz for 110 s.
	const deg = math.Pi / 180
	if math.Abs(rollest/deg-49) > 1 || math.Abs(pitchest/deg-46) > 1 {
		t.Errorf("roll up to %.1f deg, pitch up to %.1f deg; want 49, 46", rollest/deg, pitchest/deg)
	}
	if len(attitudes) < 270 || force < 250 || errors > force/50 {
		t.Errorf("%d attitudes, %d forces, %d of them far from 1 g", len(attitudes), force, errors)
	}
	signs(t, attitudes)
	gravityAgrees(t, states)
}

func TestRadioFlight(t *testing.T) {
	states := realLog(t, "radio-flight.tlog.gz")
	var attitudes []vehicle.State
	var breaks, airspeed, position int
	for _, s := range states {
		if _, ok := s.Attitude(); ok {
			attitudes = append(attitudes, s)
		}
		if s.Discontinuity {
			breaks++
		}
		if s.Present.Has(vehicle.Airspeed) {
			airspeed++
		}
		if s.Present.Has(vehicle.PositionN, vehicle.VelocityN) {
			position++
		}
		if s.Class != "multirotor" {
			t.Fatalf("class %q", s.Class)
		}
	}
	if breaks > 1 || position < 500 || len(attitudes) < 550 {
		t.Errorf("%d discontinuities, %d positions, %d attitudes", breaks, position, len(attitudes))
	}
	t.Logf("%d states, %d attitudes, %d positions, %d airspeeds, %d discontinuities", len(states), len(attitudes), position, airspeed, breaks)
	signs(t, attitudes)
	// Velocity is the change of position.
	var last *vehicle.State
	var product, square r3.Vec
	for i := range states {
		s := &states[i]
		p, ok := s.Vec(vehicle.PositionN)
		if !ok {
			continue
		}
		if last != nil && !s.Discontinuity {
			dt := float64(s.SourceTime-last.SourceTime) * 1e-9
			q, _ := last.Vec(vehicle.PositionN)
			v, _ := s.Vec(vehicle.VelocityN)
			w, _ := last.Vec(vehicle.VelocityN)
			moved, mean := r3.Sub(p, q), r3.Scale(dt/2, r3.Add(v, w))
			product = r3.Add(product, r3.Vec{X: moved.X * mean.X, Y: moved.Y * mean.Y, Z: moved.Z * mean.Z})
			square = r3.Add(square, r3.Vec{X: mean.X * mean.X, Y: mean.Y * mean.Y, Z: mean.Z * mean.Z})
		}
		last = s
	}
	gain := r3.Vec{X: product.X / square.X, Y: product.Y / square.Y, Z: product.Z / square.Z}
	t.Logf("change of position by velocity %.2f", gain)
	if r3.Norm(r3.Sub(gain, r3.Vec{X: 1, Y: 1, Z: 1})) > 0.3 {
		t.Errorf("the change of position is %.2f times the velocity", gain)
	}
}

// signs checks that body rates turn the attitude the right way about the axes that turned.
func signs(t *testing.T, attitudes []vehicle.State) {
	t.Helper()
	var product, square [3]float64
	for i := 1; i < len(attitudes); i++ {
		a, b := &attitudes[i-1], &attitudes[i]
		dt := float64(b.SourceTime-a.SourceTime) * 1e-9
		if dt > 1 {
			continue
		}
		p, _ := a.Attitude()
		q, _ := b.Attitude()
		d := quat.Mul(quat.Conj(p), q)
		if d.Real < 0 {
			d = quat.Scale(-1, d)
		}
		u, _ := a.Vec(vehicle.AngularVelocityP)
		v, _ := b.Vec(vehicle.AngularVelocityP)
		turned := [3]float64{2 * d.Imag, 2 * d.Jmag, 2 * d.Kmag}
		rates := [3]float64{(u.X + v.X) / 2 * dt, (u.Y + v.Y) / 2 * dt, (u.Z + v.Z) / 2 * dt}
		for k := range turned {
			product[k] += turned[k] * rates[k]
			square[k] += rates[k] * rates[k]
		}
	}
	for k, name := range []string{"p", "q", "r"} {
		gain := product[k] / square[k]
		t.Logf("gain of %s %.2f", name, gain)
		if gain < 0.3 || gain > 1.7 {
			t.Errorf("the turn about %s is %.2f times the rate", name, gain)
		}
	}
}

// gravityAgrees checks that in slow motion the specific force is gravity as the attitude has it.
func gravityAgrees(t *testing.T, states []vehicle.State) {
	t.Helper()
	var got, worst []float64
	for i := range states {
		f, ok := states[i].Vec(vehicle.SpecificForceX)
		if !ok {
			continue
		}
		// The attitude nearest in time.
		nearest := int64(0.1e9)
		var q quat.Number
		found := false
		for j := max(0, i-30); j < min(len(states), i+30); j++ {
			p, ok := states[j].Attitude()
			if d := states[j].SourceTime - states[i].SourceTime; ok && max(d, -d) < nearest {
				nearest, q, found = max(d, -d), p, true
			}
		}
		if !found {
			continue
		}
		up := quat.Mul(quat.Mul(quat.Conj(q), quat.Number{Kmag: -gravity}), q)
		e := r3.Norm(r3.Sub(f, r3.Vec{X: up.Imag, Y: up.Jmag, Z: up.Kmag}))
		got = append(got, e)
		if e > 4 {
			worst = append(worst, e)
		}
	}
	if len(got) < 50 || len(worst) > len(got)/10 {
		t.Errorf("of %d forces %d are more than 4 m/s² from gravity", len(got), len(worst))
	}
}
