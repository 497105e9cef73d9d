"""The picture of the roof: its areas against the roof itself, its rules against plain arithmetic."""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree

import pytest

from gateway.heat.balance import Surroundings, roof
from gateway.heat.horse import Horse
from tests.e2e.barn import loosebox

SVG = "{http://www.w3.org/2000/svg}"
Point = tuple[float, float]


def _picture(*words: str) -> ElementTree.Element:
    run = loosebox("reckon", "--table", "svg", *words)
    assert run.returncode == 0, run.stderr
    return ElementTree.fromstring(run.stdout)


def _scale(root: ElementTree.Element, anchor: str, axis: str, low: float, high: float) -> Callable[[float], float]:
    """World to paper, read off two printed figures of an axis, as a reader would."""
    place = {
        float(text.text or "nan"): float(text.attrib[axis])
        for text in root.iter(f"{SVG}text")
        if text.attrib["text-anchor"] == anchor
        and text.attrib["fill"] == "#12171A"
        and "font-weight" not in text.attrib
    }
    return lambda value: place[low] + (value - low) / (high - low) * (place[high] - place[low])


def _corners(path: str) -> list[Point]:
    return [(float(x), float(y)) for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", path)]


def _holds(corners: list[Point], at: Point) -> bool:
    """Even-odd rule."""
    x, y = at
    inside = False
    for (x1, y1), (x2, y2) in zip(corners, corners[1:] + corners[:1], strict=True):
        if (y1 > y) != (y2 > y) and x < x1 + (y - y1) / (y2 - y1) * (x2 - x1):
            inside = not inside
    return inside


@pytest.mark.parametrize("air", [0.2, 2.5])
def test_every_point_lies_in_the_area_of_its_roof(air: float) -> None:
    root = _picture("--temp", "20C..40C/2C", "--rh", "20..100/10", "--air", f"{air}m/s")
    x, y = _scale(root, "middle", "x", 20, 40), _scale(root, "end", "y", 20, 100)
    areas = {p.attrib["id"]: _corners(p.attrib["d"]) for p in root.iter(f"{SVG}path") if p.get("class") == "area"}
    lift = y(20) - float(next(r for r in root.iter(f"{SVG}rect") if r.get("height") == "440").attrib["y"]) - 440
    seen = set()
    for temp_c in (20.5 + 1.3 * step for step in range(15)):
        for rh_pct in (21.0 + 3.1 * step for step in range(26)):
            near = {
                roof(Surroundings(temp_c=temp_c, rh_pct=rh, air_mps=air), Horse())
                for rh in (rh_pct - 0.3, rh_pct + 0.3)
            }
            if len(near) > 1:  # on the line itself
                continue
            expected = str(near.pop() or "no-pace")
            held = {name for name, corners in areas.items() if _holds(corners, (x(temp_c), y(rh_pct) - lift))}
            assert held == {expected}, (temp_c, rh_pct)
            seen.add(expected)
    assert seen == {"canter", "trot", "walk", "no-pace"} | ({"stand"} if air > 1 else set())


def test_the_rules_of_the_sum_are_where_the_sum_is() -> None:
    root = _picture("--temp", "20C..40C/2C", "--rh", "20..100/10")
    x = _scale(root, "middle", "x", 20, 40)
    rules = {p.attrib["id"]: _corners(p.attrib["d"]) for p in root.iter(f"{SVG}path") if p.get("class") == "sum"}
    assert set(rules) == {"sum-130", "sum-150", "sum-180"}
    # the line of 180 leaves the top (100 %) at 80 °F, 26.67 °C; those of 130 and 150 begin at the left, 20 °C is 68 °F
    assert rules["sum-180"][0][0] == pytest.approx(x(80 / 1.8 - 32 / 1.8), abs=0.1)
    box = next(r for r in root.iter(f"{SVG}rect") if r.get("height") == "440")
    top, high = float(box.attrib["y"]), 440.0
    for at in (130, 150):
        left, right = rules[f"sum-{at}"][0], rules[f"sum-{at}"][-1]
        assert left == pytest.approx((x(20), top + (100 - (at - 68)) / 80 * high), abs=0.1)
        assert right == pytest.approx((x(40), top + (100 - (at - 104)) / 80 * high), abs=0.1)


def test_the_picture_warns_where_a_standing_horse_is_worse_off_than_a_walking_one() -> None:
    still = _picture("--temp", "20C..40C/2C", "--rh", "20..100/10")
    blown = _picture("--temp", "20C..40C/2C", "--rh", "20..100/10", "--air", "3m/s")
    assert [p.get("id") for p in still.iter(f"{SVG}path")].count("stand-line") == 1
    assert [p.get("id") for p in blown.iter(f"{SVG}path")].count("stand-line") == 0


def test_the_picture_uses_no_gradient_and_no_colour_but_paper_and_ink() -> None:
    root = _picture("--temp=-10C..50C/5C", "--rh", "0..100/10", "--sun", "800W/m2", "--just-worked")
    assert not [e for e in root.iter() if "radient" in e.tag]
    colours = {v for e in root.iter() for k, v in e.attrib.items() if k in ("fill", "stroke")} - {"none"}
    assert colours == {"#F7F6F1", "#12171A", "#3D464B"}
    assert "just worked" in (root.findtext(f"{SVG}desc") or "")
