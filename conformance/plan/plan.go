// Package plan reads plan.toml, which says how an adapter is fed when it is examined and what its author promises.
// Example shows all of it.
package plan

import (
	_ "embed"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"perch/conformance/feed"
	"perch/sdk/capture"
	"perch/sdk/vehicle"
)

// File is the name of a plan beside an adapter.
const File = "plan.toml"

//go:embed example.toml
var example string

// Example is a complete plan with comments.
func Example() string { return example }

// Alone is the way of delivery of an adapter that needs no source.
const Alone feed.Way = "none"

// Plan is how to examine one adapter.
type Plan struct {
	Path     string // of the file; "" where there is none
	Feeds    []Feed
	Promises Promises
	Known    []Known
}

// Feed is one source that the adapter is shown.
type Feed struct {
	Name     string
	Capture  string // path, "" where there is none
	Deliver  feed.Way
	Select   capture.Selection
	Command  []string // of a program
	Folder   string   // of the plan: where a program runs
	Settings map[string]string
	Expect   Promises // of this feed alone; Classes are not used
}

// Promises is what an author says of an adapter.
type Promises struct {
	Signals []Promised // nil: what the description declares
	Rate    float64    // Hz; 0: the description's
	Classes []string
}

// Promised is a signal of the states table, or a group of them by what their names begin with, such as attitude.
type Promised struct {
	Name string
	Any  []vehicle.Set // one of these, whole: a velocity comes in body axes or in earth axes
}

// Kept says whether the signals that were given hold what is promised.
func (p Promised) Kept(given vehicle.Set) bool {
	return slices.ContainsFunc(p.Any, func(s vehicle.Set) bool { return given&s == s })
}

// Signals finds what a name stands for.
func Signals(name string) (Promised, bool) {
	p := Promised{Name: name}
	if x, ok := vehicle.SignalNamed(name); ok {
		p.Any = []vehicle.Set{vehicle.Set(0).With(x)}
		return p, true
	}
	if name == "velocity" {
		p.Any = []vehicle.Set{vehicle.Set(0).With(vehicle.VelocityX, vehicle.VelocityY, vehicle.VelocityZ),
			vehicle.Set(0).With(vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD)}
		return p, true
	}
	var set vehicle.Set
	for x := range vehicle.SignalCount {
		if strings.HasPrefix(x.String(), name+"_") {
			set = set.With(x)
		}
	}
	p.Any = []vehicle.Set{set}
	return p, set != 0 && name != ""
}

// Known is a failure that its author knows of.
type Known struct {
	Check  string // id of the check
	Reason string
	Line   int // where it stands
}

// Delivery is how the feed is delivered, at the speed of its capture, once.
func (f *Feed) Delivery() feed.Delivery {
	return feed.Delivery{Way: f.Deliver, Select: f.Select, Command: f.Command, Folder: f.Folder}
}

// Bare is the plan for an adapter without one: no source, no settings.
func Bare() Plan { return Plan{Feeds: []Feed{{Name: "alone", Deliver: Alone}}} }

// Load reads a plan. Its error says everything that is wrong, each with its file, line and key.
func Load(path string) (Plan, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Plan{}, fmt.Errorf("plan: %w; `perch conform --plan-example` prints one", err)
	}
	return Parse(path, data)
}

// Parse is Load of a text that stands at path.
func Parse(path string, data []byte) (Plan, error) {
	d, err := read(path, data)
	if err != nil {
		return Plan{}, err
	}
	p := Plan{Path: path}
	folder := filepath.Dir(path)
	top := table{d, "", d.values}
	top.only("feeds", "promises", "known_failures")
	for _, t := range top.tables("feeds") {
		p.Feeds = append(p.Feeds, t.feed(folder))
	}
	if t, ok := top.table("promises"); ok {
		t.only("signals", "rate", "classes")
		p.Promises = Promises{t.signals("signals"), t.rate(), t.texts("classes")}
	}
	for _, t := range top.tables("known_failures") {
		t.only("check", "reason")
		k := Known{Check: t.needed("check", "the id of a check, as reports show it"), Reason: t.needed("reason", "why it fails and what would mend it"), Line: t.line("")}
		if slices.ContainsFunc(p.Known, func(o Known) bool { return o.Check == k.Check && k.Check != "" }) {
			t.fault("check", "%q is listed twice; keep one", k.Check)
		}
		p.Known = append(p.Known, k)
	}
	if len(p.Feeds) == 0 && len(d.faults) == 0 {
		top.fault("feeds", `is missing; give at least one [[feeds]] with name and deliver; an adapter without a source has deliver = "none"`)
	}
	for i := range p.Feeds {
		if j := slices.IndexFunc(p.Feeds, func(o Feed) bool { return o.Name == p.Feeds[i].Name }); j < i && p.Feeds[i].Name != "" {
			d.fault(fmt.Sprintf("feeds[%d].name", i), "%q is the name of two feeds; give each its own", p.Feeds[i].Name)
		}
	}
	return p, d.err()
}

