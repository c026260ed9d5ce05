package sdk

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Settings are an operator's settings, checked against a description. A setting that the operator did not give holds
// its default; one without a default is empty, and Has says so.
//
// Asking for a key that the description does not declare, or declares with another type, is a mistake in the adapter:
// it panics, and Serve makes an error of that.
type Settings struct {
	declared map[string]Type
	text     map[string]string
	value    map[string]float64 // numbers, integers, booleans; durations in ns
}

// Has says whether a setting has a value, be it a default.
func (s Settings) Has(key string) bool {
	_, ok := s.text[key]
	return ok
}

// Text is every setting that has a value, as text: what goes to the adapter.
func (s Settings) Text() map[string]string { return maps.Clone(s.text) }

// String is a setting of type String or Choice.
func (s Settings) String(key string) string {
	s.want(key, String, Choice)
	return s.text[key]
}

// Number is a setting of type Number, in the unit that its description names.
func (s Settings) Number(key string) float64 {
	s.want(key, Number, Integer)
	return s.value[key]
}

// Integer is a setting of type Integer.
func (s Settings) Integer(key string) int {
	s.want(key, Integer)
	return int(s.value[key])
}

// Boolean is a setting of type Boolean.
func (s Settings) Boolean(key string) bool {
	s.want(key, Boolean)
	return s.value[key] != 0
}

// Duration is a setting of type Duration.
func (s Settings) Duration(key string) time.Duration {
	s.want(key, Duration)
	return time.Duration(s.value[key])
}

func (s Settings) want(key string, types ...Type) {
	if have, ok := s.declared[key]; !ok || !slices.Contains(types, have) {
		panic(fmt.Sprintf("the adapter reads its setting %q as %v, which its description does not declare", key, types[0]))
	}
}

// String is the type's name as an operator reads it.
func (t Type) String() string {
	switch t {
	case String:
		return "text"
	case Number:
		return "number"
	case Integer:
		return "whole number"
	case Boolean:
		return "true or false"
	case Duration:
		return "length of time"
	case Choice:
		return "choice"
	}
	return "unknown type"
}

// Check reads an operator's settings and says everything that is wrong with them at once, by key. The settings are of
// use only where nothing is wrong.
func (d Description) Check(raw map[string]string) (Settings, []Fault) {
	s := Settings{declared: map[string]Type{}, text: map[string]string{}, value: map[string]float64{}}
	var faults []Fault
	for _, x := range d.Settings {
		s.declared[x.Key] = x.Type
		text, given := raw[x.Key]
		if !given {
			if x.Required {
				faults = append(faults, Fault{x.Key, "is required: " + x.want()})
				continue
			}
			if x.Default == "" {
				continue
			}
			text = x.Default
		}
		v, wrong := x.read(text)
		if wrong != "" {
			faults = append(faults, Fault{x.Key, wrong})
			continue
		}
		s.text[x.Key], s.value[x.Key] = text, v
	}
	for _, key := range slices.Sorted(maps.Keys(raw)) {
		if _, ok := s.declared[key]; !ok {
			faults = append(faults, Fault{key, d.unknown(key)})
		}
	}
	slices.SortStableFunc(faults, func(a, b Fault) int { return strings.Compare(a.Key, b.Key) })
	return s, faults
}

func (d Description) unknown(key string) string {
	if len(d.Settings) == 0 {
		return fmt.Sprintf("is unknown: %s takes no settings", d.Name)
	}
	best, least := "", math.MaxInt
	keys := make([]string, 0, len(d.Settings))
	for _, x := range d.Settings {
		keys = append(keys, x.Key)
		if n := distance(key, x.Key); n < least {
			best, least = x.Key, n
		}
	}
	if least <= 1+len(best)/3 {
		return fmt.Sprintf("is unknown: did you mean %q?", best)
	}
	return "is unknown: it may be " + strings.Join(keys, ", ")
}

