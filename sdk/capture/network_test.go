package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// read is all that a capture holds, each packet as a line, times from the first.
func read(t *testing.T, path string) (lines []string, format Format) {
	t.Helper()
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	first := int64(-1)
	for {
		p, err := f.Read()
		if errors.Is(err, io.EOF) {
			return lines, f.Format()
		}
		if err != nil {
			t.Fatal(err)
		}
		if first < 0 {
			first = p.Time
		}
		text := string(p.Data)
		if len(text) > 30 {
			text = fmt.Sprintf("%d bytes, sum %x", len(text), sum(p.Data))
		}
		line := fmt.Sprintf("%.3f %q", float64(p.Time-first)/1e9, text)
		if p.Protocol != None {
			line = fmt.Sprintf("%.3f %v %v>%v %q", float64(p.Time-first)/1e9, p.Protocol, p.From, p.To, text)
		}
		if p.Missing > 0 {
			line += fmt.Sprintf(" missing %d", p.Missing)
		}
		lines = append(lines, line)
	}
}

var byAddress = cmp.Comparer(func(a, b netip.AddrPort) bool { return a == b })

func sum(b []byte) (n uint32) {
	for i, c := range b {
		n += uint32(i+1) * uint32(c)
	}
	return n
}

// The files are made by testdata/make.sh, by tools that share no code with the reader; what they hold stands there.
func TestCapturesOfOtherTools(t *testing.T) {
	big := make([]byte, 3000)
	for i := range big {
		big[i] = byte(i % 251)
	}
	whole := fmt.Sprintf("%q", fmt.Sprintf("3000 bytes, sum %x", sum(big)))
	const (
		ahead  = "192.0.2.1:49000>192.0.2.2:14550"
		ahead6 = "[2001:db8::1]:49000>[2001:db8::2]:14550"
		stream = "192.0.2.1:5760>192.0.2.2:50000"
	)
	tests := []struct {
		file   string
		format Format
		want   []string
	}{
		{"datagrams.pcapng", Pcapng, []string{`0.000 udp ` + ahead + ` "roll 1\n"`, `0.020 udp ` + ahead + ` "roll 2\n"`}},
		{"stream.pcap", Pcap, []string{`0.000 tcp ` + stream + ` "123"`, `0.500 tcp ` + stream + ` "4567"`}},
		{"mixed.pcap", Pcap, []string{
			`0.000 udp 192.0.2.1:50001>192.0.2.53:53 "look-up"`,
			`0.100 udp ` + ahead + ` "vlan"`,
			`0.200 udp ` + ahead6 + ` "six"`,
			`0.300 udp 192.0.2.2:14550>192.0.2.1:49000 "answer"`,
			`0.400 udp ` + ahead + ` "x"`,
		}},
		{"fragments.pcap", Pcap, []string{`0.000 udp ` + ahead + ` "between"`, `0.200 udp ` + ahead + ` ` + whole, `0.420 udp ` + ahead6 + ` ` + whole}},
		{"tcp.pcap", Pcap, []string{
			`0.000 tcp ` + stream + ` "abc"`,
			`0.200 tcp ` + stream + ` "def"`,
			`0.200 tcp ` + stream + ` "ghi"`,
			`0.400 tcp ` + stream + ` "jk"`,
			`0.500 tcp 192.0.2.2:50000>192.0.2.1:5760 "thanks"`,
		}},
		{"middle.pcap", Pcap, []string{
			`0.000 tcp ` + stream + ` "first "`,
			`0.100 tcp ` + stream + ` "second "`,
			`2.500 tcp ` + stream + ` "after" missing 5`,
			`2.500 tcp ` + stream + ` " end"`,
		}},
		{"cut.pcap", Pcap, []string{`0.000 udp ` + ahead + ` "012345678901234567" missing 32`}},
		{"any.pcap", Pcap, []string{`0.000 udp 127.0.0.1:59492>127.0.0.1:49000 "roll 1\n"`}},
		{"cooked.pcap", Pcap, []string{`0.000 udp ` + ahead + ` "cooked"`}},
		{"raw.pcap", Pcap, []string{`0.000 udp ` + ahead + ` "raw"`}},
	}
	for _, x := range tests {
		t.Run(x.file, func(t *testing.T) {
			got, format := read(t, filepath.Join("testdata", x.file))
			if d := cmp.Diff(x.want, got); d != "" || format != x.format {
				t.Errorf("%s, want %s; %s", format, x.format, d)
			}
		})
	}
}

func TestTimesOfNetworkCaptures(t *testing.T) {
	// From make.sh and make.py.
	for file, want := range map[string]int64{"raw.pcap": 1_700_000_000_123_456_789, "mixed.pcap": 1_700_000_000_000_001_000, "stream.pcap": 1_699_963_200_000_000_000} {
		f, err := Open(filepath.Join("testdata", file))
		if err != nil {
			t.Fatal(err)
		}
		if p, err := f.Read(); err != nil || p.Time != want {
			t.Errorf("%s: %d, %v; want %d", file, p.Time, err, want)
		}
		_ = f.Close()
	}
}

