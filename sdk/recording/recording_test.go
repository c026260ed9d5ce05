package recording

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"perch/sdk/vehicle"
)

func header() Header {
	return Header{PerchVersion: "0.1.0", Rate: 500, Started: 1_700_000_000_000_000_000, Config: "rate = 500\n",
		Sources: []string{"demo", "other"}, Actuators: []string{"left_rad", "right_rad"}}
}

func records() []Record {
	s := &State{Tick: 1, Source: 1, State: vehicle.State{SourceTime: 5, ObservedAt: 6, Name: "Dapple",
		Extra: []vehicle.Extra{{Name: "climb_m_s", Unit: "m/s", Value: 1}}}}
	s.Put(vehicle.Airspeed, 31.5)
	s.Put(vehicle.OnGround, 0)
	return []Record{
		s,
		&Command{Tick: 1, Wanted: [6]float64{0, 1, math.Copysign(0, -1), 3, 4, 5}, Commanded: [6]float64{5, 4, 3, 2, 1, 0},
			Actuators: []float64{0.1, -0.1}, SeatState: "riding", Source: 1, SourceAge: 0.01},
		&Command{Tick: 2, SeatState: "parked", Source: -1},
		&Status{Tick: 2, State: "ready", Faults: 5, LastSequence: 65535, Positions: []float64{0.5, 0.25}},
		&Event{Tick: 3, Level: "WARN", Message: "the source is late", Dropped: 2},
		&Event{Tick: 3, Level: "INFO", Message: "it is back"},
	}
}

func written(t testing.TB, h Header, list []Record) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := NewWriter(&b, h)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list {
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// read reads to the end and checks what the ending says of itself.
func read(t testing.TB, b []byte) (Header, []Record, *Ending) {
	t.Helper()
	r, err := NewReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	var list []Record
	for {
		x, err := r.Next()
		var end *Ending
		if errors.As(err, &end) {
			if _, again := r.Next(); !errors.Is(again, err) {
				t.Errorf("after the end: %v", again)
			}
			return r.Header(), list, end
		}
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, x)
	}
}

func TestRoundTrip(t *testing.T) {
	h, list, end := read(t, written(t, header(), records()))
	if d := cmp.Diff(header(), h); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(records(), list); d != "" {
		t.Error(d)
	}
	if end.Cut || end.Records != len(list)+1 || !errors.Is(end, io.EOF) || errors.Is(end, io.ErrUnexpectedEOF) {
		t.Errorf("ending %+v", end)
	}
}

// A file that was cut at any byte gives every record that is whole, and says where it was cut.
func TestCutAtEveryByte(t *testing.T) {
	whole := written(t, header(), nil)
	ends := []int{len(whole)}
	for i := range records() {
		ends = append(ends, len(written(t, header(), records()[:i+1])))
	}
	all := written(t, header(), records())
	for cut := range all {
		if cut < ends[0] {
			if _, err := NewReader(bytes.NewReader(all[:cut])); err == nil {
				t.Errorf("cut at %d, within the header: no error", cut)
			}
			continue
		}
		n := 0
		for n+1 < len(ends) && ends[n+1] <= cut {
			n++
		}
		_, list, end := read(t, all[:cut])
		if d := cmp.Diff(records()[:n], append([]Record{}, list...)); d != "" {
			t.Errorf("cut at %d: %s", cut, d)
		}
		if end.Cut != (cut != ends[n]) || end.Offset != int64(ends[n]) || end.Records != n+1 || errors.Is(end, io.EOF) == end.Cut {
			t.Errorf("cut at %d: ending %+v, want %d whole up to %d", cut, end, n+1, ends[n])
		}
	}
}

// No single flipped bit goes unseen: CRC-32 finds them all.
func TestFlippedBits(t *testing.T) {
	head := len(written(t, header(), nil))
	all := written(t, header(), records()[:2])
	for i := head; i < len(all); i++ {
		for bit := range 8 {
			b := bytes.Clone(all)
			b[i] ^= 1 << bit
			if _, list, end := read(t, b); !end.Cut || len(list) == 2 {
				t.Fatalf("bit %d of byte %d: %d records, %+v", bit, i, len(list), end)
			}
		}
	}
}

