package mavlink

import (
	"log/slog"
	"math"
	"net/netip"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"perch/sdk/axes"
	wire "perch/sdk/mavlink"
	"perch/sdk/vehicle"
)

// bench feeds messages to a decoder and keeps what comes out.
type bench struct {
	d    *Decoder
	logs strings.Builder
	seq  map[wire.Sender]uint8
	now  int64 // unix ns
	out  []vehicle.State
}

func newBench(system uint8) *bench {
	b := &bench{seq: map[wire.Sender]uint8{}, now: 1_700_000_000e9}
	b.d = NewDecoder(system, slog.New(slog.NewTextHandler(&b.logs, nil)))
	return b
}

func (b *bench) keep(s *vehicle.State) { b.out = append(b.out, *s) }

// frame is a message as system and component 1 send it, with the next number.
func (b *bench) frame(system uint8, m wire.Message) []byte {
	s := wire.Sender{System: system, Component: 1}
	f := wire.Append(nil, wire.Header{Version: 2, Sequence: b.seq[s], System: system, Component: 1}, m)
	b.seq[s]++
	return f
}

func (b *bench) bytes(p []byte) {
	b.now += 1e6
	b.d.Bytes(p, netip.AddrPort{}, b.now, b.keep)
}

func (b *bench) from(system uint8, m wire.Message) { b.bytes(b.frame(system, m)) }

// say sends messages of vehicle 1 and gives the states that come of them.
func (b *bench) say(messages ...wire.Message) []vehicle.State {
	b.out = nil
	for _, m := range messages {
		b.from(1, m)
	}
	return b.out
}

var multirotor = &wire.Heartbeat{Type: 2, Autopilot: 3}

func attitude(ms uint32) *wire.Attitude { return &wire.Attitude{TimeBootMs: ms} }

func one(t *testing.T, states []vehicle.State) vehicle.State {
	t.Helper()
	if len(states) != 1 {
		t.Fatalf("%d states, want 1: %+v", len(states), states)
	}
	return states[0]
}

func wantVec(t *testing.T, s vehicle.State, first vehicle.Signal, want r3.Vec, tolerance float64) {
	t.Helper()
	got, ok := s.Vec(first)
	if !ok || r3.Norm(r3.Sub(got, want)) > tolerance {
		t.Errorf("%v = %v (present %v), want %v", first, got, ok, want)
	}
}

func TestAttitude(t *testing.T) {
	const deg = math.Pi / 180
	// Heading 135, pitch 20, roll 30 deg: scipy 1.10.1, Rotation.from_euler("ZYX", [135, 20, 30], degrees=True).as_quat().
	want := quat.Number{Real: 0.40555043, Imag: -0.05742244, Jmag: 0.29967286, Kmag: 0.86164244}
	b := newBench(0)
	b.say(multirotor)
	angles := one(t, b.say(&wire.Attitude{
		TimeBootMs: 5000, Roll: 30 * deg, Pitch: 20 * deg, Yaw: 135 * deg, RollSpeed: 0.1, PitchSpeed: 0.2, YawSpeed: 0.3,
	}))
	quaternion := one(t, b.say(&wire.AttitudeQuaternion{
		TimeBootMs: 5010,
		Q:          [4]float32{float32(want.Real), float32(want.Imag), float32(want.Jmag), float32(want.Kmag)},
		Rates:      [3]float32{0.1, 0.2, 0.3},
	}))
	for _, s := range []vehicle.State{angles, quaternion} {
		q, ok := s.Attitude()
		if !ok || quat.Abs(quat.Sub(q, want)) > 1e-6 {
			t.Errorf("attitude %v, want %v", q, want)
		}
		wantVec(t, s, vehicle.AngularVelocityP, r3.Vec{X: 0.1, Y: 0.2, Z: 0.3}, 1e-6)
		if s.Class != "multirotor" || s.Name != "system 1" {
			t.Errorf("class %q, name %q", s.Class, s.Name)
		}
	}
	if angles.SourceTime != 5000e6 || quaternion.SourceTime != 5010e6 {
		t.Errorf("times %d and %d", angles.SourceTime, quaternion.SourceTime)
	}
}

