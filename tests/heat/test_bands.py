"""The bandings as data: order, edges, and the words of each source at its own examples."""

from __future__ import annotations

from math import inf, nan

import pytest

from gateway.heat.bands import SUM, SUM_BANDINGS, SUM_MINUS_WIND, WBGT, WBGT_BANDINGS, Banding, Sureness

ALL = SUM_BANDINGS + WBGT_BANDINGS


def _banding(key: str) -> Banding:
    return next(banding for banding in ALL if banding.key == key)


@pytest.mark.parametrize("banding", ALL, ids=lambda banding: banding.key)
def test_every_banding_covers_all_numbers_in_rising_order(banding: Banding) -> None:
    lows = [band.low for band in banding.bands]
    assert lows[0] == -inf
    assert lows == sorted(set(lows))
    assert banding.source
    assert banding.year is None or 1990 <= banding.year <= 2026
    assert isinstance(banding.sureness, Sureness)
    assert banding.quantity in (SUM, SUM_MINUS_WIND, WBGT)
    assert all(band.meaning for band in banding.bands)


def test_keys_are_unique() -> None:
    assert len({banding.key for banding in ALL}) == len(ALL)


@pytest.mark.parametrize("banding", ALL, ids=lambda banding: banding.key)
def test_a_boundary_belongs_to_the_upper_band(banding: Banding) -> None:
    for index, band in enumerate(banding.bands[1:], start=1):
        assert banding.band_of(band.low) == index
        assert banding.band_of(band.low - 1e-9) == index - 1


# US federation 2024: 130, 150, 180; practitioner: 85 + 90 lies above 150 and 95 + 90 above 180; 70 + 50 is easy
@pytest.mark.parametrize(
    ("key", "value", "band"),
    [
        ("us-federation", 129.9, 0),
        ("us-federation", 142.0, 1),
        ("us-federation", 177.0, 2),
        ("us-federation", 181.0, 3),
        ("practitioner", 120.0, 0),
        ("practitioner", 175.0, 2),
        ("practitioner", 185.0, 3),
        ("popular-120", 121.0, 1),
        ("county-agent", 132.4, 1),
        ("riding-club", 167.0, 2),
        ("fei-2018", 29.0, 1),
        ("fei-2018", 33.8, 4),
        ("australia-2019", 33.3, 1),
        ("victoria-2024", 27.9, 0),
        ("victoria-2024", 31.9, 1),
        ("schroter-marlin-1995", 32.6, 1),
        ("riders-club-2018", 25.1, 1),
    ],
)
def test_values_fall_into_the_band_that_their_source_says(key: str, value: float, band: int) -> None:
    assert _banding(key).band_of(value) == band


# The lines and years as the sources print them, once more by hand
LINES = {
    "us-federation": (2024, (130.0, 150.0, 180.0)),
    "vet-association": (2021, (130.0, 150.0)),
    "practitioner": (None, (130.0, 150.0, 180.0)),
    "extension-sheet": (None, (130.0, 150.0, 180.0)),
    "popular-120": (2012, (120.0, 150.0, 180.0)),
    "county-agent": (2009, (130.0, 180.0)),
    "riding-club": (None, (131.0, 166.0, 181.0)),
    "fei-2018": (2018, (28.0, 30.0, 32.0, 33.0)),
    "schroter-marlin-1995": (1995, (32.5,)),
    "australia-2019": (2019, (33.0,)),
    "victoria-2024": (2024, (28.0, 32.0)),
    "riders-club-2018": (2018, (25.0,)),
}


@pytest.mark.parametrize("banding", ALL, ids=lambda banding: banding.key)
def test_lines_and_years_are_those_of_the_source(banding: Banding) -> None:
    assert (banding.year, tuple(band.low for band in banding.bands[1:])) == LINES[banding.key]


def test_what_is_not_a_number_has_no_band() -> None:
    with pytest.raises(ValueError, match="not a number"):
        _banding("us-federation").band_of(nan)
