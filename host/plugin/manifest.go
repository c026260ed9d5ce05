package plugin

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// ManifestFile is the name of the manifest in an adapter's folder.
const ManifestFile = "adapter.toml"

// Manifest is what an adapter's folder says of itself: how to start it, what it needs, and under which licence it is
// given. It is read before anything of the folder is run, and the pin of the folder covers it.
type Manifest struct {
	// Command starts the adapter: a program in the folder, or an interpreter by its name and a script in the folder.
	Command []string `toml:"command"`
	// Needs is what the adapter reaches for: "network", "serial", "shared memory", "files".
	Needs []string `toml:"needs"`
	// Environment names the variables that are handed on to it, beside the few that every adapter gets.
	Environment []string `toml:"environment"`
	// Licence is an SPDX identifier, such as "Apache-2.0".
	Licence string `toml:"licence"`
}

var needs = []string{"network", "serial", "shared memory", "files"}

// Load reads the manifest of a folder and gives the program that it names. The error says everything that is wrong.
func Load(folder string) (Program, Manifest, error) {
	var m Manifest
	file := filepath.Join(folder, ManifestFile)
	data, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return Program{}, m, fmt.Errorf("adapter folder %q: it has no %s, which says how to start it; write one, or name the program itself", folder, ManifestFile)
	}
	if err != nil {
		return Program{}, m, fmt.Errorf("adapter folder %q: %w", folder, err)
	}
	if err := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(&m); err != nil {
		return Program{}, m, misread(file, err)
	}
	var faults []error
	fault := func(key, format string, a ...any) {
		faults = append(faults, fmt.Errorf("%s: %s: "+format, append([]any{file, key}, a...)...))
	}
	for _, n := range m.Needs {
		if !slices.Contains(needs, n) {
			fault("needs", "%q is not known; the words are %s", n, strings.Join(needs, ", "))
		}
	}
	for _, name := range m.Environment {
		if name == "" || strings.ContainsAny(name, "=\x00") {
			fault("environment", "%q is no name of a variable", name)
		}
	}
	if m.Licence == "" {
		fault("licence", "is missing: give an SPDX identifier, such as \"Apache-2.0\"")
	}
	p := Program{Name: filepath.Base(filepath.Clean(folder))}
	if p.Dir, err = filepath.Abs(folder); err != nil {
		fault("command", "%v", err)
	}
	if p.Name == "." || p.Name == ".." {
		p.Name = filepath.Base(p.Dir)
	}
	if p.Command, _, err = Resolve(p.Dir, m.Command, false); err != nil {
		fault("command", "%v", err)
	}
	for _, name := range m.Environment {
		if value, ok := os.LookupEnv(name); ok {
			p.Env = append(p.Env, name+"="+value)
		}
	}
	return p, m, errors.Join(faults...)
}

// misread puts file, line and column before what the parser says.
func misread(file string, err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var all []error
		for _, e := range strict.Errors {
			row, column := e.Position()
			all = append(all, fmt.Errorf("%s:%d:%d: %s: unknown key; the keys are command, needs, environment, licence", file, row, column, strings.Join(e.Key(), ".")))
		}
		return errors.Join(all...)
	}
	var decode *toml.DecodeError
	if errors.As(err, &decode) {
		row, column := decode.Position()
		return fmt.Errorf("%s:%d:%d: %w", file, row, column, err)
	}
	return fmt.Errorf("%s: %w", file, err)
}
