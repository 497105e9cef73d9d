"""Mail at a real server with TLS, STARTTLS and a password; and servers that misbehave."""

from __future__ import annotations

import base64
import logging
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.engine.clock import machine_s
from gateway.site_alarms import Mail, Way
from gateway.uplink.by_mail import ByMail
from gateway.uplink.mail_letter import letter
from gateway.uplink.verdict import Outcome, Verdict
from tests.uplink.far_ends import (
    PASSWORD,
    USER,
    MailServer,
    Papers,
    Peer,
    make_papers,
    message,
    open_peer,
    secret_file,
)

ANA = Way(contact="Ana", mail="ana@farm.example")
FROM = "barn@farm.example"


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Papers:
    return make_papers(tmp_path_factory.mktemp("papers"))


@pytest.fixture(params=[True, False], ids=["starttls", "tls"])
def server(request: pytest.FixtureRequest, papers: Papers) -> Iterator[tuple[MailServer, bool]]:
    made = MailServer(papers, starttls=request.param)
    yield made, request.param
    made.close()


def by_mail(folder: Path, papers: Papers, port: int, *, starttls: bool = True, **changed: Any) -> ByMail:
    within_s = changed.pop("within_s", 20.0)
    fields: dict[str, Any] = {
        "host": "localhost",
        "port": port,
        "starttls": starttls,
        "ca_file": papers.ca_file,
        "user": USER,
        "password_file": secret_file(folder, changed.pop("password", PASSWORD)),
        "sender": FROM,
    }
    return ByMail(Mail(**(fields | changed)), resolve=lambda *_: ["127.0.0.1"], within_s=within_s)


def test_a_mail_arrives_whole(server: tuple[MailServer, bool], papers: Papers, tmp_path: Path) -> None:
    far, starttls = server
    sender = by_mail(tmp_path, papers, far.port, starttls=starttls)
    text = "Línea uno: 31 °C\n.\n\nFrom here\n" + "ñ" * 500
    told = message(subject="Ahora: calor en el establo, más de 31 °C", text=text)
    assert sender.send(told, ANA) == Verdict(outcome=Outcome.DELIVERED)
    (mail,) = far.mails
    assert far.inbox.mails[0][:2] == (FROM, ["ana@farm.example"])
    assert far.inbox.tls == [True]
    assert far.tried == [(USER.encode(), PASSWORD.encode())]
    assert (mail["From"], mail["To"], mail["Subject"]) == (FROM, "Ana <ana@farm.example>", told.subject)
    assert mail.get_content().splitlines() == text.splitlines()
    assert (mail.get_content_type(), mail.get_content_charset()) == ("text/plain", "utf-8")
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
    assert (mail["Content-Language"], mail["Date"].datetime.timestamp()) == ("en", int(told.made_wall_s))
    assert not mail.defects and all(not header.defects for header in mail.values())
    wire = far.inbox.mails[0][2]
    assert wire.isascii() and max(len(line) for line in wire.split(b"\r\n")) <= 78  # RFC 5322, section 2.1.1
    assert b"\n" not in wire.replace(b"\r\n", b"")


def test_every_try_is_the_same_mail(server: tuple[MailServer, bool], papers: Papers, tmp_path: Path) -> None:
    far, starttls = server
    sender = by_mail(tmp_path, papers, far.port, starttls=starttls)
    for told in (message(), message(), message(id="notice-of-another")):
        assert sender.send(told, ANA).outcome is Outcome.DELIVERED
    first, second, other = far.mails
    assert far.inbox.mails[0] == far.inbox.mails[1]
    assert first["Message-ID"] == second["Message-ID"] != other["Message-ID"]
    assert first["References"] == other["References"], "both tell of one and the same alarm"


def test_mails_on_one_alarm_stand_together_and_others_apart() -> None:
    def refers(*alarms: Any) -> str | None:
        mail = letter(message(data={"alarms": list(alarms)}), name="Ana", mailbox=ANA.mail, sender=FROM)
        found = mail["References"]
        return None if found is None else str(found)

    north, south = {"alarm": "heat:north"}, {"alarm": "heat:south"}
    assert refers(north) == refers("heat:north") != refers(south)
    assert refers(north, south) is None and refers() is None and refers(7) is None and refers({}) is None


