package ride

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perch/host/chain"
	"perch/host/guard"
	"perch/host/loop"
	"perch/host/pose"
	"perch/host/record"
	"perch/host/seat"
	"perch/host/seat/seattest"
	"perch/host/signs"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

// checked is a book that says of the rolling source what a person saw.
func checked(s signs.Standing) signs.Book {
	outcome := map[signs.Standing]signs.Outcome{signs.Confirmed: signs.Agrees, signs.Contradicted: signs.Opposite}[s]
	return signs.Book{}.With(signs.Record{
		Identity: signs.IdentityOf("model", rolling().Description, nil), Standing: s,
		Results: []signs.Result{{Motion: signs.RollRight, Outcome: outcome}},
	})
}

// ridden rides a real seat, or a simulated one, for two swings of the vehicle, tick by tick without waiting, and gives how far
// the demand swung once an intensity had glided, rad.
func ridden(t *testing.T, s Settings, simulated bool) (swung float64, r *Ride) {
	t.Helper()
	driver := seattest.New(2)
	driver.Set(func(s *seat.Status) { s.Simulated = simulated })
	s.Commissioned = commissioned(t, driver)
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	if r.driver = driver; !s.Sources[0].Ours { // Start would
		v := s.Signs.Check(signs.IdentityOf("model", rolling().Description, nil), "perch signs --source model")
		r.trust[0].verdict.Store(&v)
	} else {
		r.judge(0)
	}
	var state vehicle.State
	for n := range uint64(18 * s.Chain.Rate) {
		at := time.Duration(float64(n) / s.Chain.Rate * float64(time.Second))
		roll(&state, at)
		r.take(0, &state)
		if n%50 == 0 && !simulated && r.row.Guarded.State == guard.Parked {
			r.Ask(guard.AskArm)
		}
		r.step(loop.Timing{Ticks: n})
		if n%100 == 0 {
			if err := r.s.Recorder.Drain(); err != nil {
				t.Fatal(err)
			}
			r.look()
		}
		if at > 5*time.Second {
			swung = max(swung, math.Abs(r.row.Wanted[pose.Roll]))
		}
	}
	if err := r.recorded(); err != nil {
		t.Fatal(err)
	}
	return swung, r
}

// TestASourceThatNobodyHasCheckedRidesGently on a real seat, and is only marked on one that is simulated.
func TestASourceThatNobodyHasCheckedRidesGently(t *testing.T) {
	type outcome struct {
		swung  float64
		last   Snapshot
		events string
	}
	try := func(simulated bool, change func(*Settings)) outcome {
		o := new(told)
		s := settings(t, o)
		change(&s)
		swung, r := ridden(t, s, simulated)
		if r.row.Guarded.State != guard.Riding {
			t.Errorf("the seat is %v", r.row.Guarded.State)
		}
		return outcome{swung, r.Snapshot(), o.all()}
	}
	whole := try(false, func(s *Settings) { s.Signs = checked(signs.Confirmed) })
	ours := try(false, func(s *Settings) { s.Sources[0].Ours = true })
	gentle := try(false, func(*Settings) {})
	marked := try(true, func(*Settings) {})
	// The vehicle swings by 0.2 rad within 6.3 s; the demand at full intensity is what follow mode makes of it.
	if ratio := gentle.swung / whole.swung; !(whole.swung > 0.02 && ratio > 0.1 && ratio < 0.4) {
		t.Errorf("the demand swings by %.4f rad unchecked and %.4f rad confirmed", gentle.swung, whole.swung)
	}
	for name, full := range map[string]outcome{"ours": ours, "simulated": marked} {
		if full.swung < 0.8*whole.swung {
			t.Errorf("%s: the demand swings by %.4f rad, confirmed by %.4f", name, full.swung, whole.swung)
		}
	}
	for name, c := range map[string]struct {
		of      outcome
		verdict signs.Standing
		gentle  bool
		says    string
	}{
		"confirmed": {whole, signs.Confirmed, false, ""},
		"ours":      {ours, signs.Confirmed, false, ""},
		"unchecked": {gentle, signs.NotConfirmed, true, "WARN source model: signs not confirmed: nobody has checked them; do perch signs --source model; until then it rides gently, at 25 % of intensity at most"},
		"simulated": {marked, signs.NotConfirmed, false, "INFO source model: signs not confirmed: nobody has checked them; do perch signs --source model"},
	} {
		if v := c.of.last.Signs[0]; v.Standing != c.verdict || c.of.last.Gentle[0] != c.gentle {
			t.Errorf("%s: %v, gentle %v", name, v, c.of.last.Gentle[0])
		}
		if !strings.Contains(c.of.events, c.says) || strings.Count(c.of.events, "signs") != strings.Count(c.says, "signs not")+strings.Count(c.says, "perch signs") {
			t.Errorf("%s: told\n%s\nwant %q, once", name, c.of.events, c.says)
		}
	}
}

