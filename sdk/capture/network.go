package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/ip4defrag"
	"github.com/gopacket/gopacket/ip6defrag"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
	"github.com/gopacket/gopacket/tcpassembly"
)

// What a network capture may hold at once, so that no file makes memory grow.
const (
	slack        = 8 << 20   // bytes of a file that are no packets, and the longest packet
	perPacket    = 256       // such bytes that each packet may bring
	maxFragments = 16 << 20  // bytes of IP fragments that wait for the rest
	maxPages     = 4096      // pieces of TCP that wait for what comes before, each up to 1900 bytes
	maxSnapshot  = 256 << 10 // bytes of a frame, whatever the file's head claims
	patience     = time.Second
)

// isPcap says whether head begins as pcap does, in either byte order, in µs or ns (draft-ietf-opsawg-pcap, section 4).
func isPcap(head []byte) bool {
	for _, magic := range []string{"\xa1\xb2\xc3\xd4", "\xd4\xc3\xb2\xa1", "\xa1\xb2\x3c\x4d", "\x4d\x3c\xb2\xa1"} {
		if bytes.HasPrefix(head, []byte(magic)) {
			return true
		}
	}
	return false
}

// isPcapng says whether head begins with a section header (draft-ietf-opsawg-pcapng, section 4.1).
func isPcapng(head []byte) bool { return bytes.HasPrefix(head, []byte("\x0a\x0d\x0d\x0a")) }

// frames is a file of frames.
type frames interface {
	ZeroCopyReadPacketData() ([]byte, gopacket.CaptureInfo, error)
}

// network takes the datagrams and TCP bytes out of a file of frames.
type network struct {
	frames frames
	link   func(gopacket.CaptureInfo) layers.LinkType
	budget *budget
	frame  int // the frame's number, from 1, as other tools count

	ip4       *ip4defrag.IPv4Defragmenter
	ip6       *ip6defrag.IPv6Defragmenter
	fragments int

	tcp     *tcpassembly.Assembler // nil before the first TCP frame
	seen    map[Flow]bool          // connections, each direction
	flushed time.Time
	stamp   time.Time // of the frame at hand
	queue   []Packet  // TCP bytes that wait to be read
	ended   bool
}

func newPcap(r io.Reader) (*network, error) {
	b := &budget{r: r, left: slack}
	p, err := pcapgo.NewReader(b)
	if err != nil {
		return nil, fmt.Errorf("begins as pcap but its head is wrong: %w: record it again", err)
	}
	if p.Snaplen() > maxSnapshot {
		p.SetSnaplen(maxSnapshot)
	}
	n := newNetwork(p, b)
	n.link = func(gopacket.CaptureInfo) layers.LinkType { return p.LinkType() }
	return n, nil
}

func newPcapng(r io.Reader) (*network, error) {
	b := &budget{r: r, left: slack}
	p, err := pcapgo.NewNgReader(b, pcapgo.NgReaderOptions{WantMixedLinkType: true, SkipUnknownVersion: true})
	if err != nil {
		return nil, fmt.Errorf("begins as pcapng but its head is wrong: %w: record it again", err)
	}
	n := newNetwork(p, b)
	n.link = func(ci gopacket.CaptureInfo) layers.LinkType {
		if len(ci.AncillaryData) == 1 {
			if l, ok := ci.AncillaryData[0].(layers.LinkType); ok {
				return l
			}
		}
		return p.LinkType()
	}
	return n, nil
}

func newNetwork(f frames, b *budget) *network {
	return &network{frames: f, budget: b, ip4: ip4defrag.NewIPv4Defragmenter(), ip6: ip6defrag.NewIPv6Defragmenter(), seen: map[Flow]bool{}}
}

// Read is the next datagram, or the next bytes of one direction of a TCP connection in their order. What is neither is
// skipped.
func (n *network) Read() (Packet, error) {
	for {
		if len(n.queue) > 0 {
			p := n.queue[0]
			n.queue = n.queue[1:]
			return p, nil
		}
		if n.ended {
			return Packet{}, io.EOF
		}
		p, ok, err := n.next()
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			n.ended = true
			if n.tcp != nil {
				if err := guarded(func() { n.tcp.FlushAll() }); err != nil {
					return Packet{}, fmt.Errorf("at the end: %w", err)
				}
			}
			continue
		}
		if err != nil {
			return Packet{}, fmt.Errorf("frame %d: %w", n.frame, err)
		}
		if ok {
			return p, nil
		}
	}
}

