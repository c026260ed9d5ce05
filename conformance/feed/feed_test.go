package feed

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"

	"perch/sdk/capture"
)

// asSource is the environment variable that makes this test program a source (TestProgram).
const asSource = "PERCH_TEST_SOURCE"

func TestMain(m *testing.M) {
	switch os.Getenv(asSource) {
	case "send":
		conn, err := net.Dial("udp", os.Getenv("PERCH_FEED"))
		if err != nil {
			os.Exit(3)
		}
		for {
			_, _ = conn.Write([]byte(strings.Join(os.Args[1:], " ")))
			time.Sleep(5 * time.Millisecond)
		}
	case "fail":
		fmt.Println("no map is loaded")
		os.Exit(4)
	}
	os.Exit(m.Run())
}

// written makes a capture of n packets, apart by gap: "packet 0\n" and so on.
func written(t *testing.T, n int, gap time.Duration) string {
	t.Helper()
	var b bytes.Buffer
	w := capture.NewLineWriter(&b)
	for i := range n {
		if err := w.Write(capture.Packet{Time: int64(i) * int64(gap), Data: packet(i)}); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "some.capture")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func packet(i int) []byte { return fmt.Appendf(nil, "packet %d\n", i) }

func lines(n int) string {
	var b strings.Builder
	for i := range n {
		b.Write(packet(i))
	}
	return b.String()
}

// running counts the feeds that start started.
var running atomic.Int64

// start starts a feed and closes it at the end of the test; nothing of it may be left then.
func start(t *testing.T, path string, d Delivery) *Feed {
	t.Helper()
	address, f, err := Start(t.Context(), path, d)
	if err != nil {
		t.Fatal(err)
	}
	if address != f.Address() || address == "" {
		t.Errorf("address %q and %q", address, f.Address())
	}
	running.Add(1)
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		if running.Add(-1) == 0 {
			nothingLeft(t)
		}
		if f.folder != "" {
			if _, err := os.Stat(f.folder); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("its folder is left: %v", err)
			}
		}
	})
	return f
}

