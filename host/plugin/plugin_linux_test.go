package plugin

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"perch/sdk/vehicle"
)

func TestMain(m *testing.M) {
	if mode := os.Getenv(childKey); mode != "" {
		childMain(mode)
	}
	if mode := os.Getenv(hostKey); mode != "" {
		careless(mode)
	}
	os.Exit(guarded(m))
}

// guarded runs the tests with a folder of their own for sockets, and looks at what they leave.
func guarded(m *testing.M) int {
	dir, err := os.MkdirTemp("/tmp", "pt")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	if err := os.Setenv("XDG_RUNTIME_DIR", dir); err != nil {
		return 1
	}
	if err := os.Setenv("PERCH_TEST_SECRET", "of the operator"); err != nil {
		return 1
	}
	code := m.Run()
	left, _ := filepath.Glob(filepath.Join(dir, "perch-*"))
	if len(left) > 0 {
		fmt.Fprintln(os.Stderr, "folders left behind:", left)
		code = max(code, 1)
	}
	for i := 0; i < 50 && runtime.NumGoroutine() > 3; i++ {
		time.Sleep(50 * time.Millisecond)
	}
	if n := runtime.NumGoroutine(); n > 3 {
		var b bytes.Buffer
		buf := make([]byte, 1<<20)
		b.Write(buf[:runtime.Stack(buf, true)])
		fmt.Fprintf(os.Stderr, "%d goroutines left:\n%s", n, b.String())
		code = max(code, 1)
	}
	return code
}

// program is a child of the given mode.
func program(mode string) Program {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	return Program{Name: mode, Command: []string{self}, Env: []string{childKey + "=" + mode}}
}

// heard gathers what a source gives. The states and events are counted under a lock.
type heard struct {
	mu     sync.Mutex
	states int
	last   vehicle.State
	breaks int // discontinuities
	events []Event
	starts int
	log    bytes.Buffer
}

func (h *heard) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.log.Write(b)
}

func (h *heard) options(change func(*pace)) Options {
	p := usual()
	p.first, p.longest = 20*time.Millisecond, 100*time.Millisecond
	if change != nil {
		change(&p)
	}
	return Options{
		Log: slog.New(slog.NewTextHandler(h, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Sink: func(s *vehicle.State) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.states++
			h.last = *s
			if s.Discontinuity {
				h.breaks++
			}
		},
		Notify: func(e Event) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.events = append(h.events, e)
		},
		OnRestart: func() {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.starts++
		},
		pace: &p,
	}
}

func (h *heard) logged() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.log.String()
}

func (h *heard) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.states
}

// event is the first event whose text matches.
func (h *heard) event(pattern string) (Event, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	re := regexp.MustCompile(pattern)
	for _, e := range h.events {
		if re.MatchString(e.Text) {
			return e, true
		}
	}
	return Event{}, false
}

func (h *heard) allEvents() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	var b strings.Builder
	for _, e := range h.events {
		fmt.Fprintf(&b, "%v: %s\n", e.Phase, e.Text)
	}
	return b.String()
}

// eventually waits long: machines that run tests are slow, and only a failure waits to the end.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("never: %s", what)
}

func start(t *testing.T, p Program, h *heard, change func(*pace)) *Source {
	t.Helper()
	s, err := Start(t.Context(), p, nil, h.options(change))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { halt(t, s) })
	return s
}

func halt(t *testing.T, s *Source) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if err := s.Stop(ctx); err != nil {
		t.Errorf("stop: %v", err)
	}
	if p := s.Status(); p.Phase != Stopped || p.PID != 0 {
		t.Errorf("after the stop: %v, process %d", p.Phase, p.PID)
	}
}

func TestDescribe(t *testing.T) {
	t.Parallel()
	d, err := Describe(t.Context(), program("honest"), nil)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(testDescription, d); diff != "" {
		t.Error(diff)
	}
}