@pytest.mark.parametrize(
    "evil", ["\r\nBcc: all@farm.example", "\nX: y", "\rX: y", "\r\n\r\nbody", "\0\x0b\x85\u2028X: y"]
)
def test_no_name_and_no_subject_adds_a_header(papers: Papers, tmp_path: Path, evil: str) -> None:
    far = MailServer(papers, starttls=True)
    try:
        told = message(subject=f"Heat{evil}", language=f"en{evil}", contact=f"Ana{evil}", id=f"notice{evil}")
        way = Way(contact=f'Ana"<x@y.example>,{evil}', mail="ana@farm.example")
        assert by_mail(tmp_path, papers, far.port).send(told, way).outcome is Outcome.DELIVERED
    finally:
        far.close()
    (mail,) = far.mails
    assert sorted(mail.keys()) == sorted([
        "From", "To", "Subject", "Date", "Message-ID", "References", "Auto-Submitted", "Content-Language",
        "Content-Type", "Content-Transfer-Encoding", "MIME-Version",
    ])  # fmt: skip
    assert [address.addr_spec for address in mail["To"].addresses] == ["ana@farm.example"]
    assert mail["Subject"].startswith("Heat ") and len(mail["Subject"].splitlines()) == 1
    assert far.inbox.mails[0][1] == ["ana@farm.example"]
    assert mail.get_content().splitlines() == told.text.splitlines()


@pytest.mark.parametrize(
    "bad",
    ["ana", "ana@", "@farm.example", "a@b.example, c@d.example", "a@b.example\r\nBcc: c@d.example", "a b@c.example",
     "<a@b.example>", "ana@exämple.example", "", 'a"@b.example', "a@b.example>\r\nRCPT TO:<c@d.example"],
)  # fmt: skip
def test_what_is_no_mailbox_is_refused(papers: Papers, tmp_path: Path, bad: str) -> None:
    for verdict in (
        by_mail(tmp_path, papers, 1).send(message(), Way(contact="Ana", mail=bad)),
        by_mail(tmp_path, papers, 1, sender=bad).send(message(), ANA),
    ):
        assert verdict.outcome is Outcome.REFUSED and "no mailbox" in verdict.why and verdict.why.isprintable()


def test_a_wrong_password_is_refused_and_not_told(
    server: tuple[MailServer, bool], papers: Papers, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, logger="gateway")
    far, starttls = server
    sender = by_mail(tmp_path, papers, far.port, starttls=starttls, password="not-this-one")
    verdict = sender.send(message(), ANA)
    assert verdict.outcome is Outcome.REFUSED and "refuses the user or the password: 535" in verdict.why
    assert far.mails == []
    assert "not-this-one" not in verdict.why + repr(sender) + caplog.text
    secret_file(tmp_path, PASSWORD)
    assert sender.send(message(), ANA).outcome is Outcome.DELIVERED, "a changed one works without a restart"


@pytest.mark.parametrize(
    ("at", "answer", "outcome"),
    [
        ("RCPT", "450 4.2.0 greylisted, come back", Outcome.AWAY),
        ("RCPT", "550 5.1.1 no such user here", Outcome.REFUSED),
        ("DATA", "452 4.3.1 disk full", Outcome.AWAY),
        ("DATA", "554 5.7.1 spam", Outcome.REFUSED),
    ],
)
def test_what_a_refusal_means(papers: Papers, tmp_path: Path, at: str, answer: str, outcome: Outcome) -> None:
    far = MailServer(papers, starttls=True)
    try:
        far.inbox.answers[at] = answer
        verdict = by_mail(tmp_path, papers, far.port).send(message(), ANA)
    finally:
        far.close()
    assert verdict == Verdict(outcome=outcome, why=f"localhost:{far.port} answers: {answer}")
    assert far.mails == []


def test_without_tls_nothing_is_said(papers: Papers, tmp_path: Path) -> None:
    far = MailServer(None, starttls=True)
    try:
        verdict = by_mail(tmp_path, papers, far.port).send(message(), ANA)
    finally:
        far.close()
    assert verdict.outcome is Outcome.REFUSED and "offers no STARTTLS" in verdict.why
    assert (far.tried, far.mails) == ([], [])


@pytest.mark.parametrize("changed", [{}, {"host": "other.example"}])
def test_a_stranger_and_another_name_are_refused(
    server: tuple[MailServer, bool], papers: Papers, tmp_path: Path, changed: dict[str, Any]
) -> None:
    far, starttls = server
    trusted = papers if changed else make_papers(tmp_path / "strangers")
    verdict = by_mail(tmp_path, trusted, far.port, starttls=starttls, **changed).send(message(), ANA)
    assert verdict.outcome is Outcome.REFUSED and "certificate" in verdict.why
    assert (far.tried, far.mails) == ([], [])