// nothingLeft waits until no goroutine of a feed runs.
func nothingLeft(t *testing.T) {
	t.Helper()
	var stacks []byte
	for range 200 {
		stacks = make([]byte, 1<<20)
		stacks = stacks[:runtime.Stack(stacks, true)]
		if !bytes.Contains(stacks, []byte("perch/conformance/feed.(*")) {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("goroutines are left:\n%s", stacks)
}

// ended waits until all was delivered.
func ended(t *testing.T, f *Feed) {
	t.Helper()
	select {
	case <-f.Done():
	case <-time.After(20 * time.Second):
		t.Fatalf("it does not end: %+v", f.Counts())
	}
	if err := f.Err(); err != nil {
		t.Fatal(err)
	}
}

func listenUDP(t *testing.T, at string) *net.UDPConn {
	t.Helper()
	conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.MustParseAddrPort(at)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// next is the datagram that comes within d.
func next(conn *net.UDPConn, d time.Duration) (string, error) {
	buf := make([]byte, 70_000)
	_ = conn.SetReadDeadline(time.Now().Add(d))
	n, err := conn.Read(buf)
	return string(buf[:n]), err
}

const long = 10 * time.Second

// The port is opened long after the feed began: nothing before that is lost.
func TestDatagrams(t *testing.T) {
	f := start(t, written(t, 20, 5*time.Millisecond), Delivery{Way: UDP})
	time.Sleep(100 * time.Millisecond)
	conn := listenUDP(t, f.Address())
	for i := range 20 {
		if got, err := next(conn, long); err != nil || got != string(packet(i)) {
			t.Fatalf("%q, %v; want %q", got, err, packet(i))
		}
	}
	ended(t, f)
	if c := f.Counts(); c.Packets != 20 || c.Dropped != 0 || c.Loops != 1 {
		t.Errorf("%+v", c)
	}
}

// A reader that sleeps loses nothing when it sets the pace.
func TestDatagramsAsFastAsTaken(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux tells how much waits at a port")
	}
	const n = 3000
	f := start(t, written(t, n, time.Minute), Delivery{Way: UDP, Speed: AsFastAsTaken})
	conn := listenUDP(t, f.Address())
	for i := range n {
		if i%1000 == 0 {
			time.Sleep(100 * time.Millisecond)
		}
		if got, err := next(conn, long); err != nil || got != string(packet(i)) {
			t.Fatalf("%q, %v; want %q", got, err, packet(i))
		}
	}
	ended(t, f)
}

func TestClientOfTheFeed(t *testing.T) {
	f := start(t, written(t, 50, time.Millisecond), Delivery{Way: TCP, Loops: 2})
	time.Sleep(50 * time.Millisecond)
	conn, err := net.Dial("tcp", f.Address())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := conn.Write([]byte("subscribe")); err != nil {
		t.Fatal(err)
	}
	want := lines(50) + lines(50)
	got := make([]byte, len(want))
	if _, err := io.ReadFull(conn, got); err != nil || string(got) != want {
		t.Fatalf("%q, %v", got, err)
	}
	ended(t, f)
	for end := time.Now().Add(long); f.Counts().Answered != 9 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	if c := f.Counts(); c.Answered != 9 || c.Packets != 100 || c.Loops != 2 {
		t.Errorf("%+v", c)
	}
}

func TestServerOfTheFeed(t *testing.T) {
	f := start(t, written(t, 50, time.Millisecond), Delivery{Way: TCPClient})
	time.Sleep(50 * time.Millisecond)
	l, err := net.Listen("tcp", f.Address())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	conn, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	got := make([]byte, len(lines(50)))
	if _, err := io.ReadFull(conn, got); err != nil || string(got) != lines(50) {
		t.Fatalf("%q, %v", got, err)
	}
	ended(t, f)
}

func TestGrowingFile(t *testing.T) {
	f := start(t, written(t, 50, time.Millisecond), Delivery{Way: File})
	if _, err := os.Stat(f.Address()); err != nil {
		t.Fatal(err)
	}
	ended(t, f)
	if got, err := os.ReadFile(f.Address()); err != nil || string(got) != lines(50) {
		t.Errorf("%q, %v", got, err)
	}
}

func TestCopy(t *testing.T) {
	path := written(t, 500, time.Millisecond)
	original, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	read := func(v Variant, seed uint64) []byte {
		f := start(t, path, Delivery{Way: Capture, Variant: v, Seed: seed})
		ended(t, f)
		if filepath.Base(f.Address()) != "some.capture" {
			t.Errorf("%s: its name is lost", f.Address())
		}
		b, err := os.ReadFile(f.Address())
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if !bytes.Equal(read(Intact, 0), original) {
		t.Error("the copy is not the capture")
	}
	spoiled := read(Flipped, 1)
	if bytes.Equal(spoiled, original) || len(spoiled) != len(original) {
		t.Error("it is not spoiled, or its length is")
	}
	if !bytes.Equal(spoiled, read(Flipped, 1)) || bytes.Equal(spoiled, read(Flipped, 2)) {
		t.Error("the seed does not say how it is spoiled")
	}
}

// A flow out of a network capture, sent as bytes.
func TestChosenFlow(t *testing.T) {
	path := filepath.Join("..", "..", "sdk", "capture", "testdata", "tcp.pcap")
	if _, _, err := Start(t.Context(), path, Delivery{Way: TCP}); err == nil || !strings.Contains(err.Error(), "choose one") {
		t.Fatalf("error %v, want that one is to be chosen", err)
	}
	f := start(t, path, Delivery{Way: File, Select: capture.Selection{FromPort: 5760}})
	ended(t, f)
	// What testdata/make.py sends.
	if got, err := os.ReadFile(f.Address()); err != nil || string(got) != "abcdefghijk" {
		t.Errorf("%q, %v", got, err)
	}
	if f.Summary().Format != capture.Pcap || f.Summary().Packets != 4 {
		t.Errorf("%+v", f.Summary())
	}
}

// Deadlines count from the first packet: what one sleep oversleeps the next one makes good. The last packet is never
// early, and late only by one delay, whatever a busy machine does.
func TestTheClockDoesNotDrift(t *testing.T) {
	const n, gap = 400, 2 * time.Millisecond
	f := start(t, written(t, n, gap), Delivery{Way: UDP})
	conn := listenUDP(t, f.Address())
	var first, last time.Time
	for i := range n {
		if _, err := next(conn, long); err != nil {
			t.Fatal(err)
		}
		last = time.Now()
		if i == 0 {
			first = last
		}
	}
	// The first one may have been read late.
	if d := last.Sub(first); d < (n-1)*gap-200*time.Millisecond || d > (n-1)*gap+2*time.Second {
		t.Errorf("%v, want %v", d, (n-1)*gap)
	}
}

// eachWay runs a test by every way. take waits for some bytes; false: none came within d.
func eachWay(t *testing.T, test func(t *testing.T, f *Feed, take func(d time.Duration) bool)) {
	path := written(t, 100, 2*time.Millisecond)
	t.Run("udp", func(t *testing.T) {
		f := start(t, path, Delivery{Way: UDP, Loops: -1})
		conn := listenUDP(t, f.Address())
		test(t, f, func(d time.Duration) bool {
			_, err := next(conn, d)
			return err == nil
		})
	})
	t.Run("tcp", func(t *testing.T) {
		f := start(t, path, Delivery{Way: TCP, Loops: -1})
		var conn net.Conn
		test(t, f, func(d time.Duration) bool {
			buf := make([]byte, 1000)
			for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(time.Millisecond) {
				if conn == nil {
					if conn, _ = net.Dial("tcp", f.Address()); conn == nil {
						continue
					}
					t.Cleanup(func() { _ = conn.Close() })
				}
				_ = conn.SetReadDeadline(end)
				n, err := conn.Read(buf)
				if n > 0 {
					return true
				}
				if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
					_ = conn.Close()
					conn = nil
				}
			}
			return false
		})
	})
	t.Run("tcp_client", func(t *testing.T) {
		f := start(t, path, Delivery{Way: TCPClient, Loops: -1})
		l, err := net.Listen("tcp", f.Address())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = l.Close() })
		var conn net.Conn
		test(t, f, func(d time.Duration) bool {
			buf := make([]byte, 1000)
			for end := time.Now().Add(d); time.Now().Before(end); {
				if conn == nil {
					_ = l.(*net.TCPListener).SetDeadline(end)
					if conn, err = l.Accept(); err != nil {
						conn = nil
						continue
					}
					t.Cleanup(func() { _ = conn.Close() })
				}
				_ = conn.SetReadDeadline(end)
				n, err := conn.Read(buf)
				if n > 0 {
					return true
				}
				if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
					_ = conn.Close()
					conn = nil
				}
			}
			return false
		})
	})
	t.Run("file", func(t *testing.T) {
		f := start(t, path, Delivery{Way: File, Loops: -1})
		size := func() int64 {
			info, err := os.Stat(f.Address())
			if err != nil {
				return -1
			}
			return info.Size()
		}
		test(t, f, func(d time.Duration) bool {
			was := size()
			for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(time.Millisecond) {
				if n := size(); n > max(was, 0) {
					return true
				}
			}
			return false
		})
	})
	t.Run("serial", func(t *testing.T) { eachSerial(t, path, test) })
	t.Run("program", func(t *testing.T) {
		f := start(t, "", Delivery{Way: Program, Command: itself(t, "send")})
		conn := listenUDP(t, f.Address())
		test(t, f, func(d time.Duration) bool {
			_, err := next(conn, d)
			return err == nil
		})
	})
}