func TestOneFlow(t *testing.T) {
	tests := []struct {
		file    string
		choose  Selection
		packets int
		wrong   []string
	}{
		{"datagrams.pcapng", Selection{}, 2, nil},
		{"mixed.pcap", Selection{}, 0, []string{"4 flows", "2 packets udp to 192.0.2.2:14550", "choose one"}},
		{"mixed.pcap", Selection{ToPort: 49000}, 1, nil},
		{"mixed.pcap", Selection{Protocol: UDP, FromPort: 50001}, 1, nil},
		{"mixed.pcap", Selection{ToPort: 9}, 0, []string{"nothing of what was chosen", "udp to 192.0.2.53:53"}},
		{"mixed.pcap", Selection{Protocol: TCP}, 0, []string{"nothing of what was chosen"}},
		{"tcp.pcap", Selection{FromPort: 5760}, 4, nil},
		{"middle.pcap", Selection{}, 0, []string{"packet 3", "5 bytes are missing", "before it"}},
		{"cut.pcap", Selection{}, 0, []string{"packet 1", "32 bytes are missing", "without a limit"}},
	}
	for _, x := range tests {
		sum, err := One(filepath.Join("testdata", x.file), x.choose)
		if (err == nil) != (x.wrong == nil) || err == nil && sum.Packets != x.packets {
			t.Errorf("%s %+v: %+v, %v; want %d packets", x.file, x.choose, sum, err, x.packets)
			continue
		}
		for _, w := range x.wrong {
			if !strings.Contains(err.Error(), w) || !strings.Contains(err.Error(), x.file) {
				t.Errorf("%s: %q does not say %q", x.file, err, w)
			}
		}
	}
}

func TestCutShortEndsEarly(t *testing.T) {
	for _, name := range []string{"datagrams.pcapng", "stream.pcap"} {
		b, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, b[:len(b)-3], 0o600); err != nil {
			t.Fatal(err)
		}
		if lines, _ := read(t, path); len(lines) != 1 {
			t.Errorf("%s: %q, want its first packet", name, lines)
		}
	}
}

func TestWhatIsNoCapture(t *testing.T) {
	tests := map[string][]string{
		"":                                    {"is empty"},
		"hello, world\n":                      {"neither pcap", "tlog"},
		"\x00\x01\x02\x03\x04\x05":            {"neither pcap", "with their times"},
		"\xa1\xb2\xc3\xd4\x00\x09":            {"pcap", "head is wrong"},
		"\x0a\x0d\x0d\x0a\x00\x00":            {"pcapng", "head is wrong"},
		"\x1f\x8b????????????????????":        {"gzip"},
		"perch capture 1\n0.1 hex 0":          {"line 2", "1 hex digits"},
		"perch capture 1\n0.1 hex zz":         {"line 2", "pairs of 0-9 and a-f"},
		"perch capture 1\n\n0.1 binary":       {"line 3", `"binary" is not a kind`, "hex, text or crlf"},
		"perch capture 1\n0.1\n":              {"line 2", "nothing else"},
		"perch capture 1\n1,5 text x":         {"line 2", `"1,5" is not a time`},
		"0.1 a\nb\n":                          {"line 2", `"b" is not a time`},
		"1700000000123456789 a\n":             {"neither pcap"},
		"0.1 a\n0.1234567891 b\n":             {"line 2", "one to nine decimals"},
		"0.1 " + strings.Repeat("a", 300<<10): {"line 1", "longer than"},
	}
	for text, wants := range tests {
		path := filepath.Join(t.TempDir(), "some.capture")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := Open(path)
		for err == nil {
			_, err = f.Read()
		}
		for _, want := range append(wants, path) {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%.30q: %q does not say %q", text, err, want)
			}
		}
		if f != nil {
			_ = f.Close()
		}
	}
}

// What is written reads back, of both IP versions, in the order and at the times given.
func TestPcapWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var file bytes.Buffer
		w, err := NewPcapWriter(&file)
		if err != nil {
			t.Fatal(err)
		}
		var want []Packet
		at := int64(1_700_000_000_000_000_000)
		for range rapid.IntRange(0, 8).Draw(t, "packets") {
			ip := rapid.SampledFrom([][2]string{{"192.0.2.1", "192.0.2.2"}, {"2001:db8::1", "2001:db8::2"}}).Draw(t, "addresses")
			port := func(name string) uint16 { return rapid.Uint16Min(1).Draw(t, name) }
			at += rapid.Int64Range(0, 1e9).Draw(t, "later")
			p := Packet{
				Time: at, Protocol: rapid.SampledFrom([]Protocol{UDP, TCP}).Draw(t, "protocol"),
				From: netip.AddrPortFrom(netip.MustParseAddr(ip[0]), port("from")), To: netip.AddrPortFrom(netip.MustParseAddr(ip[1]), port("to")),
				Data: rapid.SliceOfN(rapid.Byte(), 1, 2000).Draw(t, "data"),
			}
			if err := w.Write(p); err != nil {
				t.Fatal(err)
			}
			want = append(want, p)
		}
		r, format, err := New(&file)
		if err != nil || format != Pcap {
			t.Fatal(format, err)
		}
		var got []Packet
		for {
			p, err := r.Read()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			p.Data = bytes.Clone(p.Data)
			got = append(got, p)
		}
		if d := cmp.Diff(want, got, byAddress); d != "" {
			t.Fatal(d)
		}
	})
}