def test_a_server_that_asks_for_no_password_gets_none(papers: Papers, tmp_path: Path) -> None:
    said: list[bytes] = []
    with open_peer(lambda sock: _good_server(sock, said), papers) as peer:
        sender = by_mail(tmp_path, papers, peer.port, starttls=False, user="", password_file=None)
        assert sender.send(message(), ANA).outcome is Outcome.DELIVERED
    assert [line.split()[0] for line in said] == [b"ehlo", b"mail", b"rcpt", b"data", b"QUIT"]
    assert said[0] == b"ehlo [127.0.0.1]"  # RFC 5321, section 4.1.3


# --- servers that misbehave


def _lines(sock: socket.socket) -> Iterator[bytes]:
    with sock.makefile("rb") as file:
        for line in file:
            yield line.rstrip(b"\r\n")


def _good_server(sock: socket.socket, said: list[bytes]) -> None:
    sock.sendall(b"220 here\r\n")
    is_text = False
    for line in _lines(sock):
        if is_text:
            is_text = line != b"."
            sock.sendall(b"" if is_text else b"250 taken\r\n")
            continue
        said.append(line)
        is_text = line == b"data"
        sock.sendall({b"data": b"354 go on\r\n", b"QUIT": b"221 bye\r\n"}.get(line, b"250 OK\r\n"))


def _script(*answers: bytes) -> Callable[[socket.socket], None]:
    """The greeting, then one answer a line, then nothing more."""

    def serve(sock: socket.socket) -> None:
        sock.sendall(answers[0])
        for answer, _ in zip(answers[1:], _lines(sock), strict=False):
            sock.sendall(answer)

    return serve


def _answers(*answers: bytes) -> Callable[[Peer, socket.socket], None]:
    return lambda peer, sock: _script(*answers)(sock)


def _hangs(peer: Peer, sock: socket.socket) -> None:
    peer.over.wait(30)


def _drips(peer: Peer, sock: socket.socket) -> None:
    peer.drip(sock, b"220-wait\r\n")


def _floods(peer: Peer, sock: socket.socket) -> None:
    while not peer.over.is_set():
        sock.sendall(b"220-wait\r\n" * 1000)


def _one_line(peer: Peer, sock: socket.socket) -> None:
    while not peer.over.is_set():
        sock.sendall(b"2" * 10_000)


BAD: dict[str, tuple[Callable[[Peer, socket.socket], None], Outcome]] = {
    "hangs": (_hangs, Outcome.AWAY),
    "drips": (_drips, Outcome.AWAY),
    "floods": (_floods, Outcome.AWAY),
    "one line without end": (_one_line, Outcome.AWAY),
    "hangs up": (lambda peer, sock: None, Outcome.AWAY),
    "no SMTP": (_answers(b"HTTP/1.1 200 OK\r\n\r\n"), Outcome.AWAY),
    "busy": (_answers(b"421 4.3.2 closing\r\n"), Outcome.AWAY),
    "wants us not": (_answers(b"554 5.7.1 not you\r\n"), Outcome.REFUSED),
    "EHLO away": (_answers(b"220 here\r\n", b"451 later\r\n"), Outcome.AWAY),
    "half a reply": (_answers(b"220 here\r\n", b"250-STARTT"), Outcome.AWAY),
    "no TLS today": (_answers(b"220 here\r\n", b"250-here\r\n250 STARTTLS\r\n", b"454 4.7.0 later\r\n"), Outcome.AWAY),
    "no TLS ever": (_answers(b"220 here\r\n", b"250-here\r\n250 STARTTLS\r\n", b"502 no\r\n"), Outcome.REFUSED),
    "STARTTLS is no TLS": (
        _answers(b"220 here\r\n", b"250-here\r\n250 STARTTLS\r\n", b"220 go\r\n", b"what?\r\n"), Outcome.AWAY,
    ),
    "words before TLS": (
        _answers(b"220 here\r\n", b"250-here\r\n250 STARTTLS\r\n", b"220 go\r\n250 injected\r\n"), Outcome.AWAY,
    ),
}  # fmt: skip
ENDLESS = ("hangs", "drips")