func TestWhatIsNotGivenIsAbsent(t *testing.T) {
	nan := float32(math.NaN())
	tests := []struct {
		name     string
		messages []wire.Message
		want     vehicle.Set // of all states together
	}{
		{"quaternion of zeros", []wire.Message{&wire.AttitudeQuaternion{TimeBootMs: 1}}, 0},
		{
			"rates that are not numbers",
			[]wire.Message{&wire.Attitude{TimeBootMs: 1, RollSpeed: nan, PitchSpeed: nan, YawSpeed: nan}},
			vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ),
		},
		{
			"angles that are not numbers",
			[]wire.Message{&wire.Attitude{TimeBootMs: 1, Roll: nan}},
			vehicle.Set(0).With(vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR),
		},
		{
			"a rate that no vehicle has",
			[]wire.Message{&wire.AttitudeQuaternion{TimeBootMs: 1, Q: [4]float32{1, 0, 0, 0}, Rates: [3]float32{1e30, 0, 0}}},
			vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ, vehicle.AngularVelocityQ, vehicle.AngularVelocityR),
		},
		{"no fix yet", []wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1, Alt: 5000, Velocity: [3]int16{1, 2, 3}}}, 0},
		{"a latitude that is none", []wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1, Lat: 910000000, Lon: 1}}, 0},
		{
			"a velocity at the end of its field",
			[]wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1, Lat: 1, Lon: 1, Velocity: [3]int16{32767, -32768, 5}}},
			vehicle.Set(0).With(vehicle.PositionN, vehicle.PositionE, vehicle.PositionD, vehicle.VelocityD),
		},
		{"inertial sensor not fitted", []wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1}, &wire.ScaledIMU{Unit: 1, TimeBootMs: 1}}, 0},
		{"fields that were not updated", []wire.Message{
			&wire.GlobalPositionInt{TimeBootMs: 1}, &wire.HighresIMU{TimeUsec: 1000, Acc: [3]float32{0, 0, -9.8}, FieldsUpdated: 3},
		}, 0},
		{"no airspeed ever", []wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1}, &wire.VFRHUD{GroundSpeed: 9}}, 0},
		{"no time yet", []wire.Message{&wire.VFRHUD{Airspeed: 9}, &wire.ExtendedSysState{LandedState: 1}}, 0},
		{"not known whether landed", []wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1}, &wire.ExtendedSysState{}}, 0},
		{"a shaft sensor that does not work", []wire.Message{&wire.GlobalPositionInt{TimeBootMs: 1}, &wire.RPM{RPM1: -1}}, 0},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			b := newBench(0)
			b.say(multirotor)
			var got vehicle.Set
			for _, s := range b.say(x.messages...) {
				got |= s.Present
			}
			if got != x.want {
				t.Errorf("present %b, want %b", got, x.want)
			}
		})
	}
}

