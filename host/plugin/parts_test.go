package plugin

import (
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/encoding"
	"google.golang.org/protobuf/proto"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
	"perch/sdk/vehicle"
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
		"plain": "plain", "a\x1b[2Jb\nc": "a [2Jb c", "\xff\xfe": "", "ütf": "ütf", "\u202eevil": "evil",
	} {
		if got := tidy(in, 20); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	if got := tidy(strings.Repeat("x", 30), 20); got != strings.Repeat("x", 20)+"…" {
		t.Error(got)
	}
}

// TestExactlyTheChildsCertificate: nothing but the certificate of the handshake is taken, not even one it signed.
func TestExactlyTheChildsCertificate(t *testing.T) {
	host, _, err := identity()
	if err != nil {
		t.Fatal(err)
	}
	child, _, err := identity()
	if err != nil {
		t.Fatal(err)
	}
	other, _, err := identity()
	if err != nil {
		t.Fatal(err)
	}
	signed := signedBy(t, child)
	pool := x509.NewCertPool() // as go-plugin fills it from the handshake
	leaf, err := x509.ParseCertificate(child.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(leaf)
	for _, c := range []struct {
		name   string
		shown  []byte // in the handshake
		server tls.Certificate
		most   uint16
		right  bool
	}{
		{"the same", child.Certificate[0], child, tls.VersionTLS13, true},
		{"another", child.Certificate[0], other, tls.VersionTLS13, false},
		{"one that it signed", child.Certificate[0], signed, tls.VersionTLS13, false},
		{"no handshake", nil, child, tls.VersionTLS13, false},
		{"an old version", child.Certificate[0], child, tls.VersionTLS12, false},
	} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			b, err := l.Accept()
			if err != nil {
				return
			}
			_ = tls.Server(b, &tls.Config{Certificates: []tls.Certificate{c.server}, ClientAuth: tls.RequireAnyClientCert, MinVersion: tls.VersionTLS12, MaxVersion: c.most}).Handshake()
			_, _ = io.Copy(io.Discard, b)
			_ = b.Close()
		}()
		a, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		_ = a.SetDeadline(time.Now().Add(30 * time.Second))
		conf := secure(host, func() []byte { return c.shown })
		conf.RootCAs = pool
		err = tls.Client(a, conf).Handshake()
		if (err == nil) != c.right {
			t.Errorf("%s: %v", c.name, err)
		}
		_, _ = a.Close(), l.Close()
	}
	// Before the handshake nothing is trusted.
	if n := len(secure(host, nil).RootCAs.Subjects()); n != 0 { //nolint:staticcheck // the pool is ours
		t.Errorf("%d roots", n)
	}
}

// TestNoDecompressor: where one is linked, a small message can unfold to what the limit on messages is there to stop,
// and the host can be made to spend its time on it.
func TestNoDecompressor(t *testing.T) {
	if encoding.GetCompressor("gzip") != nil {
		t.Error("grpc/encoding/gzip is linked: whatever imports it must not")
	}
}

// signedBy makes a certificate for localhost that another has signed.
func signedBy(t *testing.T, ca tls.Certificate) tls.Certificate {
	t.Helper()
	parent, err := x509.ParseCertificate(ca.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := identity()
	if err != nil {
		t.Fatal(err)
	}
	mine, err := x509.ParseCertificate(c.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.CreateCertificate(rand.Reader, mine, parent, mine.PublicKey, ca.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	c.Certificate = [][]byte{der}
	return c
}

// BenchmarkMessage is what one message costs the host beside gRPC: decoding, its size, validation.
func BenchmarkMessage(b *testing.B) {
	var s vehicle.State
	s.SourceTime, s.ObservedAt = 1, 1
	for x := range vehicle.SignalCount {
		s.Put(x, 0)
	}
	s.Put(vehicle.AttitudeW, 1)
	w := &adapterv1.StreamStatesResponse{}
	w.SetState(sdk.ToWire(&s))
	bytes, err := proto.Marshal(w)
	if err != nil {
		b.Fatal(err)
	}
	m := &adapterv1.StreamStatesResponse{}
	b.ReportAllocs()
	for b.Loop() {
		if err := proto.Unmarshal(bytes, m); err != nil {
			b.Fatal(err)
		}
		if proto.Size(m) == 0 {
			b.Fatal("empty")
		}
		if err := sdk.FromWire(m.GetState(), &s); err != nil {
			b.Fatal(err)
		}
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
