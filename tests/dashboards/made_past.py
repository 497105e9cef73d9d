"""Owns: a made-up past for the tests of the screens: one hot day with a gap, as `dashboards.past.Past` gives it.

Must not know: what the tests look at.
How it works: temperature follows a cosine with its top at 3 pm local time, humidity goes against it; the carries are
straight lines through invented numbers, so that the roof comes down in the morning and goes up in the evening. All
numbers are invented.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from dashboards.past import AirPoint, PlaceDay, Stretch
from gateway.errors import StoreError

HOUR_S = 3600.0
OFFSET_S = {"stalls": -1.0, "arena": 1.0, "rack": 0.5, "outdoors": 0.0}
GAP_H = (8.0, 9.25)


class MadePast:
    """`zone_h` is the offset of local time. `broken`: the history cannot be read. `cut`: too much changed."""

    def __init__(self, *, zone_h: float = -4.0, broken: bool = False, gap: bool = True, cut: bool = False) -> None:
        self.zone_h, self.broken, self.gap, self.cut = zone_h, broken, gap, cut
        self.asked: list[tuple[float, float, float]] = []

    def days(self, begin_s: float, end_s: float, step_s: float) -> Mapping[str, PlaceDay]:
        if self.broken:
            raise StoreError("the history cannot be read")
        self.asked.append((begin_s, end_s, step_s))
        return {name: self._day(name, begin_s, end_s, step_s) for name in OFFSET_S}

    def _day(self, name: str, begin_s: float, end_s: float, step_s: float) -> PlaceDay:
        def at(hour: float) -> float:
            return min(end_s, begin_s + hour * HOUR_S)

        def stretches(*parts: tuple[float, float, str, str]) -> tuple[Stretch, ...]:
            cut = [(at(a), at(b), what, by) for a, b, what, by in parts]
            return tuple(Stretch(begin_s=a, end_s=b, what=what, by=by) for a, b, what, by in cut if a < b)

        kit = {"stalls": "stall-fans", "arena": "arena-fans", "rack": "rack-fan"}.get(name)
        fans = stretches((8, 15, "on", ""), (15.5, 24, "on", ""))
        hands = stretches((15, 15.5, "off", "Ana"))
        return PlaceDay(
            begin_s=begin_s,
            end_s=end_s,
            air=tuple(self._air(name, begin_s, end_s, step_s)),
            levels=stretches(
                (0, 7, "0", ""), (7, 8, "1", ""), (8, 9.25, "", ""), (9.25, 13, "1", ""), (13, 18, "2", ""),
                (18, 24, "1", ""),
            ),
            kit={kit: fans} if kit else {},
            hands={kit: hands} if kit else {},
            cut=self.cut,
        )  # fmt: skip

    def _air(self, name: str, begin_s: float, end_s: float, step_s: float) -> Iterator[AirPoint]:
        for number in range(int((end_s - begin_s) / step_s)):
            wall_s = begin_s + number * step_s
            hour = (wall_s / HOUR_S + self.zone_h) % 24
            if self.gap and GAP_H[0] <= hour < GAP_H[1]:
                continue
            swing = math.cos((hour - 15) / 24 * 2 * math.pi)
            temp_c, rh_pct = 29 + 5 * swing + OFFSET_S[name], 62 - 12 * swing
            heat = 1 - 0.42 * (swing + 1) / 2
            carries = {"stand": 2.6 * heat, "walk": 2.1 * heat, "trot": 1.42 * heat, "canter": 1.12 * heat}
            yield AirPoint(
                wall_s=wall_s, temp_c=temp_c, rh_pct=rh_pct, sum_f_pct=temp_c * 1.8 + 32 + rh_pct, carries=carries
            )