func TestStates(t *testing.T) {
	t.Parallel()
	var h heard
	s, err := Start(t.Context(), program("honest"), map[string]string{"port": "42"}, h.options(nil))
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "20 states", func() bool { return h.count() >= 20 })
	st := s.Status()
	if st.Phase != Running || st.PID <= 0 || st.Restarts != 0 || st.Received < 20 || st.Refused != 0 || st.LastError != "" || st.Since.IsZero() {
		t.Errorf("%+v", st)
	}
	if diff := cmp.Diff(testDescription, st.Description); diff != "" {
		t.Error(diff)
	}
	halt(t, s)
	n := h.count()
	if v, ok := h.last.Value(vehicle.EngineRPM); !ok || v != 42 {
		t.Errorf("the setting did not arrive: %v %v", v, ok)
	}
	if h.breaks != 0 || h.starts != 0 {
		t.Errorf("%d discontinuities, %d restarts without a restart", h.breaks, h.starts)
	}
	time.Sleep(50 * time.Millisecond)
	if h.count() != n {
		t.Error("states after Stop")
	}
	if e := h.allEvents(); e != "" {
		t.Errorf("events of an honest source: %s", e)
	}
}

func TestWhatAChildGets(t *testing.T) {
	t.Parallel()
	d, err := Describe(t.Context(), program("environment"), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"PATH=", "PYTHONUNBUFFERED=1", "PYTHONDONTWRITEBYTECODE=1", childKey + "=environment", "stdin is a pipe", "leads its group"} {
		if !strings.Contains(d.Summary, want) {
			t.Errorf("no %q in %q", want, d.Summary)
		}
	}
	for _, not := range []string{"PERCH_TEST_SECRET", "XDG_RUNTIME_DIR"} {
		if strings.Contains(d.Summary, not) {
			t.Errorf("%s is passed on", not)
		}
	}
}

// TestStartCanBeCancelled: the default time for a start is 5 s.
func TestStartCanBeCancelled(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(100*time.Millisecond, cancel)
	var h heard
	o := h.options(func(p *pace) { p.start = time.Minute })
	begun := time.Now()
	if _, err := Start(ctx, program("silent"), nil, o); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if d := time.Since(begun); d > 30*time.Second {
		t.Errorf("it took %v", d)
	}
}

// TestAnotherLanguage: an adapter in Python, on its package, over both ways and with both kinds of key. It needs python3
// with grpc, protobuf and cryptography, which PERCH_PYTHON may name, and is left out where there is none, unless
// PERCH_TEST_PYTHON is set.
func TestAnotherLanguage(t *testing.T) {
	t.Parallel()
	python := os.Getenv("PERCH_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	if out, err := exec.Command(python, "-c", "import grpc, google.protobuf, cryptography").CombinedOutput(); err != nil {
		if os.Getenv("PERCH_TEST_PYTHON") != "" {
			t.Fatalf("PERCH_TEST_PYTHON: install python3-grpcio, python3-protobuf and python3-cryptography: %s", out)
		}
		t.Skipf("no python with grpc: %s", out)
	}
	script, err := filepath.Abs("testdata/adapter.py")
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"unix", "ec"}, {"unix", "rsa"}, {"tcp", "openssl"}} {
		var h heard
		p := Program{Name: "snake", Command: append([]string{python, script}, args...)}
		for _, name := range []string{"PYTHONPATH", "LD_LIBRARY_PATH"} {
			if v := os.Getenv(name); v != "" {
				p.Env = append(p.Env, name+"="+v)
			}
		}
		s, err := Start(t.Context(), p, nil, h.options(nil))
		if err != nil {
			t.Errorf("%v: %v", args, err)
			continue
		}
		eventually(t, "states", func() bool { return h.count() > 20 })
		begun := time.Now()
		halt(t, s)
		t.Logf("%v: the stop took %v", args, time.Since(begun))
		if v, _ := h.last.Value(vehicle.EngineRPM); v != 800 || s.Status().Description.Name != "snake" || s.Status().Restarts != 0 {
			t.Errorf("%v: %v %+v", args, v, s.Status())
		}
	}
}

func TestContextEndsTheSource(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	var h heard
	s, err := Start(ctx, program("honest"), nil, h.options(nil))
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	select {
	case <-s.Done():
	case <-time.After(20 * time.Second):
		t.Fatal("still running")
	}
	halt(t, s)
}