func TestOneStateForEachMessage(t *testing.T) {
	b := newBench(0)
	got := b.say(
		multirotor,
		attitude(1000),
		&wire.GlobalPositionInt{TimeBootMs: 900, Lat: -349000000, Lon: 1385000000, Alt: 100000, Velocity: [3]int16{1200, -340, -56}},
		&wire.ScaledIMU{Unit: 1, TimeBootMs: 950, Acc: [3]int16{0, 0, -1000}},
		&wire.VFRHUD{Airspeed: 25.5, Climb: 3},
		&wire.ExtendedSysState{LandedState: 1},
		&wire.RPM{RPM1: 1200},
	)
	type row struct {
		ms      int64
		present vehicle.Set
	}
	set := func(x ...vehicle.Signal) vehicle.Set { return vehicle.Set(0).With(x...) }
	want := []row{
		{1000, set(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ, vehicle.AngularVelocityP, vehicle.AngularVelocityQ, vehicle.AngularVelocityR)},
		{900, set(vehicle.PositionN, vehicle.PositionE, vehicle.PositionD, vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD)},
		{950, set(vehicle.SpecificForceX, vehicle.SpecificForceY, vehicle.SpecificForceZ)},
		{1000, set(vehicle.Airspeed)},
		{1000, set(vehicle.OnGround)},
		{1000, set(vehicle.RotorRPM)},
	}
	var rows []row
	for _, s := range got {
		rows = append(rows, row{s.SourceTime / 1e6, s.Present})
	}
	if d := cmp.Diff(want, rows, cmp.AllowUnexported(row{})); d != "" {
		t.Fatal(d)
	}
	wantVec(t, got[1], vehicle.PositionN, r3.Vec{}, 0)
	wantVec(t, got[1], vehicle.VelocityN, r3.Vec{X: 12, Y: -3.4, Z: -0.56}, 1e-9)
	wantVec(t, got[2], vehicle.SpecificForceX, r3.Vec{Z: -gravity}, 1e-9)
	// The clock has not moved on: a second display says nothing new.
	if n := len(b.say(&wire.VFRHUD{Airspeed: 26})); n != 0 {
		t.Errorf("%d states of a display at a standing clock, want 0", n)
	}
}

func TestPosition(t *testing.T) {
	b := newBench(0)
	b.say(multirotor)
	at := func(ms uint32, lat, lon, alt int32) vehicle.State {
		return one(t, b.say(&wire.GlobalPositionInt{TimeBootMs: ms, Lat: lat, Lon: lon, Alt: alt, Velocity: [3]int16{1000, 0, 0}}))
	}
	first := at(1000, 450000000, 100000000, 100000)
	wantVec(t, first, vehicle.PositionN, r3.Vec{}, 0)
	// On the ellipsoid of WGS 84 (NIMA TR8350.2) the radii of curvature at 45 deg, raised by 100 m, give 11.1134 m and
	// 7.8848 m for 1e-4 deg; the meridian's at 46 deg, raised by 95 m, 10.0038 m for 0.9e-4 deg. Computed apart.
	second := at(2000, 450001000, 100001000, 95000)
	wantVec(t, second, vehicle.PositionN, r3.Vec{X: 11.1134, Y: 7.8848, Z: 5}, 0.002)
	if first.Discontinuity || second.Discontinuity {
		t.Error("a discontinuity without a jump")
	}
	jump := at(3000, 460000000, 100000000, 95000)
	wantVec(t, jump, vehicle.PositionN, r3.Vec{}, 0)
	after := at(4000, 460000900, 100000000, 95000)
	wantVec(t, after, vehicle.PositionN, r3.Vec{X: 10.0038}, 0.002)
	if !jump.Discontinuity || after.Discontinuity {
		t.Errorf("discontinuity at the jump %v and after it %v, want true and false", jump.Discontinuity, after.Discontinuity)
	}
}

func TestVerticalVelocityOfOlderAutopilots(t *testing.T) {
	for _, sign := range []int16{1, -1} { // of the field while the vehicle climbs: -1 as the message set has it
		b := newBench(0)
		b.say(multirotor)
		var last vehicle.State
		for i := range int32(40) {
			// At rest for 2 s, then a climb at 2 m/s, at 5 Hz.
			climb := int32(0)
			if i > 10 {
				climb = 2
			}
			last = one(t, b.say(&wire.GlobalPositionInt{
				TimeBootMs: uint32(1000 + 200*i), Lat: 450000000, Lon: 100000000,
				Alt: max(0, i-10) * 400, Velocity: [3]int16{0, 0, sign * int16(climb*100)},
			}))
		}
		if v, ok := last.Value(vehicle.VelocityD); !ok || v != -2 {
			t.Errorf("field %d times climb: velocity down %v, %v; want -2", sign, v, ok)
		}
		if told := strings.Contains(b.logs.String(), "positive up"); told != (sign == 1) {
			t.Errorf("field %d times climb: log %s", sign, b.logs.String())
		}
	}
}

