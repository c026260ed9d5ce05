package axes_test

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"perch/sdk/axes"
	"perch/sdk/oracle"
)

const deg = math.Pi / 180

func near(t *testing.T, what string, got, want r3.Vec, within float64) {
	t.Helper()
	if !(r3.Norm(r3.Sub(got, want)) <= within) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// nearAttitude takes q and -q for the same attitude.
func nearAttitude(t *testing.T, what string, got, want quat.Number, within float64) {
	t.Helper()
	if !(min(quat.Abs(quat.Sub(got, want)), quat.Abs(quat.Add(got, want))) <= within) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// One state written down in five conventions: heading 135°, pitch 20°, roll 30°, velocity 10, 2, -1 m/s, rates 0.1,
// 0.2, 0.3 rad/s, specific force 1, 2, -9 m/s². The numbers follow from the definitions of the axes alone;
// testdata/axes_oracle.py works them out again with SciPy from matrices of basis vectors.
func TestFiveConventions(t *testing.T) {
	for _, c := range []struct {
		name                   string
		body, earth            axes.Basis
		attitude               quat.Number
		velocity, rates, force r3.Vec
	}{
		{"ours", axes.ForwardRightDown, axes.NorthEastDown, q(0.405550, -0.057422, 0.299673, 0.861642), v(10, 2, -1), v(0.1, 0.2, 0.3), v(1, 2, -9)},
		{"road vehicle", axes.ForwardLeftUp, axes.NorthWestUp, q(0.405550, -0.057422, -0.299673, -0.861642), v(10, -2, 1), v(0.1, -0.2, -0.3), v(1, -2, 9)},
		{"robot", axes.ForwardLeftUp, axes.EastNorthUp, q(0.896041, 0.171297, -0.252505, -0.322506), v(10, -2, 1), v(0.1, -0.2, -0.3), v(1, -2, 9)},
		{"graphics left", axes.RightUpForward, axes.EastUpNorth, q(0.405550, -0.299673, 0.861642, 0.057422), v(2, 1, 10), v(-0.2, 0.3, -0.1), v(2, 9, 1)},
		{"graphics right", axes.RightUpBack, axes.EastUpSouth, q(0.405550, 0.299673, -0.861642, 0.057422), v(2, 1, -10), v(0.2, -0.3, -0.1), v(2, 9, -1)},
	} {
		t.Run(c.name, func(t *testing.T) {
			k, err := axes.New(c.body, c.earth)
			if err != nil {
				t.Fatal(err)
			}
			nearAttitude(t, "attitude", k.Attitude(c.attitude), axes.FromEuler(135*deg, 20*deg, 30*deg), 2e-6)
			near(t, "velocity", k.Vector(c.velocity), v(10, 2, -1), 1e-12)
			near(t, "rates", k.AngularVelocity(c.rates), v(0.1, 0.2, 0.3), 1e-12)
			near(t, "force", k.Vector(c.force), v(1, 2, -9), 1e-12)
			// Velocity over ground is the same arrow, whichever way it is reached: -8.255, 5.099, -3.294 m/s.
			earth := k.EarthVector(axes.ToEarth(c.attitude, c.velocity))
			near(t, "velocity over ground", earth, v(-8.255, 5.099, -3.294), 1e-3)
			near(t, "velocity over ground", axes.ToEarth(k.Attitude(c.attitude), k.Vector(c.velocity)), earth, 1e-12)
		})
	}
}

// Single axes, by the words of the conventions: where each of a source's axes points.
func TestSingleAxes(t *testing.T) {
	for _, c := range []struct {
		name         string
		k            axes.Convention
		vector, turn [3]r3.Vec
	}{
		// ISO 8855: (x, -y, -z); ω likewise.
		{"road vehicle", axes.RoadVehicle(), [3]r3.Vec{v(1, 0, 0), v(0, -1, 0), v(0, 0, -1)}, [3]r3.Vec{v(1, 0, 0), v(0, -1, 0), v(0, 0, -1)}},
		// x right, y up, z forward: vectors (z, x, -y), turns (-ωz, -ωx, ωy).
		{"graphics left", axes.GraphicsLeftHanded(), [3]r3.Vec{v(0, 1, 0), v(0, 0, -1), v(1, 0, 0)}, [3]r3.Vec{v(0, -1, 0), v(0, 0, 1), v(-1, 0, 0)}},
		// x right, y up, z backward: vectors (-z, x, -y), turns likewise.
		{"graphics right", axes.GraphicsRightHanded(), [3]r3.Vec{v(0, 1, 0), v(0, 0, -1), v(-1, 0, 0)}, [3]r3.Vec{v(0, 1, 0), v(0, 0, -1), v(-1, 0, 0)}},
		{"robot", axes.Robot(), [3]r3.Vec{v(1, 0, 0), v(0, -1, 0), v(0, 0, -1)}, [3]r3.Vec{v(1, 0, 0), v(0, -1, 0), v(0, 0, -1)}},
	} {
		for i, unit := range [3]r3.Vec{v(1, 0, 0), v(0, 1, 0), v(0, 0, 1)} {
			near(t, c.name+": vector", c.k.Vector(unit), c.vector[i], 0)
			near(t, c.name+": turn", c.k.AngularVelocity(unit), c.turn[i], 0)
		}
	}
	// A turn to the right is positive about "up" by the left hand, and must give r > 0.
	if w := axes.GraphicsLeftHanded().AngularVelocity(v(0, 1, 0)); w.Z != 1 {
		t.Errorf("a turn to the right gives %v", w)
	}
	near(t, "east-north-up", axes.Robot().EarthVector(v(1, 2, 3)), v(2, 1, -3), 0)
	near(t, "north-west-up", axes.RoadVehicle().EarthVector(v(1, 2, 3)), v(1, -2, -3), 0)
	near(t, "east-up-north", axes.GraphicsLeftHanded().EarthVector(v(1, 2, 3)), v(3, 1, -2), 0)
	near(t, "east-up-south", axes.GraphicsRightHanded().EarthVector(v(1, 2, 3)), v(-3, 1, -2), 0)
}

func TestNew(t *testing.T) {
	for body := axes.ForwardRightDown; body <= axes.RightForwardUp; body++ {
		for earth := axes.NorthEastDown; earth <= axes.EastUpSouth; earth++ {
			_, err := axes.New(body, earth)
			left := (body == axes.RightUpForward) != (earth == axes.EastUpNorth)
			if (err != nil) != left {
				t.Errorf("%v and %v: %v", body, earth, err)
			}
		}
		if b, ok := axes.BasisNamed(body.String()); !ok || b != body {
			t.Errorf("%v is not found by its name", body)
		}
	}
	if _, err := axes.New(axes.NorthEastDown, axes.ForwardRightDown); err == nil {
		t.Error("earth and body the wrong way round are taken")
	}
}

// Attitude through the quaternion and through the matrix, whose images of vectors are what counts: what the source's
// attitude does to an arrow, ours does to the same arrow.
func TestAttitudeTurnsTheSameArrow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := axes.Basis(rapid.IntRange(0, 4).Draw(t, "body"))
		earth := axes.Basis(rapid.IntRange(5, 9).Draw(t, "earth"))
		k, err := axes.New(body, earth)
		if err != nil {
			return
		}
		a := rapid.SliceOfN(rapid.Float64Range(-math.Pi, math.Pi), 3, 3).Draw(t, "angles")
		source, err := axes.Intrinsic("yxz", a[0], a[1], a[2])
		if err != nil {
			t.Fatal(err)
		}
		x := rapid.SliceOfN(rapid.Float64Range(-10, 10), 3, 3).Draw(t, "arrow")
		arrow := v(x[0], x[1], x[2])
		ours := k.Attitude(source)
		want := k.EarthVector(axes.ToEarth(source, arrow))
		if d := r3.Norm(r3.Sub(axes.ToEarth(ours, k.Vector(arrow)), want)); d > 1e-12*100 {
			t.Fatalf("differs by %g", d)
		}
		var rows [3][3]float64
		for j, unit := range [3]r3.Vec{v(1, 0, 0), v(0, 1, 0), v(0, 0, 1)} {
			c := axes.ToEarth(source, unit)
			rows[0][j], rows[1][j], rows[2][j] = c.X, c.Y, c.Z
		}
		m, err := k.AttitudeMatrix(rows)
		if err != nil {
			t.Fatal(err)
		}
		if d := min(quat.Abs(quat.Sub(m, ours)), quat.Abs(quat.Add(m, ours))); d > 1e-7 {
			t.Fatalf("by the matrix %v, by the quaternion %v", m, ours)
		}
	})
}

