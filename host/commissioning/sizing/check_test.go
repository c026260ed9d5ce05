package sizing

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/sdk/oracle"
)

// reference is what testdata/rig.py prints: it knows nothing of this package's formulas.
type reference struct {
	Rig struct {
		Hold, Push, Total, Fall, Growth, Stop float64
		StopTime                              float64 `json:"stop_time"`
		FallTime                              float64 `json:"fall_time"`
		FallSpeed                             float64 `json:"fall_speed"`
		Kinetic, Potential                    float64
	}
	Dead    [][3]float64 // rod's length, m; crank and seat at dead centre, deg
	Spatial struct {
		Corners                                         [][6]float64 // roll, pitch, deg; signs of acceleration; torque left, right, N m
		Still, Force, Motor, Speed, Quick, Alone, Steps float64
	}
}

func recorded(t *testing.T) (r reference) {
	t.Helper()
	oracle.Recorded(t, "testdata/rig.json", &r)
	return r
}

// TestRecordedNumbers runs the script again where PERCH_TEST_SCIPY is set.
func TestRecordedNumbers(t *testing.T) {
	oracle.Fresh[reference](t, "testdata/rig.json", "testdata/rig.py", 1e-6, 1e-6)
}

// rig is the worked rig: 100 kg, 0.25 m above the joint, 12 kg m², ±10 deg, metal at ±15 deg; seat balls 0.40 m out,
// cranks of 0.10 m whose rods are upright with the seat level.
func rig(t testing.TB, rod float64) Input {
	t.Helper()
	s := mechanism.DefaultTwoCrank()
	s.CrankDrop, s.CrankForward, s.TipBackward, s.RodLength = rod, 0.10, true, rod
	s.Low, s.High, s.LeastTransmissionAngle = -70*deg, 70*deg, 10*deg
	m, err := mechanism.NewTwoCrank(s)
	if err != nil {
		t.Fatal(err)
	}
	in := Input{
		Mechanism: m,
		Load:      Load{RiderMass: 70, SeatMass: 30, Height: 0.25, Inertia: 12},
		Drive: Drive{
			GearRatio: 10, Efficiency: 0.9, StepsPerTurn: 1600, MotorTorque: 10, MotorSpeed: 600 * math.Pi / 30, TopStepRate: 25_000,
		},
	}
	in.Limits, in.HardStop = limits(-10, 10, 40, 300), HardStop{}
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		in.HardStop.Low[a], in.HardStop.High[a] = -15*deg, 15*deg
	}
	in.Limits.Low[pose.Roll], in.Limits.High[pose.Roll] = -1*deg, 1*deg
	return in
}

func limits(low, high, speed, acceleration float64) (l guard.Limits) {
	for _, a := range []pose.Axis{pose.Roll, pose.Pitch} {
		l.Low[a], l.High[a] = low*deg, high*deg
		l.Speed[a], l.Acceleration[a], l.Jerk[a] = speed*deg, acceleration*deg, 5000*deg
	}
	return l
}

