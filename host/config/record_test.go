package config

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func sample() Record {
	return Record{
		Seat: strings.Repeat("0f", 32), Board: "bench", Firmware: "1.0.0", Limits: 7,
		Steps: map[string]Step{"homing": {Date: time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC), Outcome: Passed, Numbers: map[string]string{"spread": "0.03 deg"}}},
	}
}

// TestARecordLeavesTheRestOfTheFile byte for byte, wherever the record stood before, and twice written is once written.
func TestARecordLeavesTheRestOfTheFile(t *testing.T) {
	const seat = `# my seat; do not lose this line
[mechanism]   # measured twice
kind = "box"
[mechanism.heave]
low_mm = -50
high = "50 mm"
speed = "200 mm/s"
acceleration = "2 m/s2"
jerk = "30 m/s3"
`
	const before = `[commissioning]
seat = "abababababababababababababababababababababababababababababababab"
board = "old"
firmware = "0.1.0"
limits = "00000000"
[commissioning.steps.identity]
date = "2026-01-01T00:00:00Z"
outcome = "passed"
`
	const controller = "\n# the grey box under the desk\n[controller]\nboard = \"bench\"\n"
	for name, c := range map[string]struct{ in, rest string }{
		"none":           {seat, seat},
		"no newline":     {strings.TrimSpace(seat), strings.TrimSpace(seat)},
		"at the end":     {seat + controller + "\n" + before, seat + controller},
		"in the middle":  {seat + "\n" + before + controller, seat + "\n" + controller},
		"split":          {seat + before + controller + "[commissioning.values]\nx = \"y\"\n", seat + controller},
		"carriage lines": {strings.ReplaceAll(seat+controller+before, "\n", "\r\n"), strings.ReplaceAll(seat+controller, "\n", "\r\n")},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "seat.toml")
			if err := os.WriteFile(path, []byte(c.in), 0o640); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if err := WriteRecord(path, sample()); err != nil {
					t.Fatal(err)
				}
				got, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if at := bytes.Index(got, []byte("[commissioning]")); !bytes.HasPrefix(got, []byte(c.rest)) || len(bytes.TrimSpace(got[len(c.rest):at])) > 0 || at > len(c.rest)+4 {
					t.Fatalf("the rest of the file has changed:\n%q\nwas\n%q", got, c.rest)
				}
				s, err := LoadSeat(path)
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(sample(), s.Record); diff != "" {
					t.Error(diff)
				}
			}
			if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o640 {
				t.Errorf("permissions are %v, %v; want those of before", info.Mode(), err)
			}
			if err := WriteRecord(path, Record{}); err != nil {
				t.Fatal(err)
			}
			if s, err := LoadSeat(path); err != nil || !s.Record.IsZero() {
				t.Errorf("a record that was taken out is %+v, %v", s.Record, err)
			}
		})
	}
	path := filepath.Join(t.TempDir(), "seat.toml")
	odd := "commissioning.board = \"x\"\n" + seat
	if err := os.WriteFile(path, []byte(odd), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := WriteRecord(path, sample()); err == nil {
		t.Error("a file with a record by hand was written")
	}
	if got, _ := os.ReadFile(path); string(got) != odd {
		t.Error("a refused record changed the file")
	}
}

// TestEveryValueCountsInTheHash: whatever a seat file may say of the machine changes its hash and is named among its values;
// its port, its line's speed and its record do not.
func TestEveryValueCountsInTheHash(t *testing.T) {
	full, err := os.ReadFile("testdata/seat-box.txt")
	if err != nil {
		t.Fatal(err)
	}
	input, _, _ := bytes.Cut(full, []byte(separator))
	box, err := ParseSeat("seat.toml", input)
	if err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]Seat{"two-crank": DefaultSeat(), "box": box} {
		hash := s.Hash()
		other := s
		other.Port, other.Baud, other.Record = "/dev/ttyUSB7", 115200, sample()
		if other.Hash() != hash {
			t.Errorf("%s: port, baud or record changes the hash", name)
		}
		again, err := ParseSeat("again", append(s.Text(), "# a comment\n"...))
		if err != nil || again.Hash() != hash {
			t.Errorf("%s: written and read again the hash is another (%v)", name, err)
		}
		if n := eachNumber(reflect.ValueOf(&other).Elem(), "", func(path string) {
			if other.Hash() == hash {
				t.Errorf("%s: a change of %s does not change the hash", name, path)
			}
		}); n < 10 {
			t.Errorf("%s: only %d numbers were tried", name, n)
		}
	}
}

// eachNumber changes each number that is not zero in turn, calls f, and changes it back.
func eachNumber(v reflect.Value, path string, f func(path string)) (n int) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if name := v.Type().Field(i).Name; name != "Record" && name != "Baud" && v.Type().Field(i).IsExported() {
				n += eachNumber(v.Field(i), path+"."+name, f)
			}
		}
	case reflect.Array:
		for i := range v.Len() {
			n += eachNumber(v.Index(i), path+"[]", f)
		}
	case reflect.Float64:
		if was := v.Float(); was != 0 {
			v.SetFloat(was * 1.01)
			f(path)
			v.SetFloat(was)
			return 1
		}
	}
	return n
}

// FuzzReplaceRecord: whatever seat file is read, a record put into it is read back, and nothing else of it has changed its
// meaning; or it is refused.
func FuzzReplaceRecord(f *testing.F) {
	for _, name := range []string{"seat-box", "seat-default", "seat-record"} {
		data, err := os.ReadFile("testdata/" + name + ".txt")
		if err != nil {
			f.Fatal(err)
		}
		input, _, _ := bytes.Cut(data, []byte(separator))
		f.Add(input)
		f.Add(bytes.ReplaceAll(input, []byte("\n"), []byte("\r\n")))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		before, err := ParseSeat("f.toml", data)
		if err != nil {
			return
		}
		out, err := replaceRecord("f.toml", data, sample())
		if err != nil {
			return
		}
		after, err := ParseSeat("f.toml", out)
		if err != nil {
			return // WriteRecord refuses it
		}
		if diff := cmp.Diff(sample(), after.Record); diff != "" {
			t.Fatalf("%s\n%q", diff, out)
		}
		if after.Hash() != before.Hash() || after.Port != before.Port {
			t.Fatalf("the seat is another:\n%q\n%q", data, out)
		}
		again, err := replaceRecord("f.toml", out, sample())
		if err != nil || !bytes.Equal(again, out) {
			t.Fatalf("twice is not once: %v\n%q\n%q", err, out, again)
		}
	})
}
