package plan

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perch/sdk/capture"
	"perch/sdk/vehicle"
)

// The example is a plan that is read, and says with every comment taken away what its comments promise.
func TestExample(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "captures"), 0o755); err != nil {
		t.Fatal(err)
	}
	turns := filepath.Join(dir, "captures", "turns.pcap")
	if err := os.WriteFile(turns, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, File)
	// What is commented out as an alternative is right as well.
	full := regexp.MustCompile(`(?m)^# (select|\[\[known|check|reason)`).ReplaceAllString(Example(), "$1")
	p, err := Parse(path, []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	before, _, _ := strings.Cut(full, "[[known")
	set := func(x ...vehicle.Signal) vehicle.Set { return vehicle.Set(0).With(x...) }
	attitude := Promised{"attitude", []vehicle.Set{set(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)}}
	velocity := Promised{"velocity", []vehicle.Set{set(vehicle.VelocityX, vehicle.VelocityY, vehicle.VelocityZ), set(vehicle.VelocityN, vehicle.VelocityE, vehicle.VelocityD)}}
	want := Plan{Path: path,
		Feeds: []Feed{{Name: "turns", Capture: turns, Deliver: "udp", Folder: dir, Settings: map[string]string{"listen": "udp://{feed}"},
			Select: capture.Selection{Protocol: capture.UDP, FromPort: 49000, ToPort: 14550},
			Expect: Promises{Signals: []Promised{attitude, {"airspeed_m_s", []vehicle.Set{vehicle.Set(0).With(vehicle.Airspeed)}}}, Rate: 50}}},
		Promises: Promises{Signals: []Promised{attitude, velocity}, Rate: 50, Classes: []string{"aeroplane"}},
		Known:    []Known{{Check: "log", Reason: "the library it uses prints each packet; to be replaced", Line: 1 + strings.Count(before, "\n")}},
	}
	if d := cmp.Diff(want, p); d != "" {
		t.Error(d)
	}
	if err := os.WriteFile(path, []byte(Example()), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(path); err != nil {
		t.Error(err)
	}
}

// Everything that is wrong is said at once, with its line and key.
func TestFaults(t *testing.T) {
	const text = `promise = 1
[promises]
signals = ["attitude_w", "roll_deg"]
rate = "fast"

[[feeds]]
name = "a\tb"
deliver = "pigeon"
[feeds.settings]
listen = ["a"]

[[feeds]]
name = "two"
deliver = "udp"
capture = "nowhere.pcap"
select = { protocol = "sctp", to_port = 70000 }
expect = { rate = "-1 Hz" }

[[feeds]]
name = "two"
deliver = "serial"
speed = 2

[[known_failures]]
check = "rate"
`
	_, err := Parse("p.toml", []byte(text))
	if err == nil {
		t.Fatal("it was taken")
	}
	lines := strings.Split(err.Error(), "\n")
	for i, want := range []string{
		"p.toml:1: promise: unknown key", `p.toml:3: promises.signals[1]: "roll_deg" is no signal`, "p.toml:4: promises.rate: is \"fast\"",
		"p.toml:7: feeds[0].name: is no name", `p.toml:8: feeds[0].deliver: "pigeon"`, "p.toml:10: feeds[0].settings.listen: is no text",
		"p.toml:15: feeds[1].capture: nowhere.pcap is no file", `p.toml:16: feeds[1].select.protocol: "sctp"`, "p.toml:16: feeds[1].select.to_port: is 70000",
		"p.toml:17: feeds[1].expect.rate: is \"-1 Hz\"", "p.toml:19: feeds[2].capture: is missing", `p.toml:20: feeds[2].name: "two" is the name of two`,
		"p.toml:22: feeds[2].speed: unknown key", "p.toml:24: known_failures[0].reason: is missing",
	} {
		if i >= len(lines) || !strings.HasPrefix(lines[i], want) {
			t.Errorf("line %d: want %q in\n%s", i, want, err)
			break
		}
	}
	if _, err := Parse("p.toml", []byte("feeds = 3\n[x")); err == nil || !strings.HasPrefix(err.Error(), "p.toml:2: ") {
		t.Errorf("broken text: %v", err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(Example()))
	f.Add([]byte("[[feeds]]\n[feeds.settings]\na.b = 1\n[[feeds.x]]\n"))
	f.Fuzz(func(_ *testing.T, data []byte) {
		p, err := Parse("p.toml", data)
		if err == nil && len(p.Feeds) == 0 {
			panic("a plan without a feed")
		}
	})
}
