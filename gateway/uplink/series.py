"""Owns: writing to the time-series store, and what its answers mean.

Must not know: the history, cursors, pauses.
How it works: influxdb-client, one synchronous request a batch; retries and buffers are not its business here. Only 204
is a success: a captive portal answers 200 with a page. The token is read anew for every connection, and after a
refusal, so that a changed one works without a restart.

    204             delivered
    400 413 422     bad: something in the batch is not taken
    other 4xx       refused: token, rights, bucket, address; a certificate that does not verify
    408 429 5xx     away, for as long as Retry-After says
    all else        away: no connection, no answer, half an answer, a page, a redirect
"""

from __future__ import annotations

import gzip
import logging
from typing import Any

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.site_streams import Series
from gateway.uplink.answers import ANSWER_S, CarefulPool
from gateway.uplink.credentials import password_of, tls_context
from gateway.uplink.verdict import Outcome, Restart, Verdict

log = logging.getLogger(__name__)

SPLIT = (400, 413, 422)
PASSES = (408, 425, 429)
LONGEST_WAIT_S = 3600.0
LONGEST_WHY = 300
PACKED = 6  # 9, which the library takes, packs by 2 to 6 % better and works three times as long
logging.getLogger("urllib3.connectionpool").setLevel(logging.ERROR)  # every failure is in our verdict already


class Store:
    """Used by one thread."""

    def __init__(self, series: Series, *, within_s: float = ANSWER_S) -> None:
        self._series, self._within_s = series, within_s
        self._client: Any = None  # the library has types for a part of itself only
        self._service: Any = None
        self._pool: CarefulPool | None = None
        self._lost = Restart.NO  # what happened since the last delivery

    def write(self, lines: str) -> Verdict:
        """One request. Never raises."""
        try:
            status, why, wait_s = self._post(lines)
            verdict = _judged(status, why, wait_s)
        except GatewayError as error:
            verdict = Verdict(outcome=Outcome.REFUSED, why=str(error))
        except (urllib3.exceptions.HTTPError, OSError, ValueError) as error:
            verdict = Verdict(outcome=Outcome.AWAY, why=_short(f"{type(error).__name__}: {error}"))
            self._note(error)
        return self._after(verdict)

    def close(self) -> None:
        """Idempotent."""
        client, self._client, self._service, self._pool = self._client, None, None, None
        if client is not None:
            client.close()

    def _after(self, verdict: Verdict) -> Verdict:
        if verdict.outcome is Outcome.DELIVERED:
            if self._lost is Restart.NO and self._pool is not None and self._pool.new_connection:
                self._lost = Restart.PERHAPS
            restarted, self._lost = self._lost, Restart.NO
            return Verdict(outcome=Outcome.DELIVERED, restarted=restarted)
        if verdict.outcome is not Outcome.BAD:
            self.close()
        return verdict

    def _note(self, error: Exception) -> None:
        """A port where nobody listens: the store is down. Anything else may as well be the way to it."""
        refused = isinstance(error, urllib3.exceptions.NewConnectionError) and "refused" in str(error)
        if refused or self._lost is Restart.SURE:
            self._lost = Restart.SURE
        else:
            self._lost = Restart.PERHAPS

    def _post(self, lines: str) -> tuple[int, str, float | None]:
        service = self._opened()
        series = self._series
        try:
            _, status, headers = service.post_write_with_http_info(
                series.org,
                series.bucket,
                gzip.compress(lines.encode(), PACKED) if series.gzip else lines.encode(),
                precision="ms",
                content_type="text/plain; charset=utf-8",
                content_encoding="gzip" if series.gzip else "identity",
                _return_http_data_only=False,
            )
        except ApiException as error:
            if not error.status:
                return 495 if "CERTIFICATE_VERIFY_FAILED" in str(error.reason) else 0, _short(error.reason), None
            return error.status, _short(error.message), _seconds(error.retry_after)
        kind = headers.get("Content-Type", "no type")
        return status, f"answers {status} ({kind}), not 204: is this the store?", None

    def _opened(self) -> Any:
        if self._service is not None:
            return self._service
        series = self._series
        token = password_of(series.token_file)
        tls: dict[str, Any] = {}
        if series.url.startswith("https"):
            tls = {"ssl_context": tls_context(series.ca_file)}
        self._pool = CarefulPool(clock=machine_s, within_s=self._within_s, **tls)
        self._client = InfluxDBClient(url=series.url, token=token, org=series.org)
        self._client.api_client.rest_client.pool_manager = self._pool
        self._service = WriteService(self._client.api_client)  # type: ignore[no-untyped-call]
        return self._service


def _judged(status: int, why: str, wait_s: float | None) -> Verdict:
    said = f"{status}: {why}" if status >= 300 else why
    if status == 204:
        return Verdict(outcome=Outcome.DELIVERED)
    if status in SPLIT:
        return Verdict(outcome=Outcome.BAD, why=said)
    if 400 <= status < 500 and status not in PASSES:
        return Verdict(outcome=Outcome.REFUSED, why=said)
    return Verdict(outcome=Outcome.AWAY, why=said, wait_s=wait_s)


def _seconds(retry_after: object) -> float | None:
    """Only the form in seconds: a date would need a clock that both of us trust."""
    text = str(retry_after or "").strip()
    return min(float(text), LONGEST_WAIT_S) if text.isascii() and text.isdigit() else None


def _short(why: object) -> str:
    text = why.decode("utf-8", "replace") if isinstance(why, bytes) else str(why)
    return " ".join(text.split())[:LONGEST_WHY]