func checked(t testing.TB, in Input) Result {
	t.Helper()
	r, err := Check(in)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func value(t testing.TB, r Result, id string) float64 {
	t.Helper()
	l, ok := r.Line(id)
	if !ok {
		t.Fatalf("there is no line %s", id)
	}
	return l.Value
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}

func TestWorkedRig(t *testing.T) {
	w := recorded(t).Rig
	in := rig(t, 0.40)
	r := checked(t, in)
	near(t, "gravity, N m", value(t, r, "gravity.pitch"), w.Hold, 1e-9)
	near(t, "acceleration, N m", value(t, r, "push.pitch"), w.Push, 1e-9)
	near(t, "both, N m", value(t, r, "total.pitch"), w.Total, 1e-9)
	near(t, "fall, rad/s²", value(t, r, "fall.pitch"), w.Fall, 1e-9)
	near(t, "way to stop, deg", value(t, r, "stop.pitch")/deg, w.Stop, 1e-4)
	near(t, "way until the watchdog acts, deg", value(t, r, "watchdog.pitch")/deg, 40*0.1, 1e-9)
	near(t, "fall from nearly level, deg/s", value(t, r, "fall.near.pitch")/deg, w.FallSpeed, 1e-4)
	near(t, "energy, J", value(t, r, "energy.pitch"), w.Kinetic+w.Potential, 1e-6)
	l, _ := r.Line("fall.near.pitch")
	if !strings.Contains(l.Working, "in 0.60 s") || math.Abs(w.FallTime-0.60) > 0.005 {
		t.Errorf("fall from nearly level: %s; want it to take %.3f s", l.Working, w.FallTime)
	}
	_, time := Stopping(40*deg, 300*deg, 5000*deg)
	near(t, "time to stop, s", time, w.StopTime, 5e-3)
	// 18 deg/s, 60 deg/s², 400 deg/s³: (18/60 + 60/400)/2 × 18; and so slow that the acceleration is not reached.
	way, time := Stopping(18, 60, 400)
	near(t, "reduced way", way, 4.05, 1e-9)
	near(t, "reduced time", time, 0.45, 1e-9)
	way, time = Stopping(1, 100, 100) // ramps of 0.1 s each way: ∫ = 0.1
	near(t, "slow way", way, 0.1, 1e-9)
	near(t, "slow time", time, 0.2, 1e-9)
}

// TestDeadCentre: the planar loop's first maximum, for three lengths of rod. Tail up is nose down.
func TestDeadCentre(t *testing.T) {
	for _, d := range recorded(t).Dead {
		in := rig(t, d[0])
		_, cranks, ok := in.Mechanism.(crank).DeadCentre(pose.Pose{pose.Pitch: -1})
		at, _, _ := in.Mechanism.(crank).DeadCentre(pose.Pose{pose.Pitch: -1})
		if !ok {
			t.Fatalf("rod %g m: none found", d[0])
		}
		near(t, "crank, deg", cranks[0]/deg, d[1], 1e-5)
		near(t, "seat, deg", -at[pose.Pitch]/deg, d[2], 1e-8)
	}
}

// both is a rig that moves far in roll and in pitch, with a centre of mass that is not above the joint.
func both(t testing.TB) Input {
	t.Helper()
	m, err := mechanism.NewTwoCrank(mechanism.DefaultTwoCrank())
	if err != nil {
		t.Fatal(err)
	}
	in := Input{
		Mechanism: m, Limits: limits(-6, 5, 40, 300),
		Load: Load{RiderMass: 80, SeatMass: 30, Height: 0.27, Forward: 0.05, Inertia: 14},
		Drive: Drive{
			GearRatio: 12, Efficiency: 0.85, StepsPerTurn: 3200, MotorTorque: 7, MotorSpeed: 700 * math.Pi / 30, RotorInertia: 3e-4, TopStepRate: 25_000,
		},
	}
	l := &in.Limits
	l.Low[pose.Pitch], l.High[pose.Pitch], l.Speed[pose.Pitch], l.Acceleration[pose.Pitch] = -4*deg, 6*deg, 30*deg, 200*deg
	return in
}

// TestCorners: at every corner of the pose box, with both axes accelerating either way, as solved from geometry alone.
func TestCorners(t *testing.T) {
	want := recorded(t).Spatial
	in := both(t)
	b := newBody(in.Load)
	if len(want.Corners) != 16 {
		t.Fatalf("%d corners", len(want.Corners))
	}
	for _, c := range want.Corners {
		p := pose.Pose{pose.Roll: c[0] * deg, pose.Pitch: c[1] * deg}
		l, err := newLever(in.Mechanism.(jacobian), []pose.Axis{pose.Roll, pose.Pitch}, p)
		if err != nil {
			t.Fatal(err)
		}
		q := b.push(p, pose.Pose{pose.Roll: c[2] * 300 * deg, pose.Pitch: c[3] * 200 * deg})
		for a, h := range b.hold(p) {
			q[a] += h
		}
		got, err := l.forces(q)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "left, N m", got[0], c[4], 1e-5)
		near(t, "right, N m", got[1], c[5], 1e-5)
	}
	r := checked(t, in)
	near(t, "holding, N m", value(t, r, "actuator.still"), want.Still, 1e-5)
	near(t, "moving, N m", value(t, r, "actuator.force"), want.Force, 1e-5)
	near(t, "motor, N m", value(t, r, "motor.torque"), want.Motor, 1e-5)
	near(t, "speed, deg/s", value(t, r, "actuator.speed")/deg, want.Speed, 1e-5)
	near(t, "acceleration, deg/s²", value(t, r, "actuator.acceleration")/deg, want.Quick, 1e-5)
	if !(value(t, r, "actuator.force") > 1.2*want.Alone) {
		t.Errorf("both axes together ask %g N m of a crank, and one at a time %g: the corner adds nothing", want.Force, want.Alone)
	}
	// The guard keeps a crank to its 240 deg/s, so that is what the motor needs.
	near(t, "steps/s", value(t, r, "motor.steps"), 240./360*12*3200, 1e-9)
}

