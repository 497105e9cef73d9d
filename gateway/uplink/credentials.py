"""Owns: secrets and certificates for far ends: read from files, never kept elsewhere, never logged.

Must not know: which far end, what is sent.
How it works: a password stands alone in a file that nobody but its owner may touch; it is read anew for every
connection, so that a changed one works without a restart. TLS is always verified, against `ca_file` or what the
system trusts.
"""

from __future__ import annotations

import os
import ssl
import stat
from pathlib import Path

from gateway.errors import GatewayError

LONGEST_PASSWORD = 1_024


def password_of(path: Path) -> str:
    """The password in a file, without the line's end. Raises GatewayError."""
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            if mode & 0o077:
                raise GatewayError(f"{path} may be touched by others (mode {mode:04o}); run: chmod 0600 {path}")
            found = file.read(LONGEST_PASSWORD + 1)
    except OSError as error:
        raise GatewayError(f"{path} cannot be read: {error.strerror}") from error
    try:
        password = found.decode().rstrip("\r\n")
    except UnicodeDecodeError as error:
        raise GatewayError(f"{path} is not UTF-8 text") from error
    if not password or len(found) > LONGEST_PASSWORD or "\n" in password:
        raise GatewayError(f"{path} must hold one line: the password")
    return password


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """TLS 1.2 or newer, certificate and host name verified. Raises GatewayError."""
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise GatewayError(f"{ca_file} holds no certificates that can be used: {error}") from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context
