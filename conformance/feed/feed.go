// Package feed delivers a capture to an adapter under test as its source would: datagrams, a TCP connection, a serial
// line, a growing file, or a program of the author's own. It chooses the port or path, and writes it into the adapter's
// settings (Fill).
//
// The capture begins when somebody is there to take it: the port is open, the line is open, a client has connected. From
// then on each packet is sent when it is due, counted from the first one, so that nothing drifts; what nobody takes is
// dropped and counted, as by a real source.
package feed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"perch/sdk/capture"
)

// Way is how a capture is delivered.
type Way string

// The ways there are.
const (
	UDP       Way = "udp"        // datagrams to a free port on loopback, where the adapter listens
	TCP       Way = "tcp"        // the adapter connects to a port of the feed
	TCPClient Way = "tcp_client" // the feed connects to a free port, where the adapter listens
	Serial    Way = "serial"     // a pseudo-terminal that the adapter opens as a serial port
	File      Way = "file"       // a file that grows by what is captured
	Capture   Way = "capture"    // a copy of the capture file itself, which the adapter reads
	Program   Way = "program"    // a program of the author's own, told where to send
)

// Ways are all of them.
func Ways() []Way { return []Way{UDP, TCP, TCPClient, Serial, File, Capture, Program} }

// AsFastAsTaken is the speed at which the adapter sets the pace.
var AsFastAsTaken = math.Inf(1)

// Delivery says how to deliver. The zero value of everything but Way is a good one.
type Delivery struct {
	Way     Way
	Select  capture.Selection // which flow, where a network capture holds several
	Speed   float64           // times as fast as captured, 0 is 1; AsFastAsTaken. Above 1 nothing is made up for: no burst after a late packet
	Loops   int               // how often; 0 is once, below 0 without end
	Variant Variant           // what is spoiled
	Seed    uint64            // of the variant: one seed spoils one capture always in the same way
	Paused  bool              // begins only with Resume

	Command []string  // for Program: the program and its arguments, filled by Fill
	Folder  string    // for Program: where it runs; empty is here
	Output  io.Writer // for Program: what it prints; nil drops it
}

// Counts says what has happened.
type Counts struct {
	Packets  int   // taken by the adapter, as far as the feed can know
	Bytes    int64 // in them
	Dropped  int   // packets that nobody was there to take
	Answered int64 // bytes that the adapter sent back
	Loops    int   // finished
}

// sink is where packets go. send is called by one goroutine; the rest beside it.
type sink interface {
	// send delivers a packet whole. false: nobody was there. An error ends the feed.
	send(ctx context.Context, p []byte) (taken bool, err error)
	lose()          // the source vanishes; a send that waits ends
	restore() error // it is back, at the same address
	close()         // for good; a send that waits ends
	answered() int64
}

// Feed is a capture that is being delivered.
type Feed struct {
	delivery Delivery
	path     string // of the capture, absolute
	summary  capture.Summary
	address  address
	folder   string // temporary; empty if none was needed
	sink     sink   // nil for a program
	program  *program

	cancel context.CancelFunc
	done   chan struct{} // the capture has been delivered
	closed chan struct{} // nothing is left

	mu      sync.Mutex
	paused  bool
	lost    bool
	ended   bool
	changed chan struct{} // closed and replaced when paused or lost changes
	counts  Counts
	err     error
}

// Start begins to deliver the capture at path until it ends, ctx ends, or Close. address is what {feed} stands for. A
// program may do without a capture: path is then empty.
func Start(ctx context.Context, path string, d Delivery) (address string, f *Feed, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("feed by %s: %w", d.Way, err)
		}
	}()
	if d.Speed == 0 {
		d.Speed = 1
	}
	if !(d.Speed > 0) {
		return "", nil, fmt.Errorf("speed %v: give how many times as fast as captured, above 0", d.Speed)
	}
	if d.Loops == 0 {
		d.Loops = 1
	}
	if d.Variant != Intact && !slices.Contains(Variants(), d.Variant) {
		return "", nil, fmt.Errorf("variant %q: there is no such; give one of %v", d.Variant, Variants())
	}
	f = &Feed{delivery: d, paused: d.Paused, changed: make(chan struct{}), done: make(chan struct{}), closed: make(chan struct{})}
	if err := f.look(path); err != nil {
		return "", nil, err
	}
	if err := f.open(); err != nil {
		f.sweep()
		return "", nil, err
	}
	ctx, f.cancel = context.WithCancel(ctx)
	go f.run(ctx)
	return f.address.feed(), f, nil
}

