package plan

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Fault is one thing that is wrong in a plan.
type Fault struct {
	File    string
	Line    int    // 0: none
	Key     string // dotted, with [n] for the tables and values of a list
	Message string
}

// Error is "file:line: key: message".
func (f Fault) Error() string {
	at := f.File
	if f.Line > 0 {
		at += ":" + strconv.Itoa(f.Line)
	}
	if f.Key != "" {
		at += ": " + f.Key
	}
	return at + ": " + f.Message
}

// document is a parsed file: the decoder's values, and the line of each key, which the decoder does not keep.
type document struct {
	file   string
	values map[string]any
	lines  map[string]int
	faults []Fault
}

func read(file string, data []byte) (*document, error) {
	d := &document{file: file, lines: map[string]int{}}
	if err := toml.Unmarshal(data, &d.values); err != nil {
		var at *toml.DecodeError
		line := 0
		if errors.As(err, &at) {
			line, _ = at.Position()
		}
		return nil, Fault{file, line, "", strings.TrimPrefix(err.Error(), "toml: ") + "; mend what is on this line"}
	}
	d.index(data)
	return d, nil
}

// index finds the line of each key.
func (d *document) index(data []byte) {
	var p unstable.Parser
	p.Reset(data)
	count := map[string]int{}
	prefix := ""
	line := 0
	name := func(parts unstable.Iterator) string {
		path := prefix
		for parts.Next() {
			n := parts.Node()
			if n.Raw.Length > 0 {
				line = 1 + strings.Count(string(data[:n.Raw.Offset]), "\n")
			}
			path = join(path, string(n.Data))
			if c, ok := count[path]; ok {
				path = fmt.Sprintf("%s[%d]", path, c-1)
			}
		}
		return path
	}
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table:
			prefix = ""
			prefix = name(e.Key())
			d.lines[prefix] = line
		case unstable.ArrayTable:
			prefix = ""
			full := name(e.Key())
			if i := strings.LastIndexByte(full, '['); i >= 0 && strings.HasSuffix(full, "]") && count[full[:i]] > 0 {
				full = full[:i]
			}
			prefix = fmt.Sprintf("%s[%d]", full, count[full])
			count[full]++
			d.lines[prefix] = line
			if count[full] == 1 {
				d.lines[full] = line
			}
		case unstable.KeyValue:
			d.lines[name(e.Key())] = line
		}
	}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// line is that of the key, or of the nearest one that holds it.
func (d *document) line(key string) int {
	for {
		if l, ok := d.lines[key]; ok || key == "" {
			return l
		}
		key = key[:max(0, strings.LastIndexAny(key, ".["))]
	}
}

func (d *document) fault(key, format string, a ...any) {
	d.faults = append(d.faults, Fault{d.file, d.line(key), key, fmt.Sprintf(format, a...)})
}

// err is all faults in the order of the file.
func (d *document) err() error {
	slices.SortStableFunc(d.faults, func(a, b Fault) int { return a.Line - b.Line })
	all := make([]error, len(d.faults))
	for i, f := range d.faults {
		all[i] = f
	}
	return errors.Join(all...)
}

// table is one table of a document. What it does not find as it should be becomes a fault.
type table struct {
	d      *document
	path   string
	values map[string]any
}

func (t table) fault(key, format string, a ...any) { t.d.fault(t.at(key), format, a...) }

func (t table) at(key string) string {
	if key == "" {
		return t.path
	}
	return join(t.path, key)
}

func (t table) line(key string) int { return t.d.line(t.at(key)) }

func (t table) has(key string) bool { _, ok := t.values[key]; return ok }

func (t table) keys() []string { return slices.Sorted(maps.Keys(t.values)) }

// only refuses every other key.
func (t table) only(known ...string) {
	for _, k := range t.keys() {
		if !slices.Contains(known, k) {
			t.fault(k, "unknown key; here may stand %s", strings.Join(known, ", "))
		}
	}
}

func get[T any](t table, key, what string) (v T, ok bool) {
	x, given := t.values[key]
	if !given {
		return v, false
	}
	if v, ok = x.(T); !ok {
		t.fault(key, "is %v; give %s", x, what)
	}
	return v, ok
}

func (t table) text(key string) string {
	s, _ := get[string](t, key, "a text in quotes")
	return s
}

func (t table) needed(key, what string) string {
	s, ok := get[string](t, key, what)
	if s == "" && (ok || !t.has(key)) {
		t.fault(key, "is missing; give %s", what)
	}
	return s
}

func (t table) number(key string) (float64, bool) {
	switch v := t.values[key].(type) {
	case int64:
		return float64(v), true
	case float64:
		return v, true
	case nil:
	default:
		t.fault(key, "is %v; give a number", v)
	}
	return 0, false
}

// scalar is a setting's value as an operator would type it.
func (t table) scalar(key string) string {
	switch v := t.values[key].(type) {
	case string:
		return v
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	case bool:
		return strconv.FormatBool(v)
	}
	t.fault(key, "is no text, number, true or false; give what an operator would type")
	return ""
}

func (t table) texts(key string) (out []string) {
	list, _ := get[[]any](t, key, "a list of texts in quotes")
	for i, x := range list {
		s, ok := x.(string)
		if !ok {
			t.fault(fmt.Sprintf("%s[%d]", key, i), "is %v; give a text in quotes", x)
		}
		out = append(out, s)
	}
	return out
}

func (t table) table(key string) (table, bool) {
	v, ok := get[map[string]any](t, key, "a table")
	return table{t.d, t.at(key), v}, ok
}

func (t table) tables(key string) (out []table) {
	list, _ := get[[]any](t, key, fmt.Sprintf("tables, each begun with [[%s]]", key))
	for i, x := range list {
		at := fmt.Sprintf("%s[%d]", t.at(key), i)
		v, ok := x.(map[string]any)
		if !ok {
			t.d.fault(at, "is %v; give a table", x)
			continue
		}
		out = append(out, table{t.d, at, v})
	}
	return out
}
