// Package config reads the configuration file and the seat file.
//
// Both are TOML and strict: an unknown key, a wrong unit, a number out of range, a key given twice, are all reported at once,
// each with its file, line and key, and then nothing of the file is used. What comes out is plain data in SI; in the
// files every number carries its unit, in its value ("3 deg/s") or in its key (speed_deg_s = 3).
//
// The defaults are the files default.toml and seat.toml in this folder, read by the same code: a key that an
// operator's file leaves out has the value that it has there.
package config

import (
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

//go:embed default.toml
var defaultConfig []byte

//go:embed seat.toml
var defaultSeat []byte

// Config is what a run is made of.
type Config struct {
	Seat     Seat
	SeatFile string  // as written, "" for the built-in seat; Load has read it into Seat, Parse has not
	Rate     float64 // of the loop, Hz
	Sources  []Source
	Live     string // name of the source that is live first
	Profile  Profile
}

// Source is one [sources.NAME].
type Source struct {
	Name     string
	Adapter  string   // name of a built-in adapter, or ""
	Command  []string // folder or program and its arguments, where it is not built in
	SHA256   string   // the pin over the adapter's folder, lower-case hex
	Settings map[string]string
}

// Profile says how the vehicle's motion becomes the seat's.
type Profile struct {
	Mode      string  // "washout", "follow" or "predictive"
	Class     string  // of vehicle, such as "aeroplane"
	Intensity float64 // 0 to 1
}

// Simulated is the port of the seat that is not there.
const Simulated = "simulated"

// Bounds of what a file may say. The loop's are those of the seat link's frame time.
const (
	minRate = 50
	maxRate = 1000
	maxFile = 1 << 20 // bytes; a file of this kind has thousands
)

// Default is the configuration without a file: the simulated seat with the reference geometry, and the demo source.
func Default() Config {
	c, err := parse("default.toml", defaultConfig, Config{Seat: DefaultSeat()})
	if err != nil {
		panic(err) // embedded; the tests read it
	}
	return c
}

// DefaultText is the default configuration as a file, comments included.
func DefaultText() []byte { return append([]byte(nil), defaultConfig...) }

// DefaultSeatText is the default seat as a file, comments included.
func DefaultSeatText() []byte { return append([]byte(nil), defaultSeat...) }

// Load reads a configuration file and the seat file that it names, if it names one. The error is Faults, with
// everything that is wrong in either, where it is about what the files say.
func Load(path string) (Config, error) {
	data, err := readFile(path, "configuration")
	if err != nil {
		return Config{}, err
	}
	c, err := Parse(path, data)
	var faults Faults
	if err != nil && !errors.As(err, &faults) {
		return Config{}, err
	}
	if c.SeatFile != "" {
		seatPath := c.SeatFile
		if !filepath.IsAbs(seatPath) {
			seatPath = filepath.Join(filepath.Dir(path), seatPath)
		}
		port := c.Seat.Port
		seat, err := LoadSeat(seatPath)
		var more Faults
		switch {
		case errors.As(err, &more):
			faults = append(faults, more...)
		case err != nil:
			faults = append(faults, Fault{File: path, Key: "seat_file", Message: err.Error()})
		}
		c.Seat = seat
		if port != "" {
			c.Seat.Port = port
		}
	}
	if len(faults) > 0 {
		return Config{}, faults
	}
	return c, nil
}

func readFile(path, what string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: there is no such %s file; check the path, or leave it out for the defaults", path, what)
	case err != nil:
		return nil, fmt.Errorf("%w; check the path and its permissions", err)
	case info.IsDir():
		return nil, fmt.Errorf("%s: is a folder; name the %s file in it", path, what)
	case info.Size() > maxFile:
		return nil, fmt.Errorf("%s: has %d bytes, and no %s file has more than %d; check the path", path, info.Size(), what, maxFile)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%w; check its permissions", err)
	}
	return data, nil
}