// itself is this test program as a source.
func itself(t *testing.T, do string, args ...string) []string {
	t.Setenv(asSource, do)
	return append([]string{os.Args[0]}, args...)
}

// silent takes what was on its way, then wants nothing more.
func silent(t *testing.T, what string, take func(time.Duration) bool) {
	t.Helper()
	for range 1000 {
		if !take(100 * time.Millisecond) {
			return
		}
	}
	t.Errorf("it goes on while it is %s", what)
}

func TestPauseAndLossAndReturn(t *testing.T) {
	eachWay(t, func(t *testing.T, f *Feed, take func(time.Duration) bool) {
		must := func(what string, err error) {
			t.Helper()
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
		}
		if !take(long) {
			t.Fatalf("nothing comes: %+v", f.Counts())
		}
		must("pause", f.Pause())
		silent(t, "paused", take)
		must("resume", f.Resume())
		if !take(long) {
			t.Fatalf("nothing comes after the pause: %+v", f.Counts())
		}
		must("lose", f.Lose())
		if f.address.path != "" && f.program == nil {
			if _, err := os.Lstat(f.address.path); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("the path is still there: %v", err)
			}
		}
		silent(t, "lost", take)
		must("restore", f.Restore())
		if !take(long) {
			t.Fatalf("nothing comes after the loss: %+v", f.Counts())
		}
	})
}

