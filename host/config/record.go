package config

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Record is the [commissioning] table of a seat file: what was proven on the seat, on which controller, and with which
// values in the file. Package host/commissioning says whether it is valid. The zero value is no record.
type Record struct {
	Seat     string            // Seat.Hash when it was made
	Values   map[string]string // Seat.Values when it was made, to say later what has changed
	Board    string            // the controller's id
	Firmware string            // its version, such as 1.0.0
	Limits   uint32            // hash of its limits
	Steps    map[string]Step   // by name
}

// Step is one step that was done.
type Step struct {
	Date    time.Time
	Outcome string            // such as Passed
	Numbers map[string]string // what was measured, as text with units
}

// Passed is the outcome of a step whose operator said yes to all of it, and whose numbers are good.
const Passed = "passed"

// Failed is the outcome of a step that has found something wrong.
const Failed = "failed"

// Outcomes are what a step may have come to.
func Outcomes() []string { return []string{Passed, Failed} }

// Value is one value of a seat file: a dotted key, and what stands for it.
type Value struct{ Key, Text string }

// Values are the seat's values with their units, defaults included, in the order in which Text writes them; without the port,
// the speed of its line, and the commissioning record.
func (s Seat) Values() []Value {
	s.Port, s.Baud, s.Record = "", 0, Record{}
	var out []Value
	table := ""
	for line := range strings.Lines(string(s.Text())) {
		line = strings.TrimSpace(line)
		switch key, text, ok := strings.Cut(line, " = "); {
		case strings.HasPrefix(line, "["):
			table = strings.Trim(line, "[]") + "."
		case strings.HasPrefix(line, "#") || !ok || table == "" && (key == "port" || key == "baud"):
		default:
			if plain, err := strconv.Unquote(text); err == nil {
				text = plain
			}
			out = append(out, Value{table + key, text})
		}
	}
	return out
}

