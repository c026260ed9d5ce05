package config

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func entry(t testing.TB, s Seat, key string) Entry {
	t.Helper()
	for _, e := range s.Entries() {
		if e.Key == key {
			return e
		}
	}
	t.Fatalf("there is no entry %s", key)
	return Entry{}
}

func TestSet(t *testing.T) {
	const file = `# my seat
port = "simulated"   # for now
[mechanism]
kind = "two-crank"
joint_to_seat_point_back_cm = 40   # measured twice
  half_width = '300 mm'# and once
crank_drop = "600 mm"
crank_radius = "100 mm"            # from axis to ball
rod_length = "608.3 mm"
[mechanism.crank]
low = "-60 deg"
high = "60 deg"
speed = "240 deg/s"
acceleration = "2000 deg/s2"
jerk = "30000 deg/s3"
[load]
rider_mass = "90 kg"
seat_mass = "30 kg"
centre_of_mass_height = "250 mm"
inertia = "12 kg m2"

# mine
[controller]
board = ""
`
	s, err := ParseSeat("seat.toml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		key, answer string
		old, new    string // what changes in the text; old "": new is added
	}{
		{"mechanism.joint_to_seat_point_back", "16 in", "joint_to_seat_point_back_cm = 40   # m", `joint_to_seat_point_back = "16 in" # m`},
		{"mechanism.half_width", "290 mm", "  half_width = '300 mm'# and once", `  half_width = "290 mm"# and once`},
		{"mechanism.crank_radius", "95 mm", `crank_radius = "100 mm"            #`, `crank_radius = "95 mm"             #`},
		{"mechanism.crank_outward", "5 mm", "rod_length = \"608.3 mm\"\n", "rod_length = \"608.3 mm\"\ncrank_outward = \"5 mm\"\n"},
		{"mechanism.crank_tip", "backward", "rod_length = \"608.3 mm\"\n", "rod_length = \"608.3 mm\"\ncrank_tip = \"backward\"\n"},
		{"load.inertia", "", "inertia = \"12 kg m2\"\n", ""},
		{"load.head_height", "80 cm", "inertia = \"12 kg m2\"\n", "inertia = \"12 kg m2\"\nhead_height = \"80 cm\"\n"},
		{"load.head_height", "", "", ""},
		{"drive.gear_ratio", "10", "", "\n[drive]\ngear_ratio = 10\n"},
		{"limits.roll.low", "-5 deg", "", "\n[limits.roll]\nlow = \"-5 deg\"\n"},
	} {
		got, err := Set([]byte(file), entry(t, s, c.key), c.answer)
		if err != nil {
			t.Errorf("%s: %v", c.key, err)
			continue
		}
		want := file + c.new
		if c.old != "" {
			want = strings.Replace(file, c.old, c.new, 1)
		}
		if d := cmp.Diff(want, string(got)); d != "" {
			t.Errorf("%s = %s:\n%s", c.key, c.answer, d)
		}
	}
	for _, text := range []string{
		"[mechanism]\nkind = \"two-crank\"\ncrank = {low = \"-60 deg\", high = \"60 deg\"}\n",
		"mechanism = {kind = \"two-crank\"}\n",
		"[mechanism]\ncrank_radius = \"\"\"\n1\"\"\"\n",
	} {
		for _, key := range []string{"mechanism.crank.low", "mechanism.crank_radius"} {
			got, err := Set([]byte(text), entry(t, s, key), "1 mm")
			if _, faults := read("", got); err == nil && len(faults) > 0 {
				t.Errorf("%q with %s is broken: %v\n%s", text, key, faults, got)
			}
		}
	}
}

