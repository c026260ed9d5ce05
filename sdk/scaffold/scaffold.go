// Package scaffold writes a new adapter: a small, complete, tested project in Go or Python, with the SDK beside it, so
// that it needs no checkout of this module.
package scaffold

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/template"

	"perch/proto"
	"perch/sdk"
)

// Language is what an adapter is written in.
type Language string

// The languages.
const (
	Go     Language = "go"
	Python Language = "python"
)

// Languages are all of them.
func Languages() []Language { return []Language{Go, Python} }

//go:embed templates
var templates embed.FS

// The module files of the SDK's copy; modules.sh makes them.
//
//go:generate bash modules.sh
var (
	//go:embed go.mod.txt
	moduleFile string
	//go:embed go.sum.txt
	moduleSums string
)

// longestName of an adapter.
const longestName = 40

// CheckName says what is wrong with an adapter's name, which is also the name of its folder and program.
func CheckName(name string) error {
	for i, c := range name {
		letter := c >= 'a' && c <= 'z'
		if !letter && (i == 0 || (c < '0' || c > '9') && c != '-') {
			return fmt.Errorf("adapter name %q: give lower case letters, digits and hyphens, a letter first, such as my-feed", name)
		}
	}
	switch {
	case name == "":
		return errors.New("adapter name: give one, such as my-feed")
	case len(name) > longestName:
		return fmt.Errorf("adapter name %q: it has %d letters; at most %d", name, len(name), longestName)
	case name == "perch", name == "captures", name == "main", name == "test":
		return fmt.Errorf("adapter name %q is taken: call it after the feed that it reads", name)
	case strings.HasSuffix(name, "-"):
		return fmt.Errorf("adapter name %q: it ends in a hyphen; leave that out", name)
	}
	return nil
}

// Write makes the project of an adapter in a new folder. A folder that is there already is refused, and after an error
// nothing is left behind.
func Write(folder, name string, in Language) (err error) {
	if err := CheckName(name); err != nil {
		return err
	}
	if in != Go && in != Python {
		return fmt.Errorf("language %q: give one of %s, %s", in, Go, Python)
	}
	if _, err := os.Lstat(folder); err == nil {
		return fmt.Errorf("%s is there already: give another name, or move it away", folder)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	files, err := project(name, in)
	if err != nil {
		return err
	}
	// A project comes whole or not at all.
	made, err := os.MkdirTemp(filepath.Dir(folder), ".new-*")
	if err != nil {
		return fmt.Errorf("new folder %s: %w", folder, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(made))
		}
	}()
	for file, content := range files {
		at := filepath.Join(made, filepath.FromSlash(file))
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil { //nolint:gosec // it is the author's source code
			return err
		}
		mode := fs.FileMode(0o644)
		if strings.HasSuffix(file, ".sh") {
			mode = 0o755
		}
		if err := os.WriteFile(at, content, mode); err != nil {
			return err
		}
	}
	if err := os.Chmod(made, 0o755); err != nil { //nolint:gosec // it is the author's source code
		return err
	}
	return os.Rename(made, folder)
}

// values are what the templates are filled with.
type values struct {
	Name      string
	Program   string // the first word of the manifest's command
	GoVersion string
	Modules   []string // lines of a go.mod, in order
}

// project is every file of a project, by its path with slashes.
func project(name string, in Language) (map[string][]byte, error) {
	files := map[string][]byte{}
	v := values{Name: name, Program: name}
	v.GoVersion, v.Modules = requirements(moduleFile)
	windows := runtime.GOOS == "windows"
	switch {
	case in == Go && windows:
		v.Program += ".exe"
	case in == Python && windows:
		v.Program = "python"
	case in == Python:
		v.Program = "python3"
	}
	for _, folder := range []string{"both", string(in)} {
		if err := fill(files, path.Join("templates", folder), v); err != nil {
			return nil, err
		}
	}
	var sample bytes.Buffer
	if err := writeSample(&sample); err != nil {
		return nil, err
	}
	files["captures/flight.txt"] = sample.Bytes()
	licence, err := sdk.Sources.ReadFile("LICENSE")
	if err != nil {
		return nil, err
	}
	if in == Python {
		files["perch_adapter/LICENSE"] = licence
		return files, copySources(files, sdk.Sources, "python/perch_adapter", "perch_adapter")
	}
	files["perch/LICENSE"] = licence
	files["go.sum"] = []byte(moduleSums)
	files["perch/go.mod"], files["perch/go.sum"] = []byte(moduleFile), []byte(moduleSums)
	if err := copySources(files, proto.Sources, ".", "perch/proto"); err != nil {
		return nil, err
	}
	return files, copySources(files, sdk.Sources, ".", "perch/sdk")
}

// fill fills each template of a folder.
func fill(files map[string][]byte, folder string, v values) error {
	entries, err := templates.ReadDir(folder)
	if err != nil {
		return err
	}
	for _, e := range entries {
		t, err := template.ParseFS(templates, path.Join(folder, e.Name()))
		if err != nil {
			return err
		}
		var b bytes.Buffer
		if err := t.Execute(&b, v); err != nil {
			return err
		}
		name := strings.TrimSuffix(e.Name(), ".tmpl")
		if name == "gitignore" {
			name = ".gitignore"
		}
		files[name] = b.Bytes()
	}
	return nil
}

// copySources takes the code that an author needs of a tree: no tests, no Python where the adapter is in Go, and not the
// file that embeds all this, which would miss the rest.
func copySources(files map[string][]byte, tree fs.FS, from, to string) error {
	return fs.WalkDir(tree, from, func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && from == "." && name == "python":
			return fs.SkipDir
		case d.IsDir(), strings.HasSuffix(name, "_test.go"), path.Base(name) == "sources.go", name == "LICENSE":
			return nil
		}
		content, err := fs.ReadFile(tree, name)
		inside := strings.TrimPrefix(strings.TrimPrefix(name, from), "/")
		files[path.Join(to, inside)] = content
		return err
	})
}

// requirements are the version of Go and the modules of a go.mod, each as a line of the adapter's own.
func requirements(file string) (version string, modules []string) {
	for line := range strings.Lines(file) {
		words := strings.Fields(line)
		switch {
		case len(words) == 2 && words[0] == "go":
			version = words[1]
		case len(words) >= 2 && strings.HasPrefix(words[1], "v"):
			line := words[0] + " " + words[1]
			if words[0] != "gonum.org/v1/gonum" { // vectors, which the adapter itself uses
				line += " // indirect"
			}
			modules = append(modules, line)
		}
	}
	slices.Sort(modules)
	return version, modules
}
