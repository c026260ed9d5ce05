package config

import (
	"fmt"
	"slices"
	"strings"

	"perch/host/pose"
)

// Entry is one value of a seat file that commissioning asks for.
type Entry struct {
	Key       string    // dotted, such as mechanism.crank_radius
	Dimension Dimension // of a number with a unit; only where Words is nil and Plain is false
	Plain     bool      // a number without a unit
	Words     []string  // one of these
	Optional  bool      // may be left out
	Now       string    // what the file says, "" where it says nothing
}

// literal is an answer as it stands in the file.
func (e Entry) literal(answer string) string {
	if e.Plain {
		return answer
	}
	return quote(answer)
}

// Example is a value of the right form.
func (e Entry) Example() string {
	switch {
	case e.Words != nil:
		return strings.Join(e.Words, " or ")
	case e.Plain:
		return "10"
	}
	return e.Dimension.Format(example(e.Dimension))
}

// Entries are the values of a seat's tables in the order in which a person gives them: mechanism, mechanism.crank (or
// .actuator), limits.AXIS, hard_stop.AXIS, load, drive. A box's own tables are its limits and are edited by hand.
func (s Seat) Entries() []Entry {
	var out []Entry
	add := func(e Entry) { out = append(out, e) }
	f := s.Mechanism.form()
	for _, x := range f.measures {
		add(Entry{Key: "mechanism." + x.key(), Dimension: x.dimension, Optional: x.optional})
	}
	for _, x := range f.sides {
		add(Entry{Key: "mechanism." + x.key, Words: x.words[:], Optional: true})
	}
	for _, x := range f.limits {
		add(Entry{Key: "mechanism." + f.motor + "." + x.key(), Dimension: x.dimension})
	}
	axis := func(table string, a pose.Axis, keys []string) {
		d := [...]Dimension{Length, Length, Speed, Acceleration, Jerk}
		if a.Unit() == "rad" {
			d = [...]Dimension{Angle, Angle, AngularSpeed, AngularAcceleration, AngularJerk}
		}
		for i, key := range keys {
			add(Entry{Key: table + "." + a.String() + "." + key, Dimension: d[i], Optional: table == "limits"})
		}
	}
	for _, t := range []struct {
		table string
		keys  []string
	}{{"limits", []string{"low", "high", "speed", "acceleration", "jerk"}}, {"hard_stop", []string{"low", "high"}}} {
		for a := range pose.Count {
			if s.Mechanism.Axes().Has(a) {
				axis(t.table, a, t.keys)
			}
		}
	}
	out = append(out, loadEntries...)
	for _, e := range driveEntries {
		if e.Key == "drive.lead" {
			m, err := s.Mechanism.New()
			if err != nil || m.Actuators()[0].Unit != "m" {
				continue
			}
			e.Optional = false
		}
		out = append(out, e)
	}
	now := map[string]string{}
	for _, v := range s.Values() {
		now[v.Key] = v.Text
	}
	for i := range out {
		out[i].Now = now[out[i].Key]
	}
	return out
}

// Set puts one value into the text of a seat file, or takes it out where the answer is "". Every other line stays as it is,
// byte for byte. The value is not judged: ParseSeat does that. A value that a person put on one line with others is refused.
func Set(text []byte, e Entry, answer string) ([]byte, error) {
	table, key := "", e.Key
	if i := strings.LastIndexByte(e.Key, '.'); i >= 0 {
		table, key = e.Key[:i], e.Key[i+1:]
	}
	root, faults := read("", text)
	if len(faults) > 0 {
		return nil, faults
	}
	at := root
	for _, part := range strings.Split(table, ".") {
		if at = findIn(at, part); at == nil || at.closed {
			break
		}
	}
	line := fmt.Sprintf("%s = %s", key, e.literal(answer))
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	old := e.find(at, key)
	switch {
	case old != nil && old.line > 0:
		was := lines[old.line-1]
		rest, ok := afterValue(was, old.key)
		if !ok {
			return nil, fmt.Errorf("line %d: %s: stands on a line with other values; give it a line of its own, as key = \"value\"", old.line, e.Key)
		}
		if answer == "" {
			lines = slices.Delete(lines, old.line-1, old.line)
			break
		}
		indent := was[:len(was)-len(strings.TrimLeft(was, " \t"))]
		if comment := strings.TrimLeft(rest, " "); comment != "" && comment != rest { // stays in its column
			room := len(rest) - len(comment) + len(was) - len(indent) - len(rest) - len(line)
			rest = strings.Repeat(" ", max(1, room)) + comment
		}
		lines[old.line-1] = indent + line + rest
	case answer == "":
		return text, nil
	case at != nil && at.closed:
		return nil, fmt.Errorf("line %d: %s: is written as {...}; write [%s] on a line of its own and its keys below", at.line, at.key, table)
	case at != nil && at.headed:
		last := at.line
		for _, c := range at.table {
			if !c.isTable() {
				last = max(last, c.line)
			}
		}
		lines = slices.Insert(lines, last, line)
	default:
		lines = append(lines, "", "["+table+"]", line)
	}
	out := []byte(strings.Join(lines, "\n") + "\n")
	if now, faults := read("", out); len(faults) > 0 || answer != "" && e.find(below(now, table), key) == nil {
		return nil, fmt.Errorf("%s: cannot be put into a file that is written like this one; write [%s] on a line of its own, and %s below it", e.Key, table, line)
	}
	return out, nil
}

// below finds a table by its dotted name.
func below(root *node, table string) *node {
	for _, part := range strings.Split(table, ".") {
		root = findIn(root, part)
	}
	return root
}

// find looks for the key, also with a unit in it.
func (e Entry) find(table *node, key string) *node {
	if n := findIn(table, key); n != nil {
		return n
	}
	if e.Words == nil && !e.Plain {
		for _, u := range units[e.Dimension].units {
			if n := findIn(table, key+"_"+u.suffix); n != nil {
				return n
			}
		}
	}
	return nil
}

// afterValue is what follows a value that stands alone on its line: spaces and a comment.
func afterValue(line, key string) (string, bool) {
	rest := strings.TrimLeft(line, " \t")
	var ok bool
	for _, k := range []string{key, `"` + key + `"`, `'` + key + `'`} {
		if rest, ok = strings.CutPrefix(strings.TrimLeft(line, " \t"), k); ok {
			break
		}
	}
	if !ok {
		return "", false
	}
	if rest, ok = strings.CutPrefix(strings.TrimLeft(rest, " \t"), "="); !ok {
		return "", false
	}
	rest = strings.TrimLeft(rest, " \t")
	end := strings.IndexAny(rest, " \t#,}")
	if end < 0 {
		end = len(rest)
	}
	if rest != "" && (rest[0] == '"' || rest[0] == '\'') {
		if strings.HasPrefix(rest[1:], rest[:1]+rest[:1]) {
			return "", false // text of several lines
		}
		end = 1
		for ; end < len(rest) && rest[end] != rest[0]; end++ {
			if rest[end] == '\\' && rest[0] == '"' {
				end++
			}
		}
		end = min(end+1, len(rest))
	}
	rest = rest[end:]
	if after := strings.TrimLeft(rest, " \t\r"); after != "" && after[0] != '#' {
		return "", false
	}
	return rest, true
}
