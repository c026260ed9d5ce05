#!/bin/sh
# Makes the captures beside it by two tools that share no code with the reader: text2pcap (Debian package
# wireshark-common, 4.0.17) and scapy (python3-scapy, 2.5.0).
set -e
export TZ=UTC
cd "$(dirname "$0")"

# Two datagrams from port 49000 to port 14550, pcapng.
text2pcap -q -F pcapng -t '%Y-%m-%d %H:%M:%S.%f' -4 192.0.2.1,192.0.2.2 -u 49000,14550 - datagrams.pcapng <<'END'
2023-11-14 12:00:00.000000
000000 72 6f 6c 6c 20 31 0a
2023-11-14 12:00:00.020000
000000 72 6f 6c 6c 20 32 0a
END

# One direction of TCP, as text2pcap splits it: pcap.
text2pcap -q -F pcap -t '%Y-%m-%d %H:%M:%S.%f' -4 192.0.2.1,192.0.2.2 -T 5760,50000 - stream.pcap <<'END'
2023-11-14 12:00:00.000000
000000 31 32 33
2023-11-14 12:00:00.500000
000000 34 35 36 37
END

/usr/bin/python3 make.py

# any.pcap is what tcpdump 4.99.3 recorded while a datagram "roll 1" was sent to this machine itself, so not made again:
#   tcpdump -i any -s 0 -c 1 -w any.pcap udp port 49000