// next reads a frame; ok says that it holds the end of a datagram.
func (n *network) next() (p Packet, ok bool, err error) {
	n.frame++
	data, ci, err := n.frames.ZeroCopyReadPacketData()
	if errors.Is(err, errTooMuch) {
		return p, false, err
	}
	if err != nil {
		if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			err = fmt.Errorf("%w: the file is damaged there; cut it off before this frame", err)
		}
		return p, false, err
	}
	n.budget.packet(len(data))
	n.stamp = ci.Timestamp
	g := gopacket.NewPacket(data, n.link(ci), gopacket.DecodeOptions{Lazy: true, NoCopy: true})
	ip, transport := g.NetworkLayer(), g.TransportLayer()
	if whole := n.defragment(g); whole != nil {
		ip, transport = whole.network, whole.transport
	}
	if ip == nil || transport == nil {
		return p, false, nil
	}
	from, to := addresses(ip)
	switch t := transport.(type) {
	case *layers.UDP:
		return Packet{
			Time: ci.Timestamp.UnixNano(), Data: t.Payload, Protocol: UDP,
			From: netip.AddrPortFrom(from, uint16(t.SrcPort)), To: netip.AddrPortFrom(to, uint16(t.DstPort)),
			Missing: max(0, int(t.Length)-8-len(t.Payload)),
		}, true, nil
	case *layers.TCP:
		return p, false, n.assemble(ip, t, Flow{TCP, netip.AddrPortFrom(from, uint16(t.SrcPort)), netip.AddrPortFrom(to, uint16(t.DstPort))})
	}
	return p, false, nil
}

// addresses are those of an IP header.
func addresses(ip gopacket.NetworkLayer) (from, to netip.Addr) {
	var a, b net.IP
	switch l := ip.(type) {
	case *layers.IPv4:
		a, b = l.SrcIP, l.DstIP
	case *layers.IPv6:
		a, b = l.SrcIP, l.DstIP
	}
	from, _ = netip.AddrFromSlice(a)
	to, _ = netip.AddrFromSlice(b)
	return from, to
}

// datagram is what fragments made.
type datagram struct {
	network   gopacket.NetworkLayer
	transport gopacket.TransportLayer
}

// defragment is nil if the frame holds no fragment; network and transport are nil while others are awaited.
func (n *network) defragment(g gopacket.Packet) *datagram {
	var payload []byte
	var next layers.IPProtocol
	var whole gopacket.NetworkLayer
	if ip, ok := g.NetworkLayer().(*layers.IPv4); ok && (ip.Flags&layers.IPv4MoreFragments != 0 || ip.FragOffset != 0) {
		n.fragment(len(ip.Payload))
		// The library keeps what it is given.
		kept := *ip
		kept.Payload, kept.SrcIP, kept.DstIP = bytes.Clone(ip.Payload), bytes.Clone(ip.SrcIP), bytes.Clone(ip.DstIP)
		out, err := n.ip4.DefragIPv4WithTimestamp(&kept, n.stamp)
		if err != nil || out == nil {
			return &datagram{}
		}
		whole, payload, next = out, out.Payload, out.Protocol
	} else if ip, ok := g.NetworkLayer().(*layers.IPv6); ok {
		fragment, ok := g.Layer(layers.LayerTypeIPv6Fragment).(*layers.IPv6Fragment)
		if !ok {
			return nil
		}
		n.fragment(len(fragment.Payload))
		head, kept := *ip, *fragment
		head.SrcIP, head.DstIP, kept.Payload = bytes.Clone(ip.SrcIP), bytes.Clone(ip.DstIP), bytes.Clone(fragment.Payload)
		out := n.ip6.DefragIPv6(&head, &kept)
		if out == nil {
			return &datagram{}
		}
		whole, payload, next = out, out.Payload, out.NextHeader
	} else {
		return nil
	}
	inner := gopacket.NewPacket(payload, next, gopacket.DecodeOptions{Lazy: true, NoCopy: true})
	return &datagram{network: whole, transport: inner.TransportLayer()}
}

