package vehicle

import (
	"bytes"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// The columns as the states table fixes them: programs outside this repository rely on them.
const header = "source_time_ns,observed_at_ns,position_n_m,position_e_m,position_d_m,velocity_x_m_s,velocity_y_m_s,velocity_z_m_s," +
	"velocity_n_m_s,velocity_e_m_s,velocity_d_m_s,attitude_w,attitude_x,attitude_y,attitude_z,angular_velocity_p_rad_s," +
	"angular_velocity_q_rad_s,angular_velocity_r_rad_s,specific_force_x_m_s2,specific_force_y_m_s2,specific_force_z_m_s2," +
	"airspeed_m_s,angle_of_attack_rad,sideslip_rad,on_ground,engine_rpm,rotor_rpm,gear_ratio,flap_ratio,discontinuity," +
	"condition,vehicle_name,vehicle_class"

func TestHeader(t *testing.T) {
	if d := cmp.Diff(header, strings.Join(Header(), ",")); d != "" {
		t.Error(d)
	}
}

func example() State {
	s := State{SourceTime: 1_500_000_000, ObservedAt: 1_700_000_000_123_456_789, Discontinuity: true, Condition: Paused,
		Name: `Dapple "two", green`, Class: "aeroplane", Extra: []Extra{{"climb_m_s", "m/s", -2.5}}}
	s.Put(PositionN, -12.25)
	s.Put(AngularVelocityR, 1e-7)
	s.Put(OnGround, 1)
	return s
}

func TestCSV(t *testing.T) {
	var b bytes.Buffer
	w := NewCSVWriter(&b, "climb_m_s")
	s := example()
	if err := w.Write(&s); err != nil {
		t.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	want := header + ",climb_m_s\n1500000000,1700000000123456789,-12.25,,,,,,,,,,,,,,,1e-07,,,,,,,1,,,,,1,paused,\"Dapple \"\"two\"\", green\",aeroplane,-2.5\n"
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
	var got State
	if err := NewCSVReader(&b).Read(&got); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(s, got); d != "" {
		t.Error(d)
	}
	s.Extra = []Extra{{"flow_m_s", "m/s", 1}}
	if err := w.Write(&s); err == nil || !strings.Contains(err.Error(), "flow_m_s") {
		t.Errorf("a further signal without a column is lost: %v", err)
	}
}

func TestJSON(t *testing.T) {
	s := example()
	line := AppendJSON(nil, &s)
	want := `{"source_time_ns":1500000000,"observed_at_ns":1700000000123456789,"position_n_m":-12.25,"angular_velocity_r_rad_s":1e-07,` +
		`"on_ground":true,"discontinuity":true,"condition":"paused","vehicle_name":"Dapple \"two\", green","vehicle_class":"aeroplane","climb_m_s":-2.5}`
	if d := cmp.Diff(want, string(line)); d != "" {
		t.Error(d)
	}
	var got State
	if err := ParseJSON(line, &got); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(s, got); d != "" {
		t.Error(d)
	}
}

func TestMissingIsAbsent(t *testing.T) {
	want := State{SourceTime: 5, ObservedAt: 5}
	for _, table := range []string{"source_time_ns\n5\n", header + "\n5" + strings.Repeat(",", 32) + "\n", "condition,source_time_ns,discontinuity\n,5,\n"} {
		var got State
		if err := NewCSVReader(strings.NewReader(table)).Read(&got); err != nil {
			t.Errorf("%q: %v", table, err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%q: %s", table, d)
		}
	}
	for _, line := range []string{`{"source_time_ns":5}`, ` {"airspeed_m_s":null, "source_time_ns":5, "observed_at_ns":5} `} {
		var got State
		if err := ParseJSON([]byte(line), &got); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", line, d)
		}
	}
}

func TestCSVErrors(t *testing.T) {
	for _, c := range []struct{ name, table, want string }{
		{"empty", "", "empty"},
		{"no time", "airspeed_m_s\n1\n", "source_time_ns"},
		{"twice", "source_time_ns,airspeed_m_s,airspeed_m_s\n", "line 1, column 3 (airspeed_m_s): named twice"},
		{"misspelt", "source_time_ns,airsped_m_s\n", `line 1, column 2 (airsped_m_s): "airsped_m_s" is too like "airspeed_m_s"`},
		{"no name", "source_time_ns,Air Speed\n", "line 1, column 2"},
		{"number", "source_time_ns,airspeed_m_s\n1,2\n2,fast\n", `line 3, column airspeed_m_s: "fast"`},
		{"comma", "source_time_ns,airspeed_m_s\n1,\"2,5\"\n", "line 2, column airspeed_m_s"},
		{"infinite", "source_time_ns,airspeed_m_s\n1,inf\n", "line 2, column airspeed_m_s"},
		{"nan", "source_time_ns,airspeed_m_s\n1,nan\n", "line 2, column airspeed_m_s"},
		{"too large", "source_time_ns,airspeed_m_s\n1,1e300\n", "line 2: airspeed_m_s"},
		{"time", "source_time_ns\n1.5\n", "line 2, column source_time_ns"},
		{"no time in a row", "source_time_ns,airspeed_m_s\n,1\n", "line 2, column source_time_ns"},
		{"truth", "source_time_ns,on_ground\n1,true\n", "line 2, column on_ground"},
		{"condition", "source_time_ns,condition\n1,flying\n", "line 2, column condition"},
		{"short row", "source_time_ns,airspeed_m_s\n1\n", "line 2"},
		{"half an attitude", "source_time_ns,attitude_w\n1,1\n", "line 2: the attitude is not whole"},
		{"no attitude", "source_time_ns,attitude_w,attitude_x,attitude_y,attitude_z\n1,0,0,0,0\n", "line 2: the attitude's norm"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := NewCSVReader(strings.NewReader(c.table))
			var s State
			var err error
			for err == nil {
				err = r.Read(&s)
			}
			if errors.Is(err, io.EOF) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %q, want %q", err, c.want)
			}
		})
	}
}

