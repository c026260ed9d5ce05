// Package python_test holds the package perch_adapter, for adapters in Python, to the Go SDK.
package python_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"maps"
	"math"
	"os"
	"os/exec"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/descriptorpb"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
	"perch/sdk/units"
)

// python runs the interpreter that PERCH_PYTHON names, or Debian's own, with the package at hand. Without grpc and
// protobuf the test is left out, unless PERCH_TEST_PYTHON is set.
func python(t *testing.T, stdin []byte, args ...string) []byte {
	t.Helper()
	name := os.Getenv("PERCH_PYTHON")
	if name == "" {
		name = "/usr/bin/python3"
	}
	if out, err := exec.Command(name, "-c", "import grpc, google.protobuf").CombinedOutput(); err != nil {
		if os.Getenv("PERCH_TEST_PYTHON") != "" {
			t.Fatalf("PERCH_TEST_PYTHON: install python3-grpcio and python3-protobuf: %v: %s", err, out)
		}
		t.Skipf("no python with grpc: %v: %s", err, out)
	}
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "PYTHONPATH=.", "PYTHONDONTWRITEBYTECODE=1")
	c.Stdin = bytes.NewReader(stdin)
	var stderr bytes.Buffer
	c.Stderr = &stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("python %v: %v\n%s", args, err, &stderr)
	}
	return out
}

func TestPackage(t *testing.T) {
	t.Parallel()
	python(t, nil, "-m", "unittest", "discover", "-s", "tests")
}

type setting struct {
	Key      string   `json:"key"`
	Type     sdk.Type `json:"type"`
	Unit     string   `json:"unit"`
	Help     string   `json:"help"`
	Default  string   `json:"default"`
	Required bool     `json:"required"`
	Minimum  *float64 `json:"minimum"`
	Maximum  *float64 `json:"maximum"`
	Choices  []string `json:"choices"`
}

type settingsCase struct {
	Declared []setting         `json:"declared"`
	Raw      map[string]string `json:"raw"`
}

// settingsCases try each type with right and wrong texts, bounds of many sizes, and keys that were not declared.
func settingsCases() []settingsCase {
	var cases []settingsCase
	for _, bounds := range [][2]*float64{
		{nil, nil},
		{new(1.0), nil},
		{nil, new(1e6)},
		{new(-0.25), new(123456.75)},
		{new(1e-7), new(1e21)},
		{new(float64(1 << 40)), new(1.5e300)},
	} {
		for kind := sdk.String; kind <= sdk.Choice; kind++ {
			s := setting{Key: "speed", Type: kind, Minimum: bounds[0], Maximum: bounds[1], Choices: []string{}}
			if kind == sdk.Number || kind == sdk.Integer {
				s.Unit = "m/s"
			}
			if kind == sdk.Choice {
				s.Choices = []string{"fast", "slow"}
			}
			for _, text := range []string{
				"", "fast", "Fast", "true", "1", "0", "-1", "+2", "1.5", ".5", "5.", "1e3", "1E-9", "0x10", "1_000", " 1", "1\n",
				"inf", "nan", "1e400", "9007199254740993", "4503599627370495", "4503599627370496", "-4503599627370496",
				"250ms", "2s", "1m30s", "-2s", "+1h", "1.5h", ".5s", "3µs", "3us", "5", "s", "1d", "2 s", "2s ", "99h", "\"q\"",
			} {
				cases = append(cases, settingsCase{[]setting{s}, map[string]string{"speed": text}})
			}
			required := s
			required.Required = true
			cases = append(cases, settingsCase{[]setting{required}, map[string]string{}}, settingsCase{[]setting{s}, map[string]string{}})
		}
	}
	two := []setting{{Key: "listen", Type: sdk.String, Default: "47900", Choices: []string{}}, {Key: "rate", Type: sdk.Number, Default: "50", Choices: []string{}}}
	for _, key := range []string{"lisen", "rates", "something", "r", ""} {
		cases = append(cases, settingsCase{two, map[string]string{key: "1"}}, settingsCase{[]setting{}, map[string]string{key: "1"}})
	}
	return append(cases, settingsCase{two, map[string]string{"rate": "x", "lisen": "1", "zz": ""}})
}