// Parse reads a configuration from memory; name is for messages. It opens nothing: a seat file is only named in the
// result, whose Seat then holds no more than the port, if there is one. With Faults as the error, the result holds
// SeatFile and Seat.Port and nothing that could be used.
func Parse(name string, data []byte) (Config, error) {
	return parse(name, data, Default())
}

func parse(name string, data []byte, base Config) (Config, error) {
	root, faults := read(name, data)
	c := base
	top := &section{file: name, node: root, faults: &faults}

	top.quantity("rate", Frequency, minRate, maxRate, &c.Rate)

	var port string
	if top.string("seat", &port) {
		if message := checkPort(port); message != "" {
			top.fault(root.find("seat").line, "seat", "%s", message)
			port = ""
		}
		c.Seat.Port = port
	}
	if top.string("seat_file", &c.SeatFile) {
		if c.SeatFile == "" {
			top.fault(root.find("seat_file").line, "seat_file", "is empty; give the path of a seat file, or remove it for the built-in seat")
		}
		c.Seat = Seat{Port: port}
	}

	if port != "" && port != Simulated && c.SeatFile == "" {
		// The reference geometry would be a guess about a machine that somebody sits on.
		top.fault(root.find("seat").line, "seat", "names a port, and the mechanism behind it is not known; add seat_file = \"seat.toml\" with its measures and limits")
	}

	profile := top.sub("profile")
	profile.choice("mode", &c.Profile.Mode, "washout", "follow", "predictive")
	profile.choice("class", &c.Profile.Class, Classes()...)
	profile.quantity("intensity", Ratio, 0, 1, &c.Profile.Intensity)
	profile.done()

	readSources(top, &c)
	top.done()
	faults.sort()
	if len(faults) > 0 {
		return Config{SeatFile: c.SeatFile, Seat: Seat{Port: port}}, faults
	}
	return c, nil
}

// Classes are the vehicle classes that a profile may name.
func Classes() []string {
	return []string{"aeroplane", "glider", "helicopter", "multirotor", "ground", "car", "boat"}
}

func readSources(top *section, c *Config) {
	sources := top.sub("sources")
	var names []string
	if sources.node != nil {
		// A file that names sources has those and no others; the first is live unless it says which.
		c.Sources, c.Live = nil, ""
		for _, n := range sources.node.table {
			s := sources.sub(n.key)
			c.Sources = append(c.Sources, readSource(s, n))
			names = append(names, n.key)
		}
		if len(names) == 0 {
			sources.fault(0, "", "names no source; add a table such as [sources.demo] with adapter = \"demo\"")
		} else {
			c.Live = names[0]
		}
	} else {
		for _, s := range c.Sources {
			names = append(names, s.Name)
		}
	}
	top.choice("live", &c.Live, names...)
}

func readSource(s *section, n *node) Source {
	out := Source{Name: n.key}
	if !validName(n.key) {
		s.fault(n.line, "", "is no name for a source; use up to 40 lower-case letters, digits, - and _, with a letter first")
	}
	hasAdapter := s.string("adapter", &out.Adapter)
	command := s.ask("command")
	if command != nil {
		out.Command = s.commandOf(command)
	}
	hasPin := s.string("sha256", &out.SHA256)
	switch {
	case s.node == nil: // said so already
	case s.node.find("adapter") != nil && command != nil:
		s.fault(command.line, "command", "given beside adapter; keep adapter for a built-in one, command for any other")
	case s.node.find("adapter") == nil && command == nil:
		s.fault(0, "", "has neither adapter nor command; add adapter = \"demo\" for a built-in one, or command = [\"path\"] and sha256")
	case command != nil && s.node.find("sha256") == nil:
		s.fault(command.line, "command", "has no sha256 beside it; a program named in a file must be pinned: add sha256 = \"...\" of the adapter's folder")
	}
	if hasAdapter && !validName(out.Adapter) {
		s.fault(s.node.find("adapter").line, "adapter", "%q is no name of a built-in adapter; for a program of your own write command = [%q] and sha256", out.Adapter, out.Adapter)
	}
	if hasPin {
		out.SHA256 = strings.ToLower(out.SHA256)
		if b, err := hex.DecodeString(out.SHA256); err != nil || len(b) != 32 {
			s.fault(s.node.find("sha256").line, "sha256", "is not 64 hexadecimal digits; copy the whole sum")
		} else if hasAdapter {
			s.fault(s.node.find("sha256").line, "sha256", "given for a built-in adapter, which needs no pin; remove it")
		}
	}
	settings := s.sub("settings")
	out.Settings = settings.texts()
	s.done()
	return out
}