// want says what a setting takes.
func (x Setting) want() string {
	var b strings.Builder
	switch x.Type {
	case Choice:
		b.WriteString("give one of " + strings.Join(x.Choices, ", "))
	case Duration:
		b.WriteString(`give a length of time such as "250ms" or "2s"`)
	case Boolean:
		b.WriteString("give true or false")
	case Number, Integer:
		b.WriteString("give a " + x.Type.String())
		if x.Unit != "" {
			b.WriteString(" in " + x.Unit)
		}
	default:
		b.WriteString("give a text")
	}
	switch {
	case x.Minimum != nil && x.Maximum != nil:
		fmt.Fprintf(&b, ", from %s to %s", plain(*x.Minimum), plain(*x.Maximum))
	case x.Minimum != nil:
		fmt.Fprintf(&b, ", at least %s", plain(*x.Minimum))
	case x.Maximum != nil:
		fmt.Fprintf(&b, ", at most %s", plain(*x.Maximum))
	}
	if x.Type == Duration && (x.Minimum != nil || x.Maximum != nil) {
		b.WriteString(" s")
	}
	return b.String()
}

func plain(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// read reads a text by the setting's type; wrong is "" where it is right. Bounds of a duration are in s.
func (x Setting) read(text string) (v float64, wrong string) {
	refused := func() (float64, string) { return 0, fmt.Sprintf("is %q: %s", text, x.want()) }
	var bounded float64
	switch x.Type {
	case Number:
		n, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(n) || math.IsInf(n, 0) {
			return refused()
		}
		v, bounded = n, n
	case Integer:
		n, err := strconv.ParseInt(text, 10, 53) // 53 bits: a float64 holds it exactly
		if err != nil {
			return refused()
		}
		v, bounded = float64(n), float64(n)
	case Boolean:
		switch text {
		case "true":
			return 1, ""
		case "false":
			return 0, ""
		}
		return refused()
	case Duration:
		t, err := time.ParseDuration(text)
		if err != nil {
			return refused()
		}
		v, bounded = float64(t), t.Seconds()
	case Choice:
		if !slices.Contains(x.Choices, text) {
			return refused()
		}
		return 0, ""
	case String:
		return 0, ""
	default:
		return 0, "has no type that this program knows: the adapter is newer or faulty"
	}
	if x.Minimum != nil && bounded < *x.Minimum || x.Maximum != nil && bounded > *x.Maximum {
		return refused()
	}
	return v, ""
}

// distance is the Levenshtein distance of two words.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}

// Faults says what is wrong with the description itself: a mistake in the adapter.
func (d Description) Faults() []Fault {
	var faults []Fault
	add := func(key, format string, args ...any) {
		faults = append(faults, Fault{key, fmt.Sprintf(format, args...)})
	}
	if !word(d.Name, '-') {
		add("", "the adapter's name is %q: lower case letters, digits and hyphens, a letter first", d.Name)
	}
	if d.Version == "" {
		add("", "the adapter has no version")
	}
	if d.NominalRate < 0 || math.IsNaN(d.NominalRate) || math.IsInf(d.NominalRate, 0) {
		add("", "the nominal rate is %g Hz: give 0 where it varies", d.NominalRate)
	}
	for _, x := range d.Signals {
		if slices.Contains(d.Never, x) {
			add("", "signal %v is both given and never given", x)
		}
	}
	seen := map[string]bool{}
	for _, x := range d.Settings {
		if !word(x.Key, '_') {
			add(x.Key, "a key is lower case letters, digits and underscores, a letter first")
		}
		if seen[x.Key] {
			add(x.Key, "is declared twice")
		}
		seen[x.Key] = true
		switch {
		case x.Type < String || x.Type > Choice:
			add(x.Key, "has no type")
			continue
		case x.Type == Choice && len(x.Choices) == 0:
			add(x.Key, "is a choice of nothing")
			continue
		case x.Required && x.Default != "":
			add(x.Key, "is required and has a default: one of the two")
		}
		if x.Default != "" {
			if _, wrong := x.read(x.Default); wrong != "" {
				add(x.Key, "its default %s", wrong)
			}
		}
	}
	return faults
}

func word(s string, between byte) bool {
	for i := range len(s) {
		c := s[i]
		letter := c >= 'a' && c <= 'z'
		if !letter && (i == 0 || (c < '0' || c > '9') && c != between) {
			return false
		}
	}
	return s != ""
}
