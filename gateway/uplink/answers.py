"""Owns: how an answer over HTTP is read: never more than `MOST_BYTES`, never longer than `within_s`, never a redirect.

Must not know: what was asked, what an answer means.
How it works: influxdb-client reads a whole answer into memory, however long it is and however slowly it drips. It
reads it through a pool of urllib3, so that pool is replaced by this one. A connection whose answer was not read to its
end is closed. The pool also watches: a connection that was lost without being announced may mean that the far end was
restarted. It is known by its socket, since urllib3 opens a lost one again under the same name.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import urllib3

MOST_BYTES = 16_384
CONNECT_S = 10.0
ANSWER_S = 30.0
HTTP_1_1 = 11


class CarefulPool(urllib3.PoolManager):
    """`new_connection`: the last answer came over another connection than the one before, and nobody had said why."""

    def __init__(self, *, clock: Callable[[], float], within_s: float = ANSWER_S, **pool: Any) -> None:
        super().__init__(num_pools=1, maxsize=1, retries=False, **pool)
        self._clock, self._within_s = clock, within_s
        self._socket: object = None
        self._announced = True
        self.new_connection = False

    def urlopen(  # type: ignore[override]
        self, method: str, url: str, redirect: bool = True, **asked: Any
    ) -> urllib3.HTTPResponse:
        """The answer, read to its end or cut. Redirects are answers like any other."""
        end_s = self._clock() + self._within_s
        asked |= {"preload_content": False, "timeout": urllib3.Timeout(connect=CONNECT_S, read=self._within_s)}
        answer = super().urlopen(method, url, redirect=False, **asked)
        socket = getattr(answer.connection, "sock", None)  # before it is given back
        try:
            body = self._read(answer, end_s)
        finally:
            answer.release_conn()
        self._note(socket, answer)
        return urllib3.HTTPResponse(
            body=io.BytesIO(body),
            headers=answer.headers,
            status=answer.status,
            reason=answer.reason,
            decode_content=False,
        )

    def _read(self, answer: urllib3.BaseHTTPResponse, end_s: float) -> bytes:
        body = b""
        while part := answer.read1(MOST_BYTES, decode_content=False):
            body += part
            if self._clock() > end_s:
                answer.close()
                raise TimeoutError(f"the answer is not whole after {self._within_s:g} s")
            if len(body) > MOST_BYTES:
                answer.close()
                break
        return body[:MOST_BYTES].decode("utf-8", "replace").encode()  # influxdb-client takes it for UTF-8

    def _note(self, socket: object, answer: urllib3.BaseHTTPResponse) -> None:
        self.new_connection = socket is not self._socket and not self._announced
        self._socket = socket
        self._announced = answer.headers.get("Connection", "").lower() == "close" or answer.version < HTTP_1_1