func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		name    string
		change  func(*Input)
		id      string
		verdict Verdict
		says    string
	}{
		{"as it is", func(*Input) {}, "motor.torque", Enough, ""},
		{"weak motor", func(in *Input) { in.Drive.MotorTorque = 3 }, "motor.torque", TooLittle, "stronger motor"},
		{"slow motor", func(in *Input) { in.Drive.MotorSpeed = 300 * math.Pi / 30 }, "motor.speed", TooLittle, "smaller gear ratio"},
		{"slow controller", func(in *Input) { in.Drive.TopStepRate = 10_000 }, "motor.steps", TooLittle, "fewer steps"},
		{"corners ask more than the cranks may do", func(*Input) {}, "actuator.speed", Caution, "the guard slows"},
		{"stop too near", func(in *Input) {
			in.HardStop = HardStop{}
			in.HardStop.Low[pose.Pitch], in.HardStop.High[pose.Pitch] = -20*deg, 9*deg
		}, "margin.pitch", TooLittle, "the margin is 3 deg"},
		{"stop unknown", func(*Input) {}, "margin.pitch", Caution, "not known"},
		{"stop far", func(in *Input) { in.HardStop.Low[pose.Roll], in.HardStop.High[pose.Roll] = -15*deg, 14*deg }, "margin.roll", Enough, ""},
		{"stop near dead centre", func(in *Input) { in.HardStop.Low[pose.Pitch], in.HardStop.High[pose.Pitch] = -13*deg, 13.2*deg }, "crank.stop.pitch.high", TooLittle, "dead centre"},
		{"stop past dead centre", func(in *Input) { in.HardStop.Low[pose.Pitch], in.HardStop.High[pose.Pitch] = -13*deg, 14*deg }, "crank.stop.pitch.high", TooLittle, "beyond dead centre"},
		{"nothing holds it", func(*Input) {}, "fall.roll", Caution, "nothing is said to hold it"},
		{"a brake holds it", func(in *Input) { in.Drive.Held = HeldByBrake }, "fall.roll", Enough, "prove it"},
		{"a box out of reach", func(in *Input) { in.Limits = limits(-8, 8, 40, 300) }, "reach", Caution, "out of reach"},
		{"no inertia measured", func(in *Input) { in.Load.Inertia = 0 }, "inertia", Given, "estimated"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := both(t)
			c.change(&in)
			r := checked(t, in)
			l, ok := r.Line(c.id)
			if !ok {
				t.Fatalf("there is no line %s", c.id)
			}
			if l.Verdict != c.verdict || !strings.Contains(l.Note, c.says) {
				t.Errorf("%s: %q, %s; want %q and %q", c.id, l.Verdict, l.Note, c.verdict, c.says)
			}
			if r.Enough() != (len(r.With(TooLittle)) == 0) || c.verdict == TooLittle && r.Enough() {
				t.Error("the whole does not follow from the lines")
			}
		})
	}
	// A seat that hangs below its joint does not fall.
	in := both(t)
	in.Load.Height, in.Load.Forward = -0.2, 0
	if l, ok := checked(t, in).Line("fall.roll"); ok {
		t.Errorf("a seat that hangs falls: %+v", l)
	}
}

func TestMissing(t *testing.T) {
	in := both(t)
	in.Load, in.Drive = Load{}, Drive{}
	if _, err := Check(in); err == nil || !strings.Contains(err.Error(), "[load]") || !strings.Contains(err.Error(), "[drive]") {
		t.Errorf("got %v", err)
	}
	in = lift(t)
	in.Drive.Lead = 0
	if _, err := Check(in); err == nil || !strings.Contains(err.Error(), "drive.lead") {
		t.Errorf("got %v", err)
	}
}

// lift is a seat that goes straight up and down on one screw of 5 mm a turn.
func lift(t testing.TB) Input {
	t.Helper()
	s := mechanism.BoxSettings{Axes: pose.Of(pose.Heave)}
	s.Low[pose.Heave], s.High[pose.Heave], s.Speed[pose.Heave], s.Acceleration[pose.Heave], s.Jerk[pose.Heave] = -0.05, 0.05, 0.05, 2, 30
	m, err := mechanism.NewBox(s)
	if err != nil {
		t.Fatal(err)
	}
	return Input{
		Mechanism: m, Limits: guard.Limits{Low: s.Low, High: s.High, Speed: s.Speed, Acceleration: s.Acceleration, Jerk: s.Jerk},
		Load:  Load{RiderMass: 70, SeatMass: 30, Height: 0.25, Inertia: 12},
		Drive: Drive{GearRatio: 1, Efficiency: 0.5, Lead: 0.005, StepsPerTurn: 1600, MotorTorque: 5, MotorSpeed: 1000 * math.Pi / 30, TopStepRate: 20_000},
	}
}

