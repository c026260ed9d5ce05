"""Serves an adapter to the host that started it, over gRPC with mutual TLS."""

import logging
import os
import signal
import sys
import threading
import time
import traceback
from concurrent import futures

import grpc

from . import adapter_pb2 as pb
from . import certificate as _certificate
from . import log as _log
from .adapter import SourceError
from .sender import Sender, Stop

PROTOCOL_VERSION = 1
COOKIE = ("PERCH_ADAPTER", "5c8a2e0b-started-by-a-perch-host")  # tells a start by a host from one by hand; no secret
CLOSING = 2.0  # s, how long a stream may take to close its source after stop was set

_logger = logging.getLogger("perch_adapter")


def serve(adapter, certificate=None):
    """The main of an adapter program. It does not return: it ends the program when the host is done with it, or dies.

    What is printed goes to the host's log, as what package logging is given does; an interrupt, which a terminal sends to
    the host's whole group, is ignored. Started by hand it says what it is and ends with status 1. certificate, where
    given, returns a private key and a certificate in PEM in place of certificate.make.
    """
    if os.environ.get(COOKIE[0]) != COOKIE[1]:
        sys.exit("this is a perch adapter (%s %s: %s): start it with `perch watch FOLDER`"
                 % (adapter.name, adapter.version, adapter.summary))
    faults = adapter.faults()
    if faults:
        sys.exit("\n".join("the adapter's description is faulty: " + f for f in faults))
    if not os.environ.get("PLUGIN_CLIENT_CERT"):
        sys.exit("the host gave no certificate (PLUGIN_CLIENT_CERT): it is older than this adapter, or none of ours")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _log.to_host()

    ended = threading.Event()
    service = _Service(adapter)
    server = grpc.server(futures.ThreadPoolExecutor(16))
    server.add_generic_rpc_handlers(service.handlers(ended))
    private, public = (certificate or _certificate.make)()
    credentials = grpc.ssl_server_credentials([(private, public)], root_certificates=os.environ["PLUGIN_CLIENT_CERT"].encode(),
                                              require_client_auth=True)
    folder = os.environ.get("PLUGIN_UNIX_SOCKET_DIR")
    if folder and os.name != "nt":
        way, address = "unix", os.path.join(folder, "s")
        server.add_secure_port("unix:" + address, credentials)
    else:
        way, address = "tcp", "127.0.0.1:%d" % server.add_secure_port("127.0.0.1:0", credentials)
    server.start()
    line = "1|%d|%s|%s|grpc|%s\n" % (PROTOCOL_VERSION, way, address, _certificate.handshake_field(public))
    os.write(1, line.encode())
    # From here on whatever is printed goes where logs go: nobody reads stdout, and a full pipe would block.
    sys.stdout.flush()
    os.dup2(2, 1)

    def end_with_host():
        while os.read(0, 4096):
            pass
        ended.set()

    threading.Thread(target=end_with_host, daemon=True).start()
    ended.wait()
    service.stop()
    server.stop(0.1).wait()
    sys.stdout.flush()
    os._exit(0)


def run(adapter, settings, deliver, stop=None):
    """Streams an adapter within this process, without a network, until stop is set or its stream returns: for an
    author's own tests. settings are texts by key; deliver(state) gets every state in order and may set the stop that it
    shares with the caller. What stream raises is raised."""
    checked, faults = adapter.check(settings)
    if faults:
        raise SourceError("; ".join(" ".join(f).strip() for f in faults))
    stop, out = stop or Stop(), Sender()
    stream = _Stream(adapter, stop, checked, out)
    stop.then(out.close)
    for state in out.states():
        deliver(state)
    stop.set()
    stream.join(CLOSING)
    if stream.is_alive():
        raise RuntimeError("the stream did not end within %g s of its stop" % CLOSING)
    if stream.error is not None:
        raise stream.error


def _failed(error):
    """What the host is told of a mistake in the adapter, with the place in the author's own code; all of it is logged."""
    _logger.debug("the adapter failed", exc_info=error)
    here = os.path.dirname(os.path.abspath(__file__))
    frames = [f for f in traceback.extract_tb(error.__traceback__) if os.path.dirname(os.path.abspath(f.filename)) != here]
    place = " in %s, line %d" % (os.path.basename(frames[-1].filename), frames[-1].lineno) if frames else ""
    return "the adapter failed: %r%s" % (error, place)


