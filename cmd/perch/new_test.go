package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"perch/sdk/capture"
)

// withLanguages lets a script build Go from the modules that are here already, without a network, and gives it the Python
// that PERCH_PYTHON names, or else the system's own.
func withLanguages(e *testscript.Env) error {
	out, err := exec.Command("go", "env", "GOCACHE", "GOMODCACHE").Output()
	if err != nil {
		return fmt.Errorf("go env: %w", err)
	}
	folders := strings.Fields(string(out))
	e.Setenv("GOCACHE", folders[0])
	e.Setenv("GOMODCACHE", folders[1])
	e.Setenv("GOPROXY", "off")
	e.Setenv("GOSUMDB", "off")
	e.Setenv("GOTOOLCHAIN", "local")
	python := os.Getenv("PERCH_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	if _, err := os.Stat(python); err != nil {
		return nil //nolint:nilerr // the condition python says so
	}
	bin := filepath.Join(e.WorkDir, ".bin")
	if err := os.Mkdir(bin, 0o700); err != nil {
		return err
	}
	e.Setenv("PATH", bin+string(os.PathListSeparator)+e.Getenv("PATH"))
	e.Setenv("PYTHONDONTWRITEBYTECODE", "1")
	return os.Symlink(python, filepath.Join(bin, "python3"))
}

// condition is [long], where PERCH_LONG is set, or [python], an interpreter that an adapter can run on; where
// PERCH_TEST_PYTHON is set that has to be there.
func condition(name string) (bool, error) {
	switch name {
	case "long":
		return os.Getenv("PERCH_LONG") != "", nil
	case "python":
	default:
		return false, fmt.Errorf("no condition %q", name)
	}
	python := os.Getenv("PERCH_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	out, err := exec.Command(python, "-c", "import grpc, google.protobuf, cryptography").CombinedOutput()
	if err != nil && os.Getenv("PERCH_TEST_PYTHON") != "" {
		return false, fmt.Errorf("PERCH_TEST_PYTHON: install python3-grpcio, python3-protobuf and python3-cryptography: %w: %s", err, out)
	}
	return err == nil, nil
}

// play sends a capture as datagrams, at its own pace and for 30 s at most.
func play(file, address string) error {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	to, err := net.Dial("udp", address)
	if err != nil {
		return err
	}
	r, err := capture.NewReplay(file, 1)
	if err != nil {
		return err
	}
	for {
		c, err := r.Read(ctx)
		if errors.Is(err, io.EOF) || ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		_, _ = to.Write(c.Bytes) // nobody may be listening yet
	}
}
