package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// A section reads one table. What is asked of it is what is valid in it, so the list of keys that a message
// offers cannot differ from the keys that are read. What the table does not have leaves the destination alone.
type section struct {
	file   string
	path   string
	node   *node // nil: the file does not have it
	faults *Faults
	asked  []string
}

func (s *section) fault(line int, key, format string, args ...any) {
	if line == 0 && s.node != nil {
		line = s.node.line
	}
	full := s.path
	if key != "" {
		full = join(s.path, key)
	}
	*s.faults = append(*s.faults, Fault{s.file, line, full, fmt.Sprintf(format, args...)})
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func (s *section) ask(key string) *node {
	s.asked = append(s.asked, key)
	if s.node == nil {
		return nil
	}
	return s.node.find(key)
}

// sub reads a table in the table. Its node is nil where the file has none, or has something else there.
func (s *section) sub(key string) *section {
	out := &section{file: s.file, path: join(s.path, key), faults: s.faults}
	n := s.ask(key)
	switch {
	case n == nil:
	case !n.isTable():
		s.fault(n.line, key, "is %s, and a table is wanted; write [%s] on a line of its own and its keys below", n.kindName(), out.path)
	default:
		out.node = n
	}
	return out
}

// string reads text and says whether there was any.
func (s *section) string(key string, out *string) bool {
	n := s.ask(key)
	if n == nil {
		return false
	}
	if n.kind != unstable.String {
		s.fault(n.line, key, "is %s, and text in quotes is wanted; write %s = %s", n.kindName(), key, n.quoted())
		return false
	}
	*out = n.text
	return true
}

func (s *section) choice(key string, out *string, of ...string) bool {
	var v string
	if !s.string(key, &v) {
		return false
	}
	if !slices.Contains(of, v) {
		s.fault(s.node.find(key).line, key, "%q is not known; %s", v, suggest(v, of))
		return false
	}
	*out = v
	return true
}

func (s *section) integer(key string, low, high int, out *int) bool {
	n := s.ask(key)
	if n == nil {
		return false
	}
	if n.kind != unstable.Integer {
		s.fault(n.line, key, "is %s, and a whole number is wanted; write it without quotes, such as %s = %d", n.kindName(), key, *out)
		return false
	}
	v, err := strconv.ParseInt(strings.ReplaceAll(n.text, "_", ""), 0, 64)
	if err != nil || v < int64(low) || v > int64(high) {
		s.fault(n.line, key, "%s is outside %d to %d; choose a number between them", n.text, low, high)
		return false
	}
	*out = int(v)
	return true
}

// quantity reads a number with a unit: key = "3 deg/s", or key_deg_s = 3. Bounds are SI and belong to the range.
func (s *section) quantity(key string, d Dimension, low, high float64, out *float64) bool {
	n := s.ask(key)
	var factor float64
	used := key
	for _, u := range units[d].units {
		suffixed := key + "_" + u.suffix
		if s.node == nil {
			continue
		}
		m := s.node.find(suffixed)
		if m == nil || suffixed == used {
			continue
		}
		s.asked = append(s.asked, suffixed)
		if n != nil {
			s.fault(m.line, suffixed, "given twice, as %s on line %d too; keep one", used, n.line)
			return false
		}
		n, used, factor = m, suffixed, u.factor
	}
	if n == nil {
		return false
	}
	var v float64
	switch isNumber := n.kind == unstable.Integer || n.kind == unstable.Float; {
	case factor == 0 && isNumber:
		u := units[d].units[0]
		s.fault(n.line, key, "is a number without a unit; write %s = \"%s %s\" or %s_%s = %s, whichever of %s is meant",
			key, n.text, u.name, key, u.suffix, n.text, d.names())
		return false
	case factor == 0 && n.kind != unstable.String, factor != 0 && !isNumber:
		s.fault(n.line, used, "is %s, and %s is wanted; write %s = %q", n.kindName(), d, key, d.Format(*out))
		return false
	case factor == 0:
		var err error
		if v, err = ParseQuantity(n.text, d); err != nil {
			s.fault(n.line, key, "%v", err)
			return false
		}
	default:
		f, err := n.number()
		if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
			s.fault(n.line, used, "%s is not a number that can be used; give a finite one", n.text)
			return false
		}
		v = f * factor
	}
	// A hair of tolerance: "8 deg" need not convert to the very bits of a bound written in rad.
	if hair := 1e-12 * math.Max(math.Abs(low), math.Abs(high)); v < low-hair || v > high+hair {
		s.fault(n.line, used, "%s is outside %s to %s; choose a value between them", d.Format(v), d.Format(low), d.Format(high))
		return false
	}
	*out = v
	return true
}

