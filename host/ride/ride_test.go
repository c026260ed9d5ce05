package ride

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"

	"perch/host/chain"
	"perch/host/commissioning"
	"perch/host/config"
	"perch/host/cueing"
	"perch/host/estimate"
	"perch/host/guard"
	"perch/host/loop"
	"perch/host/mechanism"
	"perch/host/plugin"
	"perch/host/record"
	"perch/host/seat"
	"perch/host/seat/seattest"
	"perch/sdk"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

// asAdapter is the argument that makes this test binary an adapter.
const asAdapter = "serve-the-rolling-adapter"

// versionFile is the variable that names a file with another version for the adapter; one that is not there changes nothing.
const versionFile = "PERCH_TEST_VERSION_FILE"

func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == asAdapter {
		a := rolling()
		if version, err := os.ReadFile(os.Getenv(versionFile)); err == nil {
			a.Version = string(version)
		}
		sdk.Serve(a)
		return
	}
	os.Exit(m.Run())
}

// rolling is an adapter whose vehicle rolls slowly from side to side.
func rolling() sdk.Adapter {
	return sdk.Adapter{
		Description: sdk.Description{
			Name: "rolling", Version: "1.0.0", Summary: "rolls from side to side", NominalRate: 50,
			Signals: []vehicle.Signal{vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ},
		},
		Stream: func(ctx context.Context, _ sdk.Settings, out *sdk.Sender) error {
			began := time.Now()
			for ticker := time.NewTicker(20 * time.Millisecond); ; {
				select {
				case <-ctx.Done():
					ticker.Stop()
					return nil
				case <-ticker.C:
					var s vehicle.State
					roll(&s, time.Since(began))
					out.Send(&s)
				}
			}
		},
	}
}

func roll(s *vehicle.State, t time.Duration) {
	half := 0.1 * math.Sin(t.Seconds())
	s.SourceTime = int64(t)
	s.PutAttitude(quat.Number{Real: math.Cos(half), Imag: math.Sin(half)})
}

// told collects what an operator was told.
type told struct {
	mu    sync.Mutex
	lines []string
}

func (o *told) tell(level slog.Level, line string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.lines = append(o.lines, level.String()+" "+line)
}

func (o *told) all() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return strings.Join(o.lines, "\n")
}

func settings(t *testing.T, o *told) Settings {
	t.Helper()
	m, err := mechanism.NewTwoCrank(mechanism.DefaultTwoCrank())
	if err != nil {
		t.Fatal(err)
	}
	cues := cueing.Preset("aeroplane")
	cues.Mode, cues.Intensity = cueing.Follow, 1
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return Settings{
		Chain: chain.Settings{
			Rate: 200, Mechanism: m, Limits: config.DefaultSeat().Limits, Estimate: estimate.Settings{Delay: -1}, Cueing: []cueing.Settings{cues},
		},
		Sources:  []Source{{Name: "model", Program: plugin.Program{Command: []string{self, asAdapter}}}},
		Recorder: record.NewRecorder(nil, nil, 2), Log: slog.New(slog.DiscardHandler), Tell: o.tell,
	}
}

// start starts a ride on a driver; its context is ended, and its end awaited, when the test ends.
func start(t *testing.T, s Settings, driver seat.Driver) (r *Ride, end context.CancelFunc, ended <-chan error) {
	t.Helper()
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	if err := r.Start(ctx); err != nil {
		cancel()
		t.Fatal(err)
	}
	out, over := make(chan error, 1), make(chan struct{})
	go func() {
		out <- r.Run(ctx, driver)
		close(over)
	}()
	t.Cleanup(func() {
		cancel()
		<-over
	})
	return r, cancel, out
}

// await waits until the seat is in a state.
func await(t *testing.T, r *Ride, o *told, want guard.State) {
	t.Helper()
	for deadline := time.Now().Add(40 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if r.Snapshot().Row.Guarded.State == want {
			return
		}
	}
	t.Fatalf("the seat is %v, want %v; told:\n%s", r.Snapshot().Row.Guarded.State, want, o.all())
}

type fullDisk struct{ left int }

var errFull = errors.New("no space left")

