package mavlink

import (
	"context"
	"encoding/binary"
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"perch/sdk"
	"perch/sdk/capture"
	wire "perch/sdk/mavlink"
	"perch/sdk/transport"
	"perch/sdk/vehicle"
)

func TestDescription(t *testing.T) {
	a := Adapter()
	if faults := a.Faults(); len(faults) > 0 {
		t.Errorf("faults: %v", faults)
	}
	given := vehicle.Set(0).With(a.Signals...).With(a.Never...)
	for x := range vehicle.SignalCount {
		if !given.Has(x) {
			t.Errorf("%v is neither given nor never given", x)
		}
	}
}

func TestCheck(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile("x.tlog", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		raw  map[string]string
		want string // in the one fault; "": none
		key  string
	}{
		{"udp", map[string]string{"listen": "udp://0.0.0.0:14550"}, "", ""},
		{"serial", map[string]string{"port": "/dev/ttyUSB0", "baud": "115200", "request_rate": "20"}, "", ""},
		{"file", map[string]string{"file": "x.tlog", "speed": "2"}, "", ""},
		{"a file that is not there", map[string]string{"file": "y.tlog"}, "give the path of a telemetry log", "file"},
		{"nothing", nil, "nothing to read", ""},
		{"two", map[string]string{"listen": "udp://0.0.0.0:1", "file": "x.tlog"}, "one of listen, port and file", "file"},
		{"not an address", map[string]string{"listen": "14550"}, "udp://", "listen"},
		{"asking a file", map[string]string{"file": "x.tlog", "request_rate": "5"}, "cannot be asked", "request_rate"},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			a := Adapter()
			s, faults := a.Description.Check(x.raw)
			if len(faults) > 0 {
				t.Fatalf("the description refuses it: %v", faults)
			}
			faults = a.Check(s)
			if x.want == "" {
				if len(faults) > 0 {
					t.Errorf("faults %v, want none", faults)
				}
				return
			}
			if len(faults) != 1 || faults[0].Key != x.key || !strings.Contains(faults[0].Message, x.want) {
				t.Errorf("faults %v, want one of %q with %q", faults, x.key, x.want)
			}
		})
	}
}

// collector is a sink; it is safe for use beside the run.
type collector struct {
	mu     sync.Mutex
	states []vehicle.State
	absent int
	logs   strings.Builder
}

func (c *collector) Send(s *vehicle.State) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.states = append(c.states, *s)
}

func (c *collector) Absent() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.absent++
}

func (c *collector) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.logs.Write(p)
}

func (c *collector) until(t *testing.T, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		c.mu.Lock()
		ok := done()
		c.mu.Unlock()
		if ok {
			return
		}
	}
	t.Fatalf("%s did not happen", what)
}

// start runs a source until the test ends.
func start(t *testing.T, src transport.Source, rate int) (*collector, *run) {
	t.Helper()
	c := &collector{}
	log := slog.New(slog.NewTextHandler(c, nil))
	r := &run{src: src, out: c, log: log, decoder: NewDecoder(0, log), asker: asker{rate: rate}}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.loop(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the run ended with %v", err)
		}
	})
	return c, r
}