func TestAttitudeMatrixRefuses(t *testing.T) {
	for name, rows := range map[string][3][3]float64{
		"zero":   {},
		"scaled": {{2, 0, 0}, {0, 2, 0}, {0, 0, 2}},
		"mirror": {{1, 0, 0}, {0, 1, 0}, {0, 0, -1}},
		"nan":    {{math.NaN(), 0, 0}, {0, 1, 0}, {0, 0, 1}},
	} {
		if _, err := axes.RoadVehicle().AttitudeMatrix(rows); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

// Quaternions of yaw, pitch, roll, intrinsic z-y-x (ISO 1151-1), w x y z. Recomputed by testdata/axes_oracle.py with
// scipy.spatial.transform.Rotation.from_euler("ZYX", ...).
func TestFromEuler(t *testing.T) {
	for _, c := range []struct {
		yaw, pitch, roll float64
		want             quat.Number
	}{
		{0.7854 / deg, 0.1 / deg, 0, q(0.9227246, -0.0191262, 0.0461747, 0.3822060)},
		{30, 20, 10, q(0.9515485, 0.0381346, 0.1893079, 0.2392983)},
		{135, -35, 60, q(0.1771668, 0.4230815, 0.3409018, 0.8206095)},
		{-120, 75, -150, q(0.6119063, -0.2467101, 0.7424325, 0.1161839)},
		{10, 90, 0, q(0.7044160, -0.0616284, 0.7044160, 0.0616284)},
		{0, 0, 180, q(0, 1, 0, 0)},
	} {
		got := axes.FromEuler(c.yaw*deg, c.pitch*deg, c.roll*deg)
		nearAttitude(t, fmt.Sprint(c), got, c.want, 2e-7)
		same, err := axes.Intrinsic("zyx", c.yaw*deg, c.pitch*deg, c.roll*deg)
		if err != nil {
			t.Fatal(err)
		}
		nearAttitude(t, "by single turns", same, got, 1e-15)
	}
	// R(30°, 10°, 20°), by rows; and (20, 5, -2) m/s over ground in those body axes. Same source.
	a := axes.FromEuler(30*deg, 10*deg, 20*deg)
	near(t, "first row", axes.ToBody(a, v(1, 0, 0)), v(0.8528685, -0.4184120, 0.3123246), 1e-7)
	near(t, "second row", axes.ToBody(a, v(0, 1, 0)), v(0.4924039, 0.8434933, -0.2146102), 1e-7)
	near(t, "third row", axes.ToBody(a, v(0, 0, 1)), v(-0.1736482, 0.3368241, 0.9254166), 1e-7)
	near(t, "velocity", axes.ToBody(a, v(20, 5, -2)), v(19.8666864, -4.8244227, 3.3226071), 1e-6)
}

func TestToEulerIsTheInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		yaw := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "yaw")
		pitch := rapid.Float64Range(-1.5, 1.5).Draw(t, "pitch")
		roll := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "roll")
		a := axes.FromEuler(yaw, pitch, roll)
		b := axes.FromEuler(axes.ToEuler(a))
		if d := min(quat.Abs(quat.Sub(a, b)), quat.Abs(quat.Add(a, b))); d > 1e-9 {
			t.Fatalf("differs by %g", d)
		}
	})
}

