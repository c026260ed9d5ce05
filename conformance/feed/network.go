package feed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"
)

const loopback = "127.0.0.1"

// Ports are chosen below those that systems hand out by themselves (49152 and up, RFC 6335; 32768 and up on Linux), so
// that no connection of another program takes one between two looks.
const (
	lowestPort  = 26000
	highestPort = 32700
)

// pair is a port of both UDP and TCP. One of the two is closed for the adapter to open; the other is held for as long as
// the feed lives, so that no other feed chooses the same.
type pair struct {
	port int
	tcp  net.Listener
	udp  *net.UDPConn
}

// free finds a pair on loopback.
func free() (pair, error) {
	for range 1000 {
		port := lowestPort + rand.IntN(highestPort-lowestPort)
		l, err := net.Listen("tcp", net.JoinHostPort(loopback, strconv.Itoa(port)))
		if err != nil {
			continue
		}
		u, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.ParseIP(loopback), Port: port})
		if err != nil {
			_ = l.Close()
			continue
		}
		return pair{port, l, u}, nil
	}
	return pair{}, fmt.Errorf("of the ports %d to %d of loopback none was free for both UDP and TCP: end programs that use many", lowestPort, highestPort)
}

// datagrams sends each packet as a datagram.
type datagrams struct {
	to      *net.UDPAddr
	held    net.Listener // the same port of TCP
	fast    bool         // wait for the reader
	back    atomic.Int64
	refused chan struct{} // says that nobody listens
	readers sync.WaitGroup

	mu    sync.Mutex
	conn  *net.UDPConn // nil while lost or closed
	known bool         // somebody listened when last looked; used by send only
	since int          // bytes sent since the reader's queue was looked at; used by send only
}

func openUDP(fast bool) (sink, address, error) {
	p, err := free()
	if err != nil {
		return nil, address{}, err
	}
	_ = p.udp.Close()
	d := &datagrams{to: &net.UDPAddr{IP: net.ParseIP(loopback), Port: p.port}, held: p.tcp, fast: fast, refused: make(chan struct{}, 1)}
	if err := d.restore(); err != nil {
		_ = p.tcp.Close()
		return nil, address{}, err
	}
	return d, address{host: loopback, port: p.port}, nil
}

func (d *datagrams) restore() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.conn != nil {
		return nil
	}
	conn, err := net.DialUDP("udp", nil, d.to)
	if err != nil {
		return err
	}
	d.conn = conn
	// Answers are read and dropped; the same call hears that nobody listens.
	d.readers.Go(func() {
		buf := make([]byte, 64<<10)
		for {
			n, err := conn.Read(buf)
			d.back.Add(int64(n))
			if errors.Is(err, net.ErrClosed) {
				return
			}
			if err != nil {
				select {
				case d.refused <- struct{}{}:
				default:
				}
			}
		}
	})
	return nil
}

func (d *datagrams) send(ctx context.Context, p []byte) (bool, error) {
	d.mu.Lock()
	conn := d.conn
	d.mu.Unlock()
	if conn == nil {
		return false, nil
	}
	select {
	case <-d.refused:
		d.known = false
	default:
	}
	if d.fast && !d.room(ctx, len(p)) {
		return false, nil
	}
	told := false
	if !d.known {
		if _, d.known, told = queued(d.to.Port); told && !d.known {
			return false, nil
		}
	}
	if _, err := conn.Write(p); err != nil {
		// The system tells of an earlier datagram that nobody took, and has not sent this one.
		if _, err := conn.Write(p); err != nil {
			d.known = false
			return false, nil
		}
		d.known = d.known && told
	}
	if d.known {
		return true, nil
	}
	select {
	case <-d.refused:
		return false, nil
	case <-time.After(knock):
		d.known = true
		return true, nil
	case <-ctx.Done():
		return false, ctx.Err()
	}
}

// The reader's queue may hold this before more is sent: a system gives it some 200 KB, counting its own overhead.
const (
	fullQueue = 48 << 10
	lookAfter = 16 << 10
	overhead  = 1 << 10 // of a datagram in the queue
)

// room waits until the reader has taken most of what was sent; false: nobody listens, as far as the system tells.
func (d *datagrams) room(ctx context.Context, size int) bool {
	if d.since += size + overhead; d.since < lookAfter && d.known {
		return true
	}
	d.since = 0
	for ctx.Err() == nil {
		waiting, listens, told := queued(d.to.Port)
		if !told {
			return sleep(ctx, time.Millisecond, nil) == nil
		}
		if !listens || waiting <= fullQueue {
			return listens
		}
		d.mu.Lock()
		gone := d.conn == nil
		d.mu.Unlock()
		if gone {
			return false
		}
		_ = sleep(ctx, 200*time.Microsecond, nil)
	}
	return false
}

func (d *datagrams) lose() {
	d.mu.Lock()
	if d.conn != nil {
		_ = d.conn.Close()
		d.conn = nil
	}
	d.mu.Unlock()
}

