package sdk

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"time"

	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
)

// Serve is the main of an adapter program. It does not return before the host is done with the adapter. Call it before
// anything is printed: the first line on stdout belongs to the handshake; from then on printing does no harm.
//
// Logs go to stderr as JSON, one object a line with time, level and msg, those of packages log and slog too. The
// program ignores an interrupt, which a terminal sends to the host's whole group, and ends when the host closes the
// pipe on its stdin, as it also does when the host dies. Started by hand it says what it is and ends with status 1.
func Serve(a Adapter) {
	h := Handshake()
	if os.Getenv(h.MagicCookieKey) != h.MagicCookieValue {
		fmt.Fprintf(os.Stderr, "this is a perch adapter (%s %s: %s): start it with `perch watch PATH`\n", a.Name, a.Version, a.Summary)
		os.Exit(1)
	}
	if faults := a.Faults(); len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintf(os.Stderr, "the adapter's description is faulty: %v\n", f)
		}
		os.Exit(1)
	}
	// go-plugin replaces os.Stderr by a pipe of its own: this is the real one.
	log := slog.New(slog.NewJSONHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelDebug}))
	slog.SetDefault(log)
	// go-plugin ignores interrupts too, but only after the host has its first line.
	signal.Notify(make(chan os.Signal, 1), os.Interrupt)
	go endWithHost(os.Stdin)
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig:  h,
		VersionedPlugins: map[int]plugin.PluginSet{ProtocolVersion: {PluginName: &Plugin{Adapter: a, Log: log}}},
		GRPCServer:       plugin.DefaultGRPCServer,
		// The library's own words in our form: the host reads nothing else.
		Logger: hclog.New(&hclog.LoggerOptions{Level: hclog.Warn, Output: logLines{log}, DisableTime: true}),
	})
}

// endWithHost ends the program at the end of stdin, if that is a pipe: a host holds its other end for its whole life.
func endWithHost(stdin *os.File) {
	info, err := stdin.Stat()
	if err != nil || info.Mode()&(os.ModeNamedPipe|os.ModeSocket) == 0 {
		return
	}
	_, _ = io.Copy(io.Discard, stdin) // any error ends it too
	// The connection ends with the host, which cancels the streams: leave them a moment to close their sources.
	time.Sleep(200 * time.Millisecond)
	os.Exit(0)
}

// logLines makes a record of each write.
type logLines struct{ log *slog.Logger }

func (l logLines) Write(b []byte) (int, error) {
	l.log.Warn(strings.TrimSpace(string(b)))
	return len(b), nil
}
