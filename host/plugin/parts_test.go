package plugin

import (
	"io"
	"log/slog"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestEnvironment(t *testing.T) {
	got := environment([]string{"PATH=/bin", "SECRET_TOKEN=1", "LC_ALL=C", "LD_PRELOAD=x", "odd"}, []string{"MINE=1", "PLUGIN_X=0"}, []string{"PLUGIN_X=1"})
	want := []string{"PATH=/bin", "LC_ALL=C", "MINE=1", "PLUGIN_X=0", "PLUGIN_X=1", "PYTHONUNBUFFERED=1", "PYTHONDONTWRITEBYTECODE=1"}
	if runtime.GOOS == "windows" {
		want = append(want[:1], want[2:]...)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestBudget(t *testing.T) {
	b := budget{limit: time.Hour, from: time.Now()}
	begun := time.Now()
	for range 10 * perPeriod {
		b.spend(1, time.Now())
	}
	if d := time.Since(begun); d < 10*period {
		t.Errorf("200 messages in %v", d)
	}
	if b.score < 10*period {
		t.Errorf("score %v", b.score)
	}
	// An honest source at 1000 Hz that was held up for a second: 1000 messages at once, then its rhythm. The clock
	// is made up, so only the sleeps are real.
	b = budget{limit: time.Second, from: time.Now()}
	for range 1000 {
		if b.spend(1, time.Now()) {
			t.Fatal("a burst is taken for a flood")
		}
	}
	now := time.Now()
	for range 2000 {
		now = now.Add(time.Millisecond)
		if b.spend(1, now) {
			t.Fatal("1000 Hz is taken for a flood")
		}
	}
	if b.score != 0 {
		t.Errorf("score %v after 2 s of an honest rate", b.score)
	}
}

func TestTidy(t *testing.T) {
	for in, want := range map[string]string{
		"plain": "plain", "a\x1b[2Jb\nc": "a [2Jb c", "\xff\xfe": "", "ütf": "ütf", "‮evil": "evil",
	} {
		if got := tidy(in, 20); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	if got := tidy(strings.Repeat("x", 30), 20); got != strings.Repeat("x", 20)+"…" {
		t.Error(got)
	}
}

func FuzzHandshake(f *testing.F) {
	for _, s := range []string{"", "1|1|unix|/tmp/x/s|grpc|", "1|2|tcp|127.0.0.1:1|grpc|AAAA", "1|1|tcp|127.0.0.1:99999|grpc|AA=", "|||||||", "1|1|unix|/tmp/x/../y|grpc|a"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		cert, wrong := parseHandshake(line, "/tmp/x")
		if (cert == nil) == (wrong == nil) {
			t.Fatalf("%v %v", cert, wrong)
		}
		if wrong != nil && (wrong.what == "" || strings.ContainsAny(wrong.Error(), "\n\r\x1b")) {
			t.Fatalf("%q", wrong)
		}
	})
}

func FuzzOutput(f *testing.F) {
	f.Add([]byte(`{"@message":5}` + "\n" + `{"msg":"m","level":"INFO","k":[1]}` + "\npanic: x\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		o := newOutput(slog.New(slog.NewTextHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelDebug})), func() {})
		w := o.writer("stderr")
		if n, err := w.Write(b); n != len(b) || err != nil {
			t.Fatal(n, err)
		}
		w.flush()
		if len(o.words()) > keptLines {
			t.Fatal("too many words")
		}
		for _, s := range append(o.words(), o.lastWords()) {
			if strings.ContainsAny(s, "\n\r\x1b\x00") {
				t.Fatalf("%q", s)
			}
		}
	})
}

func BenchmarkOutputMuted(b *testing.B) {
	o := newOutput(slog.New(slog.DiscardHandler), func() {})
	line := []byte(strings.Repeat("spam ", 30))
	b.ReportAllocs()
	b.SetBytes(int64(len(line)))
	for b.Loop() {
		o.line("stderr", line, false)
	}
}
