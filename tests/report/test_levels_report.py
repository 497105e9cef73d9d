"""The page on the levels is what the script writes, and its hours agree with a count that does not use our code."""

from __future__ import annotations

from tests.report.levels_report import PAGE, YEARS, page, read_year


def test_the_page_is_up_to_date() -> None:
    assert PAGE.read_text() == page(), "run: make report"


def test_hours_by_the_rule_agree_with_pandas() -> None:
    text = PAGE.read_text()
    for city, name in YEARS.items():
        frame = read_year(name)
        sums = frame["temp_c"] * 9 / 5 + 32 + frame["rh_pct"]
        # Tenths of a degree and whole per cent: two hundredths of a unit decide nothing but exact boundaries.
        counts = [
            int(((sums + 1e-6 >= low) & (sums + 1e-6 < high)).sum())
            for low, high in ((-99, 130), (130, 150), (150, 180), (180, 999))
        ]
        part = text.split(f"## {city}")[1]
        assert f"| riding | rule | {' | '.join(str(c) for c in counts)} |" in part
