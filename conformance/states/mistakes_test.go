package states

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/conformance/report"
	"perch/sdk/axes"
	"perch/sdk/vehicle"
)

// wrong is a mistake that an author makes, and what must be said of it.
type wrong struct {
	name, flight            string
	check                   string // that fails
	signal, component, kind string
	scale                   float64 // 0: not compared
	matrix                  []float64
	make                    func(i int, s *vehicle.State)
	whole                   func(list []vehicle.State) // in place of make
}

func each(first vehicle.Signal, to func(v r3.Vec) r3.Vec) func(int, *vehicle.State) {
	return func(_ int, s *vehicle.State) {
		if v, ok := s.Vec(first); ok {
			s.PutVec(first, to(v))
		}
	}
}

func scaled(first vehicle.Signal, k float64) func(int, *vehicle.State) {
	return each(first, func(v r3.Vec) r3.Vec { return r3.Scale(k, v) })
}

func turned(to func(quat.Number) quat.Number) func(int, *vehicle.State) {
	return func(_ int, s *vehicle.State) {
		if q, ok := s.Attitude(); ok {
			s.PutAttitude(to(q))
		}
	}
}

// The definitions of the units are in package consistency; what is given is the right value divided by the scale.
var mistakes = []wrong{
	{name: "degrees per second", flight: "aerobatic", check: "turning_roll", signal: "angular_velocity", kind: "unit", scale: math.Pi / 180, matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1},
		make: scaled(vehicle.AngularVelocityP, 180/math.Pi)},
	{name: "q mirrored", flight: "aerobatic", check: "turning_pitch", signal: "angular_velocity", component: "q", kind: "sign", scale: 1, matrix: []float64{1, 0, 0, 0, -1, 0, 0, 0, 1},
		make: each(vehicle.AngularVelocityP, func(v r3.Vec) r3.Vec { return r3.Vec{X: v.X, Y: -v.Y, Z: v.Z} })},
	{name: "p and q exchanged", flight: "gusty", check: "turning_roll", signal: "angular_velocity", kind: "axis", scale: 1, matrix: []float64{0, 1, 0, 1, 0, 0, 0, 0, 1},
		make: each(vehicle.AngularVelocityP, func(v r3.Vec) r3.Vec { return r3.Vec{X: v.Y, Y: v.X, Z: v.Z} })},
	{name: "rates left and up", flight: "hand", check: "turning_roll", signal: "angular_velocity", kind: "frame", scale: 1, matrix: []float64{1, 0, 0, 0, -1, 0, 0, 0, -1},
		make: each(vehicle.AngularVelocityP, func(v r3.Vec) r3.Vec { return r3.Vec{X: v.X, Y: -v.Y, Z: -v.Z} })},
	{name: "g for force", flight: "multirotor", check: "force_x", signal: "specific_force", kind: "unit", scale: 9.80665, matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, make: scaled(vehicle.SpecificForceX, 1/9.80665)},
	{name: "no gravity", flight: "multirotor", check: "force_x", signal: "specific_force", kind: "gravity", make: func(_ int, s *vehicle.State) {
		v, ok := s.Vec(vehicle.SpecificForceX)
		q, turned := s.Attitude()
		if ok && turned {
			g := quat.Mul(quat.Mul(quat.Conj(q), quat.Number{Kmag: 9.80665}), q)
			s.PutVec(vehicle.SpecificForceX, r3.Add(v, r3.Vec{X: g.Imag, Y: g.Jmag, Z: g.Kmag}))
		}
	}},
	{name: "knots", flight: "ground", check: "velocity_north", signal: "velocity", kind: "unit", scale: 1852. / 3600, matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, make: scaled(vehicle.VelocityN, 3600./1852)},
	{name: "climb for down", flight: "multirotor", check: "velocity_down", signal: "velocity", component: "down", kind: "sign", scale: 1, matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, -1},
		make: each(vehicle.VelocityN, func(v r3.Vec) r3.Vec { return r3.Vec{X: v.X, Y: v.Y, Z: -v.Z} })},
	{name: "conjugate", flight: "hand", check: "turning_roll", signal: "attitude", kind: "frame", make: turned(quat.Conj)},
	{name: "x, y, z, w", flight: "aerobatic", check: "turning_roll", signal: "attitude", kind: "order", make: turned(func(q quat.Number) quat.Number {
		return quat.Number{Real: q.Imag, Imag: q.Jmag, Jmag: q.Kmag, Kmag: q.Real}
	})},
	{name: "yaw from east", flight: "multirotor", check: "heading", signal: "attitude", component: "yaw", kind: "offset", make: turned(func(q quat.Number) quat.Number {
		return quat.Mul(quat.Number{Real: math.Sqrt2 / 2, Kmag: -math.Sqrt2 / 2}, q)
	})},
	{name: "clock in the wrong unit", flight: "aerobatic", check: "clock", signal: "clock", kind: "time", scale: 1000, make: func(_ int, s *vehicle.State) { s.SourceTime /= 1000 }},
	{name: "r stuck", flight: "turn", check: "turning_yaw", signal: "angular_velocity", component: "r", kind: "stuck", make: each(vehicle.AngularVelocityP, func(v r3.Vec) r3.Vec { return r3.Vec{X: v.X, Y: v.Y} })},
	{name: "sideslip not wrapped", flight: "gusty", check: "air_sideslip", signal: "sideslip", kind: "wrap", make: func(_ int, s *vehicle.State) {
		if v, ok := s.Value(vehicle.Sideslip); ok && v < 0 {
			s.Put(vehicle.Sideslip, v+2*math.Pi)
		}
	}},
	{name: "airspeed in km/h", flight: "gusty", check: "air_speed", signal: "airspeed", kind: "unit", scale: 1 / 3.6, make: func(_ int, s *vehicle.State) {
		if v, ok := s.Value(vehicle.Airspeed); ok {
			s.Put(vehicle.Airspeed, 3.6*v)
		}
	}},
	{name: "wind", flight: "multirotor", check: "velocity_north", signal: "velocity", kind: "frame", make: each(vehicle.VelocityN, func(v r3.Vec) r3.Vec { return r3.Add(v, r3.Vec{X: 6, Y: -5}) })},
	{name: "always on the ground", flight: "aerobatic", check: "ground", signal: "on_ground", kind: "sign", make: func(_ int, s *vehicle.State) { s.Put(vehicle.OnGround, 1) }},

	{name: "rates late", flight: "aerobatic", check: "turning_roll", signal: "angular_velocity", kind: "delay", whole: func(list []vehicle.State) {
		for i := len(list) - 1; i >= 0; i-- {
			if list[i].Present.Has(vehicle.AngularVelocityP) {
				list[i].Present &^= vec(vehicle.AngularVelocityP)
				if v, ok := list[max(0, i-12)].Vec(vehicle.AngularVelocityP); ok && i >= 12 {
					list[i].PutVec(vehicle.AngularVelocityP, v)
				}
			}
		}
	}},
	{name: "roll first", flight: "hand", check: "turning_together", signal: "attitude", kind: "order", make: turned(func(q quat.Number) quat.Number {
		yaw, pitch, roll := axes.ToEuler(q)
		q, _ = axes.Intrinsic("xyz", roll, pitch, yaw)
		return q
	})},

	{name: "no angular velocity", flight: "aerobatic", check: "zeros", signal: "angular_velocity", kind: "stuck", make: scaled(vehicle.AngularVelocityP, 0)},
	{name: "no specific force", flight: "hand", check: "zeros", signal: "specific_force", kind: "stuck", make: scaled(vehicle.SpecificForceX, 0)},
	{name: "no attitude", flight: "hand", check: "zeros", signal: "attitude", kind: "stuck", make: turned(func(quat.Number) quat.Number { return quat.Number{Real: 1} })},
	{name: "flaps in percent", flight: "gentle", check: "ranges", signal: "flap_ratio", kind: "unit", scale: 0.01, make: func(i int, s *vehicle.State) { s.Put(vehicle.FlapRatio, float64(i%100)) }},
	{name: "time goes back", flight: "gentle", check: "source_time", signal: "clock", kind: "time", make: func(i int, s *vehicle.State) {
		if i%50 == 7 {
			s.SourceTime -= 90e6
		}
	}},
	{name: "arrival in ms", flight: "gentle", check: "observed_at", signal: "clock", component: "observed_at", kind: "unit", make: func(_ int, s *vehicle.State) { s.ObservedAt /= 1e6 }},
	{name: "arrival of the start", flight: "gentle", check: "observed_at", signal: "clock", component: "observed_at", kind: "time", make: func(_ int, s *vehicle.State) { s.ObservedAt = 1_700_000_000_000_000_000 }},
	{name: "a jump", flight: "multirotor", check: "jumps", signal: "attitude", kind: "discontinuity", make: func(i int, s *vehicle.State) {
		if i < 500 {
			return
		}
		round := func(v r3.Vec) r3.Vec { return r3.Vec{X: -v.X, Y: -v.Y, Z: v.Z} }
		turned(func(q quat.Number) quat.Number { return quat.Mul(quat.Number{Kmag: 1}, q) })(i, s)
		each(vehicle.VelocityN, round)(i, s)
		each(vehicle.PositionN, round)(i, s)
	}},
}

