package record_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"log/slog"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perch/host/chain"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
	"perch/host/record"
	"perch/host/source"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

func actuators(t *testing.T) []mechanism.Actuator {
	t.Helper()
	m, err := mechanism.NewTwoCrank(mechanism.DefaultTwoCrank())
	if err != nil {
		t.Fatal(err)
	}
	return m.Actuators()
}

// row is a ride's row whose numbers have no short decimal form.
func row(tick uint64) chain.Row {
	r := chain.Row{Tick: tick, Source: 1, Seen: true, SourceTime: 1_234_567_890_123_456_789}
	r.Liveness = source.Liveness{Condition: source.Fresh, Age: 0.0125}
	for a := range pose.Count {
		r.Wanted[a] = math.Sqrt(float64(2+a)) / 100
		r.Guarded.Pose[a] = -math.Sqrt(float64(11+a)) / 1e7
	}
	r.Guarded.Actuators[0], r.Guarded.Actuators[1] = 1.0/3, math.SmallestNonzeroFloat64
	r.Guarded.State = guard.Riding
	return r
}

func trace(t *testing.T, rows ...chain.Row) [][]string {
	t.Helper()
	var b bytes.Buffer
	w, err := record.NewTrace(&b, 0.002, []string{"demo", "model"}, actuators(t))
	if err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		if err := w.Write(&rows[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	cells, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return cells
}

func TestTraceHasTheseColumns(t *testing.T) {
	// The columns are a promise to whoever reads traces.
	want := strings.Split("t_s,source_time_ns,source,state,source_age_s,"+
		"wanted_surge_m,wanted_sway_m,wanted_heave_m,wanted_roll_rad,wanted_pitch_rad,wanted_yaw_rad,"+
		"commanded_surge_m,commanded_sway_m,commanded_heave_m,commanded_roll_rad,commanded_pitch_rad,commanded_yaw_rad,"+
		"actuator_1_rad,actuator_2_rad", ",")
	if diff := cmp.Diff(want, trace(t)[0]); diff != "" {
		t.Errorf("columns (-want +got):\n%s", diff)
	}
}

func TestTraceNumbersReadBackBitForBit(t *testing.T) {
	r := row(750)
	cells := trace(t, r)[1]
	if diff := cmp.Diff([]string{"1.500000", "1234567890123456789", "model", "riding", "0.0125"}, cells[:5]); diff != "" {
		t.Errorf("first columns (-want +got):\n%s", diff)
	}
	want := append(append(r.Wanted[:], r.Guarded.Pose[:]...), r.Guarded.Actuators[:2]...)
	for i, w := range want {
		got, err := strconv.ParseFloat(cells[5+i], 64)
		if err != nil || math.Float64bits(got) != math.Float64bits(w) {
			t.Errorf("column %d reads back as %v (%v), want %v", 5+i, got, err, w)
		}
	}
}

func TestTraceLeavesEmptyWhatIsNotKnown(t *testing.T) {
	silent, empty := row(0), row(1)
	silent.Seen, silent.SourceTime = false, 0
	silent.Liveness.Age, empty.Liveness.Age = math.Inf(1), math.Inf(1)
	cells := trace(t, silent, empty)
	if cells[1][1] != "" || cells[1][4] != "" {
		t.Errorf("a source that gave nothing has time %q and age %q, want both empty", cells[1][1], cells[1][4])
	}
	if cells[2][4] != "" {
		t.Errorf("a source whose states carried nothing has age %q, want empty", cells[2][4])
	}
}

func newRecording(t *testing.T, w io.Writer) *recording.Writer {
	t.Helper()
	out, err := recording.NewWriter(w, recording.Header{Rate: 500, Sources: []string{"demo", "model"}, Actuators: []string{"left_rad", "right_rad"}})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func read(t *testing.T, r io.Reader) []recording.Record {
	t.Helper()
	in, err := recording.NewReader(r)
	if err != nil {
		t.Fatal(err)
	}
	var out []recording.Record
	for {
		rec, err := in.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, rec)
	}
}

func TestStatesAndLinesComeBeforeTheRowOfTheirTick(t *testing.T) {
	var b bytes.Buffer
	r := record.NewRecorder(nil, newRecording(t, &b), 2)
	for tick := range uint64(50) {
		if tick == 20 {
			r.PutLine(&record.Line{Tick: tick, Message: "a line"})
		}
		for n := range 2 {
			s := record.Seen{Tick: tick, Source: n}
			s.State.SourceTime = int64(tick)
			s.State.Put(vehicle.AngularVelocityP, 1.0/3)
			r.PutState(&s)
		}
		x := row(tick)
		r.PutRow(&x)
		if tick%7 == 0 {
			if err := r.Drain(); err != nil {
				t.Fatal(err)
			}
		}
	}
	r.Event(49, slog.LevelWarn, "not text: \xff")
	if err := errors.Join(r.Drain(), r.Flush()); err != nil {
		t.Fatal(err)
	}
	next, states, lines := uint64(0), 0, 0
	for _, rec := range read(t, &b) {
		switch rec := rec.(type) {
		case *recording.State:
			states++
			if v, _ := rec.Value(vehicle.AngularVelocityP); rec.Tick != next || v != 1.0/3 {
				t.Errorf("a state of tick %d with %v came before the row of tick %d", rec.Tick, v, next)
			}
		case *recording.Command:
			if rec.Tick != next || states != 2*int(next+1) {
				t.Errorf("row of tick %d came as row %d after %d states, want %d", rec.Tick, next, states, 2*(next+1))
			}
			want := row(next)
			if rec.Wanted != want.Wanted || rec.Commanded != want.Guarded.Pose || len(rec.Actuators) != 2 ||
				rec.Actuators[0] != want.Guarded.Actuators[0] || rec.SeatState != "riding" || rec.Source != 1 {
				t.Errorf("tick %d: read back %+v", next, rec)
			}
			next++
		case *recording.Event:
			lines++
			if rec.Message == "a line" && (rec.Tick != 20 || next != 20) {
				t.Errorf("the line of tick 20 came before the row of tick %d, as of tick %d", next, rec.Tick)
			}
		}
	}
	if next != 50 || lines != 2 {
		t.Errorf("read %d rows and %d lines, want 50 and 2", next, lines)
	}
}

func TestWhatIsDroppedIsCountedAndWritten(t *testing.T) {
	var b bytes.Buffer
	r := record.NewRecorder(nil, newRecording(t, &b), 2)
	for tick := range uint64(1500) {
		x := row(tick)
		r.PutRow(&x)
	}
	if err := errors.Join(r.Drain(), r.Drain(), r.Flush()); err != nil {
		t.Fatal(err)
	}
	const want = 1500 - 1024 // the ring's size
	var rows int
	var said uint64
	for _, rec := range read(t, &b) {
		switch rec := rec.(type) {
		case *recording.Command:
			rows++
		case *recording.Event:
			said += rec.Dropped
		}
	}
	if rows != 1024 || said != want || r.Dropped() != want {
		t.Errorf("%d rows, %d said to be dropped, %d counted; want 1024, %d and %d", rows, said, r.Dropped(), want, want)
	}
}

// full is a disk that fills up.
type full struct{ left int }

var errFull = errors.New("no space left")

func (f *full) Write(p []byte) (int, error) {
	if len(p) > f.left {
		return 0, errFull
	}
	f.left -= len(p)
	return len(p), nil
}

func TestAFailingFileIsGivenUpAndTheRowsGoOn(t *testing.T) {
	disk := &full{left: 100 << 10}
	var b bytes.Buffer
	tr, err := record.NewTrace(disk, 0.002, []string{"demo", "model"}, actuators(t))
	if err != nil {
		t.Fatal(err)
	}
	r := record.NewRecorder(tr, newRecording(t, &b), 2)
	for tick := range uint64(3000) {
		x := row(tick)
		r.PutRow(&x)
		if tick%100 == 99 {
			err = r.Drain()
		}
	}
	if !errors.Is(err, errFull) || !errors.Is(r.Flush(), errFull) {
		t.Errorf("Drain gives %v, want %v", err, errFull)
	}
	if last, _ := r.Last(); last.Tick != 2999 {
		t.Errorf("the newest row is of tick %d, want 2999", last.Tick)
	}
	if r.Dropped() != 0 {
		t.Errorf("%d rows dropped though the rings were emptied", r.Dropped())
	}
}