class _Stream(threading.Thread):
    """Runs the adapter's stream in a thread of its own."""

    def __init__(self, adapter, stop, settings, out):
        super().__init__(daemon=True)
        self._run, self._out, self.error = (adapter.stream, (stop, settings, out)), out, None
        self.start()

    def run(self):
        function, arguments = self._run
        try:
            function(*arguments)
        except Exception as error:  # the host is told, whatever it is
            self.error = error
        finally:
            self._out.close()


class _Service:
    def __init__(self, adapter):
        self._adapter = adapter
        self._one = threading.Semaphore(1)  # a source is open once
        self._lock, self._stops, self._ending = threading.Lock(), set(), False

    def stop(self):
        """Ends every stream."""
        with self._lock:
            self._ending, stops = True, list(self._stops)
        for stop in stops:
            stop.set()

    def handlers(self, ended):
        def unary(function, request, answer):
            return grpc.unary_unary_rpc_method_handler(function, request.FromString, answer.SerializeToString)

        def shutdown(request, context):
            ended.set()
            return b""

        raw = grpc.unary_unary_rpc_method_handler
        serving = b"\x08\x01"  # grpc.health.v1.HealthCheckResponse with status = SERVING
        return (
            grpc.method_handlers_generic_handler("perch.adapter.v1.AdapterService", {
                "Describe": unary(lambda request, context: self._adapter.message(), pb.DescribeRequest, pb.DescribeResponse),
                "ValidateSettings": unary(self._validate, pb.ValidateSettingsRequest, pb.ValidateSettingsResponse),
                "StreamStates": grpc.unary_stream_rpc_method_handler(
                    self._stream, pb.StreamStatesRequest.FromString, pb.StreamStatesResponse.SerializeToString),
            }),
            grpc.method_handlers_generic_handler("plugin.GRPCController", {"Shutdown": raw(shutdown)}),
            grpc.method_handlers_generic_handler("grpc.health.v1.Health", {"Check": raw(lambda request, context: serving)}),
        )

    def _check(self, raw, context):
        try:
            return self._adapter.check(dict(raw))
        except Exception as error:
            context.abort(grpc.StatusCode.INTERNAL, _failed(error))

    def _validate(self, request, context):
        _, faults = self._check(request.settings, context)
        return pb.ValidateSettingsResponse(faults=[pb.SettingFault(key=key, message=message) for key, message in faults])

    def _stream(self, request, context):
        settings, faults = self._check(request.settings, context)
        if faults:
            context.abort(grpc.StatusCode.INVALID_ARGUMENT, "; ".join(" ".join(f).strip() for f in faults))
        # A source that is being closed must be closed before it can be opened again.
        if not self._one.acquire(timeout=CLOSING + 1):
            context.abort(grpc.StatusCode.RESOURCE_EXHAUSTED, "the source is already open: one stream at a time")
        stop, out = Stop(), Sender()
        with self._lock:
            self._stops.add(stop)
            ending = self._ending
        stop.then(out.close)
        if ending or not context.add_callback(stop.set):  # the call has already ended
            stop.set()
        stream = _Stream(self._adapter, stop, settings, out)
        try:
            for state in out.states():
                yield pb.StreamStatesResponse(state=state.message())
        finally:
            stop.set()
            begun = time.monotonic()
            stream.join(CLOSING)
            with self._lock:
                self._stops.discard(stop)
            if stream.is_alive():
                _logger.error("the adapter does not end when its stream is stopped: its source may still be open",
                              extra={"waited_s": round(time.monotonic() - begun, 1)})
                threading.Thread(target=lambda: (stream.join(), self._one.release()), daemon=True).start()
            else:
                self._one.release()
            if out.merged:
                _logger.warning("the host was slow: states were merged", extra={"merged": out.merged})
        error = stream.error
        if error is None or not context.is_active():
            return
        if isinstance(error, (SourceError, OSError)):
            context.abort(grpc.StatusCode.FAILED_PRECONDITION, str(error))
        context.abort(grpc.StatusCode.INTERNAL, _failed(error))