func TestSettings(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		raw  map[string]string
		keys []string
	}{
		{"by the description", map[string]string{"port": "0", "prot": "1"}, []string{"port", "prot"}},
		{"by the adapter", map[string]string{"word": "wrong"}, []string{"word"}},
	} {
		var h heard
		s, err := Start(t.Context(), program("honest"), c.raw, h.options(nil))
		if err == nil {
			halt(t, s)
		}
		var wrong *SettingsError
		if !errors.As(err, &wrong) {
			t.Fatalf("%s: %v", c.name, err)
		}
		var keys []string
		for _, f := range wrong.Faults {
			keys = append(keys, f.Key)
			if !strings.Contains(err.Error(), f.Key) {
				t.Errorf("%s is not in %q", f.Key, err)
			}
		}
		if diff := cmp.Diff(c.keys, keys); diff != "" {
			t.Error(c.name, diff)
		}
	}
}

// TestRefusedAtStart: each of these children is refused with one line that names the source, what is wrong and
// what to do, and nothing of it is left.
func TestRefusedAtStart(t *testing.T) {
	t.Parallel()
	missing := filepath.Join(t.TempDir(), "missing")
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, []byte("not a program"), 0o644); err != nil {
		t.Fatal(err)
	}
	noexec := filepath.Join(t.TempDir(), "noexec")
	if err := os.WriteFile(noexec, []byte("not a program"), 0o755); err != nil {
		t.Fatal(err)
	}
	of := func(path string) *Program { return &Program{Name: "x", Command: []string{path}} }
	for _, c := range []struct {
		mode string
		p    *Program
		want []string
	}{
		{mode: "early", want: []string{`printed "hello, I am not a handshake"`, "stderr"}},
		{mode: "long", want: []string{"first line is longer than", "stderr"}},
		{mode: "silent", want: []string{"did not say within", "handshake"}},
		{mode: "dies", want: []string{"exit status 7", "cannot find libimportant"}},
		{mode: "version", want: []string{"protocol 9", "speaks 1", "update this host"}},
		{mode: "cookie", want: []string{"exit status 1", "this is a perch adapter"}},
		{mode: "true", p: of("/bin/true"), want: []string{"/bin/true", "exit status 0", "check that the command is an adapter"}},
		{mode: "missing", p: of(missing), want: []string{missing, "no such file", "check the path"}},
		{mode: "plain", p: of(plain), want: []string{plain, "permission denied", "make it executable"}},
		{mode: "noexec", p: of(noexec), want: []string{noexec, "exec format error", "no program for this machine"}},
		{mode: "folder", p: &Program{Name: "x", Command: []string{"/bin/true"}, Dir: missing}, want: []string{missing, "no such file", "folder"}},
		{mode: "none", p: &Program{Name: "x"}, want: []string{"no command"}},
		{mode: "nocert", want: []string{"no certificate", "PLUGIN_CLIENT_CERT"}},
		{mode: "padded", want: []string{"padded", "leave out the ="}},
		{mode: "garbage", want: []string{"certificate", "cannot be read"}},
		{mode: "dead", want: []string{"no socket at", "listen first"}},
		{mode: "closed", want: []string{"connection refused"}},
		{mode: "text", want: []string{"no connection to", "TLS"}},
		{mode: "foreign-tcp", want: []string{"192.0.2.1:80", "PLUGIN_UNIX_SOCKET_DIR"}},
		{mode: "foreign-unix", want: []string{"/run/other.sock", "PLUGIN_UNIX_SOCKET_DIR"}},
		{mode: "stop-describe", want: []string{"does not answer", "hangs"}},
		{mode: "huge-describe", want: []string{"more than 256 kB"}},
		{mode: "bad-describe", want: []string{"description is refused", "Not A Name"}},
	} {
		t.Run(c.mode, func(t *testing.T) {
			t.Parallel()
			p := program(c.mode)
			if c.p != nil {
				p = *c.p
			}
			var h heard
			o := h.options(func(p *pace) {
				p.stdin, p.kill = 200*time.Millisecond, 400*time.Millisecond
				if c.mode == "silent" {
					p.start = 300 * time.Millisecond
				}
				if c.mode == "stop-describe" {
					p.describe = 500 * time.Millisecond
				}
			})
			s, err := Start(t.Context(), p, nil, o)
			if err == nil {
				halt(t, s)
				t.Fatal("it was taken")
			}
			text := err.Error()
			for _, w := range append(c.want, "source "+p.Name) {
				if !strings.Contains(text, w) {
					t.Errorf("%q lacks %q", text, w)
				}
			}
			if strings.ContainsAny(text, "\n\r\x1b") || len(text) > 1500 {
				t.Errorf("not one line: %q", text)
			}
			t.Log(text)
		})
	}
}

