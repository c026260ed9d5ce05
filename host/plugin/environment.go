package plugin

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// passed says whether a variable of the host's own environment goes to adapters. Everything else stays: an
// adapter has no business with the operator's tokens and sessions.
func passed(name string) bool {
	if runtime.GOOS == "windows" {
		switch strings.ToUpper(name) {
		case "PATH", "PATHEXT", "SYSTEMROOT", "SYSTEMDRIVE", "WINDIR", "COMSPEC", "TEMP", "TMP", "USERPROFILE",
			"APPDATA", "LOCALAPPDATA", "PROGRAMDATA", "NUMBER_OF_PROCESSORS", "PROCESSOR_ARCHITECTURE":
			return true
		}
		return false
	}
	switch name {
	case "PATH", "HOME", "USER", "LOGNAME", "TMPDIR", "TZ", "LANG", "LANGUAGE":
		return true
	}
	return strings.HasPrefix(name, "LC_")
}

// environment is the whole environment of a child: the few variables that are passed on, then the adapter's own,
// then what the handshake needs, which wins.
func environment(host, own, handshake []string) []string {
	var env []string
	for _, kv := range host {
		if name, _, ok := strings.Cut(kv, "="); ok && passed(name) {
			env = append(env, kv)
		}
	}
	env = append(env, own...)
	env = append(env, handshake...)
	return append(env,
		"PYTHONUNBUFFERED=1",        // else a handshake that is not flushed is never seen
		"PYTHONDONTWRITEBYTECODE=1", // else the first run changes the pinned folder
	)
}

// longest folder for sockets. A socket's path may have 103 bytes on the strictest system, and go-plugin adds a
// folder and a name of up to 40 together.
const longestFolder = 60

// folder makes a folder for the sockets of one child, which nobody else can enter.
func folder() (string, error) {
	var err error
	for _, base := range []string{os.Getenv("XDG_RUNTIME_DIR"), os.TempDir(), "/tmp"} {
		if base == "" || !filepath.IsAbs(base) || len(base)+len("/perch-4294967295") > longestFolder {
			continue
		}
		var dir string
		if dir, err = os.MkdirTemp(base, "perch-"); err == nil {
			return dir, nil
		}
	}
	if err == nil { // only paths that are too long, as on Windows, where no socket is made
		return os.MkdirTemp("", "perch-")
	}
	return "", err
}