func TestLocalPositionWhereThereIsNoGlobal(t *testing.T) {
	b := newBench(0)
	b.say(multirotor)
	local := func(ms uint32) *wire.LocalPositionNED {
		return &wire.LocalPositionNED{TimeBootMs: ms, Position: [3]float32{1, 2, 3}, Velocity: [3]float32{4, 5, 6}}
	}
	if n := len(b.say(local(1000), local(2000))); n != 0 {
		t.Errorf("%d states before it is clear that no global position comes, want 0", n)
	}
	s := one(t, b.say(local(4100)))
	wantVec(t, s, vehicle.PositionN, r3.Vec{X: 1, Y: 2, Z: 3}, 0)
	wantVec(t, s, vehicle.VelocityN, r3.Vec{X: 4, Y: 5, Z: 6}, 0)
	s = one(t, b.say(&wire.GlobalPositionInt{TimeBootMs: 4200, Lat: 1, Lon: 1}))
	if !s.Discontinuity {
		t.Error("another origin without a discontinuity")
	}
	if n := len(b.say(local(4300))); n != 0 {
		t.Errorf("%d states of the local position beside the global, want 0", n)
	}
}

func TestPreferenceOfInertialMessages(t *testing.T) {
	b := newBench(0)
	b.say(multirotor, attitude(1000))
	scaledIMU := func(unit uint8, ms uint32) *wire.ScaledIMU {
		return &wire.ScaledIMU{Unit: unit, TimeBootMs: ms, Acc: [3]int16{0, 0, -1000}}
	}
	count := func(want int, why string, m ...wire.Message) {
		t.Helper()
		if n := len(b.say(m...)); n != want {
			t.Errorf("%s: %d states, want %d", why, n, want)
		}
	}
	count(1, "the second alone", scaledIMU(2, 1001))
	count(1, "the first", scaledIMU(1, 1002))
	count(0, "the second beside the first", scaledIMU(2, 1003))
	highres := &wire.HighresIMU{TimeUsec: 1004500, Acc: [3]float32{0.5, -0.25, -9.75}, FieldsUpdated: 0x3f}
	s := one(t, b.say(highres))
	wantVec(t, s, vehicle.SpecificForceX, r3.Vec{X: 0.5, Y: -0.25, Z: -9.75}, 0)
	if s.SourceTime != 1004500e3 {
		t.Errorf("time %d, want 1004500 µs", s.SourceTime)
	}
	count(0, "the first beside the best", scaledIMU(1, 1005))
	b.say(attitude(3000), attitude(5000))
	count(1, "the first after the best has gone", scaledIMU(1, 5001))
}

func TestUnixTimeOfTheInertialSensor(t *testing.T) {
	b := newBench(0)
	b.say(multirotor, attitude(1000))
	imu := &wire.HighresIMU{TimeUsec: 1_700_000_001_250_000, Acc: [3]float32{0, 0, -9.8}, FieldsUpdated: 7}
	if n := len(b.say(imu)); n != 0 {
		t.Errorf("%d states before SYSTEM_TIME, want 0", n)
	}
	s := one(t, b.say(&wire.SystemTime{TimeUnixUsec: 1_700_000_001_000_000, TimeBootMs: 1000}, imu))
	if s.SourceTime != 1250e6 {
		t.Errorf("time %d, want 1.25 s", s.SourceTime)
	}
	if !strings.Contains(b.logs.String(), "SYSTEM_TIME") {
		t.Errorf("log: %s", b.logs.String())
	}
}

func TestRawUnitIsTrustedByItsRest(t *testing.T) {
	tests := []struct {
		name string
		rest int16
		want int
	}{{"thousandths of g", -980, 6}, {"counts", -2048, 0}, {"not fitted", 0, 0}}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			b := newBench(0)
			b.say(multirotor, attitude(1000))
			n := 0
			for i := range 15 {
				n += len(b.say(&wire.RawIMU{TimeUsec: uint64(1000+i) * 1000, Acc: [3]int16{0, 0, x.rest}}))
			}
			if n != x.want {
				t.Errorf("%d states, want %d", n, x.want)
			}
			if told := strings.Contains(b.logs.String(), "RAW_IMU"); told != (x.name == "counts") {
				t.Errorf("log: %s", b.logs.String())
			}
		})
	}
}