// A feed that nobody takes, one that is paused and one that is lost end with their context, at once and whole.
func TestEndsWithItsContext(t *testing.T) {
	path := written(t, 10, time.Second)
	for _, way := range Ways() {
		for _, do := range []string{"nobody", "paused", "lost"} {
			ctx, cancel := context.WithCancel(t.Context())
			d := Delivery{Way: way, Paused: do == "paused"}
			if way == Program {
				d.Command = itself(t, "send")
			}
			_, f, err := Start(ctx, path, d)
			if err != nil {
				if way == Serial && runtime.GOOS == "windows" {
					cancel()
					continue
				}
				t.Fatal(err)
			}
			if do == "lost" {
				if err := f.Lose(); err != nil {
					t.Error(err)
				}
			}
			time.Sleep(5 * time.Millisecond)
			cancel()
			select {
			case <-f.closed:
			case <-time.After(long):
				t.Fatalf("%s, %s: it does not end", way, do)
			}
			if err := f.Close(); err != nil {
				t.Errorf("%s, %s: %v", way, do, err)
			}
			if err := f.Restore(); err != nil {
				t.Errorf("%s, %s: %v", way, do, err)
			}
			nothingLeft(t)
		}
	}
}

// Feeds that run side by side have ports of their own, whether the adapter has opened them yet or not.
func TestManyAtOnce(t *testing.T) {
	path := written(t, 1, 0)
	ports := map[string]bool{}
	for range 20 {
		for _, way := range []Way{UDP, TCP, TCPClient} {
			f := start(t, path, Delivery{Way: way})
			if ports[f.Address()] {
				t.Errorf("%s is given twice", f.Address())
			}
			ports[f.Address()] = true
		}
	}
}

func TestProgram(t *testing.T) {
	f := start(t, written(t, 1, 0), Delivery{Way: Program, Command: itself(t, "send", "--to={feed.port}", "--of={capture}")})
	conn := listenUDP(t, f.Address())
	_, port, _ := net.SplitHostPort(f.Address())
	got, err := next(conn, long)
	if want := "--to=" + port + " --of=" + f.path; err != nil || got != want {
		t.Errorf("%q, %v; want %q", got, err, want)
	}
}

func TestProgramThatFails(t *testing.T) {
	_, f, err := Start(t.Context(), "", Delivery{Way: Program, Command: itself(t, "fail")})
	if err != nil {
		t.Fatal(err)
	}
	<-f.Done()
	err = f.Close()
	if err == nil || !strings.Contains(err.Error(), "exit status 4") || !strings.Contains(err.Error(), "no map is loaded") {
		t.Errorf("error %v, want how it ended and what it said", err)
	}
	nothingLeft(t)
}

func TestFill(t *testing.T) {
	network := address{way: UDP, host: "127.0.0.1", port: 40123, capture: "/a/b.pcap"}
	serial := address{way: Serial, path: "/tmp/x/serial", capture: "/a/b.tlog"}
	tests := []struct {
		at              address
		in, want, wrong string
	}{
		{network, "udp://{feed}", "udp://127.0.0.1:40123", ""},
		{network, "{feed.port}", "40123", ""},
		{network, "{feed.host} {other} {", "127.0.0.1 {other} {", ""},
		{network, "{capture}", "/a/b.pcap", ""},
		{network, "{feed.path}", "", "write {feed}, which is 127.0.0.1:40123"},
		{network, "{feed.prot}", "", "{feed.prot}"},
		{serial, "{feed}", "/tmp/x/serial", ""},
		{serial, "{feed.path}", "/tmp/x/serial", ""},
		{serial, "port={feed.port}", "", "a feed by serial has none"},
		{address{way: Program, host: "127.0.0.1", port: 1}, "{capture}", "", "has none"},
	}
	for _, x := range tests {
		got, err := x.at.fill(x.in)
		if got != x.want || (err == nil) != (x.wrong == "") || err != nil && !strings.Contains(err.Error(), x.wrong) {
			t.Errorf("%s: %q, %v; want %q, %q", x.in, got, err, x.want, x.wrong)
		}
	}
}