// Hash is the SHA-256 of Values in hexadecimal: comments, units as written, order, port and record do not count.
func (s Seat) Hash() string {
	h := sha256.New()
	for _, v := range s.Values() {
		fmt.Fprintf(h, "%q = %q\n", v.Key, v.Text)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// IsZero says whether there is no record.
func (r Record) IsZero() bool { return r.Seat == "" && r.Board == "" && len(r.Steps) == 0 }

// readRecord reads [commissioning], strictly: a record that was written by hand is worth nothing.
func readRecord(top *section, r *Record) {
	s := top.sub("commissioning")
	if s.node == nil {
		return
	}
	before := len(*s.faults)
	must := func(in *section, key string, out *string) {
		if n := len(*in.faults); !in.string(key, out) && len(*in.faults) == n {
			in.fault(0, key, "missing; remove the whole table and commission the seat again with perch commission")
		}
	}
	must(s, "seat", &r.Seat)
	if sum, err := hex.DecodeString(r.Seat); len(*s.faults) == before && (err != nil || len(sum) != sha256.Size) {
		s.fault(s.node.find("seat").line, "seat", "is not 64 hexadecimal digits; remove the whole table and commission the seat again with perch commission")
	}
	must(s, "board", &r.Board)
	must(s, "firmware", &r.Firmware)
	var limits string
	before = len(*s.faults)
	must(s, "limits", &limits)
	if v, err := strconv.ParseUint(limits, 16, 32); err == nil && len(limits) == 8 {
		r.Limits = uint32(v)
	} else if len(*s.faults) == before {
		s.fault(s.node.find("limits").line, "limits", "is not eight hexadecimal digits; remove the whole table and commission the seat again with perch commission")
	}
	if values := s.sub("values"); values.node != nil {
		r.Values = values.texts()
	}
	steps := s.sub("steps")
	if steps.node != nil {
		for _, n := range steps.node.table {
			if r.Steps == nil {
				r.Steps = map[string]Step{}
			}
			r.Steps[n.key] = readStep(steps.sub(n.key), must)
		}
	}
	s.done()
}

func readStep(s *section, must func(*section, string, *string)) (out Step) {
	if s.node == nil {
		return out
	}
	var date string
	must(s, "date", &date)
	var err error
	if out.Date, err = time.Parse(time.RFC3339, date); err != nil && date != "" {
		s.fault(s.node.find("date").line, "date", "%q is no date and time such as \"2026-01-31T15:04:05Z\"; do this step again with perch commission", date)
	}
	if !s.choice("outcome", &out.Outcome, Outcomes()...) && s.node.find("outcome") == nil {
		s.fault(0, "outcome", "missing; do this step again with perch commission")
	}
	if numbers := s.sub("numbers"); numbers.node != nil {
		out.Numbers = numbers.texts()
	}
	s.done()
	return out
}

// text writes the table, or nothing where there is no record.
func (r Record) text(b *bytes.Buffer) {
	if r.IsZero() {
		return
	}
	line := func(key, v string) { fmt.Fprintf(b, "%s = %s\n", key, quote(v)) }
	all := func(of map[string]string) {
		for _, k := range slices.Sorted(maps.Keys(of)) {
			line(quote(k), of[k])
		}
	}
	b.WriteString("[commissioning] # written by perch commission; a hand that changes it makes it worthless\n")
	line("seat", r.Seat)
	line("board", r.Board)
	line("firmware", r.Firmware)
	line("limits", fmt.Sprintf("%08x", r.Limits))
	names := slices.SortedFunc(maps.Keys(r.Steps), func(a, b string) int {
		if c := r.Steps[a].Date.Compare(r.Steps[b].Date); c != 0 {
			return c
		}
		return strings.Compare(a, b)
	})
	for _, name := range names {
		s := r.Steps[name]
		fmt.Fprintf(b, "\n[commissioning.steps.%s]\n", quote(name))
		line("date", s.Date.Format(time.RFC3339))
		line("outcome", s.Outcome)
		if len(s.Numbers) > 0 {
			fmt.Fprintf(b, "[commissioning.steps.%s.numbers]\n", quote(name))
			all(s.Numbers)
		}
	}
	if len(r.Values) > 0 {
		b.WriteString("\n[commissioning.values] # of this file, when it was commissioned\n")
		all(r.Values)
	}
}

// WriteRecord puts a record into a seat file in place of the one that is there. The rest of the file stays byte for
// byte as it is, comments included. The file is replaced whole or not at all.
func WriteRecord(path string, r Record) error {
	data, err := readFile(path, "seat")
	if err != nil {
		return err
	}
	before, err := ParseSeat(path, data)
	if err != nil {
		return err
	}
	out, err := replaceRecord(path, data, r)
	if err != nil {
		return err
	}
	after, err := ParseSeat(path, out)
	if err != nil || after.Hash() != before.Hash() || after.Port != before.Port {
		return fmt.Errorf("%s: the commissioning record cannot be put into this file without changing it; move [commissioning] to its end (%w)", path, err)
	}
	info, err := os.Stat(path)
	if err != nil {
		return fmt.Errorf("%w; check the path and its permissions", err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".perch-seat-*")
	if err != nil {
		return fmt.Errorf("%s: the record cannot be written: %w; check the permissions of the folder", path, err)
	}
	_, err = f.Write(out)
	for _, step := range []func() error{func() error { return f.Chmod(info.Mode()) }, f.Sync, f.Close} {
		if e := step(); err == nil {
			err = e
		}
	}
	if err == nil {
		if real, e := filepath.EvalSymlinks(path); e == nil {
			path = real
		}
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return fmt.Errorf("%s: the record cannot be written: %w; check the permissions of the folder", path, err)
	}
	return nil
}

// replaceRecord gives data with the tables under [commissioning] taken out, and r at the end.
func replaceRecord(path string, data []byte, r Record) ([]byte, error) {
	var parser unstable.Parser
	parser.Reset(data)
	type region struct{ from, to int }
	var out []region
	open, atRoot := -1, true
	end := func(at int) {
		if open >= 0 {
			out = append(out, region{open, at})
			open = -1
		}
	}
	for parser.NextExpression() {
		e := parser.Expression()
		if e.Kind != unstable.Table && e.Kind != unstable.KeyValue {
			continue
		}
		it := e.Key()
		if !it.Next() {
			continue
		}
		ours := string(it.Node().Data) == "commissioning"
		if e.Kind == unstable.KeyValue {
			if atRoot && ours {
				return nil, fmt.Errorf("%s: commissioning is written as a key; write it as a table of its own, [commissioning], at the end", path)
			}
			continue
		}
		atRoot = false
		// A header begins its line; comments right above it belong to it, if it is not ours.
		start := bytes.LastIndexByte(data[:it.Node().Raw.Offset], '\n') + 1
		if open >= 0 && !ours {
			at := start
			for at > open {
				line := bytes.LastIndexByte(data[:at-1], '\n') + 1
				if text := bytes.TrimSpace(data[line:at]); len(text) > 0 && text[0] != '#' {
					break
				}
				at = line
			}
			end(at)
		}
		if ours && open < 0 {
			open = start
		}
	}
	if err := parser.Error(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	end(len(data))
	var b bytes.Buffer
	last := 0
	for _, cut := range out {
		b.Write(data[last:cut.from])
		last = cut.to
	}
	b.Write(data[last:])
	rest := b.Bytes()
	var table bytes.Buffer
	r.text(&table)
	if table.Len() == 0 {
		return rest, nil
	}
	text := table.Bytes()
	newline := []byte("\n")
	if bytes.Contains(data, []byte("\r\n")) {
		newline = []byte("\r\n")
		text = bytes.ReplaceAll(text, []byte("\n"), newline)
	}
	whole := slices.Clone(rest)
	if n := len(whole); n > 0 && whole[n-1] != '\n' {
		whole = append(whole, newline...)
	}
	if n := len(bytes.TrimRight(whole, "\r\n")); n > 0 && !bytes.HasSuffix(whole, append(slices.Clone(newline), newline...)) {
		whole = append(whole, newline...)
	}
	return append(whole, text...), nil
}
