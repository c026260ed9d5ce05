package mavlink

import (
	"bytes"
	"encoding/hex"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// read gives copies of the frames in b.
func read(b []byte) []Frame {
	var r Reader
	var out []Frame
	keep := func(f *Frame) {
		k := *f
		k.Raw = append([]byte(nil), f.Raw...)
		k.Payload = append([]byte(nil), f.Payload...)
		out = append(out, k)
	}
	r.Feed(b, keep)
	r.Flush(keep)
	return out
}

// The frames were made with the npm package node-mavlink 2.3.0, an independent implementation, and read back by two
// other decoders.
var vectors = []struct {
	name   string
	hex    string
	header Header
	want   Message
	differ bool // encodes otherwise: it was sent with a length of 0, where the guide keeps the first byte, or signed
}{
	{
		"heartbeat, version 1", "fe09052a01000a00000001038104037303", Header{1, 5, 42, 1},
		&Heartbeat{CustomMode: 10, Type: 1, Autopilot: 3, BaseMode: 0x81, SystemStatus: 4, MAVLinkVersion: 3}, false,
	},
	{
		"attitude, version 1", "fe1c062a011e40e201000000803e000000be000040400000003f000040bf0000803d64e4", Header{1, 6, 42, 1},
		&Attitude{TimeBootMs: 123456, Roll: 0.25, Pitch: -0.125, Yaw: 3, RollSpeed: 0.5, PitchSpeed: -0.75, YawSpeed: 0.0625}, false,
	},
	{
		"attitude, truncated", "fd140000072a011e000040e201000000803e000000be000040400000003f99f8", Header{2, 7, 42, 1},
		&Attitude{TimeBootMs: 123456, Roll: 0.25, Pitch: -0.125, Yaw: 3, RollSpeed: 0.5}, false,
	},
	{
		"attitude quaternion", "fd200000082a011f0000e80300000000003f0000003f000000bf0000003f0000003f0000803e000000be32d3", Header{2, 8, 42, 1},
		&AttitudeQuaternion{TimeBootMs: 1000, Q: [4]float32{0.5, 0.5, -0.5, 0.5}, Rates: [3]float32{0.5, 0.25, -0.125}}, false,
	},
	{
		"global position", "fd1c00000a2a01210000d0070000c0ae32eb406c8d523ae2010020b20000b004acfec8ff9f8c9835", Header{2, 10, 42, 1},
		&GlobalPositionInt{
			TimeBootMs: 2000, Lat: -349000000, Lon: 1385000000, Alt: 123450, RelativeAlt: 45600,
			Velocity: [3]int16{1200, -340, -56}, Heading: 35999,
		}, false,
	},
	{
		"second inertial unit, truncated", "fd1000000b2a01740000b80b00001100e6ff18fc640038ff2c01b377", Header{2, 11, 42, 1},
		&ScaledIMU{Unit: 2, TimeBootMs: 3000, Acc: [3]int16{17, -26, -1000}, Gyro: [3]int16{100, -200, 300}}, false,
	},
	{
		"inertial unit", "fd3d00000c2a0169000000093d00000000000000003f000080be00001cc10000003e00000000000000bf00000000000000000000000000507d4400000000000000000000a0413f22c5", Header{2, 12, 42, 1},
		&HighresIMU{
			TimeUsec: 4000000, Acc: [3]float32{0.5, -0.25, -9.75}, Gyro: [3]float32{0.125, 0, -0.5},
			AbsPressure: 1013.25, Temperature: 20, FieldsUpdated: 0x3f,
		}, false,
	},
	{
		"display", "fd1300000d2a014a00000000cc410000c041004016430000c0bf0e013734a1", Header{2, 13, 42, 1},
		&VFRHUD{Airspeed: 25.5, GroundSpeed: 24, Alt: 150.25, Climb: -1.5, Heading: 270, Throttle: 55}, false,
	},
	{"all zero, length 0", "fd000000102a01f500000230", Header{2, 16, 42, 1}, &ExtendedSysState{}, true},
	{
		"command", "fd200000112a014c00000000f041005043470000000000000000000000000000000000000000ff010101ec6a", Header{2, 17, 42, 1},
		&CommandLong{Param: [7]float32{30, 50000}, Command: CommandSetMessageInterval, TargetSystem: 1, TargetComponent: 1}, false,
	},
	{
		"heartbeat, signed", "fd090100132a010000000a00000001038104031edc010090d650d4194e0c8baea05c", Header{2, 19, 42, 1},
		&Heartbeat{CustomMode: 10, Type: 1, Autopilot: 3, BaseMode: 0x81, SystemStatus: 4, MAVLinkVersion: 3}, true,
	},
}

func TestVectors(t *testing.T) {
	for _, v := range vectors {
		t.Run(v.name, func(t *testing.T) {
			b := unhex(t, v.hex)
			got := read(b)
			if len(got) != 1 {
				t.Fatalf("%d frames, want 1", len(got))
			}
			f := got[0]
			if d := cmp.Diff(v.header, f.Header); d != "" {
				t.Error(d)
			}
			m := New(f.ID)
			if !f.Decode(m) {
				t.Fatalf("message %d does not decode", f.ID)
			}
			if d := cmp.Diff(v.want, m); d != "" {
				t.Error(d)
			}
			if v.differ {
				return
			}
			if d := cmp.Diff(v.hex, hex.EncodeToString(Append(nil, v.header, m))); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestSignatureIsReadPast(t *testing.T) {
	b := unhex(t, vectors[len(vectors)-1].hex)
	f := read(b)[0]
	if len(f.Signature) != SignatureSize || f.Signature[0] != 1 || f.Checksum() != 0xdc1e {
		t.Errorf("signature %x, checksum %04x; want link 1 and dc1e", f.Signature, f.Checksum())
	}
}

// The check value is published in the catalogue of parametrised CRC algorithms (CRC-16/MCRF4XX).
func TestChecksumCheckValue(t *testing.T) {
	crc := uint16(0xFFFF)
	for _, c := range []byte("123456789") {
		crc = accumulate(crc, c)
	}
	if crc != 0x6F91 {
		t.Errorf("%04x, want 6f91", crc)
	}
}

// Developer guide, "Payload truncation": the first byte of the payload always stays.
func TestFirstPayloadByteStays(t *testing.T) {
	b := Append(nil, Header{Version: 2, System: 1, Component: 1}, &ExtendedSysState{})
	if b[1] != 1 {
		t.Errorf("length %d, want 1", b[1])
	}
	if n := len(read(b)); n != 1 {
		t.Errorf("%d frames, want 1", n)
	}
}

// seal makes a frame with any payload, with the right checksum.
func seal(version uint8, id uint32, payload []byte, extra uint8) []byte {
	var b []byte
	if version == 1 {
		b = []byte{StartV1, byte(len(payload)), 9, 42, 1, byte(id)}
	} else {
		b = []byte{StartV2, byte(len(payload)), 0, 0, 9, 42, 1, byte(id), byte(id >> 8), byte(id >> 16)}
	}
	b = append(b, payload...)
	crc := checksum(b[1:], extra)
	return append(b, byte(crc), byte(crc>>8))
}

func TestPayloadLongerThanKnown(t *testing.T) {
	for _, version := range []uint8{1, 2} {
		payload := make([]byte, MaxPayload)
		for i := range payload {
			payload[i] = 7
		}
		got := read(seal(version, IDHeartbeat, payload, 50))
		if len(got) != 1 {
			t.Fatalf("version %d: %d frames, want 1", version, len(got))
		}
		var m Heartbeat
		got[0].Decode(&m)
		want := Heartbeat{CustomMode: 0x07070707, Type: 7, Autopilot: 7, BaseMode: 7, SystemStatus: 7, MAVLinkVersion: 7}
		if d := cmp.Diff(want, m); d != "" {
			t.Error(d)
		}
	}
}

func TestStreams(t *testing.T) {
	attitude := Append(nil, Header{Version: 1, Sequence: 1, System: 1, Component: 1}, &Attitude{TimeBootMs: 1, Roll: 1})
	second := Append(nil, Header{Version: 2, Sequence: 2, System: 1, Component: 1}, &Attitude{TimeBootMs: 2, Roll: 2})
	unknown := seal(2, 12900, []byte{1, 2, StartV1, 4}, 0)
	unknown1 := seal(1, 200, make([]byte, 255), 0)
	flagged := append([]byte(nil), second...)
	flagged[2] = 2
	broken := append([]byte(nil), second...)
	broken[12] ^= 1
	join := func(parts ...[]byte) (b []byte) {
		for _, p := range parts {
			b = append(b, p...)
		}
		return b
	}
	tests := []struct {
		name  string
		bytes []byte
		want  []uint32
	}{
		{"nothing", nil, nil},
		{"both versions mixed", join(attitude, second, attitude), []uint32{30, 30, 30}},
		{"text before the first", join([]byte("booting, please wait\r\n"), attitude), []uint32{30}},
		{"opened within a frame", join(second[7:], attitude, second), []uint32{30, 30}},
		{"a false start before a frame", join([]byte{StartV1}, attitude, second), []uint32{30, 30}},
		{"a false start of the other version", join([]byte{StartV2, 255, 0, 0}, attitude, second), []uint32{30, 30}},
		{"a false start that claims more than there is", join([]byte{StartV1, 255}, attitude, second), []uint32{30, 30}},
		{"unknown messages", join(unknown, attitude, unknown1, second, unknown), []uint32{12900, 30, 200, 30, 12900}},
		{"a broken frame costs itself only", join(attitude, broken, second), []uint32{30, 30}},
		{"an unknown incompatibility flag drops the frame", join(attitude, flagged, second), []uint32{30, 30}},
		{"a frame cut short", join(attitude, second[:17], second), []uint32{30, 30}},
		{"cut at the end", join(attitude, second[:17]), []uint32{30}},
		{"length 0", join(seal(2, IDAttitude, nil, 39), attitude), []uint32{30, 30}},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			var got []uint32
			for _, f := range read(x.bytes) {
				got = append(got, f.ID)
			}
			if d := cmp.Diff(x.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// Noise before a frame must not cost it: a reader that skips the whole false frame loses a third of these.
func TestNoiseCostsNoWholeFrame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stream []byte
		sent := 0
		for range rapid.IntRange(1, 20).Draw(t, "frames") {
			if rapid.Bool().Draw(t, "noisy") {
				noise := rapid.SliceOfN(rapid.SampledFrom([]byte{StartV1, StartV2, 0, 1, 9, 30, 255}), 1, 9).Draw(t, "noise")
				stream = append(stream, noise...)
			}
			version := rapid.SampledFrom([]uint8{1, 2}).Draw(t, "version")
			stream = Append(stream, Header{version, uint8(sent), 1, 1}, &Attitude{TimeBootMs: uint32(sent) + 1, Roll: 1, YawSpeed: 0.1})
			sent++
		}
		var r Reader
		var got []uint32
		take := func(f *Frame) {
			var m Attitude
			if f.Decode(&m) {
				got = append(got, m.TimeBootMs)
			}
		}
		for at := 0; at < len(stream); {
			n := min(rapid.IntRange(1, 60).Draw(t, "piece"), len(stream)-at)
			r.Feed(stream[at:at+n], take)
			at += n
		}
		r.Flush(take)
		if len(got) != sent {
			t.Fatalf("%d of %d frames came through: %v in %x", len(got), sent, got, stream)
		}
	})
}

func TestLinks(t *testing.T) {
	frame := func(seq uint8, ms uint32) *Frame {
		f := read(Append(nil, Header{2, seq, 1, 1}, &Attitude{TimeBootMs: ms, Yaw: 1}))[0]
		return &f
	}
	tests := []struct {
		name             string
		sequence         []uint8
		same             bool // every frame holds the same
		lost, duplicates uint64
	}{
		{"one after the other", []uint8{254, 255, 0, 1}, false, 0, 0},
		{"three lost", []uint8{1, 2, 6, 7}, false, 3, 0},
		{"one late", []uint8{1, 3, 2, 4}, false, 0, 0},
		{"twice over two ways", []uint8{1, 1, 2, 2, 3, 3}, true, 0, 3},
		{"the second way is slow", []uint8{1, 2, 3, 1, 2, 3, 4}, true, 0, 3},
		{"the sender began again", []uint8{9, 10, 11, 1, 2, 3}, false, 0, 0},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			var l Links
			fresh := uint64(0)
			for i, q := range x.sequence {
				ms := uint32(i)
				if x.same {
					ms = uint32(q)
				}
				if l.Saw(frame(q, ms)) {
					fresh++
				}
			}
			k := l.Of(Sender{1, 1})
			if k.Lost != x.lost || k.Duplicates != x.duplicates || fresh != uint64(len(x.sequence))-x.duplicates {
				t.Errorf("lost %d, twice %d, fresh %d; want %d, %d", k.Lost, k.Duplicates, fresh, x.lost, x.duplicates)
			}
		})
	}
}

// A message that stays the same, such as HEARTBEAT, comes again with the same number after 256 frames: that is no
// duplicate.
func TestSameFrameAfterAWrapIsNew(t *testing.T) {
	var l Links
	for i := range 1000 {
		f := read(Append(nil, Header{2, uint8(i), 1, 1}, &Heartbeat{Type: 1}))[0]
		if !l.Saw(&f) {
			t.Fatalf("frame %d was taken for a duplicate", i)
		}
	}
	if q := l.Of(Sender{1, 1}).Quality(); q != 1 {
		t.Errorf("quality %v, want 1", q)
	}
}

// same compares messages by what they encode to, so that NaN equals itself.
func same(a, b Message) bool {
	h := Header{Version: 2, System: 1}
	return string(Append(nil, h, a)) == string(Append(nil, h, b))
}

func FuzzReader(f *testing.F) {
	for _, v := range vectors {
		f.Add(unhex(f, v.hex), uint8(3))
	}
	f.Add([]byte{StartV1, 9, 5, StartV2, 3}, uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, piece uint8) {
		if len(b) > 1<<14 {
			t.Skip()
		}
		after := Append(nil, Header{2, 77, 201, 202}, &Attitude{TimeBootMs: 4242424242, Roll: 0.5, YawSpeed: 2})
		stream := append(append([]byte(nil), b...), after...)
		var r Reader
		total := 0
		var last []byte
		take := func(f *Frame) {
			total += len(f.Raw)
			if f.Known {
				last = append(last[:0], f.Raw...)
			}
			if m := New(f.ID); m != nil {
				if !f.Decode(m) {
					t.Fatalf("message %d does not decode", f.ID)
				}
				again := read(Append(nil, f.Header, m))
				if len(again) != 1 {
					t.Fatalf("message %d does not come back", f.ID)
				}
				back := New(f.ID)
				again[0].Decode(back)
				if f.Version == 2 && !same(m, back) {
					t.Fatalf("%+v came back as %+v", m, back)
				}
			} else if f.Known {
				t.Fatalf("message %d is known and cannot be made", f.ID)
			}
		}
		step := int(piece) + 1
		for at := 0; at < len(stream); at += step {
			r.Feed(stream[at:min(at+step, len(stream))], take)
		}
		r.Flush(take)
		if uint64(total)+r.Skipped() != uint64(len(stream)) {
			t.Fatalf("%d bytes in frames and %d skipped of %d", total, r.Skipped(), len(stream))
		}
		// What comes after any bytes is read, unless a frame that those bytes began ends in it with a right checksum.
		if !bytes.Equal(last, after) && (last == nil || bytes.LastIndex(stream, last)+len(last) <= len(b)) {
			t.Fatalf("the frame behind %x is lost", b)
		}
	})
}

func TestReaderAllocatesNothing(t *testing.T) {
	b := Append(nil, Header{2, 1, 1, 1}, &Attitude{TimeBootMs: 1, Roll: float32(math.Pi)})
	var r Reader
	var l Links
	var m Attitude
	take := func(f *Frame) {
		l.Saw(f)
		f.Decode(&m)
	}
	r.Feed(b, take)
	if n := testing.AllocsPerRun(100, func() { r.Feed(b, take) }); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func BenchmarkReader(b *testing.B) {
	frame := Append(nil, Header{2, 1, 1, 1}, &Attitude{TimeBootMs: 1, Roll: 1, YawSpeed: 1})
	var r Reader
	var m Attitude
	take := func(f *Frame) { f.Decode(&m) }
	b.ReportAllocs()
	b.SetBytes(int64(len(frame)))
	for b.Loop() {
		r.Feed(frame, take)
	}
}