func TestClimbOnlyWithoutAnotherVelocity(t *testing.T) {
	b := newBench(0)
	b.say(multirotor, attitude(1000))
	if n := len(b.say(&wire.VFRHUD{Climb: 2})); n != 0 {
		t.Errorf("%d states at once, want 0: a velocity may still come", n)
	}
	s := one(t, b.say(attitude(5000), &wire.VFRHUD{Climb: 2})[1:])
	if v, ok := s.Value(vehicle.VelocityD); !ok || v != -2 {
		t.Errorf("velocity down %v, %v; want -2", v, ok)
	}
	b.say(&wire.GlobalPositionInt{TimeBootMs: 5100, Lat: 1, Lon: 1})
	if n := len(b.say(&wire.VFRHUD{Climb: 2})); n != 0 {
		t.Errorf("%d states beside a velocity with a stamp, want 0", n)
	}
}

func TestChoosingTheVehicle(t *testing.T) {
	station := &wire.Heartbeat{Type: 6, Autopilot: 8}
	camera := &wire.Heartbeat{Type: 30, Autopilot: 8}
	t.Run("the first that is one", func(t *testing.T) {
		b := newBench(0)
		b.from(255, station)
		b.from(7, camera)
		b.from(3, attitude(1))
		b.from(4, multirotor)
		b.from(3, multirotor)
		b.from(3, attitude(2))
		b.from(4, attitude(3))
		if v, ok := b.d.Vehicle(); !ok || v != (wire.Sender{System: 4, Component: 1}) {
			t.Errorf("chosen %v %v, want 4", v, ok)
		}
		if len(b.out) != 1 || b.out[0].SourceTime != 3e6 {
			t.Errorf("states %+v, want that of vehicle 4", b.out)
		}
		for _, want := range []string{"vehicle=4", "vehicle=3", "left out"} {
			if !strings.Contains(b.logs.String(), want) {
				t.Errorf("the log lacks %q: %s", want, b.logs.String())
			}
		}
	})
	t.Run("the one that is asked for, without a heartbeat too", func(t *testing.T) {
		b := newBench(3)
		b.from(4, multirotor)
		b.from(4, attitude(1))
		b.from(3, attitude(2))
		if s := one(t, b.out); s.Name != "system 3" {
			t.Errorf("name %q", s.Name)
		}
	})
}

func TestClock(t *testing.T) {
	const top = math.MaxUint32
	tests := []struct {
		name   string
		stamps []uint32
		want   []int64 // ms; -1: left out
		breaks int     // which of the states is a discontinuity, -1: none
	}{
		{"even", []uint32{100, 200, 300}, []int64{100, 200, 300}, -1},
		{"wraps after 49.7 days", []uint32{top - 99, 0, 100}, []int64{top - 99, top + 1, top + 101}, -1},
		{"late ones of a message are left out", []uint32{100, 300, 200, 400}, []int64{100, 300, -1, 400}, -1},
		{"twice the same", []uint32{100, 100, 200}, []int64{100, -1, 200}, -1},
		{"starts again: the time goes on", []uint32{60000, 60100, 5, 105, 205}, []int64{60000, 60100, -1, 60102, 60202}, 3},
		{"one odd stamp", []uint32{60000, 60100, 5, 60200}, []int64{60000, 60100, -1, 60200}, -1},
		{"one odd stamp ahead", []uint32{100, 90000, 200}, []int64{100, -1, 200}, -1},
		{"jumps ahead without our clock", []uint32{100, 90000, 90100}, []int64{100, -1, 102}, 2},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			b := newBench(0)
			b.say(multirotor)
			for i, ms := range x.stamps {
				got := b.say(attitude(ms))
				if x.want[i] < 0 {
					if len(got) != 0 {
						t.Errorf("stamp %d: %+v, want nothing", ms, got)
					}
					continue
				}
				s := one(t, got)
				if s.SourceTime != x.want[i]*1e6 || s.Discontinuity != (i == x.breaks) {
					t.Errorf("stamp %d: time %d ms, discontinuity %v; want %d, %v", ms, s.SourceTime/1e6, s.Discontinuity, x.want[i], i == x.breaks)
				}
			}
		})
	}
}

