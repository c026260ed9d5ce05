package sdk_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
	"perch/sdk/vehicle"
)

// TestMain serves an adapter when a test has started this binary again, as an adapter's main does.
func TestMain(m *testing.M) {
	if os.Getenv("SDK_TEST_SERVE") != "" {
		sdk.Serve(adapter(nil))
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func description() sdk.Description {
	return sdk.Description{
		Name: "test", Version: "1.2.3", Summary: "counts", NominalRate: 100,
		Signals: []vehicle.Signal{vehicle.Airspeed}, Never: []vehicle.Signal{vehicle.OnGround},
		Settings: []sdk.Setting{
			{Key: "listen", Type: sdk.String, Required: true, Help: "address"},
			{Key: "rate", Type: sdk.Number, Unit: "Hz", Default: "50", Minimum: new(1.0), Maximum: new(500.0)},
			{Key: "port", Type: sdk.Integer, Minimum: new(1.0)},
			{Key: "loud", Type: sdk.Boolean, Default: "false"},
			{Key: "wait", Type: sdk.Duration, Default: "250ms", Maximum: new(10.0)},
			{Key: "axes", Type: sdk.Choice, Choices: []string{"flight", "road"}, Default: "flight"},
		},
	}
}

// adapter is one that does what its setting "listen" says.
func adapter(stream func(context.Context, sdk.Settings, *sdk.Sender) error) sdk.Adapter {
	if stream == nil {
		stream = func(ctx context.Context, s sdk.Settings, out *sdk.Sender) error {
			var state vehicle.State
			switch s.String("listen") {
			case "panic":
				panic("broken on purpose")
			case "undeclared":
				s.Number("nonsense")
			case "error":
				return errors.New("port 5000 is in use: choose another with port=")
			case "print":
				for range 5000 {
					_, _ = os.Stdout.WriteString("printing to stdout cannot break an adapter\n")
				}
				out.Log().Info("printed", "lines", 5000)
			case "absent":
				<-ctx.Done()
				return nil
			case "end":
				return nil
			}
			for state.SourceTime = 1; ctx.Err() == nil; state.SourceTime++ {
				state.Put(vehicle.Airspeed, float64(state.SourceTime))
				out.Send(&state)
				time.Sleep(time.Millisecond)
			}
			return ctx.Err()
		}
	}
	return sdk.Adapter{
		Description: description(),
		Check: func(s sdk.Settings) []sdk.Fault {
			if s.Boolean("loud") && s.Number("rate") > 100 {
				return []sdk.Fault{{Key: "", Message: "loud goes with at most 100 Hz"}}
			}
			return nil
		},
		Stream: stream,
	}
}

func TestCheckReads(t *testing.T) {
	d := description()
	s, faults := d.Check(map[string]string{"listen": ":5000", "rate": "62.5", "port": "3", "loud": "true", "wait": "2s", "axes": "road"})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if s.String("listen") != ":5000" || s.Number("rate") != 62.5 || s.Integer("port") != 3 || s.Number("port") != 3 ||
		!s.Boolean("loud") || s.Duration("wait") != 2*time.Second || s.String("axes") != "road" {
		t.Errorf("read %v", s.Text())
	}
	s, faults = d.Check(map[string]string{"listen": ""})
	if len(faults) > 0 || !s.Has("listen") || s.Has("port") || s.Integer("port") != 0 || s.Number("rate") != 50 ||
		s.Boolean("loud") || s.Duration("wait") != 250*time.Millisecond || s.String("axes") != "flight" {
		t.Errorf("defaults: %v, %v", s.Text(), faults)
	}
}

func TestCheckSaysEverythingAtOnce(t *testing.T) {
	_, faults := description().Check(map[string]string{
		"rat": "5", "rate": "900", "port": "1.5", "loud": "yes", "wait": "20s", "axes": "rode", "something": "else",
	})
	want := []sdk.Fault{
		{"axes", `is "rode": give one of flight, road`},
		{"listen", `is required: give a text`},
		{"loud", `is "yes": give true or false`},
		{"port", `is "1.5": give a whole number, at least 1`},
		{"rat", `is unknown: did you mean "rate"?`},
		{"rate", `is "900": give a number in Hz, from 1 to 500`},
		{"something", `is unknown: it may be listen, rate, port, loud, wait, axes`},
		{"wait", `is "20s": give a length of time such as "250ms" or "2s", at most 10 s`},
	}
	if d := cmp.Diff(want, faults); d != "" {
		t.Error(d)
	}
	for _, text := range []string{"nan", "inf", "", "5 Hz"} {
		if _, f := description().Check(map[string]string{"listen": "x", "rate": text}); len(f) != 1 || f[0].Key != "rate" {
			t.Errorf("rate %q: %v", text, f)
		}
	}
}

func TestDescriptionFaults(t *testing.T) {
	if f := description().Faults(); len(f) > 0 {
		t.Error(f)
	}
	d := sdk.Description{Name: "No Name", NominalRate: math.NaN(),
		Signals: []vehicle.Signal{vehicle.Airspeed}, Never: []vehicle.Signal{vehicle.Airspeed},
		Settings: []sdk.Setting{
			{Key: "a", Type: sdk.Choice}, {Key: "a", Type: sdk.Number, Default: "x"}, {Key: "B-c", Type: 77},
			{Key: "d", Type: sdk.String, Required: true, Default: "x"},
		}}
	if f := d.Faults(); len(f) != 10 {
		t.Errorf("%d faults: %v", len(f), f)
	}
}

func TestDescriptionCrossesTheWire(t *testing.T) {
	b, err := proto.Marshal(sdk.DescriptionToWire(description()))
	if err != nil {
		t.Fatal(err)
	}
	w := &adapterv1.DescribeResponse{}
	if err := proto.Unmarshal(b, w); err != nil {
		t.Fatal(err)
	}
	w.SetSignals(append(w.GetSignals(), "flux_of_a_newer_version"))
	d, err := sdk.DescriptionFromWire(w)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(description(), d); diff != "" {
		t.Error(diff)
	}
	w.SetName("")
	if _, err := sdk.DescriptionFromWire(w); err == nil {
		t.Error("a description without a name is taken")
	}
	if _, err := sdk.DescriptionFromWire(nil); err == nil {
		t.Error("no description is taken")
	}
}

func TestStateCrossesTheWire(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := vehicle.State{
			SourceTime: rapid.Int64().Draw(t, "source"), ObservedAt: rapid.Int64().Draw(t, "observed"),
			Condition:     vehicle.Condition(rapid.IntRange(0, 2).Draw(t, "condition")),
			Discontinuity: rapid.Bool().Draw(t, "discontinuity"),
			Name:          rapid.StringN(0, 20, 100).Draw(t, "name"), Class: rapid.StringN(0, 20, 100).Draw(t, "class"),
			Present: vehicle.Set(rapid.Uint64().Draw(t, "present")),
		}
		for x := range vehicle.SignalCount {
			s.Values[x] = rapid.Float64Range(-1, 1).Draw(t, x.String())
		}
		s.Values[vehicle.OnGround] = float64(rapid.IntRange(0, 1).Draw(t, "ground"))
		if rapid.Bool().Draw(t, "further") {
			s.Extra = []vehicle.Extra{{Name: "climb_m_s", Unit: "m/s", Value: 2}}
		}
		if s.Admit() != nil {
			s.Present &^= vehicle.Set(0).With(vehicle.AttitudeW, vehicle.AttitudeX, vehicle.AttitudeY, vehicle.AttitudeZ)
			if err := s.Admit(); err != nil {
				t.Fatal(err)
			}
		}
		b, err := proto.Marshal(sdk.ToWire(&s))
		if err != nil {
			t.Fatal(err)
		}
		w := &adapterv1.State{}
		if err := proto.Unmarshal(b, w); err != nil {
			t.Fatal(err)
		}
		var got vehicle.State
		if err := sdk.FromWire(w, &got); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(s, got); d != "" {
			t.Fatal(d)
		}
	})
}