@pytest.mark.parametrize("name", BAD)
def test_a_server_that_misbehaves_is_understood_in_time(papers: Papers, tmp_path: Path, name: str) -> None:
    serve, outcome = BAD[name]
    peer: Peer
    with open_peer(lambda sock: serve(peer, sock)) as peer:
        begun_s = machine_s()
        within_s = 1.0 if name in ENDLESS else 20.0
        verdict = by_mail(tmp_path, papers, peer.port, within_s=within_s).send(message(), ANA)
        took_s = machine_s() - begun_s
    assert verdict.outcome is outcome and f"localhost:{peer.port}" in verdict.why, verdict
    assert took_s < 15.0, "a generous margin: what drips would go on for ever"
    if name == "words before TLS":
        assert "before TLS" in verdict.why


def test_a_server_that_repeats_the_password_is_not_quoted(papers: Papers, tmp_path: Path) -> None:
    words = base64.b64encode(f"\0{USER}\0{PASSWORD}".encode())
    echoes: list[tuple[bytes, ...]] = [
        (b"250-here\r\n250 AUTH PLAIN\r\n", b"500 what is AUTH PLAIN " + words + b"\r\n"),
        (b"250-here\r\n250 AUTH PLAIN\r\n", b"500 what is ..." + words[8:20] + b"\r\n"),
        (b"250-here\r\n250 AUTH PLAIN\r\n", b"235 in\r\n", b"550 you said " + PASSWORD.encode() + b"\r\n"),
    ]
    for answers in echoes:
        with open_peer(_script(b"220 here\r\n", *answers), papers) as peer:
            verdict = by_mail(tmp_path, papers, peer.port, starttls=False).send(message(), ANA)
        assert verdict.outcome is Outcome.REFUSED and "repeat a part of the password" in verdict.why
        assert PASSWORD not in verdict.why and words[8:20].decode() not in verdict.why


def test_refused_stays_refused_when_the_server_then_hangs(papers: Papers, tmp_path: Path) -> None:
    def serve(sock: socket.socket) -> None:
        _script(b"220 here\r\n", b"250 here\r\n", b"550 5.7.1 not from you\r\n")(sock)
        peer.over.wait(30)

    peer: Peer
    with open_peer(serve, papers) as peer:
        sender = by_mail(tmp_path, papers, peer.port, starttls=False, user="", within_s=3.0)
        verdict = sender.send(message(), ANA)
    assert verdict.outcome is Outcome.REFUSED and "not from you" in verdict.why


def test_a_mail_that_was_taken_has_come_even_if_the_goodbye_fails(papers: Papers, tmp_path: Path) -> None:
    said: list[bytes] = []

    def serve(sock: socket.socket) -> None:
        answers = (b"220 here\r\n", b"250 here\r\n", b"250 OK\r\n", b"250 OK\r\n", b"354 go on\r\n")
        sock.sendall(answers[0])
        lines = _lines(sock)
        for answer in answers[1:]:
            said.append(next(lines))
            sock.sendall(answer)
        while next(lines) != b".":
            pass
        sock.sendall(b"250 taken\r\n")

    with open_peer(serve, papers) as peer:
        sender = by_mail(tmp_path, papers, peer.port, starttls=False, user="")
        assert sender.send(message(), ANA).outcome is Outcome.DELIVERED
    assert len(said) == 4


def test_a_server_that_takes_ascii_only_says_so(papers: Papers, tmp_path: Path) -> None:
    with open_peer(_script(b"220 here\r\n", b"250-here\r\n250 AUTH LOGIN\r\n"), papers) as peer:
        verdict = by_mail(tmp_path, papers, peer.port, starttls=False).send(message(), ANA)
    assert verdict.outcome is Outcome.REFUSED and "beyond ASCII" in verdict.why


def test_it_never_raises(papers: Papers, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    broken = by_mail(tmp_path, papers, 1, password_file=tmp_path / "absent").send(message(), ANA)
    assert broken.outcome is Outcome.REFUSED and "absent cannot be read" in broken.why
    defect = by_mail(tmp_path, papers, 1).send(message(made_wall_s=float("inf")), ANA)
    assert defect.outcome is Outcome.AWAY and "defect" in defect.why
    nobody = by_mail(tmp_path, papers, 1).send(message(), ANA)
    assert nobody.outcome is Outcome.AWAY and "refused" in nobody.why
    assert PASSWORD not in caplog.text
    assert by_mail(tmp_path, papers, 1).reaches(ANA) and not by_mail(tmp_path, papers, 1).reaches(Way(contact="Bo"))
    by_mail(tmp_path, papers, 1).close()