func TestRelayedTwice(t *testing.T) {
	b := newBench(0)
	b.say(multirotor)
	b.out = nil
	for i := range uint32(50) {
		f := b.frame(1, attitude(1000+i*20))
		b.d.Bytes(f, netip.MustParseAddrPort("10.0.0.1:1"), b.now, b.keep)
		b.d.Bytes(f, netip.MustParseAddrPort("10.0.0.2:1"), b.now, b.keep)
	}
	if l := b.d.Link(); len(b.out) != 50 || l.Duplicates != 50 || l.Lost != 0 {
		t.Errorf("%d states, %d duplicates, %d lost; want 50, 50, 0", len(b.out), l.Duplicates, l.Lost)
	}
}

func TestHalfFramesOfTwoSenders(t *testing.T) {
	b := newBench(0)
	b.say(multirotor)
	b.out = nil
	first, second := b.frame(1, &wire.Attitude{TimeBootMs: 1000, YawSpeed: 1}), b.frame(1, &wire.Attitude{TimeBootMs: 1020, YawSpeed: 1})
	p, q := netip.MustParseAddrPort("10.0.0.1:1"), netip.MustParseAddrPort("10.0.0.2:1")
	b.d.Bytes(first[:9], p, b.now, b.keep)
	b.d.Bytes(second[:15], q, b.now, b.keep)
	b.d.Bytes(first[9:], p, b.now, b.keep)
	b.d.Bytes(second[15:], q, b.now, b.keep)
	if len(b.out) != 2 {
		t.Errorf("%d states, want 2", len(b.out))
	}
}

// Whatever a link does to the bytes, the states that come have values that were sent, at the time they were sent with.
func TestLostReorderedCorrupted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(0)
		b.bytes(b.frame(1, multirotor))
		n := rapid.IntRange(1, 60).Draw(t, "frames")
		frames := make([][]byte, n)
		for i := range frames {
			ms := uint32(1000 + 20*i)
			frames[i] = b.frame(1, &wire.Attitude{TimeBootMs: ms, Yaw: float32(ms) / 1000, RollSpeed: float32(ms)})
		}
		for i := 0; i+1 < n; i++ {
			if rapid.IntRange(0, 9).Draw(t, "swap") == 0 {
				frames[i], frames[i+1] = frames[i+1], frames[i]
			}
		}
		for _, f := range frames {
			switch rapid.IntRange(0, 9).Draw(t, "fate") {
			case 0: // lost
				continue
			case 1: // twice
				b.bytes(f)
			case 2: // one bit turned, which the checksum always sees
				at := rapid.IntRange(1, len(f)-1).Draw(t, "at")
				f = append([]byte(nil), f...)
				f[at] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
			case 3: // cut
				f = f[:rapid.IntRange(0, len(f)-1).Draw(t, "cut")]
			case 4:
				b.bytes(rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "noise"))
			}
			b.bytes(f)
		}
		b.d.Flush(b.now, b.keep)
		last := int64(0)
		for _, s := range b.out {
			ms := s.SourceTime / 1e6
			if p, _ := s.Value(vehicle.AngularVelocityP); p != float64(ms) {
				t.Fatalf("at %d ms a rate of %v was not sent", ms, p)
			}
			if s.SourceTime <= last {
				t.Fatalf("the time of attitude went from %d to %d", last, s.SourceTime)
			}
			last = s.SourceTime
		}
	})
}

