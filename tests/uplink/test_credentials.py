"""Passwords in files and certificates that are verified."""

from __future__ import annotations

import ssl
from pathlib import Path

import pytest

from gateway.errors import GatewayError
from gateway.uplink.credentials import LONGEST_PASSWORD, password_of, tls_context


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "secret"
    path.touch(mode=0o600)
    return path


@pytest.mark.parametrize("text", ["hay", "hay\n", "hay\r\n"])
def test_the_password_is_the_line_without_its_end(secret: Path, text: str) -> None:
    secret.write_bytes(text.encode())
    assert password_of(secret) == "hay"


@pytest.mark.parametrize("mode", [0o400, 0o600])
def test_a_file_of_its_owner_alone_is_read(secret: Path, mode: int) -> None:
    secret.write_text("hay")
    secret.chmod(mode)
    assert password_of(secret) == "hay"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o602, 0o610, 0o644, 0o666])
def test_a_file_that_others_may_touch_is_refused_with_the_cure(secret: Path, mode: int) -> None:
    secret.write_text("hay")
    secret.chmod(mode)
    with pytest.raises(GatewayError, match=f"mode {mode:04o}.*chmod 0600") as caught:
        password_of(secret)
    assert "hay" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"\n", b"two\nlines\n", b"x" * (LONGEST_PASSWORD + 1), b"\xff\xfe"])
def test_a_file_that_holds_anything_but_one_line_is_refused(secret: Path, content: bytes) -> None:
    secret.write_bytes(content)
    with pytest.raises(GatewayError) as caught:
        password_of(secret)
    assert "two" not in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(GatewayError, match="absent cannot be read"):
        password_of(tmp_path / "absent")


def test_tls_is_always_verified(tmp_path: Path) -> None:
    context = tls_context(None)
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    for content in (None, b"", b"not a certificate"):
        path = tmp_path / "ca.crt"
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(GatewayError, match=r"ca\.crt holds no certificates"):
            tls_context(path)