// Every field of the message is a column of the table under the same name: one set alone arrives as that signal alone.
func TestWireNames(t *testing.T) {
	for x := range vehicle.SignalCount {
		w := &adapterv1.State{}
		w.SetCondition(adapterv1.Condition_CONDITION_RUNNING)
		m := w.ProtoReflect()
		f := m.Descriptor().Fields().ByTextName(x.String())
		if f == nil {
			t.Fatalf("no field %v", x)
		}
		m.Set(f, m.NewField(f)) // present, and zero
		var s vehicle.State
		err := sdk.FromWire(w, &s)
		if attitude := x >= vehicle.AttitudeW && x <= vehicle.AttitudeZ; attitude {
			if err == nil {
				t.Errorf("%v alone is taken", x)
			}
			continue
		}
		if err != nil || s.Present != vehicle.Set(0).With(x) {
			t.Errorf("%v: present %b, %v", x, s.Present, err)
		}
	}
}

func TestFromWireRefuses(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*adapterv1.State)
		want   string
	}{
		{"nan", func(w *adapterv1.State) { w.SetAirspeedMS(math.NaN()) }, "airspeed_m_s is NaN"},
		{"infinity", func(w *adapterv1.State) { w.SetSpecificForceZMS2(math.Inf(-1)) }, "specific_force_z_m_s2 is -Inf"},
		{"huge", func(w *adapterv1.State) { w.SetPositionDM(1e300) }, "position_d_m"},
		{"no condition", func(w *adapterv1.State) { w.SetCondition(0) }, "condition"},
		{"other condition", func(w *adapterv1.State) { w.SetCondition(9) }, "condition"},
		{"half attitude", func(w *adapterv1.State) { w.SetAttitudeW(1) }, "not whole"},
		{"long name", func(w *adapterv1.State) { w.SetVehicleName(strings.Repeat("x", 1000)) }, "vehicle_name"},
		{"many channels", func(w *adapterv1.State) { w.SetChannels(make([]*adapterv1.Channel, 33)) }, "33 further signals"},
		{"nan channel", func(w *adapterv1.State) {
			w.SetChannels([]*adapterv1.Channel{adapterv1.Channel_builder{Name: "x_m", Unit: "m", Value: math.NaN()}.Build()})
		}, `"x_m" is NaN`},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := sdk.ToWire(&vehicle.State{})
			c.change(w)
			s := vehicle.State{SourceTime: 5}
			err := sdk.FromWire(w, &s)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want %q", err, c.want)
			}
			if d := cmp.Diff(vehicle.State{}, s); d != "" {
				t.Errorf("something is left of it: %s", d)
			}
		})
	}
	var s vehicle.State
	if sdk.FromWire(nil, &s) == nil {
		t.Error("no state is taken")
	}
}

