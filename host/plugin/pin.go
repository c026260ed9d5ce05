package plugin

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// most files of an adapter's folder: a folder over this is more likely a mistake than an adapter.
const mostFiles = 20000

// Sum is the SHA-256 that a Program's pin is compared with, in hexadecimal.
//
// Where Dir is empty it is that of the file Command[0]. Where Dir is set it is that of the folder: one line for
// each regular file, "<sha256 in hexadecimal>  <path below Dir, with slashes>\n", the lines in the order of the
// paths' bytes, and the SHA-256 of these lines. In a shell:
//
//	find . -type f | cut -c3- | LC_ALL=C sort | xargs -d '\n' sha256sum | sha256sum
//
// A symbolic link or any other special file in the folder is an error, since what it leads to is not covered.
// Permissions are not covered, nor is an interpreter that lies outside the folder.
func Sum(p Program) (string, error) {
	if p.Dir != "" {
		return sumFolder(p.Dir)
	}
	if len(p.Command) == 0 {
		return "", fmt.Errorf("source %s: it has no command: give one", p.Name)
	}
	return sumFile(p.Command[0])
}

func sumFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close() //nolint:errcheck // it was only read
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func sumFolder(dir string) (string, error) {
	var names []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			return nil
		}
		if !d.Type().IsRegular() {
			return fmt.Errorf("%s is a %s: a pinned folder holds only files; copy what it leads to in its place", path, kind(d.Type()))
		}
		if len(names) == mostFiles {
			return fmt.Errorf("%s holds more than %d files: it is not an adapter's folder", dir, mostFiles)
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		names = append(names, filepath.ToSlash(name))
		return nil
	})
	if err != nil {
		return "", err
	}
	slices.Sort(names)
	h := sha256.New()
	for _, name := range names {
		sum, err := sumFile(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			return "", err
		}
		fmt.Fprintf(h, "%s  %s\n", sum, name)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func kind(m fs.FileMode) string {
	if m&fs.ModeSymlink != 0 {
		return "symbolic link"
	}
	return "special file"
}

// verify compares a program with its pin. It is done just before every start: a pin that was right once says
// nothing about the file that is there now.
func verify(p Program) error {
	if p.SHA256 == "" {
		return nil
	}
	what := p.Dir
	if what == "" && len(p.Command) > 0 {
		what = p.Command[0]
	}
	sum, err := Sum(p)
	if err != nil {
		return fmt.Errorf("source %s: cannot compare %s with its pin: %w", p.Name, what, err)
	}
	if !strings.EqualFold(sum, strings.TrimSpace(p.SHA256)) {
		return fmt.Errorf("source %s: %s is not what was pinned: wanted sha256 %s, found %s; if you changed or updated it yourself, pin the new sum, else do not run it",
			p.Name, what, strings.TrimSpace(p.SHA256), sum)
	}
	return nil
}