func (f *fullDisk) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestAFullDiskDoesNotStopTheRide(t *testing.T) {
	t.Parallel()
	o := new(told)
	s := settings(t, o)
	to, err := recording.NewWriter(&fullDisk{left: 1000}, recording.Header{Rate: 200, Sources: []string{"model"}, Actuators: []string{"a", "b"}})
	if err != nil {
		t.Fatal(err)
	}
	s.Recorder = record.NewRecorder(nil, to, 2)
	driver := seattest.New(2)
	r, end, ended := start(t, s, driver)
	await(t, r, o, guard.Riding)
	const line = "ERROR recording stopped, the ride goes on: no space left"
	for deadline := time.Now().Add(40 * time.Second); !strings.Contains(o.all(), line); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("nobody was told of the full disk, only:\n%s", o.all())
		}
	}
	before := r.Snapshot().Row.Tick
	time.Sleep(300 * time.Millisecond)
	if now := r.Snapshot().Row; now.Tick == before || now.Guarded.State != guard.Riding {
		t.Errorf("after the disk was full: tick %d, then %d in state %v; want the ride to go on", before, now.Tick, now.Guarded.State)
	}
	end()
	if err := <-ended; !errors.Is(err, errFull) {
		t.Errorf("the ride ends with %v, want %v", err, errFull)
	}
	if n := strings.Count(o.all(), line); n != 1 {
		t.Errorf("told %d times, want once", n)
	}
	var last seat.Status
	if driver.Status(&last); last.Armed {
		t.Error("the seat is armed after the ride")
	}
	if commands := driver.Commands(); commands[len(commands)-1] != seat.Disarm {
		t.Errorf("the last command was %v, want disarm", commands[len(commands)-1])
	}
}

func TestARealSeatSettlesAndIsHeldWhenTheOperatorIsGone(t *testing.T) {
	t.Parallel()
	o := new(told)
	s := settings(t, o)
	s.Attended = true
	driver := seattest.New(2)
	driver.Set(func(s *seat.Status) { s.Simulated = false })
	s.Commissioned = commissioned(t, driver)
	r, _, _ := start(t, s, driver)
	await(t, r, o, guard.Parked)
	alive, gone := context.WithCancel(context.Background())
	t.Cleanup(gone)
	go func() {
		for alive.Err() == nil {
			r.Alive()
			time.Sleep(20 * time.Millisecond)
		}
	}()
	for deadline := time.Now().Add(40 * time.Second); r.Snapshot().Row.Guarded.State != guard.Riding; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the seat does not ride: %s", o.all())
		}
		r.Ask(guard.AskArm) // refused until the source is fresh
	}
	gone()
	await(t, r, o, guard.Holding)
	if cause := r.Snapshot().Row.Guarded.Cause; cause != guard.CauseOperator {
		t.Errorf("held because %q, want %q", cause, guard.CauseOperator)
	}
	for range 5 { // coming back resumes nothing
		r.Alive()
		time.Sleep(100 * time.Millisecond)
	}
	if state := r.Snapshot().Row.Guarded.State; state != guard.Holding {
		t.Errorf("the operator is back and the seat is %v, want held", state)
	}
}

func TestTheOperatorIsToldOnceWhenASwingIsFaded(t *testing.T) {
	o := new(told)
	r := &Ride{s: settings(t, o)}
	free, swings := guard.Output{State: guard.Riding}, guard.Output{State: guard.Riding, Held: guard.HeldSwing | guard.HeldSpeed}
	for _, c := range [][2]*guard.Output{{&free, &free}, {&free, &swings}, {&swings, &swings}, {&swings, &free}} {
		r.tellOf(c[0], c[1])
	}
	lines := strings.Split(o.all(), "\n")
	if len(lines) != 2 || !strings.HasPrefix(lines[0], "WARN seat: the demand has swung near") || !strings.HasPrefix(lines[1], "INFO seat: the demand has calmed down") {
		t.Errorf("told:\n%s", o.all())
	}
}

// commissioned gives the gate of a complete record for the driver's controller.
func commissioned(t *testing.T, driver seat.Driver) commissioning.Gate {
	t.Helper()
	var status seat.Status
	driver.Status(&status)
	file := config.DefaultSeat()
	for _, name := range commissioning.Steps() {
		file.Record = commissioning.Enter(file, Identity(&status), name, config.Step{Outcome: config.Passed})
	}
	return commissioning.NewGate(file)
}