func FuzzFromWire(f *testing.F) {
	s := vehicle.State{SourceTime: 1, Name: "Dapple"}
	s.Put(vehicle.Airspeed, 30)
	b, err := proto.Marshal(sdk.ToWire(&s))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		w := &adapterv1.State{}
		if proto.Unmarshal(b, w) != nil {
			return
		}
		var s vehicle.State
		if sdk.FromWire(w, &s) != nil {
			return
		}
		for x, v := range s.Values {
			if !(math.Abs(v) <= vehicle.Bound(vehicle.Signal(x))) {
				t.Errorf("%v is %v", vehicle.Signal(x), v)
			}
		}
		var again vehicle.State
		if err := sdk.FromWire(sdk.ToWire(&s), &again); err != nil {
			t.Error(err)
		}
		if d := cmp.Diff(s, again); d != "" {
			t.Error(d)
		}
	})
}

// client serves an adapter within this process.
func client(t *testing.T, a sdk.Adapter, log io.Writer) adapterv1.AdapterServiceClient {
	t.Helper()
	p := &sdk.Plugin{Adapter: a, Log: slog.New(slog.NewJSONHandler(log, nil))}
	c, s := plugin.TestPluginGRPCConn(t, false, map[string]plugin.Plugin{sdk.PluginName: p})
	t.Cleanup(func() { s.Stop(); _ = c.Close() }) // the other way round both would stop the server at once
	raw, err := c.Dispense(sdk.PluginName)
	if err != nil {
		t.Fatal(err)
	}
	return raw.(adapterv1.AdapterServiceClient)
}

func open(ctx context.Context, c adapterv1.AdapterServiceClient, settings map[string]string) (func() (vehicle.State, error), error) {
	r := &adapterv1.StreamStatesRequest{}
	r.SetSettings(settings)
	stream, err := c.StreamStates(ctx, r)
	return func() (vehicle.State, error) {
		var s vehicle.State
		m, err := stream.Recv()
		if err != nil {
			return s, err
		}
		return s, sdk.FromWire(m.GetState(), &s)
	}, err
}

type buffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