func TestIntrinsicRefuses(t *testing.T) {
	for _, order := range []string{"", "zy", "zzx", "abc", "zyxz"} {
		if _, err := axes.Intrinsic(order, 1, 2, 3); err == nil {
			t.Errorf("%q is taken", order)
		}
	}
}

// Rates of 10, 5, 8 deg/s of roll, pitch, yaw at roll 30°, pitch 20°: p = φ̇ - ψ̇ sinθ and so on (ISO 1151-1),
// recomputed by testdata/axes_oracle.py from differences of SciPy rotations.
func TestBodyRates(t *testing.T) {
	w := axes.BodyRates(8*deg, 5*deg, 10*deg, 20*deg, 30*deg)
	near(t, "rates", r3.Scale(1/deg, w), v(7.263839, 8.088898, 4.010381), 2e-6)
}

// At rest f = g·(sinθ, -sinφ cosθ, -cosφ cosθ), whatever the yaw: gravity of 9.80665 m/s² (NIST SP 811) in body axes.
func TestSpecificForceAtRest(t *testing.T) {
	for _, c := range []struct {
		roll, pitch float64
		want        r3.Vec
	}{
		{0, 0, v(0, 0, -9.80665)}, {10, 0, v(0, -1.70291, -9.65766)}, {0, 20, v(3.35407, 0, -9.21524)}, {90, 0, v(0, -9.80665, 0)},
		{180, 0, v(0, 0, 9.80665)}, {0, 90, v(9.80665, 0, 0)}, {-45, 0, v(0, 6.93435, -6.93435)}, {30, -15, v(-2.53815, -4.73625, -8.20342)},
	} {
		a := axes.FromEuler(77*deg, c.pitch*deg, c.roll*deg)
		near(t, "force", axes.KinematicToSpecificForce(r3.Vec{}, a), c.want, 1e-5)
		near(t, "force", axes.EarthKinematicToSpecificForce(r3.Vec{}, a), c.want, 1e-5)
	}
	if f := axes.LoadFactorToSpecificForce(1); f != -9.80665 {
		t.Errorf("a load factor of 1 is %g", f)
	}
}