// texts reads a table of strings, numbers and truth values as text, as --set would give them.
func (s *section) texts() map[string]string {
	out := map[string]string{}
	if s.node == nil {
		return out
	}
	for _, n := range s.node.table {
		s.asked = append(s.asked, n.key)
		switch n.kind {
		case unstable.String, unstable.Bool:
			out[n.key] = n.text
		case unstable.Integer, unstable.Float:
			out[n.key] = strings.ReplaceAll(n.text, "_", "")
			if v, err := strconv.ParseInt(out[n.key], 0, 64); err == nil && n.kind == unstable.Integer {
				out[n.key] = strconv.FormatInt(v, 10)
			}
		default:
			s.fault(n.line, n.key, "is %s, and text, a number, true or false is wanted; write one value", n.kindName())
		}
	}
	return out
}

// done reports the keys that nothing asked for.
func (s *section) done() {
	if s.node == nil {
		return
	}
	for _, n := range s.node.table {
		if !slices.Contains(s.asked, n.key) {
			what := "unknown key"
			if n.isTable() {
				what = "unknown table"
			}
			s.fault(n.line, n.key, "%s; %s", what, suggest(n.key, s.asked))
		}
	}
}

func (n *node) number() (float64, error) {
	text := strings.ReplaceAll(n.text, "_", "")
	if n.kind == unstable.Integer {
		v, err := strconv.ParseInt(text, 0, 64)
		return float64(v), err
	}
	return strconv.ParseFloat(text, 64)
}

func (n *node) kindName() string {
	switch n.kind {
	case unstable.String:
		return "text"
	case unstable.Integer, unstable.Float:
		return "a number"
	case unstable.Bool:
		return "true or false"
	case unstable.Array:
		return "a list"
	case unstable.Table, unstable.InlineTable:
		return "a table"
	}
	return "a date or time"
}

func (n *node) quoted() string {
	if n.text == "" {
		return `"..."`
	}
	return strconv.Quote(n.text)
}

// suggest is the remedy for a word that is not one of those wanted: the nearest, or all.
func suggest(word string, of []string) string {
	best, nearest := math.MaxInt, ""
	for _, o := range of {
		if d := distance(strings.ToLower(word), o); d < best {
			best, nearest = d, o
		}
	}
	if nearest != "" && best <= max(1, len(nearest)/3) {
		return fmt.Sprintf("did you mean %s?", nearest)
	}
	if len(of) == 0 {
		return "remove it"
	}
	sorted := slices.Compact(slices.Sorted(slices.Values(of)))
	return "use one of " + strings.Join(sorted, ", ")
}

// distance is the number of letters to add, drop, change or swap with their neighbour (optimal string alignment)
// between two words; words too long to be a slip are far apart.
func distance(a, b string) int {
	const long = 40
	if len(a) > long || len(b) > long {
		return math.MaxInt
	}
	var d [long + 1][long + 1]int
	for i := range len(a) + 1 {
		for j := range len(b) + 1 {
			switch {
			case i == 0:
				d[i][j] = j
			case j == 0:
				d[i][j] = i
			default:
				cost := 1
				if a[i-1] == b[j-1] {
					cost = 0
				}
				d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+cost)
				if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
					d[i][j] = min(d[i][j], d[i-2][j-2]+1)
				}
			}
		}
	}
	return d[len(a)][len(b)]
}