// TestSameAsGo: the package's generated code is made of the protocol as it stands, its conversions are those of package
// units, and what an operator writes is taken or refused in the same words.
func TestSameAsGo(t *testing.T) {
	t.Parallel()
	const x = 1234.5
	cases := settingsCases()
	question, err := json.Marshal(map[string]any{"x": x, "settings": cases})
	if err != nil {
		t.Fatal(err)
	}
	var answer struct {
		Descriptor string
		Units      map[string]float64
		Settings   []struct {
			Faults [][2]string
			Values map[string]any
		}
	}
	if err := json.Unmarshal(python(t, question, "tests/same.py"), &answer); err != nil {
		t.Fatal(err)
	}

	raw, err := base64.StdEncoding.DecodeString(answer.Descriptor)
	if err != nil {
		t.Fatal(err)
	}
	var have descriptorpb.FileDescriptorProto
	if err := proto.Unmarshal(raw, &have); err != nil {
		t.Fatal(err)
	}
	want := protodesc.ToFileDescriptorProto(adapterv1.File_adapter_v1_adapter_proto)
	if diff := cmp.Diff(want, &have, protocmp.Transform(), protocmp.IgnoreFields(&descriptorpb.FieldDescriptorProto{}, "json_name"),
		protocmp.IgnoreFields(&descriptorpb.FileDescriptorProto{}, "source_code_info")); diff != "" {
		t.Errorf("adapter_pb2.py is stale: run sdk/python/generate.sh (-protocol +python)\n%s", diff)
	}

	functions := map[string]func(float64) float64{
		"from_degrees": units.FromDegrees, "to_degrees": units.ToDegrees,
		"from_degrees_per_second": units.FromDegreesPerSecond, "to_degrees_per_second": units.ToDegreesPerSecond,
		"from_feet": units.FromFeet, "to_feet": units.ToFeet, "from_miles": units.FromMiles,
		"from_nautical_miles": units.FromNauticalMiles, "from_kilometres": units.FromKilometres,
		"from_millimetres": units.FromMillimetres, "from_knots": units.FromKnots, "to_knots": units.ToKnots,
		"from_feet_per_second": units.FromFeetPerSecond, "from_feet_per_minute": units.FromFeetPerMinute,
		"from_kilometres_per_hour": units.FromKilometresPerHour, "to_kilometres_per_hour": units.ToKilometresPerHour,
		"from_miles_per_hour": units.FromMilesPerHour, "from_centimetres_per_second": units.FromCentimetresPerSecond,
		"from_feet_per_second_squared": units.FromFeetPerSecondSquared, "from_standard_gravity": units.FromStandardGravity,
		"to_standard_gravity": units.ToStandardGravity, "from_rpm": units.FromRPM, "to_rpm": units.ToRPM,
		"from_hertz_to_rpm": units.FromHertzToRPM, "from_percent": units.FromPercent,
	}
	if diff := cmp.Diff(slices.Sorted(maps.Keys(functions)), slices.Sorted(maps.Keys(answer.Units))); diff != "" {
		t.Errorf("units (-here +python)\n%s", diff)
	}
	for name, f := range functions {
		if got, want := answer.Units[name], f(x); math.Abs(got-want) > 1e-12*math.Abs(want) {
			t.Errorf("units.%s(%v) is %v in Python, %v in Go", name, x, got, want)
		}
	}

	for i, c := range cases {
		d := sdk.Description{Name: "box"}
		for _, s := range c.Declared {
			d.Settings = append(d.Settings, sdk.Setting(s))
		}
		taken, faults := d.Check(c.Raw)
		want := [][2]string{}
		for _, f := range faults {
			want = append(want, [2]string{f.Key, f.Message})
		}
		if diff := cmp.Diff(want, answer.Settings[i].Faults); diff != "" {
			t.Errorf("%v as %+v (-go +python)\n%s", c.Raw, c.Declared, diff)
		}
		if len(faults) > 0 {
			continue
		}
		for _, s := range c.Declared {
			if got := answer.Settings[i].Values[s.Key]; got != value(taken, s) {
				t.Errorf("%v as %+v is %v in Python, %v in Go", c.Raw, c.Declared, got, value(taken, s))
			}
		}
	}
}

// value is a setting as JSON shows the value that Python gives it.
func value(s sdk.Settings, x setting) any {
	switch {
	case !s.Has(x.Key):
		return nil
	case x.Type == sdk.Number:
		return s.Number(x.Key)
	case x.Type == sdk.Integer:
		return float64(s.Integer(x.Key))
	case x.Type == sdk.Boolean:
		return s.Boolean(x.Key)
	case x.Type == sdk.Duration:
		return s.Duration(x.Key).Seconds()
	}
	return s.String(x.Key)
}