func TestEncodeAndDecode(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		angle := rapid.Float64Range(-1.5, 1.5)
		small := rapid.Float64Range(-20, 20)
		var s vehicle.State
		s.SourceTime = rapid.Int64Range(1000, 1_000_000).Draw(t, "ms") * 1e6
		s.PutAttitude(axes.FromEuler(2*angle.Draw(t, "yaw"), angle.Draw(t, "pitch"), 2*angle.Draw(t, "roll")))
		for _, x := range []vehicle.Signal{vehicle.AngularVelocityP, vehicle.SpecificForceX, vehicle.VelocityN} {
			s.PutVec(x, r3.Vec{X: small.Draw(t, "x"), Y: small.Draw(t, "y"), Z: 1 + small.Draw(t, "z")})
		}
		s.PutVec(vehicle.PositionN, r3.Vec{X: 10 * small.Draw(t, "n"), Y: 10 * small.Draw(t, "e"), Z: small.Draw(t, "d")})
		s.Put(vehicle.Airspeed, 1+math.Abs(small.Draw(t, "airspeed")))
		s.Put(vehicle.OnGround, 1)
		e := Encoder{Kind: 1, Origin: [3]float64{-34.9, 138.5, 50}}
		var origin vehicle.State
		origin.SourceTime = s.SourceTime - 900e6
		origin.PutVec(vehicle.PositionN, r3.Vec{})
		origin.PutVec(vehicle.VelocityN, r3.Vec{X: 300}) // so that the way to s is no jump
		origin.PutAttitude(quat.Number{Real: 1})
		b := newBench(0)
		b.bytes(e.Append(nil, &origin))
		b.out = nil
		b.bytes(e.Append(nil, &s))
		joined := vehicle.State{SourceTime: s.SourceTime}
		for _, o := range b.out {
			if o.SourceTime != s.SourceTime {
				t.Fatalf("time %d, want %d", o.SourceTime, s.SourceTime)
			}
			for x := range vehicle.SignalCount {
				if v, ok := o.Value(x); ok {
					joined.Put(x, v)
				}
			}
		}
		if q, _ := joined.Attitude(); q.Real*s.Values[vehicle.AttitudeW]+q.Imag*s.Values[vehicle.AttitudeX]+q.Jmag*s.Values[vehicle.AttitudeY]+q.Kmag*s.Values[vehicle.AttitudeZ] < 0 {
			joined.PutAttitude(quat.Scale(-1, q)) // the same attitude
		}
		// Tolerances: a unit of the last place of 1e-7 deg (11 mm), cm/s, and of single precision.
		if d := cmp.Diff(s.Values, joined.Values, cmpopts.EquateApprox(0, 0.02)); d != "" || joined.Present != s.Present {
			t.Fatalf("present %b, want %b; %s", joined.Present, s.Present, d)
		}
	})
}

func FuzzDecoder(f *testing.F) {
	b := newBench(0)
	f.Add(b.frame(1, multirotor))
	f.Add(append(b.frame(1, multirotor), b.frame(1, &wire.GlobalPositionInt{TimeBootMs: 1, Lat: 1, Lon: 1})...))
	f.Add(append(b.frame(1, multirotor), b.frame(1, &wire.HighresIMU{TimeUsec: 1e15 + 1, FieldsUpdated: 7})...))
	f.Fuzz(func(t *testing.T, p []byte) {
		b := newBench(0)
		b.bytes(p)
		b.d.Flush(b.now, b.keep)
		for _, s := range b.out {
			if s.Present == 0 || s.Condition != vehicle.Running {
				t.Fatalf("an empty state: %+v", s)
			}
			if err := s.Admit(); err != nil {
				t.Fatalf("a host refuses it: %v", err)
			}
		}
	})
}

func BenchmarkDecoder(b *testing.B) {
	k := newBench(0)
	k.say(multirotor)
	var stream []byte
	for i := range uint32(256) {
		stream = append(stream, k.frame(1, attitude(1000+i))...)
	}
	size := len(stream) / 256
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		k.d.Bytes(stream[i:i+size], netip.AddrPort{}, k.now, func(*vehicle.State) {})
		i = (i + size) % (size * 256)
	}
}