func TestWhatCannotBeDelivered(t *testing.T) {
	path := written(t, 1, 0)
	for want, d := range map[string]Delivery{
		"no such way":               {Way: "pigeon"},
		"above 0":                   {Way: UDP, Speed: -1},
		`variant "mild"`:            {Way: UDP, Variant: "mild"},
		"no command":                {Way: Program},
		"install it":                {Way: Program, Command: []string{"no-such-program-here"}},
		"cannot be made flood":      {Way: Program, Command: []string{"x"}, Variant: Flood},
		"a feed by program has non": {Way: Program, Command: []string{os.Args[0], "{feed.prot}"}},
	} {
		if _, _, err := Start(t.Context(), path, d); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", d, err, want)
		}
	}
	stream := filepath.Join("..", "..", "sdk", "capture", "testdata", "stream.pcap")
	if _, _, err := Start(t.Context(), stream, Delivery{Way: UDP}); err == nil || !strings.Contains(err.Error(), "no datagrams") {
		t.Errorf("a stream by udp: %v", err)
	}
	nothingLeft(t)
}

// Each variant is what it says, always the same for one seed.
func TestVariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		variant := rapid.SampledFrom(Variants()).Draw(t, "variant")
		seed := rapid.Uint64().Draw(t, "seed")
		packets := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 1, 100), 1, 10).Draw(t, "packets")
		one, other := newVary(variant, seed), newVary(variant, seed)
		for _, p := range packets {
			was := bytes.Clone(p)
			got := one.packet(p)
			if !slices.EqualFunc(got, other.packet(p), bytes.Equal) {
				t.Fatal("not the same again")
			}
			if !bytes.Equal(p, was) {
				t.Fatal("the capture itself was changed")
			}
			switch g := got[0]; variant {
			case Truncated:
				if len(g) >= len(p) || !bytes.HasPrefix(p, g) {
					t.Fatalf("%x out of %x", g, p)
				}
			case Flipped:
				if turned := bits(g, p); len(g) != len(p) || turned < 1 || turned > 7 {
					t.Fatalf("%x out of %x", g, p)
				}
			case Random:
				if len(g) != len(p) {
					t.Fatalf("%x out of %x", g, p)
				}
			case Oversized:
				if len(g) != 65507 || !bytes.HasPrefix(g, p) { // the longest datagram, RFC 768 and RFC 791
					t.Fatalf("%d bytes out of %x", len(g), p)
				}
			case Flood:
				for _, g := range got {
					if len(got) != 10 || !bytes.Equal(g, p) {
						t.Fatalf("%x out of %x", got, p)
					}
				}
			}
		}
	})
	if bytes.Equal(newVary(Random, 1).packet(packet(1))[0], newVary(Random, 2).packet(packet(1))[0]) {
		t.Error("another seed gives the same")
	}
}

func bits(a, b []byte) (n int) {
	for i := range min(len(a), len(b)) {
		for x := a[i] ^ b[i]; x != 0; x &= x - 1 {
			n++
		}
	}
	return n
}

func TestVariantsAreDelivered(t *testing.T) {
	path := written(t, 20, time.Millisecond)
	for _, v := range Variants() {
		t.Run(string(v), func(t *testing.T) {
			d := Delivery{Way: UDP, Variant: v, Seed: 7}
			if v == Oversized {
				d.Speed = AsFastAsTaken // a port's queue holds two or three of them
			}
			f := start(t, path, d)
			conn := listenUDP(t, f.Address())
			want := newVary(v, 7)
			for i := range 20 {
				for _, p := range want.packet(packet(i)) {
					if got, err := next(conn, long); err != nil || got != string(p) {
						t.Fatalf("%.60q, %v; want %.60q", got, err, p)
					}
				}
			}
		})
	}
}