// TestLift: a screw's torque is F p/(2π η), for F = m (g + a).
func TestLift(t *testing.T) {
	r := checked(t, lift(t))
	near(t, "force, N", value(t, r, "actuator.force"), 100*(9.80665+2), 1e-9)
	near(t, "motor, N m", value(t, r, "motor.torque"), 100*(9.80665+2)*0.005/(2*math.Pi*0.5), 1e-9)
	near(t, "motor, turns/s", value(t, r, "motor.speed")/(2*math.Pi), 0.05/0.005, 1e-9)
	near(t, "fall, m/s", value(t, r, "fall.heave"), math.Sqrt(2*9.80665*0.1), 1e-9)
}

// TestHoldIsTheSlopeOfTheHeight: what holds the body is the slope of its potential energy, and its mass matrix is
// symmetric, in any pose.
func TestHoldIsTheSlopeOfTheHeight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBody(Load{
			RiderMass: rapid.Float64Range(10, 150).Draw(t, "rider"), SeatMass: 20,
			Height: rapid.Float64Range(-0.5, 0.5).Draw(t, "height"), Forward: rapid.Float64Range(-0.3, 0.3).Draw(t, "forward"),
		})
		var p pose.Pose
		for a := range p {
			p[a] = rapid.Float64Range(-0.5, 0.5).Draw(t, "pose")
		}
		hold := b.hold(p)
		var m [pose.Count]pose.Pose
		for a := range p {
			up, down := p, p
			up[a] += 1e-5
			down[a] -= 1e-5
			if want := b.mass * gravity * (b.height(up) - b.height(down)) / 2e-5; math.Abs(want-hold[a]) > 1e-4*b.mass {
				t.Fatalf("%v: %g, want %g", pose.Axis(a), hold[a], want)
			}
			var one pose.Pose
			one[a] = 1
			m[a] = b.push(p, one)
		}
		for a := range m {
			for c := range m {
				if math.Abs(m[a][c]-m[c][a]) > 1e-9 {
					t.Fatalf("the mass matrix is not symmetric: %v", m)
				}
			}
		}
	})
}

func TestAdmit(t *testing.T) {
	sized := Load{RiderMass: 90, SeatMass: 30}
	for _, c := range []struct {
		load  Load
		rider float64
		says  string
	}{
		{sized, 90, ""},
		{sized, 90.5, "90.5 kg: the seat is sized for 90 kg at most"},
		{sized, 0, "own mass"},
		{sized, math.NaN(), "own mass"},
		{Load{}, 60, "add [load]"},
	} {
		err := c.load.Admit(c.rider)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%g kg on a seat for %g kg: %v", c.rider, c.load.RiderMass, err)
		}
	}
}

// TestPowerBalance: what the actuators do together is what the seat takes, whichever way it moves; the actuators' speeds are
// taken as differences of Inverse, so that nothing here comes from the Jacobian.
func TestPowerBalance(t *testing.T) {
	m, err := mechanism.NewSixCrank(mechanism.DefaultSixCrank())
	if err != nil {
		t.Fatal(err)
	}
	b := newBody(Load{RiderMass: 90, SeatMass: 40, Height: 0.3, Forward: 0.04})
	axes := []pose.Axis{pose.Surge, pose.Sway, pose.Heave, pose.Roll, pose.Pitch, pose.Yaw}
	rapid.Check(t, func(t *rapid.T) {
		var p, v, acceleration pose.Pose
		for a := range p {
			p[a] = rapid.Float64Range(-0.03, 0.03).Draw(t, "pose")
			v[a] = rapid.Float64Range(-1, 1).Draw(t, "speed")
			acceleration[a] = rapid.Float64Range(-5, 5).Draw(t, "acceleration")
		}
		l, err := newLever(m, axes, p)
		if err != nil {
			t.Skip(err.Error())
		}
		q := b.push(p, acceleration)
		taken := 0.0
		for a, h := range b.hold(p) {
			q[a] += h
			taken += q[a] * v[a]
		}
		force, err := l.forces(q)
		if err != nil {
			t.Fatal(err)
		}
		const dt = 1e-5
		after, before := p, p
		for a := range p {
			after[a] += v[a] * dt
			before[a] -= v[a] * dt
		}
		var up, down mechanism.Positions
		if m.Inverse(after, &up) != nil || m.Inverse(before, &down) != nil {
			t.Skip("at the edge of reach")
		}
		given := 0.0
		for i := range m.Actuators() {
			given += force[i] * (up[i] - down[i]) / (2 * dt)
		}
		if math.Abs(given-taken) > 1e-4*(1000+math.Abs(taken)) {
			t.Fatalf("the cranks give %g W and the seat takes %g W", given, taken)
		}
	})
}