// TestASourceThatIsWrongDoesNotRide a real seat, whoever arms it; it does ride one that is simulated.
func TestASourceThatIsWrongDoesNotRide(t *testing.T) {
	o := new(told)
	s := settings(t, o)
	s.Signs = checked(signs.Contradicted)
	swung, r := ridden(t, s, false)
	if swung != 0 || r.row.Guarded.State == guard.Riding || r.row.Seen {
		t.Errorf("the demand swings by %v rad, the seat is %v, the source seen: %v", swung, r.row.Guarded.State, r.row.Seen)
	}
	if !strings.Contains(o.all(), "WARN source model: signs contradicted") || !strings.Contains(o.all(), "it does not move this seat") {
		t.Errorf("told\n%s", o.all())
	}
	if swung, r = ridden(t, s, true); swung == 0 || r.row.Guarded.State != guard.Riding {
		t.Errorf("simulated: the demand swings by %v rad, the seat is %v", swung, r.row.Guarded.State)
	}
}

// TestAnotherVersionIsCheckedAgain: an adapter that is replaced in mid-ride has to be confirmed anew.
func TestAnotherVersionIsCheckedAgain(t *testing.T) {
	t.Parallel()
	o := new(told)
	s := settings(t, o)
	version := filepath.Join(t.TempDir(), "version")
	s.Sources[0].Program.Env = []string{versionFile + "=" + version}
	s.Signs = checked(signs.Confirmed)
	driver := seattest.New(2)
	driver.Set(func(s *seat.Status) { s.Simulated = false })
	r, _, _ := start(t, s, driver)
	await(t, r, o, guard.Parked)
	if v := r.Snapshot().Signs[0]; v.Standing != signs.Confirmed {
		t.Fatalf("before: %v", v)
	}
	if err := os.WriteFile(version, []byte("1.1.0"), 0o600); err != nil {
		t.Fatal(err)
	}
	adapter, err := os.FindProcess(r.Snapshot().Sources[0].PID)
	if err != nil {
		t.Fatal(err)
	}
	if err := adapter.Kill(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(40 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if s := r.Snapshot(); s.Signs[0].Standing == signs.NotConfirmed && s.Gentle[0] {
			if !strings.Contains(s.Signs[0].Reason, "version 1.0.0 of the adapter, and this is 1.1.0") {
				t.Errorf("because %q", s.Signs[0].Reason)
			}
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("after: %v; told\n%s", r.Snapshot().Signs[0], o.all())
		}
	}
}

// TestAGentleRideIsRecordedWithItsIntensity, so that a chain of the same settings gives the same poses again, bit for bit.
func TestAGentleRideIsRecordedWithItsIntensity(t *testing.T) {
	s := settings(t, new(told))
	var file bytes.Buffer
	to, err := recording.NewWriter(&file, recording.Header{Rate: s.Chain.Rate, Sources: []string{"model"}, Actuators: []string{"a", "b"}})
	if err != nil {
		t.Fatal(err)
	}
	s.Recorder = record.NewRecorder(nil, to, 2)
	ridden(t, s, false)
	again, err := chain.New(s.Chain)
	if err != nil {
		t.Fatal(err)
	}
	r, err := recording.NewReader(&file)
	if err != nil {
		t.Fatal(err)
	}
	var row chain.Row
	var intensities []float64
	moved := 0
	for {
		rec, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch rec := rec.(type) {
		case *recording.State:
			again.See(rec.Source, &rec.State)
		case *recording.Event:
			if rec.Dropped > 0 {
				t.Skipf("this machine was too busy to record every tick: %s", rec.Message)
			}
			if name, x, ok := IntensityOf(rec.Message); ok {
				if name != "model" || rec.Tick != again.Tick() {
					t.Fatalf("%q of tick %d stands before the row of tick %d", rec.Message, rec.Tick, again.Tick())
				}
				again.SetIntensity(0, x)
				intensities = append(intensities, x)
			}
		case *recording.Command:
			in := record.Input(rec)
			again.Step(&in, &row)
			if row.Wanted != rec.Wanted || row.Guarded.Pose != rec.Commanded {
				t.Fatalf("tick %d: %v wanted when run again, %v in the ride", rec.Tick, row.Wanted, rec.Wanted)
			}
			if row.Wanted[pose.Roll] != 0 {
				moved++
			}
		}
	}
	if len(intensities) != 1 || intensities[0] != signs.Gentle || moved < 300 {
		t.Errorf("intensities %v, %d ticks that moved", intensities, moved)
	}
}

func TestIntensityOf(t *testing.T) {
	want := 0.1 + 0.2 // not a short number
	line := newTrust("my: model", want).lines[0]
	if name, x, ok := IntensityOf(line); name != "my: model" || x != want || !ok {
		t.Errorf("%q: %q, %v, %v", line, name, x, ok)
	}
	for _, line := range []string{"", IntensityPrefix, IntensityPrefix + "model: much", "seat: riding: 1"} {
		if _, _, ok := IntensityOf(line); ok {
			t.Errorf("%q is read as an intensity", line)
		}
	}
}
