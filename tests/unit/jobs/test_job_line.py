"""The job in time: every shape where its dates are, and words for who cannot see it."""

import re
from datetime import date, datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree as Tree
from zoneinfo import ZoneInfo

import pytest

from jobs.drawing.job_line import LEFT, RIGHT, ExtraRow, LineRow, Mark, job_line_svg
from jobs.drawing.sheet import SMALL_TEXT_SIZE, text_width

ZONE = ZoneInfo("America/New_York")
NOW = datetime(2026, 6, 10, 9, tzinfo=ZONE)
SVG = "{http://www.w3.org/2000/svg}"


def at(day: int, hour: int = 0) -> datetime:
    return datetime(2026, 6, 1, hour, tzinfo=ZONE) + timedelta(days=day)


def drawn(*rows: LineRow, extras: tuple[ExtraRow, ...] = (), promised_on: date | None = None):
    text = job_line_svg(
        name="line",
        of="26-001",
        rows=rows,
        extras=extras,
        now=NOW,
        promised_on=promised_on,
        zone=ZONE,
    )
    return text, Tree.fromstring(text) if text else None


def boxes(root: Tree.Element, fill: str) -> list[tuple[float, float]]:
    """Return left and right of the boxes of a fill on the axis, legend left out."""
    found = []
    for shape in root.iter(f"{SVG}polygon"):
        points = [tuple(map(float, p.split(","))) for p in shape.get("points", "").split()]
        if shape.get("fill") == fill and min(y for _, y in points) > 60:
            found.append((min(x for x, _ in points), max(x for x, _ in points)))
    return found


def test_a_bar_lies_where_its_days_are() -> None:
    # The axis runs from three days before the first day to three after the last: May 29, June 14,
    # sixteen days; now is June 10.
    _, root = drawn(LineRow("Frame", "…", published=(at(0), at(8)), actual=(at(0), at(10))))

    ((left, right),) = boxes(root, "#c3cfd6")
    day = (RIGHT - LEFT) / 16
    assert left == pytest.approx(LEFT + 3 * day, abs=0.1)
    assert right == pytest.approx(LEFT + 11 * day, abs=0.1)


def test_each_shape_is_told_in_words_and_legend() -> None:
    text, root = drawn(LineRow("Frame <&", "published Jun 1 – Jun 9", published=(at(0), at(8))))

    assert root.get("role") == "img"
    described = root.find(f"{SVG}desc").text
    assert described == "Frame <&: published Jun 1 – Jun 9; no promise"
    for label in ("first published", "as it was", "forecast P10–P50–P90", "wait"):
        assert label in text
    assert not re.search(r'style=|onclick|href="http', text)


def test_nothing_is_drawn_of_a_job_without_dates() -> None:
    text, _ = drawn(LineRow("Frame", "no dates"), promised_on=date(2026, 7, 1))

    assert text == ""


def test_what_lies_far_outside_the_work_does_not_squeeze_it() -> None:
    row = LineRow("Frame", "…", published=(at(0), at(8)))
    far = ExtraRow("Deliveries", [Mark(at(-200), "posts", True)])
    near = ExtraRow("Deliveries", [Mark(at(1), "trusses", False)])

    alone, _ = drawn(row)
    assert drawn(row, extras=(far,))[0] == alone
    text, _ = drawn(row, extras=(near,))
    assert "trusses" in text


def test_work_under_way_ends_in_an_arrow_and_done_work_does_not() -> None:
    going = LineRow("Frame", "…", actual=(at(0), NOW))
    done = LineRow("Frame", "…", actual=(at(0), NOW), is_done=True)

    assert drawn(going)[0].count("<polyline") == 1
    assert drawn(done)[0].count("<polyline") == 0


@pytest.mark.parametrize("days", [5, 60, 200, 700])
def test_the_axis_has_room_for_its_words(days: int) -> None:
    _, root = drawn(LineRow("Frame", "…", published=(at(0), at(days))))

    months = re.compile(r"[A-Z][a-z]{2} \d+( ’\d\d)?$")
    ticks = [t for t in root.iter(f"{SVG}text") if months.match(t.text or "")]
    places = sorted(float(tick.get("x", 0)) for tick in ticks)
    assert places
    gaps = [b - a for a, b in pairwise(places)]
    assert min(gaps, default=99) > 50


def test_every_mark_has_its_words_and_none_lies_over_another() -> None:
    """Found by looking: of deliveries a day apart one had no words, one lay over another's."""
    items = ("posts", "treated lumber", "steel and trim", "trusses", "overhead doors")
    marks = [Mark(at(day // 2), item, is_over=False) for day, item in enumerate(items)]

    _, root = drawn(
        LineRow("Frame", "…", published=(at(0), at(20))), extras=(ExtraRow("Deliveries", marks),)
    )

    texts = list(root.iter(f"{SVG}text"))
    spots = [(t.text, float(t.get("x")), float(t.get("y"))) for t in texts if t.text in items]
    assert sorted(text for text, _, _ in spots) == sorted(items)
    diamonds = [
        [tuple(map(float, p.split(","))) for p in shape.get("points", "").split()]
        for shape in root.iter(f"{SVG}polygon")
    ]
    edges = [min(points) for points in diamonds if len({x for x, _ in points}) == 3]
    for text, x, y in spots:
        ends = x + text_width(text, SMALL_TEXT_SIZE)
        assert not [e for e, level in edges if x < e < ends and abs(level + 5 - y) < 1], text
    assert [t.text for t in texts].count("Deliveries") == 1
