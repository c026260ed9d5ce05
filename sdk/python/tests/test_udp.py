"""A UDP port as an operator names it."""

import socket
import time
import unittest

from perch_adapter import SourceError, udp


class Addresses(unittest.TestCase):
    def test_what_is_an_address(self):
        for text, want in {
            "udp://127.0.0.1:14550": ("127.0.0.1", 14550), "udp://localhost:1": ("127.0.0.1", 1), "udp://:7": ("0.0.0.0", 7),
            "udp://*:7": ("0.0.0.0", 7), "udp://[::1]:7": ("::1", 7),
        }.items():
            self.assertEqual(udp.parse(text), want)

    def test_what_is_none(self):
        for text in ("14550", "", "udp://", "udp://1.2.3.4", "udp://1.2.3.4:x", "udp://1.2.3.4:70000", "tcp://1.2.3.4:1",
                     "udp://host:1", "udp://1.2.3.4:1/x", "udp://1.2.3:4:5"):
            with self.assertRaisesRegex(SourceError, "udp://0.0.0.0:PORT"):
                udp.parse(text)


class Ports(unittest.TestCase):
    def test_datagrams_come_with_the_time_they_came(self):
        with udp.Port("udp://127.0.0.1:0") as port, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as to:
            self.assertIsNone(port.read(0.01))
            before = time.time_ns()
            to.sendto(b"hello", ("127.0.0.1", port.port))
            data, arrived = port.read(5)
            self.assertEqual(data, b"hello")
            self.assertTrue(before <= arrived <= time.time_ns())

    def test_a_port_that_is_taken_is_named(self):
        with udp.Port("udp://127.0.0.1:0") as port:
            with self.assertRaisesRegex(SourceError, "udp port %d is in use" % port.port):
                udp.Port("udp://127.0.0.1:%d" % port.port)

    def test_an_address_that_is_not_of_this_machine(self):
        with self.assertRaisesRegex(SourceError, "address of this machine"):
            udp.Port("udp://192.0.2.1:0")  # RFC 5737: of no machine


if __name__ == "__main__":
    unittest.main()