// look checks the capture before anything is opened.
func (f *Feed) look(path string) (err error) {
	d := f.delivery
	if d.Way == Program && path == "" {
		return nil
	}
	if f.path, err = filepath.Abs(path); err != nil {
		return err
	}
	if d.Way == Program || d.Way == Capture {
		c, err := capture.Open(path)
		if err != nil {
			return err
		}
		f.summary.Format = c.Format()
		return c.Close()
	}
	if f.summary, err = capture.One(path, d.Select); err != nil {
		return err
	}
	if d.Way == UDP && f.summary.Flow.Protocol == capture.TCP {
		return fmt.Errorf("capture file %s holds a TCP stream, which has no datagrams: deliver it by tcp, tcp_client, serial or file", path)
	}
	return nil
}

// open makes what the adapter will be given.
func (f *Feed) open() (err error) {
	switch d := f.delivery; d.Way {
	case UDP:
		f.sink, f.address, err = openUDP(math.IsInf(d.Speed, 1) && d.Variant != Flood)
	case TCP:
		f.sink, f.address, err = openServer()
	case TCPClient:
		f.sink, f.address, err = openClient()
	case Serial, File, Capture, Program:
		if f.folder, err = os.MkdirTemp("", "perch-feed"); err != nil {
			return err
		}
		switch d.Way {
		case Serial:
			f.sink, f.address, err = openSerial(filepath.Join(f.folder, "serial"))
		case File:
			f.sink, f.address, err = openFile(filepath.Join(f.folder, "feed"))
		case Capture:
			f.sink, f.address, err = openCopy(f.path, filepath.Join(f.folder, filepath.Base(f.path)), d.Variant, d.Seed)
		case Program:
			f.program, f.address, err = openProgram(f)
		}
	default:
		return fmt.Errorf("there is no such way: give one of %v", Ways())
	}
	f.address.capture, f.address.way = f.path, f.delivery.Way
	return err
}

func (f *Feed) sweep() {
	if f.folder != "" {
		_ = os.RemoveAll(f.folder)
	}
}

// run delivers, then keeps what the adapter has open until the end.
func (f *Feed) run(ctx context.Context) {
	defer close(f.closed)
	var closers sync.WaitGroup
	if f.sink != nil {
		closers.Go(func() {
			<-ctx.Done()
			f.mu.Lock()
			f.ended = true
			f.mu.Unlock()
			f.sink.close()
		})
	}
	var err error
	switch {
	case f.program != nil:
		err = f.program.run(ctx, f)
	case f.delivery.Way != Capture:
		err = f.play(ctx)
	}
	if ctx.Err() == nil && err != nil {
		f.mu.Lock()
		f.err = fmt.Errorf("feed by %s: %w", f.delivery.Way, err)
		f.mu.Unlock()
	}
	close(f.done)
	<-ctx.Done()
	closers.Wait()
	f.sweep()
}

// Address is what {feed} stands for: host:port, or a path.
func (f *Feed) Address() string { return f.address.feed() }

// Summary is what the capture holds, of what is delivered; of a program and a copy only the format.
func (f *Feed) Summary() capture.Summary { return f.summary }

// Done is closed when all has been delivered, or the feed failed. The port, line or file stays until Close.
func (f *Feed) Done() <-chan struct{} { return f.done }

// Err says why the feed failed; nil as long as it did not.
func (f *Feed) Err() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.err
}

// Counts says what has happened so far.
func (f *Feed) Counts() Counts {
	f.mu.Lock()
	defer f.mu.Unlock()
	c := f.counts
	if f.sink != nil {
		c.Answered = f.sink.answered()
	}
	return c
}

// Pause holds the capture where it is, connections and all, until Resume.
func (f *Feed) Pause() error { return f.set(func() { f.paused = true }) }

// Resume goes on after Pause, or begins what was started paused.
func (f *Feed) Resume() error { return f.set(func() { f.paused = false }) }

// Lose makes the source vanish: nothing is sent, connections break, the serial port or file is gone. When it returns,
// nothing more comes.
func (f *Feed) Lose() error {
	err := f.set(func() { f.lost = true })
	if f.sink != nil {
		f.sink.lose()
	}
	if f.program != nil {
		f.program.lose()
	}
	return err
}

// Restore brings the source back at the same address; the capture goes on where it was. A file begins empty; datagrams
// come from another port.
func (f *Feed) Restore() error {
	var err error
	return errors.Join(f.set(func() {
		if f.sink != nil && f.lost && !f.ended {
			err = f.sink.restore()
		}
		f.lost = f.lost && err != nil
	}), err)
}

