"""Owns: the line to the broker: kept up by one thread of its own, through every loss.

Must not know: devices, core, what messages mean.
How it works: the thread opens a `Session`, serves it until it ends, and waits by `Backoff` before the next. Whatever a
session raises ends that session only. While there is none, nothing is kept for later: `publish` says False.

    any thread    publish(), listen() --> [outbox, topics] --wake--+
    this thread   Session.turn() -> take(message)                  +-> Session.publish(), subscribe()
    any thread    post(letters) ------> [mailbag] --> Session.publish() --> acknowledged --> Post.verdict()
                  changed(up, why) when the broker is reached or lost

The broker keeps what `state` says of us at STATE topic: rewritten every few seconds while we are here, and by the last
will when we are not. A broker that knows no MQTT 5 is met with 3.1.1. A refusal (password, rights, certificate) is said
once and held: only a person can change it.

A line without `state` only listens: it publishes nothing, has no last will, and takes each message at most once, since
what it hears is told again and again.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import math
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.site import Broker
from gateway.uplink.backoff import Backoff, Patience
from gateway.uplink.credentials import password_of, tls_context
from gateway.uplink.mailbag import MOST_FLYING, Letter, Mailbag, Post
from gateway.uplink.session import V5, V311, Entry, Message, Session

log = logging.getLogger(__name__)

MOST_WAITING = 64
STATE_EVERY_S = 15.0
TURN_S = 0.5
PROVEN_S = 30.0  # a connection that lasted this long was a good one
END_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """A message to be published before `by_s` of the machine, or never."""

    topic: str
    payload: bytes
    by_s: float
    retained: bool = False


class BrokerLine:
    """`take` gets every message in this line's thread; `changed` gets True when the broker is reached, else why not."""

    def __init__(
        self,
        broker: Broker,
        *,
        take: Callable[[Message], None],
        changed: Callable[[bool, str], None],
        state: Callable[[bool], bytes] | None,
        patience: Patience | None = None,
        client_id: str = "",
    ) -> None:
        self._client_id = client_id
        self._broker, self._take, self._changed, self._state = broker, take, changed, state
        self._patience = patience or Patience()
        self._backoff = Backoff(self._patience)
        self._version, self._proven = V5, False
        self._outbox: deque[Parcel] = deque()
        self._mailbag = Mailbag()
        self._topics: frozenset[str] = frozenset()
        self._up = False
        self._said = ""
        self._due_s = math.inf  # the thread will have shown itself by then
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    def start(self) -> None:
        self._due_s = machine_s()
        self._thread.start()

    def listen(self, topics: Iterable[str]) -> None:
        """What to hear from now on."""
        self._topics = frozenset(topics)
        self._wake()

    def publish(self, parcel: Parcel) -> bool:
        """False when the broker is not there, or too much waits."""
        most = MOST_WAITING // 2 if parcel.retained else MOST_WAITING  # states leave room for commands
        if not self._up or len(self._outbox) >= most:
            return False
        self._outbox.append(parcel)
        self._wake()
        return True

    def post(self, letters: Iterable[Letter]) -> Post:
        """Send them all, and have the broker's word for each. Commands go first."""
        post = self._mailbag.put(letters)
        if not self._up:
            self._mailbag.lose(self._said or "the broker has not been reached yet")
        self._wake()
        return post

    @property
    def up(self) -> bool:
        """Whether the broker is reached."""
        return self._up

    @property
    def queued(self) -> int:
        """How many messages and letters wait."""
        return len(self._outbox) + self._mailbag.waiting

    def hung_s(self) -> float:
        """For how long the thread has not shown itself although it should have; 0 while all is well."""
        late_s = machine_s() - self._due_s - self._patience.hung_s
        return max(0.0, late_s) if self._thread.is_alive() else math.inf

    def close(self) -> None:
        """Say goodbye and end the thread; idempotent."""
        self._ended.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(END_S + TURN_S)
        if not self._thread.is_alive():
            self._wake_in.close()
            self._wake_out.close()

    # --- the thread

    def _run(self) -> None:
        while not self._ended.is_set():
            pause_s = self._one_session()
            self._due_s = machine_s() + pause_s
            self._ended.wait(pause_s)

    def _one_session(self) -> float:
        """Open, serve and close one session. Returns how long to wait before the next."""
        self._due_s = began_s = machine_s()
        session = None
        try:
            session = Session(self._entry(), self._version, self._take)
            self._serve(session)
            why, refused = "; ".join(filter(None, (session.complaint, session.over))), session.refused
        except (GatewayError, ssl.SSLCertVerificationError) as error:
            why, refused = str(error), True
        except Exception as error:  # whatever a hostile packet makes the library raise costs one session
            why, refused = f"{type(error).__name__}: {error}", False
        finally:
            if session is not None:
                session.cut()
            self._outbox.clear()
        self._mailbag.lose(why)
        if self._ended.is_set():
            return 0.0
        self._lost(why)
        return self._pause_s(session, refused=refused, lasted_s=machine_s() - began_s)

    def _pause_s(self, session: Session | None, *, refused: bool, lasted_s: float) -> float:
        if session is not None and session.connected:
            self._proven = True
        elif session is not None and not self._proven and not refused:
            self._version = V311 if self._version == V5 else V5
            if session.wants_other_version:
                return 0.0 if self._version == V311 else self._backoff.failed()
        if session is not None and session.connected and lasted_s > PROVEN_S:
            self._backoff.worked()
        return self._backoff.refused() if refused else self._backoff.failed()

    def _serve(self, session: Session) -> None:
        answer_by_s = machine_s() + self._patience.connect_s
        while not session.connected and not session.over:
            self._turn(session)
            if machine_s() > answer_by_s:
                raise TimeoutError(f"{self._broker.host} takes the connection and says nothing")
            if self._ended.is_set():
                return
        subscribed: frozenset[str] = frozenset()
        state_s = -math.inf
        while not session.over and not self._ended.is_set():
            subscribed = self._subscribe(session, subscribed)
            if self._state is not None and machine_s() - state_s >= STATE_EVERY_S:
                state_s = machine_s()
                session.publish(self._state_topic, self._state(True), retained=True)
            self._reached(session.complaint)
            self._send_off(session)
            self._turn(session)
        self._take_answers(session)  # a broker may refuse a message and hang up in one breath
        if self._ended.is_set() and not session.over:
            self._farewell(session)

    def _turn(self, session: Session) -> None:
        self._due_s = machine_s()
        session.turn(self._wake_in, TURN_S)
        with contextlib.suppress(BlockingIOError):
            self._wake_in.recv(4096)

    def _subscribe(self, session: Session, subscribed: frozenset[str]) -> frozenset[str]:
        wanted = self._topics
        if new := sorted(wanted - subscribed):
            session.subscribe(new, 0 if self._state is None else 1)
        if old := sorted(subscribed - wanted):
            session.unsubscribe(old)
        return wanted

    def _send_off(self, session: Session) -> None:
        while self._outbox:
            parcel = self._outbox.popleft()
            left_s = parcel.by_s - machine_s()
            if left_s > 0:
                expires_s = None if parcel.retained else max(1, math.ceil(left_s))
                session.publish(parcel.topic, parcel.payload, retained=parcel.retained, expires_s=expires_s)
        self._send_letters(session)

    def _send_letters(self, session: Session) -> None:
        self._take_answers(session)
        while self._mailbag.flying < MOST_FLYING and (letter := self._mailbag.next()) and not session.over:
            self._mailbag.sent(session.publish(letter.topic, letter.payload, retained=False))

    def _take_answers(self, session: Session) -> None:
        answers, session.acknowledged = session.acknowledged, []
        for answer in answers:
            self._mailbag.answered(answer)

    def _farewell(self, session: Session) -> None:
        if self._state is not None:
            session.publish(self._state_topic, self._state(False), retained=True)
        session.leave()
        end_s = machine_s() + END_S
        while not session.over and machine_s() < end_s:
            self._turn(session)

    @property
    def _state_topic(self) -> str:
        return f"{self._broker.prefix}/state"

    def _entry(self) -> Entry:
        broker = self._broker
        return Entry(
            host=broker.host,
            port=broker.port,
            # One gateway, one name: the broker ends the older of two connections that have the same.
            client_id=self._client_id or f"loosebox-{hashlib.sha256(broker.prefix.encode()).hexdigest()[:12]}",
            user=broker.user,
            password=password_of(broker.password_file) if broker.password_file else None,
            tls=tls_context(broker.ca_file) if broker.tls else None,
            will_topic="" if self._state is None else self._state_topic,
            will_payload=b"" if self._state is None else self._state(False),
            connect_s=self._patience.connect_s,
            keepalive_s=self._patience.keepalive_s,
        )

    def _reached(self, complaint: str) -> None:
        if not self._up or self._said != complaint:
            if not self._up:
                log.info(
                    "the broker %s is reached, MQTT %s", self._broker.host, "5" if self._version == V5 else "3.1.1"
                )
            self._up, self._said = True, complaint
            self._changed(True, complaint)

    def _lost(self, why: str) -> None:
        said = f"broker {self._broker.host}:{self._broker.port}: {why}"
        if self._up or self._said != said:
            log.warning("%s", said)
            self._up, self._said = False, said
            self._changed(False, said)

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_out.send(b".")