func TestJSONErrors(t *testing.T) {
	for _, c := range []struct{ name, line, want string }{
		{"list", `[1]`, "column 1"},
		{"cut", `{"source_time_ns":1`, "cut off"},
		{"no time", `{"airspeed_m_s":1}`, "source_time_ns"},
		{"null time", `{"source_time_ns":null}`, "source_time_ns"},
		{"twice", `{"source_time_ns":1,"source_time_ns":2}`, `column 21, key "source_time_ns": given twice`},
		{"text", `{"source_time_ns":1,"airspeed_m_s":"2"}`, `key "airspeed_m_s"`},
		{"number for truth", `{"source_time_ns":1,"on_ground":1}`, "true or false"},
		{"object", `{"source_time_ns":1,"extra":{"a":1}}`, `key "extra"`},
		{"two", `{"source_time_ns":1}{}`, "one state a line"},
		{"misspelt", `{"source_time_ns":1,"velocity_x_ms":1}`, `too like "velocity_x_m_s"`},
		{"nan", `{"source_time_ns":1,"airspeed_m_s":NaN}`, "column"},
		{"large", `{"source_time_ns":1,"airspeed_m_s":1e999}`, `key "airspeed_m_s"`},
		{"time", `{"source_time_ns":1e9}`, `key "source_time_ns"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s State
			err := ParseJSON([]byte(c.line), &s)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want %q", err, c.want)
			}
		})
	}
	r := NewJSONReader(strings.NewReader("{\"source_time_ns\":1}\n\n{]\n{\"source_time_ns\":2}"))
	var s State
	if err := r.Read(&s); err != nil || s.SourceTime != 1 {
		t.Error(err)
	}
	if err := r.Read(&s); err == nil || !strings.HasPrefix(err.Error(), "line 3, column 2") {
		t.Error(err)
	}
	if err := r.Read(&s); err != nil || s.SourceTime != 2 {
		t.Error(err)
	}
	if err := r.Read(&s); !errors.Is(err, io.EOF) {
		t.Error(err)
	}
}

// states draws states that Admit takes, of which every form of the table can say everything.
func states() *rapid.Generator[State] {
	return rapid.Custom(func(t *rapid.T) State {
		s := State{
			SourceTime:    rapid.Int64().Draw(t, "source time"),
			ObservedAt:    rapid.Int64Min(1).Draw(t, "observed at"),
			Condition:     Condition(rapid.IntRange(0, 2).Draw(t, "condition")),
			Discontinuity: rapid.Bool().Draw(t, "discontinuity"),
			Name:          rapid.StringMatching(`[ -~äß→]{0,20}`).Draw(t, "name"),
			Class:         rapid.StringMatching(`[a-z]{0,9}`).Draw(t, "class"),
		}
		present := Set(rapid.Uint64().Draw(t, "present"))
		for x := range SignalCount {
			if b := Bound(x); present.Has(x) && b > 2 {
				s.Put(x, rapid.Float64Range(-b, b).Draw(t, x.String()))
			}
		}
		if present.Has(OnGround) {
			s.Put(OnGround, float64(rapid.IntRange(0, 1).Draw(t, "on ground")))
		}
		if present.Has(AttitudeW) {
			a := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "angle")
			s.Put(AttitudeW, math.Cos(a))
			s.Put(AttitudeX, math.Sin(a)*0.6)
			s.Put(AttitudeY, 0)
			s.Put(AttitudeZ, math.Sin(a)*0.8)
		}
		if rapid.Bool().Draw(t, "further") {
			s.Extra = []Extra{{"flow_kg_s", "1", rapid.Float64Range(-1e300, 1e300).Draw(t, "flow")}, {"torque_rpm", "1/min", 3}}
		}
		if err := s.Admit(); err != nil {
			t.Fatal(err)
		}
		for i := range s.Extra {
			s.Extra[i].Unit = UnitOf(s.Extra[i].Name)
		}
		return s
	})
}

func TestTablesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(states(), 1, 4).Draw(t, "states")
		var b, lines bytes.Buffer
		w := NewCSVWriter(&b, "flow_kg_s", "torque_rpm")
		for i := range list {
			if err := w.Write(&list[i]); err != nil {
				t.Fatal(err)
			}
			lines.Write(append(AppendJSON(nil, &list[i]), '\n'))
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		for form, read := range map[string]func(*State) error{"CSV": NewCSVReader(&b).Read, "JSON": NewJSONReader(&lines).Read} {
			for i := range list {
				var got State
				if err := read(&got); err != nil {
					t.Fatalf("%s %d: %v", form, i, err)
				}
				if d := cmp.Diff(list[i], got); d != "" {
					t.Fatalf("%s %d: %s", form, i, d)
				}
			}
			var s State
			if err := read(&s); !errors.Is(err, io.EOF) {
				t.Fatalf("%s: %v at its end", form, err)
			}
		}
	})
}

func TestAdmitTwiceChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := State{Present: Set(rapid.Uint64().Draw(t, "present"))}
		for x := range SignalCount {
			s.Values[x] = rapid.Float64Range(-1.2, 1.2).Draw(t, x.String())
		}
		if s.Admit() != nil {
			return
		}
		again := s
		if err := again.Admit(); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(s, again); d != "" {
			t.Fatal(d)
		}
	})
}

func TestCarry(t *testing.T) {
	older := State{SourceTime: 1, Discontinuity: true, Name: "Dapple", Extra: []Extra{{"climb_m_s", "m/s", 1}}}
	older.Put(Airspeed, 30)
	older.Put(VelocityX, 29)
	older.Put(AttitudeX, 1)
	newer := State{SourceTime: 2}
	newer.Put(VelocityX, 31)
	newer.Put(AttitudeW, 1) // half a quaternion, as no adapter should give it: it must not be mixed
	newer.Carry(&older)
	want := State{SourceTime: 2, Discontinuity: true, Name: "Dapple", Extra: []Extra{{"climb_m_s", "m/s", 1}}}
	want.Put(VelocityX, 31)
	want.Put(AttitudeW, 1)
	want.Put(Airspeed, 30)
	if d := cmp.Diff(want, newer); d != "" {
		t.Error(d)
	}
	for name, s := range map[string]State{
		"absent": {SourceTime: 2, Condition: Absent}, "after a jump": {SourceTime: 2, Discontinuity: true}, "earlier": {SourceTime: 0},
	} {
		s.Carry(&older)
		if s.Present != 0 || s.Extra != nil || !s.Discontinuity {
			t.Errorf("%s: carried %b", name, s.Present)
		}
	}
}

func FuzzCSVReader(f *testing.F) {
	f.Add([]byte(header + ",climb_m_s\n1,,1,2,3" + strings.Repeat(",", 28) + ",7\n"))
	f.Add([]byte("source_time_ns,on_ground\n1,0\n\"2\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r := NewCSVReader(bytes.NewReader(b))
		for range len(b) + 2 {
			var s State
			err := r.Read(&s)
			if errors.Is(err, io.EOF) || r.fields == nil {
				return
			}
			if err == nil {
				admitted(t, s)
			}
		}
		t.Error("it does not come to an end")
	})
}

func FuzzParseJSON(f *testing.F) {
	s := example()
	f.Add(AppendJSON(nil, &s))
	f.Add([]byte(`{"source_time_ns":1,"on_ground":false,"condition":"absent","x":1e2}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var s State
		if ParseJSON(b, &s) == nil {
			admitted(t, s)
			var again State
			if err := ParseJSON(AppendJSON(nil, &s), &again); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(s, again); d != "" {
				t.Fatal(d)
			}
		}
	})
}

func admitted(t *testing.T, s State) {
	t.Helper()
	before := s
	if err := s.Admit(); err != nil {
		t.Fatalf("read what is not admitted: %v", err)
	}
	if d := cmp.Diff(before, s); d != "" {
		t.Fatal(d)
	}
}

func BenchmarkAppendJSON(b *testing.B) {
	b.ReportAllocs()
	s := example()
	var buf []byte
	for b.Loop() {
		buf = AppendJSON(buf[:0], &s)
	}
}