func (d *datagrams) close() {
	_ = d.held.Close()
	d.lose()
	d.readers.Wait()
}

func (d *datagrams) answered() int64 { return d.back.Load() }

// connections is what both ends of TCP share: who is connected.
type connections struct {
	back    atomic.Int64
	readers sync.WaitGroup

	mu   sync.Mutex
	open []net.Conn
}

// add takes a connection and reads what comes back. The caller holds mu.
func (c *connections) add(conn net.Conn) {
	c.open = append(c.open, conn)
	c.readers.Go(func() {
		n, _ := io.Copy(counter{&c.back}, conn)
		_ = n
		c.drop(conn)
	})
}

type counter struct{ n *atomic.Int64 }

func (c counter) Write(p []byte) (int, error) {
	c.n.Add(int64(len(p)))
	return len(p), nil
}

func (c *connections) drop(conn net.Conn) {
	_ = conn.Close()
	c.mu.Lock()
	c.open = slices.DeleteFunc(c.open, func(o net.Conn) bool { return o == conn })
	c.mu.Unlock()
}

// write sends to all that are connected.
func (c *connections) write(p []byte) (taken bool) {
	c.mu.Lock()
	open := slices.Clone(c.open)
	c.mu.Unlock()
	for _, conn := range open {
		if _, err := conn.Write(p); err != nil {
			c.drop(conn)
			continue
		}
		taken = true
	}
	return taken
}

func (c *connections) answered() int64 { return c.back.Load() }

// breakAll closes what is open. The caller holds mu.
func (c *connections) breakAll() {
	for _, conn := range c.open {
		_ = conn.Close()
	}
	c.open = nil
}

// server is a TCP port that adapters connect to; all get the same.
type server struct {
	connections
	at       string
	held     *net.UDPConn // the same port of UDP
	listener net.Listener // nil while lost or closed; guarded by mu
}

func openServer() (sink, address, error) {
	p, err := free()
	if err != nil {
		return nil, address{}, err
	}
	s := &server{at: p.tcp.Addr().String(), held: p.udp}
	s.listen(p.tcp)
	return s, address{host: loopback, port: p.port}, nil
}

func (s *server) restore() error {
	l, err := net.Listen("tcp", s.at)
	if err != nil {
		return fmt.Errorf("the port is no longer free: %w", err)
	}
	s.listen(l)
	return nil
}

// listen takes connections until l is closed.
func (s *server) listen(l net.Listener) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.listener = l
	s.readers.Go(func() {
		for {
			conn, err := l.Accept()
			if errors.Is(err, net.ErrClosed) {
				return
			}
			if err != nil {
				time.Sleep(knock) // no more descriptors, or a client that was gone at once
				continue
			}
			s.mu.Lock()
			if s.listener == l {
				s.add(conn)
			} else {
				_ = conn.Close()
			}
			s.mu.Unlock()
		}
	})
}

func (s *server) send(_ context.Context, p []byte) (bool, error) { return s.write(p), nil }

func (s *server) lose() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.listener != nil {
		_ = s.listener.Close()
		s.listener = nil
	}
	s.breakAll()
}

func (s *server) close() {
	_ = s.held.Close()
	s.lose()
	s.readers.Wait()
}

// client connects to the adapter's port.
type client struct {
	connections
	to      string
	held    *net.UDPConn // the same port of UDP
	tried   time.Time    // used by send only
	lost    bool         // guarded by mu
	stopped bool
}

func openClient() (sink, address, error) {
	p, err := free()
	if err != nil {
		return nil, address{}, err
	}
	_ = p.tcp.Close()
	return &client{to: p.tcp.Addr().String(), held: p.udp}, address{host: loopback, port: p.port}, nil
}

func (c *client) send(ctx context.Context, p []byte) (bool, error) {
	c.mu.Lock()
	connected := len(c.open) > 0
	c.mu.Unlock()
	if !connected && !c.connect(ctx) {
		return false, nil
	}
	return c.write(p), nil
}

func (c *client) connect(ctx context.Context) bool {
	if time.Since(c.tried) < knock/2 {
		return false
	}
	c.tried = time.Now()
	conn, err := (&net.Dialer{Timeout: time.Second}).DialContext(ctx, "tcp", c.to)
	if err != nil {
		return false
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	// A port that nobody holds may connect to itself.
	if c.lost || c.stopped || conn.LocalAddr().String() == conn.RemoteAddr().String() {
		_ = conn.Close()
		return false
	}
	c.add(conn)
	return true
}

func (c *client) lose() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lost = true
	c.breakAll()
}

func (c *client) restore() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lost = false
	return nil
}

func (c *client) close() {
	_ = c.held.Close()
	c.mu.Lock()
	c.stopped = true
	c.breakAll()
	c.mu.Unlock()
	c.readers.Wait()
}
