package seatlink

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Check value: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740. The others: Python's binascii.crc_hqx(data, 0xFFFF).
func TestChecksum(t *testing.T) {
	for in, want := range map[string]uint16{"123456789": 0x29B1, "": 0xFFFF, "\x00": 0xE1F0, "\x00\x00\x00\x00": 0x84C0, "\xFF": 0xFF00} {
		if got := Checksum([]byte(in)); got != want {
			t.Errorf("%q: %04X, want %04X", in, got, want)
		}
	}
}

// Figures 2 and 3: Cheshire & Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999.
// The others follow from the paper's rules by hand.
func TestCOBS(t *testing.T) {
	ones := func(n int) string { return strings.Repeat("01", n) }
	for _, c := range []struct{ name, in, want string }{
		{"figure 3", "4500002C4C79000040064F37", "024501042C4C79010540064F37"},
		{"figure 2", ones(679) + "00", "FF" + ones(254) + "FF" + ones(254) + "AC" + ones(171) + "01"},
		{"empty", "", "01"},
		{"zero", "00", "0101"},
		{"two zeros", "0000", "010101"},
		{"zeros around", "001100", "01021101"},
		{"zero inside", "11220033", "0311220233"},
		{"none", "11223344", "0511223344"},
		{"zeros at the end", "11000000", "0211010101"},
		{"254", ones(254), "FF" + ones(254)},
		{"255", ones(255), "FF" + ones(254) + "0201"},
	} {
		in, want := unhex(t, c.in), unhex(t, c.want)
		got := AppendCOBS([]byte{0xAA}, in)
		if !bytes.Equal(got[1:], want) || got[0] != 0xAA {
			t.Errorf("%s: %X, want %X", c.name, got[1:], want)
		}
		back, ok := UncobsInPlace(want)
		if !ok || !bytes.Equal(back, in) {
			t.Errorf("%s back: %X, %v", c.name, back, ok)
		}
	}
	// A final block of 254 has a second encoding.
	if back, ok := UncobsInPlace(unhex(t, "FF"+ones(254)+"01")); !ok || len(back) != 254 {
		t.Errorf("254 with a final 01: %d bytes, %v", len(back), ok)
	}
	for _, bad := range []string{"", "00", "0200", "03 11", "02110411"} {
		if back, ok := UncobsInPlace(unhex(t, bad)); ok {
			t.Errorf("%q decodes to %X", bad, back)
		}
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func limits15() AxisLimits {
	return AxisLimits{Low: -261_799_388, High: 261_799_388, Speed: 698_132, ReducedSpeed: 314_159, Acceleration: 5_236, Jerk: 87_266}
}

const hash15 = 0x250d5d5a // Python's zlib.crc32 over 02 and twice the bytes in testdata/vectors.txt

func TestHash(t *testing.T) {
	l := [MaxAxes]AxisLimits{limits15(), limits15()}
	if got := Hash(Axes{N: 2}, &l); got != hash15 {
		t.Errorf("%08x, want %08x", got, hash15)
	}
}

// The messages of testdata/vectors.txt, whose bytes another implementation made.
func messages() map[string]struct {
	sequence uint16
	message  Message
} {
	type m = struct {
		sequence uint16
		message  Message
	}
	six := &Setpoint{Axes: Axes{N: 6}}
	for i := range 6 {
		six.Position[i], six.Speed[i], six.Acceleration[i] = int32(i*1000000), int32(i*1000), int16(i)
	}
	return map[string]m{
		"setpoint-2-rad": {1, &Setpoint{Axes: Axes{N: 2}, Position: [6]int32{100000000, -1}, Speed: [6]int32{-500000}, Acceleration: [6]int16{250, -1}}},
		"setpoint-1-m":   {0xFFFF, &Setpoint{Axes: Axes{N: 1, Metres: true}, Position: [6]int32{1<<31 - 1}, Speed: [6]int32{-1 << 31}, Acceleration: [6]int16{-1 << 15}}},
		"setpoint-6-rad": {256, six},
		"hello-request":  {2, &HelloRequest{1, 1}},
		"status-request": {3, &Plain{TypeStatusRequest}},
		"home":           {4, &Plain{TypeHome}},
		"arm":            {5, &Arm{Nonce: 0x01020304, Hash: hash15, Period: 2000}},
		"arm-reduced":    {6, &Arm{Hash: hash15, Period: 4000, Reduced: true}},
		"disarm":         {7, &Plain{TypeDisarm}},
		"stop":           {8, &Plain{TypeStop}},
		"reset":          {9, &Plain{TypeReset}},
		"park":           {10, &Plain{TypePark}},
		"limits-read":    {11, &LimitsRead{1}},
		"limits-tighten": {12, &Limits{Tighten: true, Limits: AxisLimits{Low: -100_000_000, High: 100_000_000, Speed: 500_000, ReducedSpeed: 300_000, Acceleration: 5_000, Jerk: 80_000}}},
		"hello": {1, &Hello{Protocol: 1, State: StateDisarmed, Firmware: [3]uint8{1, 2, 3}, Simulated: true, ResetCause: ResetPower, Axes: Axes{N: 2},
			BootID: 0xDEADBEEF, OwnHash: hash15, Hash: hash15, Board: [16]byte([]byte("left seat\x00\x00\x00\x00\x00\x00\x00"))}},
		"hello-by-hand": {5, &Hello{Protocol: 1, State: StateDisarmed, Firmware: [3]uint8{1, 2, 3}, ByHand: true, ResetCause: ResetPower, Axes: Axes{N: 2},
			BootID: 0xDEADBEEF, OwnHash: hash15, Hash: hash15, Board: [16]byte([]byte("left seat\x00\x00\x00\x00\x00\x00\x00"))}},
		"status-armed": {2, &Status{State: StateArmed, Flags: FlagHomed | FlagSupply, BootID: 0xDEADBEEF, Nonce: 0x0A0B0C0D, LastSequence: 500, Heard: 501, Home: 2,
			CRCErrors: 1, Framing: 2, Late: 3, Refused: 4, LoopWorst: 120, Hash: hash15, Axes: Axes{N: 2}, Position: [6]int32{100000000, -1}}},
		"result": {3, &Answer{TypeArm, 5, ResultNonce}},
		"limits": {4, &Limits{Axis: 1, Limits: limits15()}},
	}
}

// empty gives a message to unmarshal into.
func empty(t Type) Message {
	switch t {
	case TypeSetpoint:
		return &Setpoint{}
	case TypeHelloRequest:
		return &HelloRequest{}
	case TypeArm:
		return &Arm{}
	case TypeLimitsRead:
		return &LimitsRead{}
	case TypeLimits, TypeLimitsTighten:
		return &Limits{Tighten: t == TypeLimitsTighten}
	case TypeHello:
		return &Hello{}
	case TypeStatus:
		return &Status{}
	case TypeResult:
		return &Answer{}
	}
	return &Plain{Kind: t}
}

func vectors(t testing.TB) (names []string, frames map[string][]byte) {
	t.Helper()
	text, err := os.ReadFile("testdata/vectors.txt")
	if err != nil {
		t.Fatal(err)
	}
	frames = map[string][]byte{}
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		parts := strings.SplitN(line, "|", 3)
		name := strings.TrimSpace(parts[0])
		names = append(names, name)
		frames[name] = unhex(t, strings.TrimSpace(parts[1]))
	}
	return names, frames
}

func TestVectors(t *testing.T) {
	want := messages()
	names, frames := vectors(t)
	seen := 0
	var d Decoder
	var f Frame
	for _, name := range names {
		_, _ = d.Write(frames[name])
		if strings.HasPrefix(name, "bad-") {
			if d.Next(&f) {
				t.Errorf("%s: taken", name)
			}
			continue
		}
		seen++
		w, ok := want[name]
		if !ok || !d.Next(&f) {
			t.Errorf("%s: known %v, not read", name, ok)
			continue
		}
		got := empty(f.Type)
		if err := got.Unmarshal(f.Payload); err != nil || f.Sequence != w.sequence {
			t.Errorf("%s: %v, sequence %d", name, err, f.Sequence)
		}
		if diff := cmp.Diff(w.message, got); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
		var e Encoder
		e.SetSequence(w.sequence - 1)
		if again := e.Append(nil, w.message); !bytes.Equal(again, frames[name]) {
			t.Errorf("%s: % x, want % x", name, again, frames[name])
		}
		if len(frames[name]) > MaxEncoded {
			t.Errorf("%s: %d bytes", name, len(frames[name]))
		}
	}
	if seen != len(want) {
		t.Errorf("%d vectors of %d", seen, len(want))
	}
	if c := d.Counts(); c != (Counts{Frames: uint64(seen), CRC: 1, Framing: 3}) {
		t.Errorf("counts %+v", c)
	}
}

// Every single-bit error in every vector is noticed, and costs at most one frame more: that after it.
func TestSingleBitErrors(t *testing.T) {
	names, frames := vectors(t)
	stop := frames["stop"]
	for _, name := range names {
		if strings.HasPrefix(name, "bad-") {
			continue
		}
		good := frames[name]
		for i := range 8 * len(good) {
			b := bytes.Clone(good)
			b[i/8] ^= 1 << (i % 8)
			var d Decoder
			_, _ = d.Write(b)
			_, _ = d.Write(stop)
			_, _ = d.Write(stop)
			var f Frame
			n := 0
			for d.Next(&f) {
				n++
				if f.Type != TypeStop || f.Sequence != 8 || len(f.Payload) != 0 {
					t.Fatalf("%s, bit %d: taken as %v", name, i, f)
				}
			}
			lastByte := i/8 == len(good)-1 // the delimiter: glued to the next frame
			whole := n == 2 || (lastByte && n == 1)
			if !whole && name != "stop" {
				t.Fatalf("%s, bit %d: %d frames after it", name, i, n)
			}
		}
	}
}

// Wrong lengths are refused for every type.
func TestWrongLength(t *testing.T) {
	for name, m := range messages() {
		p := m.message.MarshalAppend(nil)
		for n := range len(p) + 12 {
			q := append(bytes.Clone(p), make([]byte, 12)...)[:n]
			if err := empty(m.message.Type()).Unmarshal(q); (err == nil) != (n == len(p)) {
				t.Errorf("%s cut to %d of %d: %v", name, n, len(p), err)
			}
		}
	}
}

func TestWrongValues(t *testing.T) {
	for name, c := range map[string]struct {
		m Message
		p []byte
	}{
		"no axes":     {&Setpoint{}, []byte{0}},
		"seven axes":  {&Setpoint{}, append([]byte{7}, make([]byte, 70)...)},
		"spare bits":  {&Setpoint{}, append([]byte{0x22}, make([]byte, 20)...)},
		"arm flags":   {&Arm{}, append(make([]byte, 10), 2)},
		"axis 6":      {&LimitsRead{}, []byte{6}},
		"state 10":    {&Status{}, append(append([]byte{10}, make([]byte, 31)...), 1, 0, 0, 0, 0)},
		"protocol 2":  {&Hello{}, append([]byte{2}, make([]byte, 35)...)},
		"board bytes": {&Hello{}, append(append([]byte{1, 0, 0, 0, 0, 0, 0, 1}, make([]byte, 12)...), bytes.Repeat([]byte{0x80}, 16)...)},
	} {
		if c.m.Unmarshal(c.p) == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

// Whatever came before, the frame after a delimiter is read, however the bytes are cut up.
func TestResync(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		noise := rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "noise")
		sp := &Setpoint{Axes: Axes{N: rapid.IntRange(1, 6).Draw(t, "n"), Metres: rapid.Bool().Draw(t, "metres")}}
		for i := range sp.Axes.N {
			sp.Position[i], sp.Speed[i], sp.Acceleration[i] = rapid.Int32().Draw(t, "x"), rapid.Int32().Draw(t, "v"), rapid.Int16().Draw(t, "a")
		}
		var e Encoder
		e.SetSequence(rapid.Uint16().Draw(t, "sequence"))
		stream := e.Append(append(noise, 0), sp)
		var d Decoder
		var f, last Frame
		var got Setpoint
		for len(stream) > 0 {
			n := min(len(stream), rapid.IntRange(1, 40).Draw(t, "cut"))
			_, _ = d.Write(stream[:n])
			stream = stream[n:]
			for d.Next(&f) {
				last = f
				_ = got.Unmarshal(f.Payload)
			}
		}
		if last.Type != TypeSetpoint || last.Sequence != e.Sequence() {
			t.Fatalf("last frame %+v", last)
		}
		if diff := cmp.Diff(*sp, got); diff != "" {
			t.Fatal(diff)
		}
	})
}

