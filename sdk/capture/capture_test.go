package capture

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"perch/sdk/mavlink"
	"perch/sdk/transport"
)

var _ transport.Source = (*Replay)(nil)

// start is some moment, unix µs.
const start = 1_700_000_000_000_000

// record is one record of a log, as a ground station writes it.
func record(us uint64, frame []byte) []byte {
	return append(binary.BigEndian.AppendUint64(nil, us), frame...)
}

func attitude(i int) []byte {
	h := mavlink.Header{Version: 1 + uint8(i%2), Sequence: uint8(i), System: 1, Component: 1}
	return mavlink.Append(nil, h, &mavlink.Attitude{TimeBootMs: uint32(i), Yaw: 1, YawSpeed: 1})
}

// unknown is a frame of a message that is not in the table: its checksum cannot be checked.
func unknown(n int) []byte {
	f := append([]byte{mavlink.StartV1, byte(n), 3, 1, 1, 201}, make([]byte, n)...)
	return append(f, 0x12, 0x34)
}

func times(t testing.TB, b []byte) (us []int64, skipped int64) {
	l := NewTlog(bytes.NewReader(b))
	for {
		r, err := l.Read()
		if errors.Is(err, io.EOF) {
			return us, l.Skipped()
		}
		if err != nil {
			t.Fatal(err)
		}
		us = append(us, r.Time/1000-start)
	}
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

func TestTlog(t *testing.T) {
	a, b, c := record(start, attitude(1)), record(start+10, attitude(2)), record(start+20, attitude(3))
	u := record(start+15, unknown(30))
	tests := []struct {
		name    string
		bytes   []byte
		want    []int64
		skipped int64
	}{
		{"empty", nil, nil, 0},
		{"three", join(a, b, c), []int64{0, 10, 20}, 0},
		{"unknown between and last", join(a, u, c, u), []int64{0, 15, 20, 15}, 0},
		{"cut in the last frame", join(a, b, c[:20]), []int64{0, 10}, 20},
		{"cut in a time stamp", join(a, b, c[:5]), []int64{0, 10}, 5},
		{"begun in the middle", join(a[13:], b, c), []int64{10, 20}, int64(len(a) - 13)},
		{"noise between", join(a, []byte{0xfe, 1, 2, 3}, b), []int64{0, 10}, 4},
		{"a clock that goes back", join(c, a), []int64{20, 0}, 0},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			got, skipped := times(t, x.bytes)
			if d := cmp.Diff(x.want, got); d != "" || skipped != x.skipped {
				t.Errorf("skipped %d, want %d; %s", skipped, x.skipped, d)
			}
		})
	}
}

func TestCompressedByContentAndCut(t *testing.T) {
	var plain []byte
	for i := range 2000 {
		plain = append(plain, record(uint64(start+i), attitude(i))...)
	}
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	if _, err := w.Write(plain); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	count := func(b []byte) int {
		t.Helper()
		path := filepath.Join(t.TempDir(), "flight.log")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		for n := 0; ; n++ {
			if _, err := f.Read(); errors.Is(err, io.EOF) {
				return n
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
	if n := count(plain); n != 2000 {
		t.Errorf("%d plain, want 2000", n)
	}
	if n := count(z.Bytes()); n != 2000 {
		t.Errorf("%d compressed, want 2000", n)
	}
	if n := count(z.Bytes()[:z.Len()/2]); n < 200 || n >= 2000 {
		t.Errorf("%d of a compressed half", n)
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("error %v, want that there is none", err)
	}
}

func TestPace(t *testing.T) {
	const s = int64(time.Second)
	tests := []struct {
		name  string
		speed float64
		at    []int64
		want  []time.Duration
	}{
		{"as recorded", 1, []int64{5 * s, 6 * s, 8 * s}, []time.Duration{0, time.Second, 3 * time.Second}},
		{"twice as fast", 2, []int64{5 * s, 6 * s, 8 * s}, []time.Duration{0, time.Second / 2, 3 * time.Second / 2}},
		{"no speed is 1", 0, []int64{0, s}, []time.Duration{0, time.Second}},
		{"a clock that goes back costs nothing", 1, []int64{9 * s, 2 * s, 3 * s}, []time.Duration{0, 0, time.Second}},
		{"an hour of silence is 5 s", 1, []int64{0, 3600 * s, 3601 * s}, []time.Duration{0, 5 * time.Second, 6 * time.Second}},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			p := NewPace(x.speed)
			for i, at := range x.at {
				if got := p.Due(at); got != x.want[i] {
					t.Errorf("record %d is due at %v, want %v", i, got, x.want[i])
				}
			}
		})
	}
}

func TestReplay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "flight.tlog")
	if err := os.WriteFile(path, join(record(start, attitude(1)), record(start+20_000, attitude(2)), record(start+3e12, attitude(3))), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := NewReplay(path, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	begin := time.Now()
	for i := range 2 {
		c, err := r.Read(t.Context())
		if err != nil || !bytes.Equal(c.Bytes, attitude(i+1)) {
			t.Fatalf("read %+v, %v", c, err)
		}
	}
	if d := time.Since(begin); d < 20*time.Millisecond {
		t.Errorf("20 ms were played in %v", d)
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(time.Millisecond, cancel)
	if _, err := r.Read(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v while it waits, want canceled", err)
	}
	if _, err := r.Read(t.Context()); !errors.Is(err, io.EOF) {
		t.Errorf("error %v at the end, want EOF", err)
	}
}

// Whole records behind noise without start bytes are read.
func TestTlogAfterNoise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b []byte
		n := rapid.IntRange(1, 10).Draw(t, "records")
		for i := range n {
			b = append(b, rapid.SliceOfN(rapid.ByteMax(0xfc), 0, 40).Draw(t, "noise")...)
			b = append(b, record(uint64(start+i), attitude(i))...)
		}
		l := NewTlog(bytes.NewReader(b))
		for i := range n {
			r, err := l.Read()
			if err != nil || r.Time != int64(start+i)*1000 {
				t.Fatalf("record %d: %v, %v", i, r.Time, err)
			}
		}
	})
}

func FuzzTlog(f *testing.F) {
	f.Add(join(record(start, attitude(1)), record(start, unknown(4)), record(start, attitude(2))))
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 0xfe})
	f.Fuzz(func(t *testing.T, b []byte) {
		l := NewTlog(bytes.NewReader(b))
		total := int64(0)
		for {
			r, err := l.Read()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			total += int64(stampSize + len(r.Data))
		}
		if total+l.Skipped() != int64(len(b)) {
			t.Fatalf("%d bytes in records and %d skipped of %d", total, l.Skipped(), len(b))
		}
	})
}

func BenchmarkTlog(b *testing.B) {
	var file []byte
	for i := range 1000 {
		file = append(file, record(uint64(start+i), attitude(i))...)
	}
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	for b.Loop() {
		l := NewTlog(bytes.NewReader(file))
		for {
			if _, err := l.Read(); err != nil {
				break
			}
		}
	}
}
