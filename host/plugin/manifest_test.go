package plugin

import (
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
)

func TestLoadReadsAFolder(t *testing.T) {
	t.Setenv("PERCH_MANIFEST_TEST", "yes")
	interpreter := "sh"
	if runtime.GOOS == "windows" {
		interpreter = "cmd"
	}
	const good = "needs = [\"network\"]\nlicence = \"Apache-2.0\"\n"
	tests := []struct {
		name, manifest string
		want           []string // parts of the error; none: it is right
	}{
		{"a program", "command = [\"run\", \"-x\"]\n" + good, nil},
		{"an interpreter and a script", "command = [\"" + interpreter + "\", \"run\"]\n" + good, nil},
		{"a variable", "command = [\"run\"]\nenvironment = [\"PERCH_MANIFEST_TEST\"]\n" + good, nil},
		{"no command and no licence", "needs = [\"network\"]\n", []string{"command: is missing", "licence: is missing"}},
		{"outside the folder", "command = [\"../run\"]\n" + good, []string{"no file in the folder"}},
		{"an interpreter of nothing", "command = [\"" + interpreter + "\", \"-c\"]\n" + good, []string{"name the script"}},
		{"an unknown key", "comand = [\"run\"]\n" + good, []string{"adapter.toml:1:1: comand: unknown key", "command"}},
		{"an unknown need", "command = [\"run\"]\nneeds = [\"the moon\"]\nlicence = \"Apache-2.0\"\n", []string{`"the moon" is not known`, "shared memory"}},
		{"no TOML", "command = [", []string{"adapter.toml:1:"}},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			folder := t.TempDir()
			for name, text := range map[string]string{ManifestFile: x.manifest, "run": "#!/bin/sh\n"} {
				if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o700); err != nil {
					t.Fatal(err)
				}
			}
			p, _, err := Load(folder)
			if x.want == nil {
				if err != nil {
					t.Fatal(err)
				}
				if !slices.Contains(p.Command, filepath.Join(p.Dir, "run")) {
					t.Errorf("the command is %q, want the file of %s in it", p.Command, p.Dir)
				}
				if strings.Contains(x.manifest, "environment") && !slices.Contains(p.Env, "PERCH_MANIFEST_TEST=yes") {
					t.Errorf("the environment is %q", p.Env)
				}
				return
			}
			for _, part := range x.want {
				if err == nil || !strings.Contains(err.Error(), part) {
					t.Errorf("error %v, want %q in it", err, part)
				}
			}
		})
	}
	if _, _, err := Load(t.TempDir()); err == nil || !strings.Contains(err.Error(), "has no adapter.toml") {
		t.Errorf("a folder without a manifest gives %v", err)
	}
}