func TestServerStreams(t *testing.T) {
	c := client(t, adapter(nil), io.Discard)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	r, err := c.Describe(ctx, &adapterv1.DescribeRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := sdk.DescriptionFromWire(r); err != nil {
		t.Fatal(err)
	}
	// A stream that is cancelled closes the source; it can be opened again at once.
	for range 3 {
		one, stop := context.WithCancel(ctx)
		next, err := open(one, c, map[string]string{"listen": "here"})
		if err != nil {
			t.Fatal(err)
		}
		last := int64(0)
		for last < 5 {
			s, err := next()
			if err != nil {
				t.Fatal(err)
			}
			if s.Condition == vehicle.Absent {
				continue
			}
			if v, ok := s.Value(vehicle.Airspeed); !ok || v != float64(s.SourceTime) || s.SourceTime <= last || s.ObservedAt == 0 {
				t.Fatalf("state %v after %d", s, last)
			}
			last = s.SourceTime
		}
		stop()
		for err = nil; err == nil; {
			_, err = next()
		}
		if status.Code(err) != codes.Canceled {
			t.Error(err)
		}
	}
}

func TestServerValidates(t *testing.T) {
	c := client(t, adapter(nil), io.Discard)
	r := &adapterv1.ValidateSettingsRequest{}
	r.SetSettings(map[string]string{"listen": "x", "loud": "true", "rate": "200"})
	w, err := c.ValidateSettings(t.Context(), r)
	if err != nil || len(w.GetFaults()) != 1 || w.GetFaults()[0].GetMessage() != "loud goes with at most 100 Hz" {
		t.Errorf("faults %v, %v", w, err)
	}
}

func TestServerSaysWhatIsWrong(t *testing.T) {
	var log buffer
	c := client(t, adapter(nil), &log)
	for _, x := range []struct {
		settings map[string]string
		code     codes.Code
		want     string
	}{
		{map[string]string{"listen": "panic"}, codes.Internal, "broken on purpose"},
		{map[string]string{"listen": "undeclared"}, codes.Internal, `reads its setting "nonsense"`},
		{map[string]string{"listen": "error"}, codes.FailedPrecondition, "port 5000 is in use: choose another with port="},
		{map[string]string{"rat": "5"}, codes.InvalidArgument, `listen is required: give a text; rat is unknown: did you mean "rate"?`},
	} {
		next, err := open(t.Context(), c, x.settings)
		for err == nil {
			_, err = next()
		}
		if status.Code(err) != x.code || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%v: %v", x.settings, err)
		}
	}
	if !strings.Contains(log.String(), `"stack":"goroutine`) || !strings.Contains(log.String(), "sdk_test.go") {
		t.Errorf("the stack of the panic is not in the log: %s", log.String())
	}
	next, err := open(t.Context(), c, map[string]string{"listen": "end"})
	for err == nil {
		_, err = next()
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("an adapter that is done: %v", err)
	}
}

func TestAbsentIsRepeated(t *testing.T) {
	c := client(t, adapter(nil), io.Discard)
	next, err := open(t.Context(), c, map[string]string{"listen": "absent"})
	for range 3 {
		if err != nil {
			t.Fatal(err)
		}
		var s vehicle.State
		if s, err = next(); err == nil && s.Condition != vehicle.Absent {
			t.Errorf("state %v", s)
		}
	}
}

// A host that is slow gets fewer states, the newest among them, and no kind of signal is lost.
func TestSlowHostLosesNoKindOfSignal(t *testing.T) {
	const sent = 1000
	done := make(chan struct{})
	a := sdk.Adapter{Description: sdk.Description{Name: "turns", Version: "1"},
		Stream: func(ctx context.Context, _ sdk.Settings, out *sdk.Sender) error {
			defer close(done)
			for i := int64(1); i <= sent; i++ {
				s := vehicle.State{SourceTime: i, Discontinuity: i == 2}
				switch {
				case i == 1:
					s.Put(vehicle.GearRatio, 1) // once only: a jump follows, which it must not outlive
				case i == 3:
					s.Put(vehicle.FlapRatio, 0.5) // once only
				case i%2 == 0:
					s.Put(vehicle.Airspeed, float64(i))
				default:
					s.Put(vehicle.EngineRPM, float64(i))
				}
				out.Send(&s)
			}
			return nil
		}}
	var got []vehicle.State
	if err := sdk.Run(t.Context(), a, nil, func(s *vehicle.State) {
		<-done // the host is busy until everything is sent
		if s.Condition == vehicle.Running {
			got = append(got, *s)
		}
	}); err != nil {
		t.Fatal(err)
	}
	var all vehicle.Set
	jumps := 0
	for _, s := range got {
		all |= s.Present
		if s.Discontinuity {
			jumps++
		}
	}
	last := got[len(got)-1]
	if len(got) > 32 || !all.Has(vehicle.Airspeed, vehicle.EngineRPM, vehicle.FlapRatio) || jumps != 1 || last.SourceTime != sent {
		t.Errorf("%d states, signals %b, %d jumps, the last at %d", len(got), all, jumps, last.SourceTime)
	}
	if last.Present != vehicle.Set(0).With(vehicle.Airspeed) {
		t.Errorf("the newest state holds more than was measured: %b", last.Present)
	}
}