// A decoder whose frames nobody takes does not grow without bound, and still has the newest.
func TestNobodyTakes(t *testing.T) {
	var e Encoder
	var d Decoder
	b := []byte{}
	for range 20000 {
		b = e.Append(b[:0], &Plain{Kind: TypeStop})
		_, _ = d.Write(b)
	}
	if cap(d.pending) > 2*pendingMost {
		t.Errorf("%d bytes pending", cap(d.pending))
	}
	var f Frame
	n := uint16(0)
	for d.Next(&f) {
		n = f.Sequence
	}
	if n != e.Sequence() {
		t.Errorf("last %d of %d", n, e.Sequence())
	}
}

// A CRC of 16 bits passes one changed frame in 65 536 where the change is long; that is what it is, and no worse.
func TestNoiseIsRefused(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	var d Decoder
	var f Frame
	b := make([]byte, 1<<14)
	taken := 0
	for range 64 { // 1 MB
		for i := range b {
			b[i] = byte(random.Uint32())
		}
		_, _ = d.Write(b)
		for d.Next(&f) {
			taken++
		}
	}
	c := d.Counts()
	tried := c.CRC + c.Frames
	if tried == 0 || float64(taken) > 5+5*float64(tried)/65536 {
		t.Errorf("%d of %d taken", taken, tried)
	}
}