func (s *section) commandOf(n *node) []string {
	var out []string
	for _, c := range n.list {
		if c.kindName() != "text" || c.text == "" && len(out) == 0 {
			out = nil
			break
		}
		out = append(out, c.text)
	}
	if len(out) == 0 {
		s.fault(n.line, "command", "is not a list of texts; write command = [\"path\", \"argument\"]")
	}
	return out
}

// validName keeps names apart from paths and from the dot of --set SOURCE.KEY.
func validName(s string) bool {
	if s == "" || len(s) > 40 || s[0] < 'a' || s[0] > 'z' {
		return false
	}
	return strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-_") == ""
}

// checkPort says what is wrong with the address of a seat: simulated, a port, or usb:VID:PID[:SERIAL].
func checkPort(port string) string {
	if port == "" {
		return "is empty; use \"simulated\", a serial port, or \"usb:VID:PID\""
	}
	rest, usb := strings.CutPrefix(port, "usb:")
	if !usb {
		if distance(strings.ToLower(port), "simulated") <= 2 && port != "simulated" {
			return fmt.Sprintf("%q is not known; did you mean simulated?", port)
		}
		return ""
	}
	parts := strings.SplitN(rest, ":", 3)
	ok := len(parts) >= 2 && (len(parts) == 2 || parts[2] != "")
	for _, p := range parts[:min(2, len(parts))] {
		b, err := hex.DecodeString(p)
		ok = ok && err == nil && len(b) == 2
	}
	if !ok {
		return fmt.Sprintf("%q is no USB identity; write usb:VID:PID or usb:VID:PID:SERIAL with four hexadecimal digits each, such as \"usb:1a2b:3c4d\"", port)
	}
	return ""
}

// ParseSets reads what --set was given: KEY=VALUE while there is one source, SOURCE.KEY=VALUE where there are several
// (and allowed with one). The result is for each source its settings; the error is Faults, with all that is wrong.
func ParseSets(sets []string, sources []string) (map[string]map[string]string, error) {
	out := map[string]map[string]string{}
	var faults Faults
	fail := func(text, format string, args ...any) {
		faults = append(faults, Fault{Key: "--set " + text, Message: fmt.Sprintf(format, args...)})
	}
	for _, text := range sets {
		key, value, ok := strings.Cut(text, "=")
		key = strings.TrimSpace(key)
		if !ok || key == "" {
			fail(text, "is not KEY=VALUE; write --set KEY=VALUE")
			continue
		}
		source, rest, dotted := strings.Cut(key, ".")
		switch {
		case len(sources) == 0:
			fail(text, "there is no source to set it for; add --source NAME")
			continue
		case dotted && rest == "":
			fail(text, "has no key after %s.; write --set %s.KEY=VALUE", source, source)
			continue
		case dotted:
			known := false
			for _, s := range sources {
				known = known || s == source
			}
			if !known {
				fail(text, "there is no source %q; %s", source, suggest(source, sources))
				continue
			}
			key = rest
		case len(sources) > 1:
			fail(text, "does not say which of %d sources it is for; write --set %s.%s=%s or another of %s",
				len(sources), sources[0], key, value, strings.Join(sources, ", "))
			continue
		default:
			source = sources[0]
		}
		if out[source] == nil {
			out[source] = map[string]string{}
		}
		if first, twice := out[source][key]; twice {
			fail(text, "given twice for %s, first as %q; keep one", source, first)
			continue
		}
		out[source][key] = value
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return out, nil
}
