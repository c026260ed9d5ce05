"""An adapter in another language, with the kind of socket and of key that the test names."""

import os, sys, time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..", "..", "sdk", "python"))

from perch_adapter import Adapter, State, certificate, serve


def stream(stop, settings, out):
    begun = time.time_ns()
    print("what is printed does no harm " + "x" * 100000)
    while not stop.wait(0.01):
        state = State(time.time_ns() - begun)
        state.put("engine_rpm", 800)
        out.send(state)


way, key = sys.argv[1:]
if way == "tcp":  # as on a system without sockets in the file system
    del os.environ["PLUGIN_UNIX_SOCKET_DIR"]
serve(
    Adapter("snake", "0.1.0", "An engine that runs at 800 rpm.", ["engine_rpm"], stream),
    certificate={"ec": certificate.by_cryptography, "openssl": certificate.by_openssl, "rsa": lambda: certificate.by_openssl(("rsa:2048",))}[key],
)
