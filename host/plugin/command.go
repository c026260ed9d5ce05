package plugin

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
)

// Resolve finds the files of a command. The first word is a program in the folder, or an interpreter that this machine
// knows by its name; then the first of the other words that is a file in the folder is what it runs. Where outside is
// set, paths may lead out of the folder. It gives the command with the full paths of both, and which file is the
// adapter's own: the program, or what the interpreter runs.
func Resolve(folder string, command []string, outside bool) (resolved []string, own string, err error) {
	if len(command) == 0 {
		return nil, "", errors.New("is missing: name a program in the folder, or an interpreter and a script")
	}
	if folder, err = filepath.Abs(folder); err != nil {
		return nil, "", err
	}
	file := func(word string) (string, bool) {
		if !outside && !filepath.IsLocal(word) {
			return "", false
		}
		path := word
		if !filepath.IsAbs(path) {
			path = filepath.Join(folder, word)
		}
		info, err := os.Stat(path)
		return path, err == nil && info.Mode().IsRegular()
	}
	resolved = slices.Clone(command)
	if path, ok := file(command[0]); ok {
		resolved[0] = path
		return resolved, path, nil
	}
	if filepath.Base(command[0]) != command[0] {
		return nil, "", fmt.Errorf("%q is no file in the folder", command[0])
	}
	if resolved[0], err = exec.LookPath(command[0]); err != nil {
		return nil, "", fmt.Errorf("%q is neither a file in the folder nor a program on this machine: %w", command[0], err)
	}
	for i, word := range command[1:] {
		if path, ok := file(word); ok {
			resolved[i+1] = path
			return resolved, path, nil
		}
	}
	return nil, "", fmt.Errorf("%q starts no file of the folder: name the script", command)
}