// TestFailsWhileRunning: each of these children is named in one event and started again, and what it did reaches
// nothing else.
func TestFailsWhileRunning(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		mode string
		want string
		few  bool // it need not come to a second run
	}{
		{mode: "exit", want: `ended \(exit status 3\); its last words: "I have had  ?\[31menough`},
		{mode: "panic", want: `ended \(exit status 2\); its last words: "panic: the dog ate it`},
		{mode: "segv", want: `ended \(signal: killed\)`},
		{mode: "ends", want: `ended its stream without a reason`},
		{mode: "mute", want: `no message for .* hangs; an adapter sends an absent state`},
		{mode: "stop", want: `no message for .* hangs`},
		{mode: "flood", want: `floods: more than 20 messages in 2ms`},
		{mode: "flood-big", want: `floods`},
		{mode: "huge", want: `sent a message of more than 256 kB`},
	} {
		t.Run(c.mode, func(t *testing.T) {
			t.Parallel()
			var h heard
			s := start(t, program(c.mode), &h, func(p *pace) {
				p.silence = 700 * time.Millisecond
				p.stdin, p.kill = 200*time.Millisecond, 400*time.Millisecond
			})
			eventually(t, "an event\n"+h.allEvents(), func() bool { _, ok := h.event(c.want); return ok || failed(&h) })
			e, ok := h.event(c.want)
			if !ok {
				t.Fatalf("no event like %q:\n%s", c.want, h.allEvents())
			}
			if e.Phase != Waiting || e.Level != slog.LevelError || e.Name != c.mode || !strings.HasPrefix(e.Text, "source "+c.mode+": ") ||
				!strings.Contains(e.Text, "starting it again in") || strings.ContainsAny(e.Text, "\n\r\x1b") || len(e.Words) > 20 {
				t.Errorf("%+v", e)
			}
			t.Log(e.Text)
			eventually(t, "a second run", func() bool { _, ok := h.event("running again"); return ok })
			if st := s.Status(); st.Restarts == 0 || st.LastError == "" {
				t.Errorf("%+v", st)
			}
		})
	}
}

// failed says whether there is an event about a failure.
func failed(h *heard) bool {
	_, ok := h.event("starting it again")
	return ok
}

func TestRestartMarksADiscontinuity(t *testing.T) {
	t.Parallel()
	var h heard
	start(t, program("exit"), &h, nil)
	eventually(t, "two more runs", func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return h.breaks >= 2 && h.starts >= h.breaks
	})
}

func TestRefusedStates(t *testing.T) {
	t.Parallel()
	t.Run("all", func(t *testing.T) {
		t.Parallel()
		var h heard
		s := start(t, program("nan"), &h, func(p *pace) { p.refused = 200 * time.Millisecond })
		eventually(t, "it is named", func() bool { _, ok := h.event("every state that it sends is refused: .*engine_rpm"); return ok })
		if st := s.Status(); st.Refused == 0 || st.Refused > st.Received || h.count() != 0 || st.Phase != Running {
			t.Errorf("%+v, %d states in the sink", st, h.count())
		}
	})
	for _, mode := range []string{"some-nan", "empty"} {
		t.Run(mode, func(t *testing.T) {
			t.Parallel()
			var h heard
			s := start(t, program(mode), &h, func(p *pace) { p.refused = 200 * time.Millisecond })
			eventually(t, "some of both", func() bool { return h.count() > 30 && s.Status().Refused > 30 })
			if e := h.allEvents(); e != "" {
				t.Errorf("named although it sends good ones: %s", e)
			}
		})
	}
}

