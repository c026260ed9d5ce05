package mavlink

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// made is one frame as testdata/nodemavlink/generate.mjs prints it.
type made struct {
	Note, Name, Hex string
	ID              uint32
	Extra           uint8
	Version         uint8
	Signed          bool
	Sequence        uint8
	Extended        bool // the message has extension fields
	Fields          map[string]string
}

// elements are the message set's names of the elements of our arrays.
var elements = map[string][]string{
	"Acc": {"xacc", "yacc", "zacc"}, "Gyro": {"xgyro", "ygyro", "zgyro"}, "Mag": {"xmag", "ymag", "zmag"},
	"Q": {"q1", "q2", "q3", "q4"}, "Rates": {"rollspeed", "pitchspeed", "yawspeed"},
	"ReprOffsetQ": {"repr_offset_q[0]", "repr_offset_q[1]", "repr_offset_q[2]", "repr_offset_q[3]"},
	"Position":    {"x", "y", "z"}, "Velocity": {"vx", "vy", "vz"},
	"Param": {"param1", "param2", "param3", "param4", "param5", "param6", "param7"},
	"Level": {"vibration_x", "vibration_y", "vibration_z"}, "Clipping": {"clipping_0", "clipping_1", "clipping_2"},
}

// renamed are fields of ours whose name is not the message set's.
var renamed = map[string]string{
	"Sensor": "id", "Heading": "hdg", "Rate": "req_message_rate", "Stream": "req_stream_id", "Start": "start_stop", "RemRSSI": "remrssi",
}

// fields lists what a message holds under the message set's names.
func fields(m Message) map[string]string {
	out := map[string]string{}
	v := reflect.ValueOf(m).Elem()
	for i := range v.NumField() {
		name, f := v.Type().Field(i).Name, v.Field(i)
		switch {
		case name == "Unit": // the message's number, not a field
		case f.Kind() == reflect.Array:
			for k := range f.Len() {
				e := elements[name][k]
				out[e] = text(f.Index(k))
			}
		default:
			if r, ok := renamed[name]; ok {
				if name == "Heading" && m.ID() == IDVFRHUD {
					r = "heading"
				}
				out[r] = text(f)
			} else {
				out[strings.ToLower(name)] = text(f)
			}
		}
	}
	return out
}

func text(v reflect.Value) string {
	switch {
	case v.CanFloat():
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	case v.CanInt():
		return strconv.FormatInt(v.Int(), 10)
	}
	return strconv.FormatUint(v.Uint(), 10)
}

// TestAgainstAnIndependentLibrary compares with the npm package node-mavlink: every message, every field by its name,
// and the bytes that are written. PERCH_TEST_NODE names the folder testdata/nodemavlink/node_modules after `npm ci`.
func TestAgainstAnIndependentLibrary(t *testing.T) {
	modules := os.Getenv("PERCH_TEST_NODE")
	if modules == "" {
		t.Skip("PERCH_TEST_NODE is not set: run npm ci in sdk/mavlink/testdata/nodemavlink and set it to the node_modules there")
	}
	modules, err := filepath.Abs(modules)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(modules, "node-mavlink")); err != nil {
		t.Fatalf("PERCH_TEST_NODE: %v", err)
	}
	cmd := exec.Command("node", "generate.mjs", modules)
	cmd.Dir = filepath.Join("testdata", "nodemavlink")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var all []made
	if err := json.Unmarshal(out, &all); err != nil {
		t.Fatal(err)
	}
	seen := map[uint32]bool{}
	var stream []byte
	for _, x := range all {
		seen[x.ID] = true
		t.Run(fmt.Sprintf("%s/%d/%s", x.Name, x.Version, x.Note), func(t *testing.T) {
			b := unhex(t, x.Hex)
			stream = append(stream, b...)
			if e, ok := ChecksumExtra(x.ID); !ok || e != x.Extra {
				t.Fatalf("checksum extra %d, want %d", e, x.Extra)
			}
			got := read(b)
			if len(got) != 1 {
				t.Fatalf("%d frames, want 1", len(got))
			}
			f := got[0]
			if d := cmp.Diff(Header{x.Version, x.Sequence, 42, 1}, f.Header); d != "" {
				t.Error(d)
			}
			if x.Signed != (f.Signature != nil) {
				t.Errorf("signature %x", f.Signature)
			}
			m := New(f.ID)
			f.Decode(m)
			want := map[string]string{}
			have := fields(m)
			for k, v := range x.Fields {
				// Where a name of ours is the message set's without its underscores.
				if _, ok := have[k]; !ok {
					k = strings.ReplaceAll(k, "_", "")
				}
				want[k] = v
			}
			if d := cmp.Diff(want, have); d != "" {
				t.Error(d)
			}
			// The library sends extension fields in version 1 too, and nothing at all of a payload of zeros.
			if x.Signed || x.Note == "all zero" || x.Version == 1 && x.Extended {
				return
			}
			if d := cmp.Diff(x.Hex, hex.EncodeToString(Append(nil, f.Header, m))); d != "" {
				t.Error(d)
			}
		})
	}
	for id := range uint32(1000) {
		if _, known := ChecksumExtra(id); known && !seen[id] {
			t.Errorf("message %d is not compared", id)
		}
	}
	if got := len(read(stream)); got != len(all) {
		t.Errorf("%d frames in one stream, want %d", got, len(all))
	}
}
