"""Owns: the published bandings, each with its source, its year and how sure we are of its wording.

Must not know: how an index is computed, or which banding a barn has chosen.
How it works: frozen tables. A band reaches from its own `low` to the next one's; a boundary belongs to the upper
band (the sources do not say; the cautious reading is ours). Meanings are our short paraphrases.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import inf, isnan


class Sureness(StrEnum):
    """How we know the numbers of a banding."""

    READ = "read in the source"
    SECOND_HAND = "quoted by others, original not read"
    MEMORY = "from memory, not checked"


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """From `low` upward, until the next band begins."""

    low: float
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Banding:
    """One published scale. `year` is None where the source carries no date."""

    key: str
    quantity: str
    source: str
    year: int | None
    sureness: Sureness
    bands: tuple[Band, ...]
    note: str = ""

    def band_of(self, value: float) -> int:
        """Index of the band that holds `value`; a boundary belongs to the upper band.

        Args: value [unit of the quantity]. Range: any number.
        Raises: ValueError when value is not a number.
        Reference: the banding's own source.
        """
        if isnan(value):
            raise ValueError(f"value of {self.quantity} is not a number")
        return max(index for index, band in enumerate(self.bands) if band.low <= value)


def _bands(*pairs: tuple[float, str]) -> tuple[Band, ...]:
    return tuple(Band(low=low, meaning=meaning) for low, meaning in pairs)


SUM = "sum of °F and % relative humidity"
SUM_MINUS_WIND = "sum of °F and % relative humidity less wind in mi/h"

SUM_BANDINGS = (
    Banding(
        key="us-federation",
        quantity=SUM,
        source="United States equestrian federation, press release 'Heat alert clarification'",
        year=2024,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "no concern"),
            (130.0, "begin to watch for signs of heat stress"),
            (150.0, "watching is essential"),
            (180.0, "another time of day is urged"),
        ),
        note="says of itself that it is not the weather service's heat index",
    ),
    Banding(
        key="vet-association",
        quantity=SUM,
        source="American Association of Equine Practitioners, news item of 9 July",
        year=2021,
        sureness=Sureness.SECOND_HAND,
        bands=_bands(
            (-inf, "most horses cope; very fat or heavily muscled ones may not"),
            (130.0, "between the two lines that the item names"),
            (150.0, "hard on horses, more so when humidity is over half of the 150"),
        ),
    ),
    Banding(
        key="practitioner",
        quantity=SUM,
        source="Hickman, equine practitioner, article on heat stroke",
        year=None,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "a horse cools itself"),
            (130.0, "between the two lines that the article names"),
            (150.0, "cooling is impaired, more so when humidity is over half of the sum"),
            (180.0, "cooling has almost no effect"),
        ),
        note="the article writes 'over 150' and 'over 180'; the boundary itself is our reading",
    ),
    Banding(
        key="extension-sheet",
        quantity=SUM,
        source="university extension information sheet on hot-weather riding",
        year=None,
        sureness=Sureness.SECOND_HAND,
        bands=_bands(
            (-inf, "own cooling is enough, unless humidity is above 75 %"),
            (130.0, "help the horse cool after work"),
            (150.0, "watch vital signs during and after work"),
            (180.0, "own cooling has almost no effect"),
        ),
    ),
    Banding(
        key="popular-120",
        quantity=SUM,
        source="rider's rule as printed on farm pages (one dated May 2012)",
        year=2012,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "no trouble"),
            (120.0, "cooling falls off"),
            (150.0, "take care"),
            (180.0, "no work"),
        ),
        note="the pages put 120 itself into the lower band",
    ),
    Banding(
        key="county-agent",
        quantity=SUM_MINUS_WIND,
        source="Heimer, county extension agent, article on heat and horses",
        year=2009,
        sureness=Sureness.READ,
        bands=_bands((-inf, "go"), (130.0, "caution"), (180.0, "stop")),
    ),
    Banding(
        key="riding-club",
        quantity=SUM_MINUS_WIND,
        source="distance riding club, page on horses and summer heat",
        year=None,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "ride"),
            (131.0, "at most 4 h"),
            (166.0, "at most 2 h, with salts"),
            (181.0, "do not ride"),
        ),
        note="printed for whole numbers as 131-165, 166-180, over 180",
    ),
)

WBGT = "wet-bulb globe temperature, °C"

WBGT_BANDINGS = (
    Banding(
        key="fei-2018",
        quantity=WBGT,
        source="International equestrian federation: Marlin, Misheff and Whitehead, events in thermally challenging "
        "environments (eventing cross-country, acclimatised horses)",
        year=2018,
        sureness=Sureness.SECOND_HAND,
        bands=_bands(
            (-inf, "no change needed"),
            (28.0, "some precautions to lower the heat load"),
            (30.0, "further precautions"),
            (32.0, "hazardous, still further measures"),
            (33.0, "probably not compatible with safe competition"),
        ),
        note="the top band is 'above 33'; at an event of 2024 competition went on at 33.8 with measures in place",
    ),
    Banding(
        key="schroter-marlin-1995",
        quantity=WBGT,
        source="Schroter and Marlin, Equine Veterinary Journal (abstract read)",
        year=1995,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "below the proposed upper limit"),
            (32.5, "above the limit for fit, acclimatised horses on the best going"),
        ),
        note="index with weights 0.7 wet bulb and 0.3 globe; for other horses the limit is lower by an unknown amount",
    ),
    Banding(
        key="australia-2019",
        quantity=WBGT,
        source="Equestrian Australia, hot weather policy, news of 4 February",
        year=2019,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "below the high-risk line"),
            (33.0, "high risk: veterinary advice, often cancel or postpone"),
        ),
        note="the line is 'above 33'",
    ),
    Banding(
        key="victoria-2024",
        quantity=WBGT,
        source="Racing Victoria, guidelines for racing in hot weather, 8 March",
        year=2024,
        sureness=Sureness.READ,
        bands=_bands(
            (-inf, "low risk"),
            (28.0, "hot-weather procedures"),
            (32.0, "high risk: consider delaying"),
        ),
    ),
    Banding(
        key="riders-club-2018",
        quantity=WBGT,
        source="International Jumping Riders Club, summary of the federation's 2018 guidance",
        year=2018,
        sureness=Sureness.READ,
        bands=_bands((-inf, "comfortable"), (25.0, "begins to feel uncomfortable")),
        note="peaks of 30 (1996) and 28 (2008) at championships were managed",
    ),
)
