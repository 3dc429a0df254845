"""The drawings show the numbers that were entered, to scale, and say what they assume."""

import re
import xml.etree.ElementTree as ET
from itertools import pairwise
from math import isclose

import pytest

from contractor.trade.building import (
    Building,
    Foundation,
    LeanTo,
    Opening,
    OpeningKind,
    Use,
)
from contractor.trade.takeoff import take_off
from jobs.drawing import elevation_svg, placement, plan_svg
from jobs.drawing.placement import Wall
from jobs.drawing.sheet import DIMENSION, INK, PAPER, TIMBER, WALL, feet

SVG = "{http://www.w3.org/2000/svg}"


def shop(**changes: object) -> Building:
    numbers = {
        "use": Use.SHOP,
        "width_ft": 30,
        "length_ft": 40,
        "eave_ft": 10,
        "foundation": Foundation.PRECAST_PIER,
    }
    return Building(**{**numbers, **changes})  # type: ignore[arg-type]


def texts(svg: str) -> list[str]:
    return [element.text or "" for element in ET.fromstring(svg).iter(f"{SVG}text")]


def points(element: ET.Element) -> list[tuple[float, float]]:
    return [
        (float(x), float(y))
        for x, y in (pair.split(",") for pair in element.attrib["points"].split())
    ]


def post_middles(svg: str) -> list[tuple[float, float]]:
    shapes = [s for s in ET.fromstring(svg).iter(f"{SVG}polygon") if s.attrib["fill"] == TIMBER]
    return [(sum(x for x, _ in points(s)) / 4, sum(y for _, y in points(s)) / 4) for s in shapes]


def floor(svg: str) -> list[tuple[float, float]]:
    shapes = ET.fromstring(svg).iter(f"{SVG}polygon")
    return points(next(s for s in shapes if s.attrib["fill"] == WALL))


def test_plan_keeps_the_proportion_of_width_to_length() -> None:
    corners = floor(plan_svg(shop(width_ft=30, length_ft=60)))

    across = max(x for x, _ in corners) - min(x for x, _ in corners)
    down = max(y for _, y in corners) - min(y for _, y in corners)
    assert isclose(across / down, 2, rel_tol=0.01)


def test_plan_shows_the_sixteen_posts_of_a_30_by_40() -> None:
    """12 along the sides and 4 in the ends: worked take-off, our own arithmetic."""
    posts = post_middles(plan_svg(shop()))

    assert len(posts) == len(set(posts)) == 16


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"width_ft": 40, "length_ft": 60},
        {"width_ft": 60, "length_ft": 120, "eave_ft": 16},
        {"truss_spacing_ft": 4},
        {"truss_spacing_ft": 2, "length_ft": 45},
        {"extends_existing": True},
        {"end_spacing_ft": 8, "bay_ft": 9},
    ],
)
def test_plan_shows_as_many_posts_and_trusses_as_the_take_off_counts(
    changes: dict[str, object],
) -> None:
    building = shop(**changes)
    lines = list(ET.fromstring(plan_svg(building)).iter(f"{SVG}line"))

    trusses = [line for line in lines if line.attrib["stroke-width"] == "0.6"]

    counted = take_off(building)
    assert len(post_middles(plan_svg(building))) == counted["posts"]
    assert len(trusses) == counted["trusses"]


def test_plan_of_60_ft_has_eight_bays_not_seven() -> None:
    """60 / 8 is 7.5: eight bays of 7 ft 6 in, never seven over 8 ft; our own arithmetic."""
    svg = plan_svg(shop(width_ft=40, length_ft=60))

    assert "8 bays of 7 ft 6 in, 4 of 10 ft at the ends" in texts(svg)


def test_addition_builds_no_posts_at_the_end_that_stands() -> None:
    posts = post_middles(plan_svg(shop(extends_existing=True)))

    assert len(posts) == 12
    assert "existing building" in texts(plan_svg(shop(extends_existing=True)))


def test_big_door_stands_in_the_middle_of_the_first_gable_end() -> None:
    door = Opening(kind=OpeningKind.OVERHEAD_DOOR, width_ft=10, height_ft=8)

    (placed,) = placement.place(shop(openings=(door,))).openings

    assert (placed.wall, placed.middle_ft) == (Wall.FIRST_GABLE, 15)


def test_doors_that_do_not_fit_the_gable_go_to_the_front_side() -> None:
    doors = Opening(kind=OpeningKind.OVERHEAD_DOOR, width_ft=12, height_ft=8, count=3)

    placed = placement.place(shop(openings=(doors,)))

    assert [len(placed.on(wall)) for wall in (Wall.FIRST_GABLE, Wall.FRONT)] == [2, 1]


