package plugin

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

const (
	keptLines  = 20       // last words
	keptBytes  = 4096     // of one line; the rest of it is dropped
	lineRate   = 50       // lines a second that go to the log
	lineBurst  = 200      // lines that may come at once
	bytePause  = 64 << 10 // read at once; then a pause, which pushes back on the writer
	pauseEvery = 10 * time.Millisecond
)

// output takes everything that one child prints, over whichever way it comes: keeps the last words, and passes
// the lines on to the log at a bounded rate.
type output struct {
	log     *slog.Logger
	onMuted func() // once, when the first line is dropped

	mu     sync.Mutex
	last   []string
	panic  string // the line that a crash begins with
	crash  bool   // the lines of a crash follow
	tokens float64
	filled time.Time
	muted  uint64
	unsaid uint64 // muted lines that the log does not mention yet
}

func newOutput(log *slog.Logger, onMuted func()) *output {
	return &output{log: log, onMuted: onMuted, tokens: lineBurst, filled: time.Now()}
}

// writer splits one of the ways into lines. It is not for several goroutines.
func (o *output) writer(from string) *lines { return &lines{to: o, from: from} }

type lines struct {
	to    *output
	from  string
	part  []byte
	over  bool // the line is longer than what is kept of it
	bytes int
}

// Write never fails. It blocks for a moment when far too much comes.
func (l *lines) Write(p []byte) (int, error) {
	n := len(p)
	for len(p) > 0 {
		i := bytes.IndexByte(p, '\n')
		if i < 0 {
			l.keep(p)
			break
		}
		l.keep(p[:i])
		l.flush()
		p = p[i+1:]
	}
	if l.bytes += n; l.bytes >= bytePause {
		l.bytes = 0
		time.Sleep(pauseEvery)
	}
	return n, nil
}

func (l *lines) keep(p []byte) {
	if free := keptBytes - len(l.part); len(p) > free {
		p, l.over = p[:free], true
	}
	l.part = append(l.part, p...)
}

// flush ends the line that has begun.
func (l *lines) flush() {
	if len(l.part) > 0 {
		l.to.line(l.from, l.part, l.over)
	}
	l.part, l.over = l.part[:0], false
}

func (o *output) line(from string, b []byte, cut bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := time.Now()
	o.tokens = min(lineBurst, o.tokens+lineRate*now.Sub(o.filled).Seconds())
	o.filled = now
	// Above the rate a line is not even parsed, but the last words are kept: they say why it died.
	if o.tokens < 1 {
		o.remember(string(b[:min(len(b), 300)]))
		o.muted++
		o.unsaid++
		if o.muted == 1 {
			o.onMuted()
		}
		return
	}
	o.tokens--
	if o.unsaid > 0 {
		o.log.Warn("lines dropped: the adapter prints too much", "lines", o.unsaid)
		o.unsaid = 0
	}
	level, text, attrs := slog.LevelInfo, "", []slog.Attr(nil)
	structured := false
	if !cut && b[0] == '{' {
		level, text, attrs, structured = parseRecord(b)
	}
	if !structured {
		text = tidy(string(b), 1000)
		if o.crash || crashBegins(text) {
			level = slog.LevelError
		}
	}
	if text == "" {
		return
	}
	if level > slog.LevelDebug {
		said := text
		for _, a := range attrs {
			said += " " + a.Key + "=" + a.Value.String()
		}
		o.remember(said[:min(len(said), 300)])
	}
	o.log.LogAttrs(context.Background(), level, text, append(attrs, slog.String("from", from))...)
}

func crashBegins(s string) bool {
	return strings.HasPrefix(s, "panic: ") || strings.HasPrefix(s, "fatal error: ") || strings.HasPrefix(s, "Traceback (most recent")
}

// remember keeps a line as one of the last words. The first line of a crash is kept apart: its trace is longer
// than what is kept. Lines are made printable when they are read: few ever are.
func (o *output) remember(s string) {
	if s == "" {
		return
	}
	if crashBegins(s) {
		o.crash = true
		if o.panic == "" && !strings.HasPrefix(s, "Traceback") {
			o.panic = s
		}
	}
	if len(o.last) == keptLines {
		o.last = append(o.last[:0], o.last[1:]...)
	}
	o.last = append(o.last, s)
}

// words are the last lines, oldest first.
func (o *output) words() []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	w := slices.Clone(o.last)
	for i, s := range w {
		w[i] = tidy(s, 300)
	}
	return w
}

// lastWords is what a one-line message quotes.
func (o *output) lastWords() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.panic != "" {
		return tidy(o.panic, 300)
	}
	var said []string
	for _, s := range o.last[max(0, len(o.last)-3):] {
		if s = tidy(s, 300); s != "" {
			said = append(said, s)
		}
	}
	return strings.Join(said, " / ")
}

func (o *output) mutedLines() uint64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.muted
}

// parseRecord reads one record of a structured log, as Go's slog and hclog write it. Whatever has not the type
// that it should have makes the line a plain one.
func parseRecord(b []byte) (level slog.Level, text string, attrs []slog.Attr, ok bool) {
	var raw map[string]any
	if json.Unmarshal(b, &raw) != nil {
		return 0, "", nil, false
	}
	msg, okm := raw["msg"].(string)
	lev, okl := raw["level"].(string)
	if !okm {
		msg, okm = raw["@message"].(string)
		lev, okl = raw["@level"].(string)
	}
	if !okm || !okl {
		return 0, "", nil, false
	}
	if level.UnmarshalText([]byte(lev)) != nil {
		level = slog.LevelInfo
		if lev == "trace" {
			level = slog.LevelDebug
		}
	}
	level = min(max(level, slog.LevelDebug), slog.LevelError)
	keys := make([]string, 0, len(raw))
	for k := range raw {
		switch k {
		case "msg", "level", "time", "@message", "@level", "@timestamp", "@module":
		default:
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	for _, k := range keys[:min(len(keys), 16)] {
		var v string
		switch x := raw[k].(type) {
		case string:
			v = x
		default:
			j, err := json.Marshal(x)
			if err != nil {
				continue
			}
			v = string(j)
		}
		attrs = append(attrs, slog.String(tidy(k, 64), tidy(v, 300)))
	}
	return level, tidy(msg, 1000), attrs, true
}

// tidy makes one printable line of at most n characters of what an adapter wrote: no line breaks and no terminal
// sequences reach an operator's screen.
func tidy(s string, n int) string {
	var b strings.Builder
	count := 0
	for _, r := range s {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			r = ' '
		}
		if count == n {
			b.WriteString("…")
			break
		}
		b.WriteRune(r)
		count++
	}
	return strings.TrimSpace(b.String())
}
