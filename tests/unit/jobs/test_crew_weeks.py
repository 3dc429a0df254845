"""The bars of a crew's weeks are as tall as their hours, and are told in words too."""

import re
import xml.etree.ElementTree as ET
from datetime import date, timedelta
from itertools import pairwise

import pytest

from jobs.drawing.crew_weeks import BOTTOM, TOP, WIDTH, WeekBar, crew_weeks_svg
from jobs.drawing.sheet import DIMENSION, PAPER, WALL

SVG = "{http://www.w3.org/2000/svg}"
MONDAY = date(2026, 6, 1)


def weeks_of(*booked: float) -> list[WeekBar]:
    """Return weeks of forty working hours."""
    return [WeekBar(MONDAY + timedelta(weeks=n), 40.0, hours) for n, hours in enumerate(booked)]


def drawn(*booked: float, crew: str = "Alder crew") -> ET.Element:
    return ET.fromstring(crew_weeks_svg(name="crew-1", crew=crew, weeks=weeks_of(*booked)))


def heights(svg: ET.Element, fill: str) -> list[float]:
    """Return the heights of the bars of one fill."""
    bars = [bar for bar in svg.iter(f"{SVG}polygon") if bar.get("fill") == fill]
    ys = [[float(y) for y in re.findall(r",(\S+)", bar.get("points", ""))] for bar in bars]
    return [max(bar) - min(bar) for bar in ys]


def luminance(color: str) -> float:
    """Return the relative luminance of a color. Source: WCAG 2.2, relative luminance."""
    channels = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_bars_are_as_tall_as_their_hours():
    svg = drawn(40, 10)

    assert heights(svg, WALL) == pytest.approx([BOTTOM - TOP] * 2)
    assert heights(svg, DIMENSION) == pytest.approx([BOTTOM - TOP, (BOTTOM - TOP) / 4])


def test_a_week_without_a_booking_has_no_booked_bar():
    assert heights(drawn(0), DIMENSION) == []


def test_the_hours_of_each_week_are_told_in_words():
    svg = drawn(40, 10.5)

    (words,) = svg.iter(f"{SVG}desc")
    assert words.text == "week of Jun 1: 40 of 40 h; week of Jun 8: 10.5 of 40 h"


def test_each_month_is_written_once_and_within_the_sheet():
    svg = drawn(*[20.0] * 60)

    months = [text for text in svg.iter(f"{SVG}text") if text.get("text-anchor") == "start"]
    lefts = [float(text.get("x", "")) for text in months]
    assert [text.text for text in months[:3]] == ["Jun", "Jul", "Aug"]
    assert all(b - a > 20 for a, b in pairwise(lefts))
    assert max(lefts) < WIDTH - 20


def test_a_crew_without_weeks_is_drawn_too():
    assert heights(drawn(), WALL) == []


def test_names_are_escaped():
    svg = drawn(1, crew="A <b> & co")

    (title,) = svg.iter(f"{SVG}title")
    assert "A <b> & co" in (title.text or "")


@pytest.mark.parametrize("ground", [WALL, PAPER])
def test_booked_hours_stand_out_from_what_is_around_them(ground: str):
    """Graphics need 3 to 1. Source: WCAG 2.2, success criterion 1.4.11."""
    contrast = (luminance(ground) + 0.05) / (luminance(DIMENSION) + 0.05)

    assert contrast >= 3
