package capture

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// As the documentation of timed lines says.
func TestTimedLines(t *testing.T) {
	tests := []struct {
		name, text string
		format     Format
		want       []string
	}{
		{
			"each kind", "perch capture 1\n# by hand\n\n0 hex 68 69\n0.02\ttext  roll 1.5\n0.040000001 crlf $A,1*00\n1 hex\n1 text\n", Lines,
			[]string{`0.000 "hi"`, `0.020 "roll 1.5\n"`, `0.040 "$A,1*00\r\n"`, `1.000 ""`, `1.000 "\n"`},
		},
		{
			"of another system", "\ufeffperch capture 1\r\n0.5 text a\r\n2026-01-31T12:00:00.5Z text b", Lines,
			[]string{`0.000 "a\n"`, `1769860800.000 "b\n"`},
		},
		{
			"without a head", "# log\n12.5 1,2,3\n12.75\t hex 00\n", Text,
			[]string{`0.000 "1,2,3\n"`, `0.250 " hex 00\n"`},
		},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "capture")
			if err := os.WriteFile(path, []byte(x.text), 0o600); err != nil {
				t.Fatal(err)
			}
			got, format := read(t, path)
			if d := cmp.Diff(x.want, got); d != "" || format != x.format {
				t.Errorf("%s, want %s; %s", format, x.format, d)
			}
		})
	}
}

func TestLinesWrittenForPeople(t *testing.T) {
	var b bytes.Buffer
	w := NewLineWriter(&b)
	for _, p := range []Packet{{Time: 0, Data: []byte("roll 1\n")}, {Time: 20_000_000, Data: []byte("$A\r\n")}, {Time: 1_700_000_000_000_000_001, Data: []byte{0xfe, 0}}, {Time: 5, Data: []byte("no end")}} {
		if err := w.Write(p); err != nil {
			t.Fatal(err)
		}
	}
	want := "perch capture 1\n0.000000000 text roll 1\n0.020000000 crlf $A\n1700000000.000000001 hex fe00\n0.000000005 hex 6e6f20656e64\n"
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
	if err := w.Write(Packet{Time: -1}); err == nil {
		t.Error("a time before the beginning was written")
	}
}

// What is written reads back.
func TestLinesWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var file bytes.Buffer
		w := NewLineWriter(&file)
		var want, got []Packet
		for range rapid.IntRange(1, 8).Draw(t, "packets") {
			data := rapid.OneOf(rapid.SliceOfN(rapid.Byte(), 0, 200),
				rapid.Map(rapid.StringMatching(`[ -~\t]{0,20}\r?\n?`), func(s string) []byte { return []byte(s) })).Draw(t, "data")
			p := Packet{Time: rapid.Int64Range(0, 9_000_000_000_000_000_000).Draw(t, "time"), Data: data}
			if err := w.Write(p); err != nil {
				t.Fatal(err)
			}
			want = append(want, p)
		}
		r, format, err := New(&file)
		if err != nil || format != Lines {
			t.Fatal(format, err)
		}
		for {
			p, err := r.Read()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			p.Data = append([]byte{}, p.Data...)
			got = append(got, p)
		}
		if d := cmp.Diff(want, got, byAddress, cmpopts.EquateEmpty()); d != "" {
			t.Fatal(d)
		}
	})
}

func FuzzLines(f *testing.F) {
	f.Add([]byte("perch capture 1\n0 hex 00\n1 text a\n2026-01-31T12:00:00Z crlf b\n"))
	f.Add([]byte("0.5 a\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, header := range []bool{true, false} {
			total := 0
			r := newLines(bytes.NewReader(b), header)
			for {
				p, err := r.Read()
				if err != nil {
					break
				}
				if p.Time < 0 {
					t.Fatalf("time %d", p.Time)
				}
				total += len(p.Data)
			}
			if total > 2*len(b) {
				t.Fatalf("%d bytes out of %d", total, len(b))
			}
		}
	})
}