func FuzzDecode(f *testing.F) {
	_, frames := vectors(f)
	for _, b := range frames {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		var d Decoder
		_, _ = d.Write(p)
		var fr Frame
		for d.Next(&fr) {
			m := empty(fr.Type)
			if m.Unmarshal(fr.Payload) != nil {
				continue
			}
			// What was read is written the same, but for bits that a reader ignores.
			again := m.MarshalAppend(nil)
			if fr.Type != TypeHello && !bytes.Equal(again, fr.Payload) {
				t.Fatalf("%v: % x, then % x", fr.Type, fr.Payload, again)
			}
		}
		var e Encoder
		_, _ = d.Write(e.Append([]byte{0}, &Plain{Kind: TypeStop}))
		for d.Next(&fr) { // p may have ended in a frame that only lacked its delimiter
		}
		if fr.Type != TypeStop || fr.Sequence != 1 {
			t.Fatal("not in step at the next frame")
		}
	})
}

func FuzzCOBS(f *testing.F) {
	f.Add([]byte{0, 1, 2})
	f.Fuzz(func(t *testing.T, p []byte) {
		enc := AppendCOBS(nil, p)
		if bytes.IndexByte(enc, 0) >= 0 || len(enc) > len(p)+1+len(p)/254 {
			t.Fatalf("% x", enc)
		}
		if back, ok := UncobsInPlace(enc); !ok || !bytes.Equal(back, p) {
			t.Fatalf("% x, %v", back, ok)
		}
		_, _ = UncobsInPlace(bytes.Clone(p))
	})
}

