"""The strength of a pour is drawn to scale, its gates marked, and all of it is told in words."""

import re
import xml.etree.ElementTree as ET

import pytest

from jobs.drawing.cure import (
    BOTTOM,
    LEFT,
    RIGHT,
    TOP,
    StrengthCurve,
    StrengthGate,
    cure_svg,
    hours_drawn,
)
from jobs.drawing.sheet import CONCRETE, PAPER, TIMBER
from tests.unit.jobs.test_crew_weeks import luminance

SVG = "{http://www.w3.org/2000/svg}"
TRUSSES = StrengthGate("Set trusses", 0.4, 60.0, "Thu Jan 14, 18:00")


def drawn(*gates, measured_hours=0.0, now_hours=None, of="collars", hours=168):
    shares = [hour / hours for hour in range(hours + 1)]
    curve = StrengthCurve(shares, measured_hours, now_hours)
    return ET.fromstring(cure_svg(name="pour-1", of=of, curve=curve, gates=gates))


def points_of(line):
    return [tuple(map(float, pair.split(","))) for pair in line.get("points").split()]


def words_of(svg):
    return next(svg.iter(f"{SVG}desc")).text


def test_the_curve_runs_from_corner_to_corner():
    measured, expected = drawn().iter(f"{SVG}polyline")

    assert points_of(measured) == [(LEFT, BOTTOM)]
    assert points_of(expected)[-1] == pytest.approx((RIGHT, TOP), abs=0.1)
    assert expected.get("stroke-dasharray")


def test_what_was_measured_is_a_full_line_up_to_its_hour():
    measured, expected = drawn(measured_hours=84).iter(f"{SVG}polyline")

    assert measured.get("stroke-dasharray") is None
    assert points_of(measured)[-1][0] == pytest.approx((LEFT + RIGHT) / 2, abs=3.5)
    assert points_of(measured)[-1] == points_of(expected)[0]


def test_a_gate_is_marked_at_its_share_and_its_hour():
    svg = drawn(TRUSSES)

    (mark,) = [box for box in svg.iter(f"{SVG}polygon") if box.get("fill") == TIMBER]
    xs, ys = zip(*points_of(mark), strict=True)
    assert (min(xs) + max(xs)) / 2 == pytest.approx(LEFT + 60 / 168 * (RIGHT - LEFT), abs=0.1)
    assert (min(ys) + max(ys)) / 2 == pytest.approx(BOTTOM - 0.4 * (BOTTOM - TOP), abs=0.1)


def test_a_gate_that_never_opens_has_no_mark():
    svg = drawn(StrengthGate("Set trusses", 0.4, None, "not within a year"))

    assert [box for box in svg.iter(f"{SVG}polygon") if box.get("fill") == TIMBER] == []
    assert "not within a year" in words_of(svg)


def test_all_of_it_is_told_in_words():
    words = words_of(drawn(TRUSSES, measured_hours=12))

    assert words == (
        "14% after 1 d; 29% after 2 d; 43% after 3 d; 100% after 7 d; measured for 12 h; "
        "gate 1, Set trusses: 40%, Thu Jan 14, 18:00"
    )


def test_now_is_marked_only_where_it_is_drawn():
    texts = [text.text for text in drawn(now_hours=24).iter(f"{SVG}text")]

    assert "now" in texts
    assert "now" not in [text.text for text in drawn(now_hours=500).iter(f"{SVG}text")]


@pytest.mark.parametrize(
    ("ready_hours", "days"), [(10.0, 4), (100.0, 7), (150.0, 14), (8000.0, 366), (None, 4)]
)
def test_the_days_drawn_leave_room_for_the_last_gate(ready_hours, days):
    gate = StrengthGate("Set trusses", 0.4, ready_hours, "")

    assert hours_drawn([gate]) == days * 24


def test_names_are_escaped():
    (title,) = drawn(of="A <b> & co").iter(f"{SVG}title")

    assert "A <b> & co" in title.text


def test_no_text_leaves_the_sheet():
    svg = drawn(TRUSSES, hours=366 * 24)

    assert all(0 <= float(text.get("x")) <= 344 for text in svg.iter(f"{SVG}text"))
    assert re.search(r'viewBox="0 0 344 232"', ET.tostring(svg).decode())


@pytest.mark.parametrize("ground", [CONCRETE, PAPER])
def test_gates_stand_out_from_what_is_around_them(ground):
    """Graphics need 3 to 1. Source: WCAG 2.2, success criterion 1.4.11."""
    assert (luminance(ground) + 0.05) / (luminance(TIMBER) + 0.05) >= 3
