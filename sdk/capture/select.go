package capture

import (
	"errors"
	"fmt"
	"io"
	"net/netip"
	"strings"
)

// Selection chooses among what a network capture holds. A zero field matches all. What has no protocol, as a line's
// bytes, always matches.
type Selection struct {
	Protocol         Protocol
	FromPort, ToPort uint16
}

// Holds says whether a packet is chosen.
func (s Selection) Holds(p Packet) bool {
	return p.Protocol == None ||
		(s.Protocol == None || s.Protocol == p.Protocol) &&
			(s.FromPort == 0 || s.FromPort == p.From.Port()) && (s.ToPort == 0 || s.ToPort == p.To.Port())
}

// Flow is what went one way: datagrams to one address from anywhere, or one direction of one TCP connection. From is
// the zero value for datagrams.
type Flow struct {
	Protocol Protocol
	From, To netip.AddrPort
}

// FlowOf is the flow that a packet belongs to.
func FlowOf(p Packet) Flow {
	f := Flow{Protocol: p.Protocol, To: p.To}
	if p.Protocol == TCP {
		f.From = p.From
	}
	return f
}

// String says which way it went.
func (f Flow) String() string {
	switch f.Protocol {
	case UDP:
		return fmt.Sprintf("udp to %v", f.To)
	case TCP:
		return fmt.Sprintf("tcp from %v to %v", f.From, f.To)
	}
	return "bytes"
}

// The most flows that are told apart, and that a message lists.
const (
	maxFlows    = 4096
	listedFlows = 8
)

// Summary is what One found in a capture.
type Summary struct {
	Format      Format
	Flow        Flow
	Packets     int
	Bytes       int64
	First, Last int64 // times of the first and last packet, ns
}

// One reads a capture from end to end and wants what is chosen to be one flow, whole, so that it can be sent again. Its
// error lists the flows that there are.
func One(path string, s Selection) (Summary, error) {
	f, err := Open(path)
	if err != nil {
		return Summary{}, err
	}
	defer func() { _ = f.Close() }()
	sum := Summary{Format: f.Format()}
	counts := map[Flow]int{}
	mine := map[Flow]int{}
	var order, chosen []Flow // by first packet
	for {
		p, err := f.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return sum, err
		}
		flow := FlowOf(p)
		if counts[flow]++; counts[flow] == 1 {
			if len(order) == maxFlows {
				return sum, fmt.Errorf("capture file %s holds more than %d flows: filter it when you record, by the source's port", path, maxFlows)
			}
			order = append(order, flow)
		}
		if !s.Holds(p) {
			continue
		}
		if mine[flow]++; mine[flow] == 1 {
			chosen = append(chosen, flow)
		}
		if p.Missing > 0 {
			where, remedy := "at its end", "without a limit of bytes per packet"
			if p.Protocol == TCP {
				where, remedy = "before it", "nearer to the source"
			}
			return sum, fmt.Errorf("capture file %s: packet %d %v: %d bytes are missing, %s: record again, %s", path, mine[flow], flow, p.Missing, where, remedy)
		}
		if sum.Packets == 0 {
			sum.Flow, sum.First = flow, p.Time
		}
		sum.Packets, sum.Bytes, sum.Last = sum.Packets+1, sum.Bytes+int64(len(p.Data)), p.Time
	}
	switch {
	case len(order) == 0:
		return sum, fmt.Errorf("capture file %s holds nothing that could be sent: record it again while the source sends", path)
	case sum.Packets == 0:
		return sum, fmt.Errorf("capture file %s holds nothing of what was chosen; it holds %s", path, list(order, counts))
	case len(chosen) > 1:
		return sum, fmt.Errorf("capture file %s holds %d flows that could be meant: choose one by its protocol and port; it holds %s", path, len(chosen), list(chosen, mine))
	}
	return sum, nil
}

// list writes flows with how much each holds.
func list(flows []Flow, counts map[Flow]int) string {
	var b strings.Builder
	for i, f := range flows {
		if i == listedFlows {
			fmt.Fprintf(&b, ", and %d more", len(flows)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%d packets %v", counts[f], f)
	}
	return b.String()
}
