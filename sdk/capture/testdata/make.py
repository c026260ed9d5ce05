# Run by make.sh: frames made by scapy, with what is awkward in real captures.
from scapy.all import (CookedLinux, Dot1Q, Ether, IP, IPv6, IPv6ExtHdrFragment, Padding, PcapWriter, Raw, TCP, UDP, conf,
                       fragment, fragment6, wrpcap)

conf.verb = 0
A, B = "192.0.2.1", "192.0.2.2"
E = Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02")
START = 1700000000


def at(t, frame):
    frame.time = START + t
    return frame


def udp(data, sport=49000, dport=14550):
    return UDP(sport=sport, dport=dport) / Raw(data)


def tcp(seq, data, flags="PA", sport=5760, dport=50000):
    return E / IP(src=A, dst=B) / TCP(sport=sport, dport=dport, seq=seq % 2**32, ack=1, flags=flags) / Raw(data)


# A name look-up, VLAN, IPv6, an answer the other way, a short frame with padding.
wrpcap("mixed.pcap", [
    at(0.000001, E / IP(src=A, dst="192.0.2.53") / udp(b"look-up", 50001, 53)),
    at(0.1, E / Dot1Q(vlan=7) / IP(src=A, dst=B) / udp(b"vlan")),
    at(0.2, E / IPv6(src="2001:db8::1", dst="2001:db8::2") / udp(b"six")),
    at(0.3, E / IP(src=B, dst=A) / udp(b"answer", 14550, 49000)),
    at(0.4, E / IP(src=A, dst=B) / udp(b"x") / Padding(b"\0" * 17)),
])

# Fragments of one datagram of 3000 bytes over IPv4, out of order, another datagram in between; then over IPv6.
big = bytes(i % 251 for i in range(3000))
parts = fragment(IP(src=A, dst=B, id=77) / udp(big), fragsize=1400)
parts6 = fragment6(IPv6(src="2001:db8::1", dst="2001:db8::2") / IPv6ExtHdrFragment(id=5) / udp(big), 1280)
frames = [at(0, E / parts[1]), at(0.1, E / IP(src=A, dst=B) / udp(b"between")), at(0.2, E / parts[0])]
frames += [at(0.3 + 0.01 * i, E / p) for i, p in enumerate(parts[2:])]
frames += [at(0.5 + 0.01 * i, E / p) for i, p in enumerate(parts6)]
wrpcap("fragments.pcap", frames)

# A connection whose sequence number wraps, with a segment out of order, one sent again and one sent in part again.
s = 2**32 - 6
wrpcap("tcp.pcap", [
    at(0.0, tcp(s, b"", "S")),
    at(0.1, tcp(s + 1, b"abc")),
    at(0.2, tcp(s + 7, b"ghi")),
    at(0.3, tcp(s + 4, b"def")),
    at(0.4, tcp(s + 4, b"def")),
    at(0.5, tcp(s + 7, b"ghijk")),
    at(0.6, E / IP(src=B, dst=A) / TCP(sport=50000, dport=5760, seq=9, flags="PA") / Raw(b"thanks")),
    at(0.7, tcp(s + 12, b"", "FA")),
])

# A connection in whose middle the capture begins, and that loses a segment of 5 bytes.
wrpcap("middle.pcap", [
    at(0.0, tcp(1000, b"first ")),
    at(0.1, tcp(1006, b"second ")),
    at(0.2, tcp(1018, b"after")),
    at(2.5, tcp(1023, b" end")),
])

# Kept only in part, as with a limit of 60 bytes per frame.
cut = bytes(E / IP(src=A, dst=B) / udp(b"0123456789" * 5))
w = PcapWriter("cut.pcap", linktype=1)
w.write_header(None)
w._write_packet(cut[:60], sec=START, usec=0, caplen=60, wirelen=len(cut))
w.close()

# Other links, times in ns, the other byte order.
wrpcap("cooked.pcap", [at(0, CookedLinux(src=b"\2\0\0\0\0\1") / IP(src=A, dst=B) / udp(b"cooked"))], linktype=113)
w = PcapWriter("raw.pcap", linktype=101, endianness=">", nano=True)
w.write_header(None)
f = bytes(IP(src=A, dst=B) / udp(b"raw"))
w._write_packet(f, sec=START, usec=123456789, caplen=len(f), wirelen=len(f))
w.close()