func BenchmarkEncode(b *testing.B) {
	sp := &Setpoint{Axes: Axes{N: 2}, Position: [6]int32{1, 2}}
	var e Encoder
	buf := make([]byte, 0, MaxEncoded)
	b.ReportAllocs()
	for b.Loop() {
		buf = e.Append(buf[:0], sp)
	}
}

func BenchmarkDecode(b *testing.B) {
	var e Encoder
	frame := e.Append(nil, &Setpoint{Axes: Axes{N: 2}, Position: [6]int32{1, 2}})
	var d Decoder
	var f Frame
	var sp Setpoint
	b.ReportAllocs()
	for b.Loop() {
		_, _ = d.Write(frame)
		if !d.Next(&f) || sp.Unmarshal(f.Payload) != nil {
			b.Fatal("not read")
		}
	}
}

func TestLimitsOf(t *testing.T) {
	const deg = math.Pi / 180
	if diff := cmp.Diff(limits15(), LimitsOf(-15*deg, 15*deg, 0, 40*deg, 18*deg, 300*deg, 5000*deg)); diff != "" {
		t.Error(diff)
	}
	if got := LimitsOf(-9, 9, 0, 1e9, -1, 1e9, 1e9); got.Low != math.MinInt32 || got.High != math.MaxInt32 || got.ReducedSpeed != 0 || got.Jerk != math.MaxUint32 {
		t.Errorf("%+v", got)
	}
}
