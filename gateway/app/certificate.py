"""Owns: the certificate of the pages: the one of the site file, or one made here.

Must not know: who connects.
How it works: without a named one a key (P-256) and a self-signed certificate are made at the first start and kept;
people compare its fingerprint, which the console and the sign-in page show, once per phone. Its dates are fixed, not
read from a clock, because a board's clock may be wrong at its first start.
"""

from __future__ import annotations

import datetime
import ipaddress
import os
import socket
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from gateway.errors import GatewayError
from gateway.site_web import WebAccess

FROM = datetime.datetime(2024, 1, 1, tzinfo=datetime.UTC)
UNTIL = datetime.datetime(2049, 12, 31, tzinfo=datetime.UTC)


def ready_certificate(access: WebAccess, listen: str) -> str:
    """Make sure that there is one; gives its SHA-256 fingerprint, in pairs. Raises GatewayError."""
    try:
        if access.own_certificate and not (access.cert_file.exists() and access.key_file.exists()):
            _make(access, listen)
        certificate = x509.load_pem_x509_certificate(access.cert_file.read_bytes())
    except (OSError, ValueError) as error:
        raise GatewayError(f"the certificate {access.cert_file} cannot be used: {error}") from error
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def _make(access: WebAccess, listen: str) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Loosebox on {socket.gethostname()}"[:64])])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(FROM)
        .not_valid_after(UNTIL)
        .add_extension(x509.SubjectAlternativeName(_names(access, listen)), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    secret = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    _write(access.key_file, secret, 0o600)
    _write(access.cert_file, certificate.public_bytes(pem), 0o644)


def _names(access: WebAccess, listen: str) -> list[x509.GeneralName]:
    own = socket.gethostname().lower()
    names = dict.fromkeys((*access.hosts, own, f"{own}.local", "localhost"))
    where = ipaddress.ip_address(listen)
    addresses = [] if where.is_unspecified else [x509.IPAddress(where)]
    return [*(x509.DNSName(name) for name in names if name.isascii()), *addresses]


def _write(path: Path, content: bytes, mode: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
        file.write(content)