// set changes what the feed may do and wakes who waits for it.
func (f *Feed) set(change func()) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
	close(f.changed)
	f.changed = make(chan struct{})
	if f.program != nil {
		if err := f.program.obey(f.paused, f.lost); err != nil {
			return fmt.Errorf("feed by %s: %w", f.delivery.Way, err)
		}
	}
	return nil
}

// state is whether packets may go, and what is closed when that changes.
func (f *Feed) state() (going bool, changed <-chan struct{}) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return !f.paused && !f.lost, f.changed
}

// Close ends the feed, waits until nothing of it is left, and says why it had failed.
func (f *Feed) Close() error {
	f.cancel()
	<-f.closed
	return f.Err()
}

// How long until somebody is looked for again.
const knock = 20 * time.Millisecond

// play sends the capture as often as asked.
func (f *Feed) play(ctx context.Context) error {
	p := &player{feed: f, pace: capture.NewPace(f.delivery.Speed), vary: newVary(f.delivery.Variant, f.delivery.Seed), fast: math.IsInf(f.delivery.Speed, 1)}
	// The next loop begins as long after the last packet as packets usually lie apart.
	between := int64(time.Millisecond)
	if n := f.summary.Packets; n > 1 {
		between = max(between, (f.summary.Last-f.summary.First)/int64(n-1))
	}
	last := f.summary.First - between
	for loop := 0; f.delivery.Loops < 0 || loop < f.delivery.Loops; loop++ {
		shift := last + between - f.summary.First
		file, err := capture.Open(f.path)
		if err != nil {
			return err
		}
		for {
			packet, err := file.Read()
			if errors.Is(err, io.EOF) {
				break
			}
			if err == nil && f.delivery.Select.Holds(packet) {
				last = packet.Time + shift
				err = p.packet(ctx, last, packet.Data)
			}
			if err != nil {
				_ = file.Close()
				return err
			}
		}
		if err := file.Close(); err != nil {
			return err
		}
		f.mu.Lock()
		f.counts.Loops++
		f.mu.Unlock()
	}
	return nil
}

// player sends packets when they are due.
type player struct {
	feed  *Feed
	pace  *capture.Pace
	vary  *vary
	fast  bool
	begun bool
	begin time.Time // of the first packet, later by what was paused
}

// packet sends what a captured packet became.
func (p *player) packet(ctx context.Context, at int64, data []byte) error {
	due := p.pace.Due(at)
	for _, piece := range p.vary.packet(data) {
		if p.feed.delivery.Way == UDP && len(piece) > maxDatagram {
			return fmt.Errorf("a packet of %d bytes: the longest datagram has %d; deliver it by another way, or record it in smaller pieces", len(piece), maxDatagram)
		}
		if err := p.send(ctx, due, piece); err != nil {
			return err
		}
	}
	return nil
}

// send waits until a piece is due and sends it; the first one until it is taken.
func (p *player) send(ctx context.Context, due time.Duration, piece []byte) error {
	for {
		if err := p.wait(ctx, due); err != nil {
			return err
		}
		now := time.Now()
		taken, err := p.feed.sink.send(ctx, piece)
		if err != nil {
			return err
		}
		again := !taken && (!p.begun || p.fast)
		if taken && !p.begun {
			p.begun, p.begin = true, now
		}
		if !again {
			p.feed.mu.Lock()
			if taken {
				p.feed.counts.Packets++
				p.feed.counts.Bytes += int64(len(piece))
			} else {
				p.feed.counts.Dropped++
			}
			p.feed.mu.Unlock()
			return nil
		}
		if err := sleep(ctx, knock, nil); err != nil {
			return err
		}
	}
}

// wait returns when due has come and nothing holds the feed.
func (p *player) wait(ctx context.Context, due time.Duration) error {
	for {
		going, changed := p.feed.state()
		if !going {
			held := time.Now()
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-changed:
			}
			p.begin = p.begin.Add(time.Since(held))
			continue
		}
		left := time.Until(p.begin.Add(due))
		if left < 0 && p.feed.delivery.Speed > 1 {
			p.begin = p.begin.Add(-left)
		}
		if !p.begun || p.fast || left <= 0 {
			return ctx.Err()
		}
		if err := sleep(ctx, left, changed); err != nil {
			return err
		}
	}
}

// sleep waits for d, until ctx ends or early is closed.
func sleep(ctx context.Context, d time.Duration, early <-chan struct{}) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-early:
	case <-t.C:
	}
	return nil
}