func TestPcapWriterRefuses(t *testing.T) {
	w, err := NewPcapWriter(io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	four, six := netip.MustParseAddrPort("192.0.2.1:1"), netip.MustParseAddrPort("[2001:db8::1]:1")
	for want, p := range map[string]Packet{
		"both addresses":  {Protocol: UDP, From: four, To: six},
		"neither UDP":     {From: four, To: four},
		"longest":         {Protocol: UDP, From: four, To: four, Data: make([]byte, 65508)},
		"addresses are n": {Protocol: TCP},
	} {
		if err := w.Write(p); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", p.Protocol, err, want)
		}
	}
	// The longest there are (RFC 768, RFC 791), and a stream's bytes of any length.
	for _, p := range []Packet{{Protocol: UDP, From: four, To: four, Data: make([]byte, 65507)}, {Protocol: TCP, From: four, To: four, Data: make([]byte, 200_000)}} {
		if err := w.Write(p); err != nil {
			t.Error(err)
		}
	}
}

// Whatever a file holds: no panic, no end without an error or EOF, and no more bytes than the file has, times what
// compression and fragments can hide.
func FuzzNetwork(f *testing.F) {
	files, err := filepath.Glob("testdata/*.pcap*")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		r, _, err := New(bytes.NewReader(b))
		if err != nil {
			return
		}
		for range 2*len(b) + 10 {
			p, err := r.Read()
			if err != nil {
				return
			}
			if len(p.Data) > 1<<20 {
				t.Fatalf("a packet of %d bytes", len(p.Data))
			}
		}
		t.Fatalf("a file of %d bytes does not end", len(b))
	})
}

func BenchmarkPcap(b *testing.B) {
	var file bytes.Buffer
	w, err := NewPcapWriter(&file)
	if err != nil {
		b.Fatal(err)
	}
	at := netip.MustParseAddrPort("192.0.2.1:1")
	for i := range 1000 {
		if err := w.Write(Packet{Time: int64(i), Protocol: UDP, From: at, To: at, Data: make([]byte, 100)}); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(int64(file.Len()))
	b.ReportAllocs()
	for b.Loop() {
		r, _, err := New(bytes.NewReader(file.Bytes()))
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, err := r.Read(); err != nil {
				break
			}
		}
	}
}

// endless is a file that goes on for ever.
type endless struct {
	head, rest []byte
	read       int
}

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		if e.read < len(e.head) {
			p[i] = e.head[e.read]
		} else {
			p[i] = e.rest[(e.read-len(e.head))%len(e.rest)]
		}
		e.read++
	}
	return len(p), nil
}

// Small compressed files unpack to as much as they like: what is no packet ends with an error, long before memory does.
func TestFilesWithoutEnd(t *testing.T) {
	section := []byte{0x0a, 0x0d, 0x0d, 0x0a, 28, 0, 0, 0, 0x4d, 0x3c, 0x2b, 0x1a, 1, 0, 0, 0, 255, 255, 255, 255, 255, 255, 255, 255, 28, 0, 0, 0}
	link := []byte{1, 0, 0, 0, 20, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 20, 0, 0, 0} // an interface description (draft-ietf-opsawg-pcapng, 4.2)
	long := append([]byte{6, 0, 0, 0, 255, 255, 255, 127}, make([]byte, 12)...)
	pcap := []byte{0xd4, 0xc3, 0xb2, 0xa1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 255, 255, 255, 255, 1, 0, 0, 0}
	huge := []byte{0, 0, 0, 0, 0, 0, 0, 0, 255, 255, 255, 127, 255, 255, 255, 127}
	for name, x := range map[string]struct {
		file endless
		want string
	}{
		"interfaces":    {endless{head: section, rest: link}, "no packet in the last 8 MiB"},
		"a long block":  {endless{head: append(bytes.Clone(section), link...), rest: long}, ""},
		"a long packet": {endless{head: append(bytes.Clone(pcap), huge...), rest: []byte{0}}, "frame 1"},
		"one line":      {endless{head: []byte(linesHeader + "\n"), rest: []byte("0")}, "line 2 is longer"},
	} {
		r, _, err := New(&x.file)
		for n := 0; err == nil && n < 1000; n++ {
			_, err = r.Read()
		}
		if err == nil || !strings.Contains(err.Error(), x.want) || x.file.read > 32<<20 {
			t.Errorf("%s: %v after %d bytes, want %q", name, err, x.file.read, x.want)
		}
	}
}