func TestZerosAfterTheEnd(t *testing.T) {
	b := append(written(t, header(), records()), make([]byte, 4096)...)
	if _, list, end := read(t, b); len(list) != len(records()) || !end.Cut {
		t.Errorf("%d records, %+v", len(list), end)
	}
}

func TestNoRecording(t *testing.T) {
	whole := written(t, header(), nil)
	later := bytes.Clone(whole)
	later[8] = 2
	for name, b := range map[string][]byte{
		"nothing": nil, "a text": []byte("source_time_ns,airspeed_m_s\n"), "no version": whole[:10], "no header": whole[:headSize],
		"later version": later,
	} {
		_, err := NewReader(bytes.NewReader(b))
		if err == nil {
			t.Errorf("%s: no error", name)
		} else {
			t.Log(name+":", err)
		}
	}
}

func TestRecordsThatNoRecordingHas(t *testing.T) {
	h := header()
	h.Sources = nil
	r, err := NewReader(bytes.NewReader(written(t, h, records())))
	if err != nil {
		t.Fatal(err)
	}
	faults := 0
	for {
		_, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			faults++
		}
	}
	if faults != 2 { // a state and a command of a source that the header does not name
		t.Errorf("%d faults", faults)
	}
	w, err := NewWriter(io.Discard, h)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(&h); err == nil {
		t.Error("a second header is written")
	}
}

// A ride replayed from its recording must give the same commands bit for bit, so states come back bit for bit.
func TestStatesComeBackBitForBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &State{Tick: rapid.Uint64().Draw(t, "tick"), Source: rapid.IntRange(0, 1).Draw(t, "source")}
		s.SourceTime = rapid.Int64().Draw(t, "time")
		for x := range vehicle.SignalCount {
			if rapid.Bool().Draw(t, "present") && x != vehicle.OnGround {
				s.Put(x, rapid.Float64Range(-1, 1).Draw(t, x.String()))
			}
		}
		if s.Admit() != nil {
			return
		}
		var b bytes.Buffer
		w, err := NewWriter(&b, header())
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.WriteState(s), w.Flush()); err != nil {
			t.Fatal(err)
		}
		r, err := NewReader(&b)
		if err != nil {
			t.Fatal(err)
		}
		got, err := r.Next()
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(Record(s), got); d != "" {
			t.Fatal(d)
		}
		for x, v := range got.(*State).Values {
			if math.Float64bits(v) != math.Float64bits(s.Values[x]) {
				t.Fatalf("%v: %x, was %x", vehicle.Signal(x), v, s.Values[x])
			}
		}
	})
}

type full struct{ left int }

func (f *full) Write(b []byte) (int, error) {
	if len(b) > f.left {
		return 0, os.ErrDeadlineExceeded
	}
	f.left -= len(b)
	return len(b), nil
}

func TestFullDisk(t *testing.T) {
	w, err := NewWriter(&full{100_000}, header())
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < 10_000 && err == nil; i++ {
		err = w.Write(records()[0])
	}
	if !errors.Is(err, os.ErrDeadlineExceeded) || !errors.Is(w.Flush(), os.ErrDeadlineExceeded) {
		t.Errorf("a full disk: %v, then %v", err, w.Flush())
	}
}

func FuzzReader(f *testing.F) {
	f.Add(written(f, header(), records()))
	f.Add(written(f, Header{}, nil))
	f.Add([]byte(magic))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := NewReader(bytes.NewReader(b))
		if err != nil {
			return
		}
		for range len(b) {
			_, err := r.Next()
			var end *Ending
			if errors.As(err, &end) {
				if end.Offset > int64(len(b)) || end.Cut != (end.Offset < int64(len(b))) {
					t.Errorf("%+v of %d bytes", end, len(b))
				}
				return
			}
		}
		t.Error("it does not come to an end")
	})
}

func BenchmarkWriter(b *testing.B) {
	b.ReportAllocs()
	w, err := NewWriter(io.Discard, header())
	if err != nil {
		b.Fatal(err)
	}
	list := records()
	s, c := list[0].(*State), list[1].(*Command)
	for b.Loop() {
		if err := errors.Join(w.WriteState(s), w.WriteCommand(c)); err != nil {
			b.Fatal(err)
		}
	}
}
