package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// writeFile writes a file beside the old one and puts it in its place, so that there is always a whole one. What is no
// file but a device or a pipe, such as /dev/stdout, is written to as it is.
func writeFile(path string, write func(io.Writer) error) error {
	if strings.HasPrefix(filepath.ToSlash(filepath.Clean(path)), "/dev/") { // also where it leads to a file
		return writeInto(path, write)
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	mode := fs.FileMode(0o644)
	if info, err := os.Stat(path); err == nil {
		if info.IsDir() {
			return fmt.Errorf("%s is a folder; name a file in it", path)
		}
		if !info.Mode().IsRegular() {
			return writeInto(path, write)
		}
		mode = info.Mode().Perm()
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*")
	if err != nil {
		return fmt.Errorf("%w; name a file in a folder that exists and may be written to", err)
	}
	err = write(f)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

func writeInto(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}
