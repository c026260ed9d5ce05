"""An adapter with nothing but grpc and cryptography: what another language has to do, as small as it gets.

Messages are put together by hand, so that no generated code is needed: field number * 8 + wire type, then the value.
"""

import base64, datetime, os, signal, struct, sys, threading, time
from concurrent import futures

import grpc
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa

if os.environ.get("PERCH_ADAPTER") != "5c8a2e0b-started-by-a-perch-host":
    sys.exit("this is an adapter: a host starts it")
signal.signal(signal.SIGINT, signal.SIG_IGN)


def varint(n):
    out = b""
    while n > 0x7F:
        out, n = out + bytes([n & 0x7F | 0x80]), n >> 7
    return out + bytes([n])


def field(number, value):
    if isinstance(value, int):
        return varint(number * 8) + varint(value)
    if isinstance(value, float):
        return varint(number * 8 + 1) + struct.pack("<d", value)
    return varint(number * 8 + 2) + varint(len(value)) + value


def describe(request, context):
    return field(1, b"snake") + field(2, b"0.1.0") + field(3, b"An engine that runs at 800 rpm.") + field(4, b"engine_rpm")


def stream(request, context):
    begun = time.time_ns()
    while context.is_active():
        now = time.time_ns()
        yield field(1, field(1, now - begun) + field(2, now) + field(3, 1) + field(33, 800.0))
        time.sleep(0.01)


def certificate(kind):
    key = rsa.generate_private_key(65537, 2048) if kind == "rsa" else ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.timezone.utc)
    cert = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1)).not_valid_after(now + datetime.timedelta(days=365))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), False)
        .add_extension(x509.BasicConstraints(True, None), True)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return private, cert


def serve(way, kind):
    stopped = threading.Event()

    def shutdown(request, context):
        stopped.set()
        return b""

    one = grpc.unary_unary_rpc_method_handler
    server = grpc.server(futures.ThreadPoolExecutor(8))
    server.add_generic_rpc_handlers((
        grpc.method_handlers_generic_handler("perch.adapter.v1.AdapterService", {
            "Describe": one(describe), "StreamStates": grpc.unary_stream_rpc_method_handler(stream),
        }),
        grpc.method_handlers_generic_handler("plugin.GRPCController", {"Shutdown": one(shutdown)}),
    ))
    private, cert = certificate(kind)
    credentials = grpc.ssl_server_credentials(
        [(private, cert.public_bytes(serialization.Encoding.PEM))],
        root_certificates=os.environ["PLUGIN_CLIENT_CERT"].encode(), require_client_auth=True)
    if way == "unix":
        address = os.path.join(os.environ["PLUGIN_UNIX_SOCKET_DIR"], "s")
        server.add_secure_port("unix:" + address, credentials)
    else:
        address = "127.0.0.1:%d" % server.add_secure_port("127.0.0.1:0", credentials)
    server.start()
    shown = base64.b64encode(cert.public_bytes(serialization.Encoding.DER)).rstrip(b"=").decode()
    print("1|1|%s|%s|grpc|%s" % (way, address, shown), flush=True)

    def watch():
        sys.stdin.buffer.read()
        stopped.set()

    threading.Thread(target=watch, daemon=True).start()
    stopped.wait()
    server.stop(0.1).wait()
    os._exit(0)


serve(sys.argv[1], sys.argv[2])