// TestSetChangesOnlyItsLine: whatever is set in whatever seat, the value is then read back, and every other line is as it was.
func TestSetChangesOnlyItsLine(t *testing.T) {
	type file struct {
		text    []byte
		entries []Entry
	}
	numbers := func(s Seat) []Entry {
		return slices.DeleteFunc(s.Entries(), func(e Entry) bool { return e.Plain || e.Words != nil })
	}
	files := []file{{DefaultSeatText(), numbers(DefaultSeat())}}
	for _, kind := range Kinds() {
		if s, err := OrdinarySeat(kind); err == nil {
			files = append(files, file{s.Text(), numbers(s)})
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		f := files[rapid.IntRange(0, len(files)-1).Draw(t, "seat")]
		text := f.text
		e := f.entries[rapid.IntRange(0, len(f.entries)-1).Draw(t, "entry")]
		answer := e.Dimension.Format(rapid.Float64Range(-3, 3).Draw(t, "value"))
		got, err := Set(text, e, answer)
		if err != nil {
			t.Fatal(err)
		}
		root, faults := read("", got)
		if len(faults) > 0 {
			t.Fatalf("broken: %v", faults)
		}
		at := root
		for _, part := range strings.Split(e.Key, ".") {
			at = findIn(at, part)
		}
		if at == nil || at.text != answer {
			t.Fatalf("%s: %q is not in the file", e.Key, answer)
		}
		was := map[string]int{}
		for line := range bytes.Lines(text) {
			was[string(line)]++
		}
		added := 0
		for line := range bytes.Lines(got) {
			if was[string(line)] == 0 {
				added++
			} else {
				was[string(line)]--
			}
		}
		left := 0
		for _, n := range was {
			left += n
		}
		if added > 3 || left > 1 {
			t.Fatalf("%s: %d lines came and %d went", e.Key, added, left)
		}
	})
}

// TestEntriesAreWhatAFileMaySay: every entry can be read, and every value that a file may have is asked for, port, baud,
// controller and the kind aside.
func TestEntriesAreWhatAFileMaySay(t *testing.T) {
	for _, kind := range Kinds() {
		s, err := OrdinarySeat(kind)
		if err != nil {
			continue // a box
		}
		now := map[string]bool{}
		for _, e := range s.Entries() {
			now[e.Key] = true
			text, err := Set(s.Text(), e, e.Example())
			if err != nil {
				t.Errorf("%s %s: %v", kind, e.Key, err)
				continue
			}
			_, err = ParseSeat("seat.toml", text)
			for _, line := range strings.Split(fmt.Sprint(err), "\n") {
				if strings.Contains(line, e.Key+": unknown") {
					t.Errorf("%s: %s", kind, line)
				}
			}
		}
		for _, v := range s.Values() {
			if !now[v.Key] && v.Key != "mechanism.kind" && !strings.HasPrefix(v.Key, "controller.") {
				t.Errorf("%s: %s is never asked for", kind, v.Key)
			}
		}
	}
	if got := Length.Round(math.Sqrt(0.37)); got != "608.28 mm" {
		t.Errorf("rounded %s", got)
	}
}

// FuzzSet: whatever a person wrote, a file that could be read can be read with a value in it, or it is refused.
func FuzzSet(f *testing.F) {
	f.Add(DefaultSeatText(), 0, "5 mm")
	f.Add([]byte("[load]\r\nrider_mass = '90 kg' # me\r\n[drive]"), 40, "")
	f.Add([]byte("a.b = 1\n\"load\".\"seat_mass\" = 2\n"), 41, "\"\\\n")
	f.Add([]byte("mechanism = {crank = {low = 1}}"), 8, "x")
	entries := DefaultSeat().Entries()
	f.Fuzz(func(t *testing.T, text []byte, n int, answer string) {
		if _, faults := read("", text); len(faults) > 0 {
			return
		}
		e := entries[uint(n)%uint(len(entries))]
		if e.Plain {
			answer = "1"
		}
		got, err := Set(text, e, answer)
		if err != nil {
			return
		}
		root, faults := read("", got)
		if len(faults) > 0 {
			t.Fatalf("%s = %q breaks the file: %v\n%s", e.Key, answer, faults, got)
		}
		table, key := e.Key[:strings.LastIndexByte(e.Key, '.')], e.Key[strings.LastIndexByte(e.Key, '.')+1:]
		if n := e.find(below(root, table), key); (n == nil) != (answer == "") || n != nil && n.text != strings.ToValidUTF8(answer, "\uFFFD") {
			t.Fatalf("%s = %q is not in the file as that\n%s", e.Key, answer, got)
		}
	})
}