// TestPrintsTooMuch: whichever way an adapter floods, its states still come and the lines are counted.
func TestPrintsTooMuch(t *testing.T) {
	t.Parallel()
	for _, mode := range []string{"flood-stderr", "flood-stdout", "flood-sync"} {
		t.Run(mode, func(t *testing.T) {
			t.Parallel()
			var h heard
			s := start(t, program(mode), &h, nil)
			eventually(t, "it is told", func() bool { _, ok := h.event("prints more than 50 lines a second"); return ok })
			n := h.count()
			eventually(t, "states go on", func() bool { return h.count() > n+30 })
			if st := s.Status(); st.Muted == 0 || st.Phase != Running || st.Restarts != 0 {
				t.Errorf("%+v", st)
			}
			if n := strings.Count(h.logged(), "spam"); n < 50*30 {
				t.Errorf("only %d words in the log", n)
			}
		})
	}
	t.Run("one long line", func(t *testing.T) {
		t.Parallel()
		var h heard
		s := start(t, program("long-stdout"), &h, nil)
		eventually(t, "states go on", func() bool { return h.count() > 30 })
		eventually(t, "the line after it", func() bool { return strings.Contains(h.logged(), "and more") })
		if st := s.Status(); st.Restarts != 0 {
			t.Errorf("%+v", st)
		}
	})
}

func TestLogLines(t *testing.T) {
	t.Parallel()
	var h heard
	start(t, program("json"), &h, nil)
	eventually(t, "the lines", func() bool { return strings.Contains(h.logged(), `msg={`) })
	for _, want := range []string{
		`level=WARN msg="from slog" source=json k="{\"a\":1}" from=stderr`,
		`level=INFO msg="{\"@message\":5}"`, `msg="{\"msg\":[],\"level\":3}"`, `msg=[1,2]`,
	} {
		if !strings.Contains(h.logged(), want) {
			t.Errorf("%s is not in\n%s", want, h.logged())
		}
	}
	eventually(t, "states", func() bool { return h.count() > 10 })
}

func TestGrandchild(t *testing.T) {
	t.Parallel()
	for _, mode := range []string{"grandchild", "escaped"} {
		var h heard
		s, err := Start(t.Context(), program(mode), nil, h.options(nil))
		if err != nil {
			t.Fatal(err)
		}
		var pid int
		eventually(t, "its number", func() bool {
			m := regexp.MustCompile(`grandchild (\d+)`).FindStringSubmatch(h.logged())
			if m == nil {
				return false
			}
			pid, _ = strconv.Atoi(m[1])
			return true
		})
		begun := time.Now()
		halt(t, s)
		if d := time.Since(begun); d > 10*time.Second {
			t.Errorf("%s: the stop took %v: it waits for the grandchild, which sleeps for 60 s", mode, d)
		}
		if mode == "grandchild" {
			eventually(t, "the grandchild is gone", func() bool { return !alive(pid) })
		} else if p, err := os.FindProcess(pid); err == nil { // it left the group: out of reach, and no wait for it
			_ = p.Kill()
		}
	}
}

func TestStopWhileWaiting(t *testing.T) {
	t.Parallel()
	var h heard
	s := start(t, program("ends"), &h, func(p *pace) { p.first, p.longest = time.Hour, time.Hour })
	eventually(t, "waiting", func() bool { return s.Status().Phase == Waiting })
	halt(t, s)
	halt(t, s)
}

// TestGivesUp: a process that hangs in a driver outlives SIGKILL. None can be made to order, so here the host has no
// patience at all: it kills, and gives up at once.
func TestGivesUp(t *testing.T) {
	t.Parallel()
	var h heard
	s, err := Start(t.Context(), program("stop"), nil, h.options(func(p *pace) { p.stdin, p.kill, p.give = 20*time.Millisecond, 40*time.Millisecond, 0 }))
	if err != nil {
		t.Fatal(err)
	}
	pid := s.Status().PID
	eventually(t, "a state", func() bool { return h.count() > 0 })
	time.Sleep(100 * time.Millisecond)
	err = s.Stop(t.Context())
	if want := fmt.Sprintf("source stop: process %d does not end, even when killed; end it by hand", pid); err != nil && !strings.Contains(err.Error(), want) {
		t.Errorf("%v", err)
	}
	t.Log(err) // on a machine that is fast enough it ends between the two, and there is no error
	eventually(t, "it is gone", func() bool { return !alive(pid) })
}