def test_openings_on_a_wall_do_not_overlap() -> None:
    windows = Opening(kind=OpeningKind.WINDOW, width_ft=4, height_ft=3, count=5)

    on_wall = placement.place(shop(openings=(windows,))).on(Wall.BACK)

    ends = [(one.middle_ft - 2, one.middle_ft + 2) for one in on_wall]
    assert all(first[1] < second[0] for first, second in pairwise(ends))
    assert ends[0][0] > 0
    assert ends[-1][1] < 40


def test_nothing_is_placed_in_the_end_that_stands_already() -> None:
    doors = Opening(kind=OpeningKind.SLIDING_DOOR, width_ft=14, height_ft=9, count=3)

    placed = placement.place(shop(openings=(doors,), extends_existing=True))

    assert placed.on(Wall.SECOND_GABLE) == ()
    assert len(placed.openings) == 3


def test_lean_to_without_room_is_named_on_the_plan() -> None:
    long_one = LeanTo(width_ft=10, length_ft=26, low_eave_ft=7)

    svg = plan_svg(shop(lean_tos=(long_one, long_one, long_one)))

    assert "No room found for: Lean-to 10×26" in texts(svg)


def test_sheet_says_that_places_are_for_drawing_only() -> None:
    door = Opening(kind=OpeningKind.WALK_DOOR, width_ft=3, height_ft=7)

    for svg in (plan_svg(shop(openings=(door,))), elevation_svg(shop(openings=(door,)))):
        assert "Doors, windows and lean-tos: placed for drawing only." in texts(svg)


def test_elevation_shows_eave_peak_pitch_and_depth() -> None:
    """30 ft wide at 4 in 12 rises 5 ft over the eave: rise = width / 2 × pitch / 12."""
    words = texts(elevation_svg(shop(eave_ft=12, hole_depth_in=54)))

    assert {"eave 12 ft", "peak 17 ft", "12", "4", "54 in", "width 30 ft"} <= set(words)


@pytest.mark.parametrize(
    ("foundation", "drawn"), [(Foundation.POURED_PIER, True), (Foundation.PRECAST_PIER, False)]
)
def test_a_collar_of_concrete_is_drawn_of_poured_piers_only(
    foundation: Foundation, drawn: bool
) -> None:
    with_collar, without = (
        elevation_svg(shop(foundation=foundation, collar_in=collar_in)) for collar_in in (18, 0)
    )

    assert (with_collar != without) is drawn


def test_slab_on_brackets_has_no_holes_below_grade() -> None:
    svg = elevation_svg(shop(foundation=Foundation.SLAB_BRACKET, slab_in=5))

    assert "48 in" not in texts(svg)
    assert "on brackets on a 5 in slab" in svg


def test_drawings_stay_on_their_sheet_for_the_extremes() -> None:
    for width_ft, length_ft, pitch in ((10, 400, 1), (100, 10, 12), (100, 400, 4), (10, 10, 12)):
        building = shop(width_ft=width_ft, length_ft=length_ft, pitch_in_12=pitch)
        for svg in (plan_svg(building), elevation_svg(building)):
            root = ET.fromstring(svg)
            _, _, wide, high = (float(part) for part in root.attrib["viewBox"].split())
            for shape in root.iter(f"{SVG}polygon"):
                for x, y in points(shape):
                    assert -1 <= x <= wide + 1
                    assert -1 <= y <= high + 1


@pytest.mark.parametrize("draw", [plan_svg, elevation_svg])
def test_drawing_has_title_and_description_for_screen_readers(draw: object) -> None:
    root = ET.fromstring(draw(shop()))  # type: ignore[operator]

    labels = root.attrib["aria-labelledby"].split()
    named = {element.attrib.get("id"): element.text for element in root}
    assert root.attrib["role"] == "img"
    assert all(named[label] for label in labels)


def test_drawing_needs_no_style_or_script_of_the_page() -> None:
    assert not re.search(
        r"<style|style=|<script|\son\w+=", plan_svg(shop()) + elevation_svg(shop())
    )


@pytest.mark.parametrize("color", [INK, DIMENSION, TIMBER])
@pytest.mark.parametrize("ground", [PAPER, WALL])
def test_text_colors_have_contrast_of_at_least_4_5(color: str, ground: str) -> None:
    """WCAG 2.2, 1.4.3 and its definition of relative luminance (from memory)."""

    def luminance(code: str) -> float:
        parts = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert (luminance(ground) + 0.05) / (luminance(color) + 0.05) >= 4.5


@pytest.mark.parametrize(
    ("value_ft", "text"),
    [(40, "40 ft"), (7.5, "7 ft 6 in"), (6 + 2 / 3, "6 ft 8 in"), (0.5, "6 in"), (0, "0 ft")],
)
def test_lengths_read_in_feet_and_inches(value_ft: float, text: str) -> None:
    assert feet(value_ft) == text