func TestUDPComesAndGoes(t *testing.T) {
	u, err := transport.ListenUDP("udp://127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c, _ := start(t, u, 0)
	from, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(u.Address()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = from.Close() }()
	b := newBench(0)
	send := func(m ...wire.Message) {
		t.Helper()
		for _, m := range m {
			if _, err := from.Write(b.frame(1, m)); err != nil {
				t.Fatal(err)
			}
		}
	}
	send(multirotor, attitude(1000))
	c.until(t, "a state", func() bool { return len(c.states) == 1 && c.states[0].ObservedAt > 0 })
	c.until(t, "absence", func() bool { return c.absent == 1 })
	send(attitude(3000))
	c.until(t, "a state again", func() bool { return len(c.states) == 2 })
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, want := range []string{"vehicle chosen", "telemetry comes in", "telemetry has stopped"} {
		if !strings.Contains(c.logs.String(), want) {
			t.Errorf("the log lacks %q: %s", want, c.logs.String())
		}
	}
}

func TestPortInUseEndsTheStream(t *testing.T) {
	u, err := transport.ListenUDP("udp://127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = u.Close() }()
	a := Adapter()
	s, faults := a.Description.Check(map[string]string{"listen": "udp://" + u.Address().String()})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if _, err := open(s, slog.Default()); err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("error %v, want that the port is in use", err)
	}
}

func TestFileIsPlayedToItsEnd(t *testing.T) {
	b := newBench(0)
	var file []byte
	record := func(us uint64, m wire.Message) {
		file = append(binary.BigEndian.AppendUint64(file, us), b.frame(1, m)...)
	}
	record(1, multirotor)
	for i := range uint32(20) {
		record(uint64(i)*1000+2, attitude(1000+i))
	}
	path := filepath.Join(t.TempDir(), "flight.tlog")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	src, err := capture.NewReplay(path, 100)
	if err != nil {
		t.Fatal(err)
	}
	c, _ := start(t, src, 0)
	c.until(t, "the end", func() bool { return len(c.states) == 20 && c.absent == 1 })

	var times []int64
	if err := ReadFile(path, 0, slog.New(slog.DiscardHandler), func(s *vehicle.State) { times = append(times, s.SourceTime/1e6) }); err != nil {
		t.Fatal(err)
	}
	if len(times) != 20 || times[19] != 1019 {
		t.Errorf("read %v", times)
	}
}

// failing is a source that ends with an error.
type failing struct{ closed bool }

func (f *failing) Read(context.Context) (transport.Chunk, error) {
	return transport.Chunk{}, errors.New("the port is broken")
}
func (f *failing) Write([]byte, netip.AddrPort) error { return nil }
func (f *failing) Close() error                       { f.closed = true; return nil }
func (f *failing) String() string                     { return "failing" }

func TestSourceThatFails(t *testing.T) {
	f := &failing{}
	log := slog.New(slog.DiscardHandler)
	r := &run{src: f, out: &collector{}, log: log, decoder: NewDecoder(0, log)}
	if err := r.loop(t.Context()); err == nil || !f.closed {
		t.Errorf("error %v, closed %v", err, f.closed)
	}
}

func TestAsking(t *testing.T) {
	type asked struct {
		ID     uint32
		Stream uint8
		Param  float32
	}
	commands := []asked{
		{wire.IDCommandLong, 0, wire.IDAttitude}, {wire.IDCommandLong, 0, wire.IDGlobalPositionInt},
		{wire.IDCommandLong, 0, wire.IDScaledIMU}, {wire.IDCommandLong, 0, wire.IDHighresIMU},
	}
	streams := []asked{{wire.IDRequestDataStream, 10, 0}, {wire.IDRequestDataStream, 6, 0}, {wire.IDRequestDataStream, 1, 0}}
	tests := []struct {
		name   string
		rate   int
		answer bool
		hz     int // of the vehicle
		want   [][]asked
	}{
		{"off", 0, false, 2, nil},
		{"it is fast enough", 20, false, 20, nil},
		{"no answer: the older way, and no more than three times", 20, false, 2, [][]asked{commands, streams, streams}},
		{"accepted: the same again", 20, true, 2, [][]asked{commands, commands, commands}},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			b := newBench(0)
			a := asker{rate: x.rate}
			log := slog.New(slog.DiscardHandler)
			b.say(multirotor)
			var got [][]asked
			now, ms := int64(1e18), uint32(1000)
			for range 60 { // a minute, looked at once a second
				for range x.hz {
					ms += uint32(1000 / x.hz)
					b.say(attitude(ms))
				}
				now += 1e9
				frames := a.step(now, b.d, log)
				if frames == nil {
					continue
				}
				var one []asked
				var r wire.Reader
				r.Feed(frames, func(f *wire.Frame) {
					switch f.ID {
					case wire.IDCommandLong:
						var m wire.CommandLong
						f.Decode(&m)
						if m.Command != 511 || m.Param[1] != 50000 || m.TargetSystem != 1 || m.TargetComponent != 1 {
							t.Errorf("command %+v", m)
						}
						one = append(one, asked{f.ID, 0, m.Param[0]})
					case wire.IDRequestDataStream:
						var m wire.RequestDataStream
						f.Decode(&m)
						if m.Rate != 20 || m.TargetSystem != 1 || m.Start != 1 {
							t.Errorf("request %+v", m)
						}
						one = append(one, asked{f.ID, m.Stream, 0})
					default:
						t.Errorf("message %d was sent to the vehicle", f.ID)
					}
				})
				got = append(got, one)
				if x.answer {
					b.say(&wire.CommandAck{Command: 511})
				}
			}
			if d := cmp.Diff(x.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// The description is what the host knows: an adapter value must serve as one.
var _ sdk.Adapter = Adapter()
