package measure

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"perch/host/ride"
	"perch/host/seat/simulated"
	"perch/proto/seatlink"
	"perch/sdk/mavlink"
)

const (
	sliceTime = 2500 * time.Millisecond
	interval  = 10 * time.Millisecond // between attitudes: a 100 Hz source
	every     = 10                    // attitudes between steps of roll
	step      = 5e-4                  // rad of roll to either side: so small that the guard has nothing to hold back
	wait      = 60 * time.Millisecond // a step that has not shown by then is lost
)

// configuration is the profile in which an attitude moves the seat most directly.
const configuration = `
[profile]
mode = "follow"
intensity = "100 %"
`

// Run measures this machine for about Settings.Length and five seconds more.
func Run(ctx context.Context, s Settings) (r Report, err error) {
	folder, err := os.MkdirTemp("", "perch-measure")
	if err != nil {
		return r, fmt.Errorf("measure: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	config, probe := filepath.Join(folder, "measure.toml"), filepath.Join(folder, "probe.json")
	if err := os.WriteFile(config, []byte(configuration), 0o600); err != nil {
		return r, fmt.Errorf("measure: %w", err)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()

	controller, err := simulated.NewServer(simulated.Settings{})
	if err != nil {
		return r, fmt.Errorf("measure: %w", err)
	}
	seat, err := openTap()
	if err != nil {
		return r, err
	}
	defer seat.close()
	go controller.Serve(ctx, seat) //nolint:errcheck // it ends with ctx
	stream, err := newStream()
	if err != nil {
		return r, err
	}
	go stream.run(ctx)

	ship := func(arguments ...string) *exec.Cmd {
		c := exec.CommandContext(ctx, s.Program, append([]string{"run", "--json", "--config", config, "--source", "mavlink",
			"--set", "listen=udp://" + stream.address(), "--seat", seat.name, "--rate", strconv.FormatFloat(s.Rate, 'f', -1, 64)}, arguments...)...)
		c.Cancel = func() error { return c.Process.Signal(os.Interrupt) }
		c.WaitDelay = 25 * time.Second
		return c
	}
	s.Progress("homing the simulated seat")
	first, err := start(ship())
	if err != nil {
		return r, err
	}
	if err := first.await(ctx, `"state":"riding"`); err != nil {
		return r, err
	}
	if err := first.end(); err != nil {
		return r, err
	}

	s.Progress("starting again, to see how long it takes to move")
	seat.firstMotion()
	began := time.Now()
	stream.tilt(true)
	shipped, err := start(ship("--probe", probe))
	if err != nil {
		return r, err
	}
	if err := shipped.await(ctx, `"state":"riding"`); err != nil {
		return r, err
	}
	select {
	case at := <-seat.moved:
		r.StartToMotion = float64(at.Sub(began)) / 1e6
	case <-time.After(5 * time.Second):
	}
	stream.tilt(false)
	time.Sleep(3 * time.Second) // the demand fades in

	relayTap, err := openTap()
	if err != nil {
		return r, err
	}
	defer relayTap.close()
	relayed, err := newStream()
	if err != nil {
		return r, err
	}
	relay := exec.CommandContext(ctx, s.Program, "measure", "relay", "--listen", relayed.address(), "--terminal", relayTap.name)
	if err := relay.Start(); err != nil {
		return r, fmt.Errorf("measure: relay: %w", err)
	}
	defer func() { _ = relay.Process.Kill(); _ = relay.Wait() }()
	go relayTap.drain()

	full := newWatcher()
	bareLate, relaySamples := []time.Duration{}, newMatcher()
	var used, spent time.Duration
	for done := time.Duration(0); done < s.Length && ctx.Err() == nil; done += 2 * sliceTime {
		s.Progress(fmt.Sprintf("measuring: %v of %v", done, s.Length))
		before, at := shipped.cpu(), time.Now()
		seat.watch(full.frame)
		stream.step(full.sent)
		time.Sleep(sliceTime)
		stream.step(nil)
		seat.watch(nil)
		full.settle()
		used, spent = used+shipped.cpu()-before, spent+time.Since(at)

		bare := exec.CommandContext(ctx, s.Program, "measure", "bare", "--rate", strconv.FormatFloat(s.Rate, 'f', -1, 64), "--for", sliceTime.String())
		var out bytes.Buffer
		bare.Stdout = &out
		if err := bare.Start(); err != nil {
			return r, fmt.Errorf("measure: bare loop: %w", err)
		}
		relayTap.watch(relaySamples.frame)
		slice, endSlice := context.WithTimeout(ctx, sliceTime)
		relayed.each = relaySamples.sent
		relayed.run(slice)
		endSlice()
		if err := bare.Wait(); err != nil {
			return r, fmt.Errorf("measure: bare loop: %w", err)
		}
		var late []time.Duration
		if err := json.Unmarshal(out.Bytes(), &late); err != nil {
			return r, fmt.Errorf("measure: bare loop: %w", err)
		}
		bareLate = append(bareLate, late...)
	}
	r.RSS, r.AdapterRSS = shipped.memory()
	if err := shipped.end(); err != nil {
		return r, err
	}
	inside, err := readProbe(probe)
	if err != nil {
		return r, err
	}
	r.Full = latency(full.samples, full.lost)
	r.Path = latency(full.without(inside.Waits), full.lost)
	r.Relay = latency(relaySamples.result())
	late := slices.Sorted(slices.Values(inside.Late))
	slices.Sort(bareLate)
	r.Loop = Punctuality{s.Rate, quantile(late, 0.5), quantile(late, 0.99), quantile(late, 0.999),
		quantile(bareLate, 0.5), quantile(bareLate, 0.99), s.Allocs}
	r.EstimateDelay = inside.Delay * 1e3
	if spent > 0 {
		r.CPU = 100 * used.Seconds() / spent.Seconds()
	}
	r.judge()
	return r, ctx.Err()
}

func readProbe(path string) (p Probed, err error) {
	data, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(data, &p)
	}
	if err != nil {
		return p, fmt.Errorf("measure: the ride left no probe: %w", err)
	}
	return p, nil
}

// child is the program under measurement.
type child struct {
	command *exec.Cmd
	lines   chan string
	stderr  *bytes.Buffer
}

func start(c *exec.Cmd) (*child, error) {
	out, err := c.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("measure: %w", err)
	}
	p := &child{command: c, lines: make(chan string, 16), stderr: new(bytes.Buffer)}
	c.Stderr = p.stderr
	if err := c.Start(); err != nil {
		return nil, fmt.Errorf("measure: %w", err)
	}
	go func() {
		defer close(p.lines)
		for scanner := bufio.NewScanner(out); scanner.Scan(); {
			select {
			case p.lines <- scanner.Text():
			default: // nobody waits for it
			}
		}
	}()
	return p, nil
}

// await waits for a line that holds text.
func (p *child) await(ctx context.Context, text string) error {
	deadline := time.After(20 * time.Second)
	for {
		select {
		case line, open := <-p.lines:
			if !open {
				return fmt.Errorf("measure: the ride ended before it showed %s: %s", text, p.stderr)
			}
			if strings.Contains(line, text) {
				return nil
			}
		case <-deadline:
			return fmt.Errorf("measure: the ride did not show %s within 20 s: %s", text, p.stderr)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// end asks the ride to end, and waits.
func (p *child) end() error {
	_ = p.command.Process.Signal(os.Interrupt)
	if err := p.command.Wait(); err != nil {
		return fmt.Errorf("measure: the ride ended badly: %w: %s", err, p.stderr)
	}
	return nil
}

// family is the process and its children.
func (p *child) family() []int {
	pids := []int{p.command.Process.Pid}
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pids[0]))
	for _, task := range tasks {
		data, _ := os.ReadFile(task)
		for _, word := range strings.Fields(string(data)) {
			if pid, err := strconv.Atoi(word); err == nil {
				pids = append(pids, pid)
			}
		}
	}
	return pids
}

// cpu is the processor time that the family has used.
func (p *child) cpu() (used time.Duration) {
	for _, pid := range p.family() {
		data, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if _, after, ok := strings.Cut(string(data), ") "); ok {
			fields := strings.Fields(after)
			if len(fields) > 12 {
				user, _ := strconv.ParseInt(fields[11], 10, 64)
				system, _ := strconv.ParseInt(fields[12], 10, 64)
				used += time.Duration(user+system) * 10 * time.Millisecond // USER_HZ is 100 on Linux
			}
		}
	}
	return used
}

// memory is the resident size of the host and of its adapter, MiB.
func (p *child) memory() (host, adapter float64) {
	for i, pid := range p.family() {
		data, _ := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
		fields := strings.Fields(string(data))
		if len(fields) < 2 {
			continue
		}
		pages, _ := strconv.ParseFloat(fields[1], 64)
		mib := pages * float64(os.Getpagesize()) / (1 << 20)
		if i == 0 {
			host = mib
		} else {
			adapter = max(adapter, mib)
		}
	}
	return host, adapter
}

// tap is a pseudo-terminal whose frames are looked at on their way to the controller.
type tap struct {
	master, slave *os.File
	name          string
	moved         chan time.Time

	mu      sync.Mutex
	decoder seatlink.Decoder
	see     func(at time.Time, p *seatlink.Setpoint)
	waiting bool // for the first motion
	rest    *seatlink.Setpoint
}

func openTap() (*tap, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("measure: pseudo-terminal: %w", err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		return nil, fmt.Errorf("measure: pseudo-terminal: %w", err)
	}
	return &tap{master: master, slave: slave, name: slave.Name(), moved: make(chan time.Time, 1)}, nil
}

func (t *tap) close() { _ = t.master.Close(); _ = t.slave.Close() }

// Read gives the controller its bytes, and looks at them.
func (t *tap) Read(p []byte) (int, error) {
	n, err := t.master.Read(p)
	at := time.Now()
	t.mu.Lock()
	defer t.mu.Unlock()
	_, _ = t.decoder.Write(p[:n])
	var frame seatlink.Frame
	var point seatlink.Setpoint
	for t.decoder.Next(&frame) {
		if frame.Type != seatlink.TypeSetpoint || point.Unmarshal(frame.Payload) != nil {
			continue
		}
		t.motion(at, &point)
		if t.see != nil {
			t.see(at, &point)
		}
	}
	return n, err
}

func (t *tap) Write(p []byte) (int, error) { return t.master.Write(p) }

// Close implements io.Closer for the controller; the terminal stays for the next ride.
func (t *tap) Close() error { return nil }

func (t *tap) drain() { _, _ = io.Copy(io.Discard, readerOnly{t}) }

// readerOnly keeps io.Copy from looking for more than Read.
type readerOnly struct{ io.Reader }

// watch has each setpoint shown to a function; nil: to none.
func (t *tap) watch(see func(time.Time, *seatlink.Setpoint)) {
	t.mu.Lock()
	t.see = see
	t.mu.Unlock()
}

// firstMotion has the first pose that is over 0.01 deg from the first frame's reported on moved. Actuators turn
// faster than the seat, by 2 at least on the built-in mechanism, so 0.02 deg of one shows it.
func (t *tap) firstMotion() {
	t.mu.Lock()
	t.waiting, t.rest = true, nil
	t.mu.Unlock()
}

func (t *tap) motion(at time.Time, p *seatlink.Setpoint) {
	if !t.waiting {
		return
	}
	if t.rest == nil {
		rest := *p
		t.rest = &rest
		return
	}
	for i := range p.Axes.N {
		if math.Abs(float64(p.Position[i]-t.rest.Position[i]))*1e-9 > 0.02*math.Pi/180 {
			t.waiting = false
			t.moved <- at
			return
		}
	}
}

// stream sends attitudes at 100 Hz and a heartbeat a second to a UDP address that nobody had before.
type stream struct {
	to   *net.UDPConn
	each func(ms uint32, at time.Time) // relay: every attitude

	mu     sync.Mutex
	steps  func(ms uint32, at time.Time) // a step was sent
	tilted bool
}

func newStream() (*stream, error) {
	free, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return nil, fmt.Errorf("measure: %w", err)
	}
	address := free.LocalAddr().(*net.UDPAddr)
	_ = free.Close()
	to, err := net.DialUDP("udp4", nil, address)
	if err != nil {
		return nil, fmt.Errorf("measure: %w", err)
	}
	return &stream{to: to}, nil
}

func (s *stream) address() string { return s.to.RemoteAddr().String() }

// step has the roll change now and then; sent is told of each change.
func (s *stream) step(sent func(uint32, time.Time)) {
	s.mu.Lock()
	s.steps = sent
	s.mu.Unlock()
}

// tilt holds the vehicle at a bank.
func (s *stream) tilt(on bool) {
	s.mu.Lock()
	s.tilted = on
	s.mu.Unlock()
}

// run sends until ctx ends.
func (s *stream) run(ctx context.Context) {
	began := time.Now()
	header := mavlink.Header{Version: 2, System: 1, Component: 1}
	var out []byte
	send := func(m mavlink.Message) {
		out = mavlink.Append(out[:0], header, m)
		header.Sequence++
		_, _ = s.to.Write(out) // nobody may be listening yet
	}
	sign := float32(1)
	ticker := time.NewTicker(interval)
	defer ticker.Stop()
	for n := uint32(0); ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if n%100 == 0 {
			send(&mavlink.Heartbeat{Type: 1, Autopilot: 3, BaseMode: 128, SystemStatus: 4, MAVLinkVersion: 3})
		}
		s.mu.Lock()
		steps, tilted := s.steps, s.tilted
		s.mu.Unlock()
		m := mavlink.Attitude{TimeBootMs: uint32(time.Since(began).Milliseconds()) + 1000}
		stepping := steps != nil && n%every == 0
		if stepping {
			sign = -sign
		}
		if steps != nil {
			m.Roll = sign * step
		} else if tilted {
			m.Roll = 0.2
		}
		// At a random point of the loop's tick, since the seat's clock is not the source's.
		time.Sleep(time.Duration(n*7919%2000) * time.Microsecond)
		at := time.Now()
		if stepping {
			steps(m.TimeBootMs, at)
		}
		if s.each != nil {
			s.each(m.TimeBootMs, at)
		}
		send(&m)
	}
}

