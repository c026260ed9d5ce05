package plugin

import (
	"io"
	"log/slog"

	"github.com/hashicorp/go-hclog"
)

// logger takes go-plugin's own words to the debug log. Its named children are off: go-plugin gives one of them
// the adapter's stderr, and its parser panics on a line such as {"@message":5}.
type logger struct {
	hclog.Logger // the null logger, for what is not overridden
	log          *slog.Logger
}

func newLogger(log *slog.Logger) hclog.Logger {
	return logger{Logger: hclog.NewNullLogger(), log: log}
}

func (l logger) Log(_ hclog.Level, msg string, args ...any) { l.log.Debug(msg, args...) }
func (l logger) Debug(msg string, args ...any)              { l.log.Debug(msg, args...) }
func (l logger) Info(msg string, args ...any)               { l.log.Debug(msg, args...) }
func (l logger) Warn(msg string, args ...any)               { l.log.Debug(msg, args...) }
func (l logger) Error(msg string, args ...any)              { l.log.Debug(msg, args...) }
func (l logger) GetLevel() hclog.Level                      { return hclog.Debug }
func (l logger) IsDebug() bool                              { return true }
func (l logger) With(...any) hclog.Logger                   { return l }

func (l logger) Named(string) hclog.Logger {
	return hclog.New(&hclog.LoggerOptions{Level: hclog.Off, Output: io.Discard})
}

func (l logger) ResetNamed(name string) hclog.Logger { return l.Named(name) }