// f = dV/dt + ω×V - Rᵀg for V = (50, 1, 2) m/s, dV/dt = (1, 0.5, -0.3) m/s², ω = (0.1, 0.05, 0.2) rad/s at yaw 77°,
// pitch 5°, roll 20°: mechanics, worked out by hand; ω×V = (-0.1, 9.8, -2.4).
func TestSpecificForceInMotion(t *testing.T) {
	a := axes.FromEuler(77*deg, 5*deg, 20*deg)
	acceleration := r3.Add(v(1, 0.5, -0.3), r3.Cross(v(0.1, 0.05, 0.2), v(50, 1, 2)))
	near(t, "force", axes.KinematicToSpecificForce(acceleration, a), v(1.754706, 6.958691, -11.880170), 1e-6)
	near(t, "force", axes.EarthKinematicToSpecificForce(axes.ToEarth(a, acceleration), a), v(1.754706, 6.958691, -11.880170), 1e-6)
}

// The acceleration of a point of a rigid body: f + ω̇×r + ω×(ω×r), worked out by hand.
func TestForceAt(t *testing.T) {
	near(t, "general", axes.ForceAt(v(1, 0.5, -9.80665), v(0.3, -0.2, 0.5), v(1, 0.5, -0.8), v(2, 0.3, -1)), v(-0.008, -0.222, -10.10665), 1e-9)
	near(t, "yaw", axes.ForceAt(r3.Vec{}, v(0, 0, 1), r3.Vec{}, v(2, 0, 0)), v(-2, 0, 0), 1e-15)
	near(t, "roll, head above", axes.ForceAt(r3.Vec{}, v(1, 0, 0), r3.Vec{}, v(0, 0, -1)), v(0, 0, 1), 1e-15)
	near(t, "pitch acceleration", axes.ForceAt(r3.Vec{}, r3.Vec{}, v(0, 1, 0), v(2, 0, 0)), v(0, 0, -2), 1e-15)
}

func q(w, x, y, z float64) quat.Number { return quat.Number{Real: w, Imag: x, Jmag: y, Kmag: z} }
func v(x, y, z float64) r3.Vec         { return r3.Vec{X: x, Y: y, Z: z} }

// TestSciPy compares with SciPy, an implementation that shares nothing with this one. It runs where PERCH_TEST_SCIPY
// is set; then a missing SciPy is a failure.
func TestSciPy(t *testing.T) {
	var by struct {
		Euler []struct{ Angles, Quaternion []float64 }
		Rates struct{ Yaw, Pitch, Roll, P, Q, R float64 }
		Axes  []struct {
			Body, Earth                        string
			Source, Ours                       []float64
			Vector, Turn, VectorOurs, TurnOurs []float64
		}
	}
	oracle.SciPy(t, "testdata/axes_oracle.py", &by)
	number := func(x []float64) quat.Number { return q(x[0], x[1], x[2], x[3]) }
	vector := func(x []float64) r3.Vec { return v(x[0], x[1], x[2]) }
	for _, e := range by.Euler {
		nearAttitude(t, fmt.Sprint(e.Angles), axes.FromEuler(e.Angles[0]*deg, e.Angles[1]*deg, e.Angles[2]*deg), number(e.Quaternion), 1e-12)
	}
	near(t, "rates", axes.BodyRates(8*deg, 5*deg, 10*deg, 20*deg, 30*deg), v(by.Rates.P, by.Rates.Q, by.Rates.R), 1e-8)
	for _, e := range by.Axes {
		body, _ := axes.BasisNamed(e.Body)
		earth, _ := axes.BasisNamed(e.Earth)
		k, err := axes.New(body, earth)
		if err != nil {
			t.Fatal(err)
		}
		nearAttitude(t, e.Body+" "+e.Earth, k.Attitude(number(e.Source)), number(e.Ours), 1e-12)
		near(t, e.Body+" vector", k.Vector(vector(e.Vector)), vector(e.VectorOurs), 1e-12)
		near(t, e.Body+" turn", k.AngularVelocity(vector(e.Turn)), vector(e.TurnOurs), 1e-9)
	}
	t.Logf("%d attitudes, %d conversions", len(by.Euler), len(by.Axes))
	if len(by.Axes) < 100 {
		t.Error("the oracle gives too little")
	}
}
