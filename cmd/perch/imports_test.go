package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// mayImport says, for the longest folder that a file lies in, which folders of this module it may import.
var mayImport = map[string][]string{
	"proto":                       {"proto"},
	"sdk":                         {"proto", "sdk"},
	"sdk/vehicle":                 {},
	"adapters":                    {"sdk", "adapters"},
	"host":                        {"sdk", "host"},
	"host/pose":                   {},
	"host/mechanism":              {"host/pose"},
	"host/estimate":               {"sdk/vehicle"},
	"host/cueing":                 {"sdk/vehicle", "host/estimate", "host/perception", "host/pose"},
	"host/guard":                  {"host/pose", "host/mechanism", "host/guard"},
	"host/source":                 {"sdk/vehicle", "host/pose"},
	"host/plugin":                 {"proto/adapter/v1", "sdk"},
	"host/seat":                   {"proto/seatlink", "host/seat"},
	"host/awake":                  {},
	"host/ride":                   {"proto/seatlink", "sdk", "host"},
	"host/measure":                {"proto/seatlink", "sdk", "host"},
	"host/jog":                    {"proto/seatlink", "host"},
	"host/signs":                  {"sdk"},
	"host/perception":             {"host/pose", "sdk/vehicle"},
	"host/preview":                {"sdk", "host/pose", "host/source", "host/estimate", "host/cueing", "host/mechanism", "host/guard", "host/chain", "host/perception"},
	"host/commissioning":          {"proto/seatlink", "host"},
	"host/chain":                  {"sdk/vehicle", "host/pose", "host/source", "host/estimate", "host/cueing", "host/mechanism", "host/guard"},
	"host/commissioning/drawing":  {"host/config", "host/mechanism", "host/pose"},
	"host/commissioning/measures": {"host/config", "host/commissioning/drawing"},
	"host/commissioning/travel":   {"host/pose", "host/mechanism", "host/guard"},
	"host/commissioning/sizing":   {"host/pose", "host/mechanism", "host/guard"},
	"conformance":                 {"sdk", "proto", "host/plugin", "conformance"},
	"conformance/report":          {},
	"conformance/feed":            {"sdk/capture"},
	"conformance/controller":      {"proto/seatlink", "conformance/report"},
	"cmd":                         {"proto", "sdk", "adapters", "host", "conformance"},
}

// TestDataFlowsOneWay holds the import rules of DEVELOPERS.md. Tests may import what they need of their own layer.
func TestDataFlowsOneWay(t *testing.T) {
	const root = "../.."
	err := filepath.WalkDir(root, func(file string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := filepath.ToSlash(strings.TrimPrefix(file, root+string(filepath.Separator)))
		if entry.IsDir() && (strings.HasPrefix(entry.Name(), ".") && file != root || entry.Name() == "testdata" || entry.Name() == "node_modules") {
			return fs.SkipDir
		}
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		allowed, ok := rule(path.Dir(name))
		if !ok {
			t.Errorf("%s: no rule says what this folder may import", name)
			return nil
		}
		source, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, source, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range parsed.Imports {
			imported, _ := strconv.Unquote(spec.Path.Value)
			inside, ours := strings.CutPrefix(imported, "perch/")
			if ours && !within(inside, allowed) && inside != path.Dir(name) {
				t.Errorf("%s imports %s; from here only %v", name, imported, allowed)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func rule(folder string) ([]string, bool) {
	for ; folder != "."; folder = path.Dir(folder) {
		if allowed, ok := mayImport[folder]; ok {
			return allowed, true
		}
	}
	return nil, false
}

func within(folder string, allowed []string) bool {
	for _, a := range allowed {
		if folder == a || strings.HasPrefix(folder, a+"/") {
			return true
		}
	}
	return false
}