// TestARealSeatIsRiddenOnlyWithItsRecord: without one, or with the record of other firmware, nobody can arm it; and other
// firmware in mid-ride ends the ride.
func TestARealSeatIsRiddenOnlyWithItsRecord(t *testing.T) {
	t.Parallel()
	o := new(told)
	driver := seattest.New(2)
	driver.Set(func(s *seat.Status) { s.Simulated, s.Firmware = false, "1.0.0" })
	bare := settings(t, o)
	r, end, ended := start(t, bare, driver)
	await(t, r, o, guard.Parked)
	for range 20 {
		r.Ask(guard.AskArm | guard.AskHome)
		time.Sleep(50 * time.Millisecond)
	}
	if g := r.Snapshot().Row.Guarded; g.State != guard.Parked || g.Cause != guard.CauseRecord {
		t.Errorf("without a record the seat is %v, cause %q", g.State, g.Cause)
	}
	if c := driver.Commands(); len(c) > 0 {
		t.Errorf("without a record the controller was told to %v", c)
	}
	end()
	<-ended

	s := settings(t, o)
	s.Commissioned = commissioned(t, driver)
	r, _, _ = start(t, s, driver)
	for deadline := time.Now().Add(40 * time.Second); r.Snapshot().Row.Guarded.State != guard.Riding; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the seat does not ride: %s", o.all())
		}
		r.Ask(guard.AskArm) // refused until the source is fresh
	}
	driver.Set(func(s *seat.Status) { s.Firmware = "1.0.1" })
	await(t, r, o, guard.Holding)
	if g := r.Snapshot().Row.Guarded; g.Cause != guard.CauseRecord {
		t.Errorf("with other firmware the seat is held because %q", g.Cause)
	}
}

func TestASimulatedSeatThatWasParkedStaysParked(t *testing.T) {
	t.Parallel()
	o := new(told)
	driver := seattest.New(2)
	r, _, _ := start(t, settings(t, o), driver)
	await(t, r, o, guard.Riding)
	r.Ask(guard.AskPark)
	await(t, r, o, guard.Parked)
	time.Sleep(time.Second) // longer than it was parked before it armed itself
	if state := r.Snapshot().Row.Guarded.State; state != guard.Parked {
		t.Errorf("somebody parked the seat and it is %v", state)
	}
}

func TestAStartThatFailsLeavesNoAdapter(t *testing.T) {
	t.Parallel()
	s := settings(t, new(told))
	s.Sources = append(s.Sources, Source{Name: "broken", Program: plugin.Program{Command: []string{"/there/is/none"}}})
	s.Chain.Cueing = append(s.Chain.Cueing, s.Chain.Cueing[0])
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Start(context.Background()); err == nil || !strings.Contains(err.Error(), "broken") {
		t.Errorf("start gives %v, want an error that names the source", err)
	}
	if status := r.Snapshot().Sources[0]; status.Phase != plugin.Stopped || status.PID != 0 {
		t.Errorf("the other adapter is %v as process %d, want it stopped", status.Phase, status.PID)
	}
}

func TestWrongSettingsAreRefused(t *testing.T) {
	s := settings(t, new(told))
	s.Sources = nil
	if _, err := New(s); err == nil {
		t.Error("a ride without a source was built")
	}
	s = settings(t, new(told))
	s.Chain.Rate = 1
	if _, err := New(s); err == nil || !strings.Contains(err.Error(), "rate 1 Hz") {
		t.Errorf("a rate of 1 Hz gives %v", err)
	}
}

// still is a driver that keeps nothing.
type still struct{ status seat.Status }

func (d *still) Send(*seat.Setpoint)     {}
func (d *still) Status(out *seat.Status) { *out = d.status }
func (d *still) Do(seat.Command)         {}
func (d *still) Close() error            { return nil }

func TestATickAllocatesNothing(t *testing.T) {
	s := settings(t, new(told))
	s.Probe = NewProbe(100_000, 100_000)
	to, err := recording.NewWriter(&fullDisk{left: math.MaxInt}, recording.Header{Rate: 200, Sources: []string{"model"}})
	if err != nil {
		t.Fatal(err)
	}
	s.Recorder = record.NewRecorder(nil, to, 2)
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	fake := seattest.New(2)
	d := new(still)
	fake.Status(&d.status)
	fake.Do(seat.Arm)
	r.driver = d
	var timing loop.Timing
	var state vehicle.State
	step := func() {
		roll(&state, time.Duration(timing.Ticks)*5*time.Millisecond)
		r.take(0, &state)
		if timing.Ticks%100 == 0 {
			r.Choose(0)
		}
		if timing.Ticks == 200 { // 0.6 s parked, and told to
			fake.Status(&d.status)
		}
		r.step(timing)
		timing.Ticks++
	}
	for range 1000 {
		step()
	}
	if state := r.row.Guarded.State; state != guard.Riding {
		t.Fatalf("the seat is %v, want riding", state)
	}
	if n := testing.AllocsPerRun(2000, step); n != 0 {
		t.Errorf("a tick allocates %v times", n)
	}
}
