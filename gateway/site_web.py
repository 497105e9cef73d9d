"""Owns: the table [web] of the site file: its form, what must agree in it, and what it becomes.

Must not know: pages, sockets, certificates, who may do what.
How it works: safe without a word. On a loopback address pages are plain HTTP and open to whoever sits at this board;
on any other they go over TLS, with a certificate of our own when none is named, and nobody looks without signing in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, Field

from gateway.site_lines import Document, Problem, text_of
from gateway.site_words import STRICT, Address, File, Host, IpPort

LISTEN = "127.0.0.1"
PEOPLE, CERTIFICATE, KEY = "people.json", "web-certificate.pem", "web-key.pem"
_YES_NO = "true or false"


class WebForm(BaseModel):
    model_config = STRICT
    listen: Address = LISTEN
    port: IpPort = 8460
    hosts: Annotated[list[Host], Field(description='a list of names such as ["barn.local"]')] = []
    read_without_sign_in: bool | None = Field(None, description=_YES_NO)
    plain_http: bool = Field(False, description=_YES_NO)
    cert_file: File | None = Field(None, description="a path to a certificate chain (PEM)")
    key_file: File | None = Field(None, description="a path to the key of cert_file (PEM)")
    people_file: File | None = Field(None, description="a path; left out: people.json beside the history")


@dataclass(frozen=True, slots=True, kw_only=True)
class WebAccess:
    """How people reach the pages. `own_certificate`: cert_file and key_file are made by us when they are not there."""

    tls: bool
    open_to_read: bool
    hosts: tuple[str, ...]
    cert_file: Path
    key_file: Path
    own_certificate: bool
    people_file: Path


def access_of(form: WebForm, folder: Path, history_file: Path) -> WebAccess:
    """The frozen form; paths become absolute. Certificates of our own stand beside the people, where web may write."""
    alone = ip_address(form.listen).is_loopback
    people_file = folder / form.people_file if form.people_file else history_file.with_name(PEOPLE)
    named = form.cert_file is not None and form.key_file is not None
    return WebAccess(
        tls=named or not (alone or form.plain_http),
        open_to_read=alone if form.read_without_sign_in is None else form.read_without_sign_in,
        hosts=tuple(name.lower() for name in form.hosts),
        cert_file=folder / form.cert_file if form.cert_file and named else people_file.with_name(CERTIFICATE),
        key_file=folder / form.key_file if form.key_file and named else people_file.with_name(KEY),
        own_certificate=not named,
        people_file=people_file,
    )


def access_lines(access: WebAccess) -> Iterator[str]:
    """What the table says, for the person who checks a site file."""
    looks = "anyone may look" if access.open_to_read else "nobody looks without signing in"
    yield f"  {'TLS' if access.tls else 'plain HTTP'}; {looks}; changes only by people of {access.people_file}"
    if access.tls and access.own_certificate:
        yield f"  a certificate of its own is made at first start: {access.cert_file}"


def web_checks(document: Document) -> Iterator[Problem]:
    """What must agree inside [web]."""
    web = document.data.get("web")
    if not isinstance(web, dict):
        return
    named = [key for key in ("cert_file", "key_file") if text_of(web, key)]
    if len(named) == 1:
        yield ("web", named[0]), f"{named[0]} stands alone; allowed: cert_file and key_file, or neither"
    if web.get("plain_http") is True and named:
        yield ("web", "plain_http"), "plain_http and a certificate cannot be together; allowed: one of them"
    if web.get("plain_http") is True and web.get("read_without_sign_in") is False and not _alone(web):
        text = "nobody can sign in over plain HTTP, so nobody could look; allowed: read_without_sign_in = true, or TLS"
        yield ("web", "plain_http"), text


def _alone(web: dict[str, object]) -> bool:
    try:
        return ip_address(str(web.get("listen", LISTEN))).is_loopback
    except ValueError:
        return True  # the form tells that