func TestRun(t *testing.T) {
	err := sdk.Run(t.Context(), adapter(nil), map[string]string{"rate": "0"}, func(*vehicle.State) {})
	if err == nil || !strings.Contains(err.Error(), "listen is required") || !strings.Contains(err.Error(), "rate is") {
		t.Error(err)
	}
	if err := sdk.Run(t.Context(), adapter(nil), map[string]string{"listen": "panic"}, func(*vehicle.State) {}); err == nil {
		t.Error("a panic is no error")
	}
	ctx, cancel := context.WithCancel(t.Context())
	count := 0
	err = sdk.Run(ctx, adapter(nil), map[string]string{"listen": "here"}, func(s *vehicle.State) {
		if count++; count == 3 {
			cancel()
		}
	})
	if err != nil {
		t.Error(err)
	}
}

func served(t *testing.T) (*exec.Cmd, *buffer) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	var stderr buffer
	cmd.Stderr = &stderr
	h := sdk.Handshake()
	cmd.Env = append(os.Environ(), "SDK_TEST_SERVE=1", h.MagicCookieKey+"="+h.MagicCookieValue)
	return cmd, &stderr
}

func TestServeByHand(t *testing.T) {
	cmd, stderr := served(t)
	cmd.Env = append(os.Environ(), "SDK_TEST_SERVE=1")
	err := cmd.Run()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 1 || !strings.Contains(stderr.String(), "this is a perch adapter (test 1.2.3: counts): start it with `perch watch") {
		t.Errorf("%v: %s", err, stderr)
	}
}

func TestServeEndsWithItsHost(t *testing.T) {
	cmd, stderr := served(t)
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill() }()
	line := make([]byte, 4096)
	n, err := stdout.Read(line)
	if err != nil || !strings.HasPrefix(string(line[:n]), "1|1|") || !strings.Contains(string(line[:n]), "|grpc|") {
		t.Fatalf("handshake %q, %v: %s", line[:n], err, stderr)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Log(err)
	}
	_ = stdin.Close()
	if err := cmd.Wait(); err != nil {
		t.Errorf("at the end of stdin: %v: %s", err, stderr)
	}
}

func TestServeToAHost(t *testing.T) {
	cmd, stderr := served(t)
	cmd.Stderr = nil // the client wants to set it itself
	c := plugin.NewClient(&plugin.ClientConfig{
		HandshakeConfig:  sdk.Handshake(),
		VersionedPlugins: map[int]plugin.PluginSet{sdk.ProtocolVersion: {sdk.PluginName: &sdk.Plugin{}}},
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		Cmd:              cmd, AutoMTLS: true, Logger: hclog.NewNullLogger(), Stderr: stderr, StartTimeout: 20 * time.Second,
	})
	defer c.Kill()
	rpc, err := c.Client()
	if err != nil {
		t.Fatal(err)
	}
	raw, err := rpc.Dispense(sdk.PluginName)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	next, err := open(ctx, raw.(adapterv1.AdapterServiceClient), map[string]string{"listen": "print"})
	if err != nil {
		t.Fatal(err)
	}
	for s := (vehicle.State{}); s.SourceTime < 5; {
		if s, err = next(); err != nil {
			t.Fatalf("%v: %s", err, stderr)
		}
	}
	// The log is one JSON object a line.
	found := false
	for line := range strings.Lines(stderr.String()) {
		var record struct {
			Time, Level, Msg string
			Lines            int
		}
		if err := json.Unmarshal([]byte(line), &record); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		found = found || record.Level == "INFO" && record.Msg == "printed" && record.Lines == 5000 && record.Time != ""
	}
	if !found {
		t.Errorf("the adapter's record is not on stderr: %s", stderr)
	}
}

func BenchmarkWire(b *testing.B) {
	b.ReportAllocs()
	var s, back vehicle.State
	for x := range vehicle.SignalCount {
		s.Put(x, 0)
	}
	s.Values[vehicle.AttitudeW] = 1
	for b.Loop() {
		if err := sdk.FromWire(sdk.ToWire(&s), &back); err != nil {
			b.Fatal(err)
		}
	}
}
