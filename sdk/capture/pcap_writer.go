package capture

import (
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// The most bytes that one IP packet carries behind its own header and that of UDP or TCP.
const (
	maxDatagram = 65535 - 20 - 8
	maxSegment  = 65535 - 20 - 20
)

// PcapWriter writes pcap with times in ns: each packet as an IP packet without a link's header, so that other tools
// read it.
type PcapWriter struct {
	w        *pcapgo.Writer
	sequence map[Flow]uint32 // the next byte of each direction of TCP
	buffer   gopacket.SerializeBuffer
}

// NewPcapWriter writes a file's head to w.
func NewPcapWriter(w io.Writer) (*PcapWriter, error) {
	p := pcapgo.NewWriterNanos(w)
	if err := p.WriteFileHeader(maxSnapshot, layers.LinkTypeRaw); err != nil {
		return nil, fmt.Errorf("pcap: %w", err)
	}
	return &PcapWriter{w: p, sequence: map[Flow]uint32{}, buffer: gopacket.NewSerializeBuffer()}, nil
}

// Write writes a packet of UDP, or the next bytes of a TCP connection. Both addresses are needed, of one IP version.
func (p *PcapWriter) Write(packet Packet) error {
	from, to := packet.From.Addr().Unmap(), packet.To.Addr().Unmap()
	if !from.IsValid() || !to.IsValid() || from.Is4() != to.Is4() {
		return fmt.Errorf("pcap: a packet from %v to %v: both addresses are needed, of one IP version", packet.From, packet.To)
	}
	switch packet.Protocol {
	case UDP:
		if len(packet.Data) > maxDatagram {
			return fmt.Errorf("pcap: a datagram of %d bytes: the longest there is has %d", len(packet.Data), maxDatagram)
		}
		udp := &layers.UDP{SrcPort: layers.UDPPort(packet.From.Port()), DstPort: layers.UDPPort(packet.To.Port())}
		return p.frame(packet, from.AsSlice(), to.AsSlice(), layers.IPProtocolUDP, udp, packet.Data)
	case TCP:
		return p.segments(packet, from.AsSlice(), to.AsSlice())
	}
	return errors.New("pcap: a packet of neither UDP nor TCP: write timed lines")
}

func (p *PcapWriter) segments(packet Packet, from, to net.IP) error {
	flow := FlowOf(packet)
	next, known := p.sequence[flow]
	if !known && len(p.sequence) == maxFlows {
		return fmt.Errorf("pcap: more than %d TCP connections: write them to several files", maxFlows)
	}
	for rest := packet.Data; len(rest) > 0; {
		piece := rest[:min(len(rest), maxSegment)]
		rest = rest[len(piece):]
		tcp := &layers.TCP{SrcPort: layers.TCPPort(packet.From.Port()), DstPort: layers.TCPPort(packet.To.Port()), Seq: next, ACK: true, PSH: true, Window: 65535}
		if err := p.frame(packet, from, to, layers.IPProtocolTCP, tcp, piece); err != nil {
			return err
		}
		next += uint32(len(piece))
		p.sequence[flow] = next
	}
	return nil
}

// frame writes one IP packet.
func (p *PcapWriter) frame(packet Packet, from, to net.IP, protocol layers.IPProtocol, transport gopacket.SerializableLayer, data []byte) error {
	var ip interface {
		gopacket.SerializableLayer
		gopacket.NetworkLayer
	}
	if len(from) == net.IPv4len {
		ip = &layers.IPv4{Version: 4, TTL: 64, Protocol: protocol, SrcIP: from, DstIP: to}
	} else {
		ip = &layers.IPv6{Version: 6, HopLimit: 64, NextHeader: protocol, SrcIP: from, DstIP: to}
	}
	var err error
	switch t := transport.(type) {
	case *layers.UDP:
		err = t.SetNetworkLayerForChecksum(ip)
	case *layers.TCP:
		err = t.SetNetworkLayerForChecksum(ip)
	}
	if err == nil {
		err = gopacket.SerializeLayers(p.buffer, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true}, ip, transport, gopacket.Payload(data))
	}
	if err == nil {
		frame := p.buffer.Bytes()
		err = p.w.WritePacket(gopacket.CaptureInfo{Timestamp: time.Unix(0, packet.Time), CaptureLength: len(frame), Length: len(frame)}, frame)
	}
	if err != nil {
		return fmt.Errorf("pcap: %w", err)
	}
	return nil
}