func TestBackoff(t *testing.T) {
	t.Parallel()
	var h heard
	start(t, program("ends"), &h, func(p *pace) { p.first, p.longest = 10*time.Millisecond, 40*time.Millisecond })
	for _, wait := range []string{"10ms", "20ms", "40ms"} {
		eventually(t, wait, func() bool { _, ok := h.event("again in " + wait + "$"); return ok })
	}
	eventually(t, "twice the longest", func() bool { return strings.Count(h.allEvents(), "again in 40ms") >= 2 })
	var g heard // a run that was stable starts the waits from the first again
	start(t, program("exit"), &g, func(p *pace) { p.first, p.longest, p.stable = 10*time.Millisecond, time.Hour, time.Millisecond })
	eventually(t, "three first waits", func() bool { return strings.Count(g.allEvents(), "again in 10ms") >= 3 })
}

func TestPins(t *testing.T) {
	t.Parallel()
	p := program("honest")
	sum, err := Sum(p)
	if err != nil {
		t.Fatal(err)
	}
	p.SHA256 = strings.ToUpper(sum)
	if _, err := Describe(t.Context(), p, nil); err != nil {
		t.Error(err)
	}
	p.SHA256 = strings.Repeat("0", 64)
	_, err = Describe(t.Context(), p, nil)
	if err == nil {
		t.Fatal("a wrong pin was taken")
	}
	for _, w := range []string{"source honest", p.Command[0], p.SHA256, sum, "pin the new sum"} {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q lacks %q", err, w)
		}
	}
	out, err := exec.Command("sha256sum", p.Command[0]).Output()
	if err != nil {
		t.Skip("no sha256sum here: ", err)
	}
	if want, _, _ := strings.Cut(string(out), " "); want != sum {
		t.Errorf("sum %s, sha256sum says %s", sum, want)
	}
}

// TestFolderPins compares with the shell line in Sum's comment, which is another implementation of it.
func TestFolderPins(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"a/b", "a-b", "a.txt", "Z", "ü x", "a/c/d", ".hidden", "empty/../e"} {
		write(name, "text of "+name)
	}
	p := program("honest")
	p.Dir = dir
	sum, err := Sum(p)
	if err != nil {
		t.Fatal(err)
	}
	shell := exec.Command("sh", "-c", `find . -type f | cut -c3- | LC_ALL=C sort | xargs -d '\n' sha256sum | sha256sum`)
	shell.Dir = dir
	if out, err := shell.Output(); err != nil {
		t.Log("no shell to compare with: ", err)
	} else if want, _, _ := strings.Cut(string(out), " "); want != sum {
		t.Errorf("sum %s, the shell says %s", sum, want)
	}
	p.SHA256 = sum
	if here, err := os.Getwd(); err != nil {
		t.Error(err)
	} else if p.Command[0], err = filepath.Rel(here, p.Command[0]); err != nil { // from here, not from the folder
		t.Error(err)
	}
	if _, err := Describe(t.Context(), p, nil); err != nil {
		t.Error(err)
	}
	for what, change := range map[string]func(){
		"a changed file": func() { write("a/b", "other") },
		"a new file":     func() { write("new", "") },
		"a moved file": func() {
			if err := os.Rename(filepath.Join(dir, "Z"), filepath.Join(dir, "Y")); err != nil {
				t.Fatal(err)
			}
		},
	} {
		before, _ := Sum(p)
		change()
		if after, err := Sum(p); err != nil || after == before {
			t.Errorf("%s changes nothing: %v", what, err)
		}
	}
	if _, err := Describe(t.Context(), p, nil); err == nil || !strings.Contains(err.Error(), dir+" is not what was pinned") {
		t.Errorf("%v", err)
	}
	if err := os.Symlink("/etc/hostname", filepath.Join(dir, "link")); err != nil {
		t.Fatal(err)
	}
	if _, err := Sum(p); err == nil || !strings.Contains(err.Error(), "link is a symbolic link") {
		t.Errorf("%v", err)
	}
}
