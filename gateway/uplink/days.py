"""Owns: asking the time-series store for a day of the sum at each place.

Must not know: boards, brokers, who asks.
How it works: one PromQL query at URL/api/v1/query_range for a set of barns, as VictoriaMetrics and every other store
that speaks the Prometheus HTTP API answers it. A store names a field of line protocol MEASUREMENT_FIELD there. The sum
is made by the store from the means of each sensor in a quarter of an hour; of several sensors the highest counts. An
answer that is not of this form, too long or too late is a store that is away: nothing of it is used.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

import urllib3

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.org import OrgSeries
from gateway.uplink.credentials import password_of, tls_context

DAY_S, STEP_S = 86_400, 900
WITHIN_S, CONNECT_S = 10.0, 5.0
MOST_BYTES = 8_000_000
Points = tuple[tuple[float, float], ...]
_PART = 65_536


class StoreDays:
    """Used by one thread at a time."""

    def __init__(self, series: OrgSeries, *, within_s: float = WITHIN_S) -> None:
        self._series, self._within_s = series, within_s

    def days(self, barns: Sequence[str], end_s: float) -> Mapping[tuple[str, str], Points]:
        """By barn and place: wall time and sum, every STEP_S of the day up to `end_s`. Raises GatewayError."""
        end = int(end_s // STEP_S) * STEP_S
        asked = {"query": query_of(barns), "start": end - DAY_S, "end": end, "step": f"{STEP_S}s"}
        try:
            return points_of(json.loads(self._answer(urlencode(asked))))
        except (urllib3.exceptions.HTTPError, OSError, ValueError, RecursionError) as error:
            raise GatewayError(f"the store {self._series.url}: {type(error).__name__}: {str(error)[:200]}") from error

    def _answer(self, form: str) -> bytes:
        series, end_s = self._series, machine_s() + self._within_s
        tls: dict[str, Any] = {"ssl_context": tls_context(series.ca_file)} if series.url.startswith("https") else {}
        headers = {
            "Authorization": f"Bearer {password_of(series.token_file)}",
            "Content-Type": "application/x-www-form-urlencoded",
        }
        timeout = urllib3.Timeout(connect=CONNECT_S, read=self._within_s)
        with urllib3.PoolManager(num_pools=1, retries=False, **tls) as pool:
            answer = pool.request(
                "POST", f"{series.url}/api/v1/query_range", body=form, headers=headers, redirect=False,
                preload_content=False, timeout=timeout,
            )  # fmt: skip
            body = b""
            while part := answer.read1(_PART):
                body += part
                if machine_s() > end_s or len(body) > MOST_BYTES:
                    raise ValueError("the answer is too long or too late")
        if answer.status != 200:
            raise ValueError(f"answers {answer.status}")
        return body


def query_of(barns: Sequence[str]) -> str:
    """The sum at each place of these barns."""
    names = "|".join(re.escape(name) for name in barns)
    match = json.dumps(f"({names})", ensure_ascii=False)
    temp = f"avg_over_time(loosebox_reading_temp_c{{barn=~{match}}}[{STEP_S}s])"
    damp = f"avg_over_time(loosebox_reading_rh_pct{{barn=~{match}}}[{STEP_S}s])"
    return f"max by (barn, place) ({temp} * 1.8 + 32 + on (barn, place, sensor) {damp})"


def points_of(answer: Any) -> Mapping[tuple[str, str], Points]:
    """What an answer of the Prometheus HTTP API holds. Raises ValueError when it is none."""
    try:
        if answer["status"] != "success" or answer["data"]["resultType"] != "matrix":
            raise ValueError("is no answer to a range")
        found = {}
        for series in answer["data"]["result"]:
            labels = series["metric"]
            read = ((float(at_s), float(text)) for at_s, text in series["values"])
            points = tuple((at_s, total) for at_s, total in read if math.isfinite(at_s) and math.isfinite(total))
            found[str(labels["barn"]), str(labels["place"])] = points
        return found
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError("is no answer to a range") from error