// watcher finds the frame in which a step first shows: the first one whose acceleration leaves what it was before.
type watcher struct {
	mu      sync.Mutex
	pending bool
	ms      uint32
	at      time.Time
	quiet   float64 // largest change of acceleration over the last frames before the step
	last    [2]float64
	changes [5]float64
	n       int

	times   []uint32
	samples []time.Duration
	lost    int
}

func newWatcher() *watcher { return &watcher{} }

func (w *watcher) sent(ms uint32, at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.pending {
		w.lost++
	}
	w.pending, w.ms, w.at, w.quiet = true, ms, at, slices.Max(w.changes[:])
}

func (w *watcher) frame(at time.Time, p *seatlink.Setpoint) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var change float64
	for i := range w.last {
		a := float64(p.Acceleration[i])
		change = max(change, math.Abs(a-w.last[i]))
		w.last[i] = a
	}
	w.changes[w.n%len(w.changes)] = change
	w.n++
	if !w.pending {
		return
	}
	switch {
	case at.Sub(w.at) > wait:
		w.pending = false
		w.lost++
	case change > 3*w.quiet+5:
		w.pending = false
		w.samples = append(w.samples, at.Sub(w.at))
		w.times = append(w.times, w.ms)
	}
}

// settle forgets a step whose slice has ended.
func (w *watcher) settle() {
	w.mu.Lock()
	w.pending = false
	w.mu.Unlock()
}

// without takes from each sample the time that its state waited for a tick.
func (w *watcher) without(waits []ride.Waited) (out []time.Duration) {
	waited := map[int64]time.Duration{}
	for _, x := range waits {
		waited[x.SourceTime/1e6] = x.Wait
	}
	for i, full := range w.samples {
		if wait, ok := waited[int64(w.times[i])]; ok {
			out = append(out, full-wait)
		}
	}
	return out
}

// matcher pairs what was sent to the relay with what came back.
type matcher struct {
	mu      sync.Mutex
	out     map[uint32]time.Time
	samples []time.Duration
	sentAll int
}

func newMatcher() *matcher { return &matcher{out: map[uint32]time.Time{}} }

func (m *matcher) sent(ms uint32, at time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.sentAll++
	m.out[ms] = at
}

func (m *matcher) frame(at time.Time, p *seatlink.Setpoint) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if sent, ok := m.out[uint32(p.Position[0])]; ok {
		m.samples = append(m.samples, at.Sub(sent))
		delete(m.out, uint32(p.Position[0]))
	}
}

func (m *matcher) result() ([]time.Duration, int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.samples, m.sentAll - len(m.samples)
}

var _ io.ReadWriteCloser = (*tap)(nil)