// fragment counts what waits; where that is too much it is given up.
func (n *network) fragment(size int) {
	if n.fragments += size + perPacket; n.fragments > maxFragments {
		n.fragments = size + perPacket
		n.ip4, n.ip6 = ip4defrag.NewIPv4Defragmenter(), ip6defrag.NewIPv6Defragmenter()
	}
}

// assemble takes a TCP segment; what it completes is queued.
func (n *network) assemble(ip gopacket.NetworkLayer, t *layers.TCP, flow Flow) error {
	if n.tcp == nil {
		n.tcp = tcpassembly.NewAssembler(tcpassembly.NewStreamPool(n))
		n.tcp.MaxBufferedPagesPerConnection, n.tcp.MaxBufferedPagesTotal = maxPages, 2*maxPages
		n.flushed = n.stamp
	}
	if !n.seen[flow] {
		if !t.SYN && len(t.Payload) == 0 {
			return nil
		}
		if len(n.seen) == maxFlows {
			return fmt.Errorf("more than %d TCP connections: filter the capture by the source's port", maxFlows)
		}
		n.seen[flow] = true
		if !t.SYN {
			// The capture began in the middle of the connection: so does the stream.
			begun := *t
			begun.SYN, begun.Seq = true, t.Seq-1
			t = &begun
		}
	}
	return guarded(func() {
		n.tcp.AssembleWithTimestamp(ip.NetworkFlow(), t, n.stamp)
		// A segment that the recorder missed is not waited for for ever.
		if d := n.stamp.Sub(n.flushed); d > patience/2 || d < 0 {
			n.flushed = n.stamp
			n.tcp.FlushWithOptions(tcpassembly.FlushOptions{T: n.stamp.Add(-patience)})
		}
	})
}

// guarded makes a panic of the library, on segments that contradict each other, an error.
func guarded(f func()) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("TCP segments that contradict each other (%v): record it again", r)
		}
	}()
	f()
	return nil
}

// New is called by the assembler for each direction of a connection.
func (n *network) New(ip, tcp gopacket.Flow) tcpassembly.Stream {
	port := func(e gopacket.Endpoint) uint16 { return uint16(e.Raw()[0])<<8 | uint16(e.Raw()[1]) }
	from, _ := netip.AddrFromSlice(ip.Src().Raw())
	to, _ := netip.AddrFromSlice(ip.Dst().Raw())
	return &stream{n: n, from: netip.AddrPortFrom(from, port(tcp.Src())), to: netip.AddrPortFrom(to, port(tcp.Dst()))}
}

// stream is one direction of a TCP connection.
type stream struct {
	n        *network
	from, to netip.AddrPort
}

// Reassembled is called by the assembler with bytes in their order.
func (s *stream) Reassembled(pieces []tcpassembly.Reassembly) {
	for _, p := range pieces {
		// Skip is below 0 for what comes behind the end of a connection: sent again, and had already.
		if len(p.Bytes) == 0 || p.Skip < 0 {
			continue
		}
		// What waited for an earlier piece reached its reader with that one.
		s.n.queue = append(s.n.queue, Packet{
			Time: s.n.stamp.UnixNano(), Data: bytes.Clone(p.Bytes), Protocol: TCP, From: s.from, To: s.to, Missing: p.Skip,
		})
	}
}

// ReassemblyComplete is called by the assembler at the end of a connection.
func (s *stream) ReassemblyComplete() {}

var errTooMuch = errors.New("there is no packet in the last 8 MiB: the file is damaged, or is no capture")

// budget bounds what is read between packets, and so what the library keeps of it.
type budget struct {
	r    io.Reader
	left int
}

func (b *budget) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, errTooMuch
	}
	n, err := b.r.Read(p)
	b.left -= n
	return n, err
}

// packet gives back what was a packet.
func (b *budget) packet(size int) { b.left = min(b.left+size+perPacket, slack) }
