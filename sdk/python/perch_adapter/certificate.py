"""A certificate of one's own, made anew for each start: the host trusts exactly this one, and this adapter exactly the
host's. The key is on P-256, which every TLS library takes."""

import base64
import datetime
import os
import ssl
import subprocess
import tempfile


def make():
    """(private key, certificate) in PEM, through python3-cryptography or else through the program openssl."""
    try:
        import cryptography  # noqa: F401
    except ImportError:
        return by_openssl()
    return by_cryptography()


def by_cryptography():
    """(private key, certificate) in PEM, through python3-cryptography."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.timezone.utc)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1)).not_valid_after(now + datetime.timedelta(days=365))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), False)
        .add_extension(x509.BasicConstraints(True, None), True)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return private, certificate.public_bytes(serialization.Encoding.PEM)


def by_openssl(key=("ec", "-pkeyopt", "ec_paramgen_curve:P-256")):
    """(private key, certificate) in PEM, through the program openssl, which may have any kind of key that it takes after
    -newkey, such as ("rsa:2048",)."""
    with tempfile.TemporaryDirectory() as folder:
        private, certificate = os.path.join(folder, "key"), os.path.join(folder, "certificate")
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", *key, "-nodes", "-keyout", private, "-out", certificate, "-days", "365",
             "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"],
            check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        with open(private, "rb") as k, open(certificate, "rb") as c:
            return k.read(), c.read()


def handshake_field(pem):
    """The certificate as the handshake carries it: DER in base64 without padding."""
    return base64.b64encode(ssl.PEM_cert_to_DER_cert(pem.decode())).rstrip(b"=").decode()
