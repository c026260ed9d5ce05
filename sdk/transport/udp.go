package transport

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strconv"
	"time"
)

// maxDatagram is the longest UDP payload there is.
const maxDatagram = 65535

// UDP is a port that datagrams come to.
type UDP struct {
	conn *net.UDPConn
	name string
	buf  []byte
}

// ParseUDP reads an address such as "udp://0.0.0.0:14550". It opens nothing.
func ParseUDP(address string) (netip.AddrPort, error) {
	bad := func(why string) (netip.AddrPort, error) {
		return netip.AddrPort{}, fmt.Errorf("address %q: %s; write it as udp://0.0.0.0:PORT", address, why)
	}
	u, err := url.Parse(address)
	if err != nil {
		return bad("not an address")
	}
	if u.Scheme != "udp" {
		return bad("does not begin with udp://")
	}
	if u.Path != "" || u.RawQuery != "" || u.User != nil || u.Fragment != "" {
		return bad("has something after the port")
	}
	port, err := strconv.ParseUint(u.Port(), 10, 16)
	if err != nil {
		return bad("has no port number")
	}
	host := u.Hostname()
	switch host {
	case "", "*":
		host = "0.0.0.0"
	case "localhost":
		host = "127.0.0.1"
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return bad("the host must be an address of this machine, in numbers")
	}
	return netip.AddrPortFrom(ip, uint16(port)), nil
}

// ListenUDP opens a port for datagrams, given as "udp://host:port".
func ListenUDP(address string) (*UDP, error) {
	at, err := ParseUDP(address)
	if err != nil {
		return nil, err
	}
	conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(at))
	if err != nil {
		if inUse(err) {
			who := "another program"
			if o := owner(at.Port()); o != "" {
				who = o
			}
			return nil, fmt.Errorf("udp port %d is in use by %s: end it, or listen on another port and send there", at.Port(), who)
		}
		return nil, fmt.Errorf("listen on %s: %w; is it an address of this machine?", address, err)
	}
	// A burst must wait in the system, not be dropped; a refusal does no harm.
	_ = conn.SetReadBuffer(1 << 20)
	return &UDP{conn: conn, name: address, buf: make([]byte, maxDatagram)}, nil
}

// Address is where the port is open, with the number the system chose where 0 was asked for.
func (u *UDP) Address() netip.AddrPort { return u.conn.LocalAddr().(*net.UDPAddr).AddrPort() }

// Read waits for a datagram.
func (u *UDP) Read(ctx context.Context) (Chunk, error) {
	if err := ctx.Err(); err != nil {
		return Chunk{}, err
	}
	if err := u.conn.SetReadDeadline(time.Time{}); err != nil {
		return Chunk{}, fmt.Errorf("read %s: %w", u.name, err)
	}
	stop := context.AfterFunc(ctx, func() { _ = u.conn.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	for {
		n, from, err := u.conn.ReadFromUDPAddrPort(u.buf)
		switch {
		case err == nil:
			from = netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
			return Chunk{Bytes: u.buf[:n], From: from, ObservedAt: time.Now().UnixNano()}, nil
		case ctx.Err() != nil:
			return Chunk{}, ctx.Err()
		case refused(err):
			// What was sent back could not be delivered; the port itself is well.
		case errors.Is(err, net.ErrClosed):
			return Chunk{}, fmt.Errorf("read %s: %w", u.name, net.ErrClosed)
		default:
			return Chunk{}, fmt.Errorf("read %s: %w", u.name, err)
		}
	}
}

// Write sends a datagram to an address, which is a sender's as a rule.
func (u *UDP) Write(p []byte, to netip.AddrPort) error {
	if !to.IsValid() {
		return fmt.Errorf("write %s: nobody has sent yet, so there is nobody to answer", u.name)
	}
	if _, err := u.conn.WriteToUDPAddrPort(p, to); err != nil {
		return fmt.Errorf("write to %s: %w", to, err)
	}
	return nil
}

// Close frees the port.
func (u *UDP) Close() error { return u.conn.Close() }

// String is the address as it was given.
func (u *UDP) String() string { return u.name }