// longestName of a feed, in bytes.
const longestName = 80

// feed reads one table of [[feeds]].
func (t table) feed(folder string) Feed {
	t.only("name", "capture", "deliver", "select", "command", "expect", "settings")
	f := Feed{Folder: folder, Command: t.texts("command"), Settings: map[string]string{}}
	if f.Name = t.needed("name", "a few words, which reports show"); len(f.Name) > longestName || strings.ContainsFunc(f.Name, unicode.IsControl) {
		t.fault("name", "is no name that a report can show; give one line of at most %d letters", longestName)
	}
	ways := append(feed.Ways(), Alone)
	f.Deliver = feed.Way(t.needed("deliver", fmt.Sprintf("one of %v", ways)))
	if f.Deliver != "" && !slices.Contains(ways, f.Deliver) {
		t.fault("deliver", "%q is no way of delivery; give one of %v", f.Deliver, ways)
	}
	path := t.text("capture")
	switch {
	case path == "" && t.has("capture"):
	case path == "" && f.Deliver != Alone && f.Deliver != feed.Program && slices.Contains(ways, f.Deliver):
		t.fault("capture", "is missing; name the file that is to be delivered by %s", f.Deliver)
	case path != "" && f.Deliver == Alone:
		t.fault("capture", `has no meaning with deliver = "none"; remove one of the two`)
	case path != "":
		if f.Capture = path; !filepath.IsAbs(path) {
			f.Capture = filepath.Join(folder, path)
		}
		if info, err := os.Stat(f.Capture); err != nil || !info.Mode().IsRegular() {
			t.fault("capture", "%s is no file; paths begin at the plan's folder", f.Capture)
		}
	}
	switch {
	case f.Deliver == feed.Program && len(f.Command) == 0:
		t.fault("command", "is missing; give the program that sends, and its arguments")
	case f.Deliver != feed.Program && t.has("command"):
		t.fault("command", `is only for deliver = "program"; remove it`)
	}
	if s, ok := t.table("select"); ok {
		s.only("protocol", "from_port", "to_port")
		switch p := s.text("protocol"); p {
		case "":
		case "udp":
			f.Select.Protocol = capture.UDP
		case "tcp":
			f.Select.Protocol = capture.TCP
		default:
			s.fault("protocol", "%q is neither udp nor tcp", p)
		}
		f.Select.FromPort, f.Select.ToPort = s.port("from_port"), s.port("to_port")
	}
	if e, ok := t.table("expect"); ok {
		e.only("signals", "rate")
		f.Expect = Promises{Signals: e.signals("signals"), Rate: e.rate()}
	}
	if s, ok := t.table("settings"); ok {
		for _, key := range s.keys() {
			f.Settings[key] = s.scalar(key)
		}
	}
	return f
}

// signals reads names of the states table.
func (t table) signals(key string) (out []Promised) {
	for i, name := range t.texts(key) {
		s, ok := Signals(name)
		if !ok {
			t.fault(fmt.Sprintf("%s[%d]", key, i), "%q is no signal of the states table, nor a group of them; names are such as %v, groups such as attitude", name, vehicle.AngularVelocityP)
			continue
		}
		out = append(out, s)
	}
	return out
}

// rate reads how many states a second.
func (t table) rate() float64 {
	text := t.text("rate")
	if text == "" && !t.has("rate") {
		return 0
	}
	number, hz := strings.CutSuffix(text, "Hz")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if _, given := t.values["rate"].(string); given && (err != nil || !hz || !(v > 0 && v <= 10_000)) {
		t.fault("rate", `is %q; give how many states a second, such as "50 Hz", up to 10000 Hz`, text)
		return 0
	}
	return v
}

func (t table) port(key string) uint16 {
	v, ok := t.number(key)
	if ok && (v < 1 || v > 65535 || v != float64(uint16(v))) {
		t.fault(key, "is %g; give a port from 1 to 65535", v)
		return 0
	}
	return uint16(v)
}