// save writes states as a table.
func save(t testing.TB, path string, list []vehicle.State) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := vehicle.NewCSVWriter(f)
	for i := range list {
		if err := w.Write(&list[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
}

func conform(t testing.TB, list []vehicle.State, name string) report.Report {
	t.Helper()
	dir := os.Getenv("S_DUMP")
	if dir == "" {
		dir = t.TempDir()
	}
	path := filepath.Join(dir, strings.NewReplacer(" ", "_", "/", "_", ",", "").Replace(name)+".csv")
	save(t, path, list)
	x, err := Load(path, "")
	if err != nil {
		t.Fatal(err)
	}
	return Judge(t.Context(), x.States, Options{Faults: x.Faults})
}

// Each mistake is named by its check and by no other, from the file on.
func TestEachMistakeIsToldOnce(t *testing.T) {
	all := flights(t)
	for k, m := range mistakes {
		if os.Getenv("PERCH_LONG") == "" && k%3 != 0 { // a third of them where time is short
			continue
		}
		list := slices.Clone(all[m.flight].States)
		for i := range list {
			if m.whole == nil {
				m.make(i, &list[i])
			}
		}
		if m.whole != nil {
			m.whole(list)
		}
		r := conform(t, list, m.name)
		told := false
		for _, c := range r.Checks {
			if c.Outcome != report.Fail && c.Outcome != report.Warn {
				continue
			}
			if c.ID != m.check {
				t.Errorf("%s is told by %s too: %s, %v", m.name, c.ID, c.Measured, c.Diagnosis)
				continue
			}
			told = true
			if c.Diagnosis == nil {
				t.Errorf("%s has no diagnosis", m.name)
				continue
			}
			fits := func(d report.Diagnosis) bool {
				return d.Signal == m.signal && d.Component == m.component && d.Kind == m.kind && (m.scale == 0 || math.Abs(d.Scale/m.scale-1) < 0.01) &&
					(m.matrix == nil || slices.Equal(d.Matrix, m.matrix))
			}
			if !fits(*c.Diagnosis) && !slices.ContainsFunc(c.Diagnosis.Alternatives, fits) {
				text, _ := json.Marshal(c.Diagnosis)
				t.Errorf("%s is taken for %s", m.name, text)
			}
			if (c.Outcome == report.Warn) != (m.name == "wind") {
				t.Errorf("%s is told as %s", m.name, c.Outcome)
			}
		}
		if !told {
			t.Errorf("%s is not told: %s", m.name, r.Verdict)
			for _, c := range r.Checks {
				t.Log(c.ID, c.Outcome, c.Measured, c.Needs)
			}
		}
	}
}
