"""A UDP port that datagrams come to."""

import errno
import ipaddress
import re
import socket
import time

from .adapter import SourceError


def parse(address):
    """(host, port) of an address such as "udp://0.0.0.0:14550"; a SourceError says what is wrong. It opens nothing."""
    found = re.fullmatch(r"udp://(?:\[([0-9a-fA-F:.]+)\]|([^/:@\[\]]*)):([0-9]{1,5})", address)
    if not found or int(found[3]) > 65535:
        raise SourceError('address "%s": write it as udp://0.0.0.0:PORT' % address)
    host = found[1] or found[2]
    host = {"": "0.0.0.0", "*": "0.0.0.0", "localhost": "127.0.0.1"}.get(host, host)
    try:
        ipaddress.ip_address(host)
    except ValueError:
        raise SourceError('address "%s": the host must be an address of this machine, in numbers; write it as '
                          "udp://0.0.0.0:PORT" % address) from None
    return host, int(found[3])


class Port:
    """An open port, given as "udp://host:port"; with is good for it. A SourceError says why it cannot be opened."""

    def __init__(self, address):
        host, port = parse(address)
        self._socket = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._socket.bind((host, port))
        except OSError as error:
            self._socket.close()
            if error.errno == errno.EADDRINUSE:
                raise SourceError("udp port %d is in use by another program: end it, or listen on another port and send there"
                                  % port) from None
            raise SourceError("listen on %s: %s; is it an address of this machine?" % (address, error.strerror)) from None
        try:  # a burst must wait in the system, not be dropped; a refusal does no harm
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        except OSError:
            pass
        self.port = self._socket.getsockname()[1]

    def read(self, seconds):
        """(bytes, when they arrived in unix ns) of the next datagram, or None where none comes within seconds. Wait for at
        most half a second at once: a stream that is stopped has one to end."""
        self._socket.settimeout(seconds)
        try:
            data = self._socket.recv(65535)
        except (socket.timeout, ConnectionResetError):  # the second: what was sent back could not be delivered
            return None
        return data, time.time_ns()

    def close(self):
        """Frees the port."""
        self._socket.close()

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.close()
