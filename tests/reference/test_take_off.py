"""
Three whole buildings counted by hand.

The method is how the trade counts post-frame buildings: common practice, no
source. The quantities were worked out by hand apart from the program: our own
arithmetic. All: 4/12 pitch, bays to 8 ft, end posts to 10 ft, 1 ft overhangs,
purlins and girts at 2 ft, 18 in × 18 in collars on 6 in pads, no openings.
"""

import math

import pytest

from contractor.trade.building import Building, Foundation, Opening, OpeningKind, Use
from contractor.trade.labor import phase_labor, total_hours
from contractor.trade.takeoff import take_off
from contractor.trade.units import slope_factor

SIZES = ((30, 40, 10), (40, 60, 12), (60, 120, 16))

# Code: quantities of the three buildings, and how far the printed figures are rounded.
WORKED = {
    "bays": (5, 8, 15, 0),
    "posts": (16, 24, 42, 0),
    "holes": (16, 24, 42, 0),
    "trusses": (6, 9, 16, 0),
    "purlin_lf": (840, 1612, 4392, 0),
    "girt_lf": (700, 1200, 2880, 0),
    "gable_girt_lf": (48, 96, 240, 1e-9),
    "skirt_lf": (140, 200, 360, 0),
    "base_trim_lf": (140, 200, 360, 0),
    "roof_sf": (1416.7, 2744.9, 7973.2, 0.05),
    "roof_sheets": (28, 42, 82, 0),
    "wall_sf": (1550, 2666.7, 6360, 0.05),
    "wall_sheets": (48, 68, 120, 0),
    "ridge_lf": (42, 62, 122, 0),
    "eave_trim_lf": (84, 124, 244, 0),
    "rake_lf": (67.5, 88.5, 130.7, 0.05),
    "corner_lf": (40, 48, 64, 0),
    "screws": (2522, 4600, 12183, 0),
    "collar_concrete_cy": (1.57, 2.36, 4.12, 0.005),
    "pad_concrete_cy": (0.52, 0.79, 1.37, 0.005),
    "slab_concrete_cy": (14.8, 29.6, 88.9, 0.05),
}


def _example(size: tuple[int, int, int], **changes: object) -> Building:
    width_ft, length_ft, eave_ft = size
    return Building(
        use=Use.SHOP,
        width_ft=width_ft,
        length_ft=length_ft,
        eave_ft=eave_ft,
        foundation=Foundation.POURED_PIER,
        **{"slab_in": 4, **changes},  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("code", WORKED)
@pytest.mark.parametrize("example", range(3), ids=["30x40x10", "40x60x12", "60x120x16"])
def test_a_worked_building_takes_what_was_counted_by_hand(code, example):
    building = _example(SIZES[example])

    quantity = take_off(building)[code]

    assert quantity == pytest.approx(WORKED[code][example], abs=WORKED[code][3], rel=0)


@pytest.mark.parametrize(
    ("size", "bay_ft", "rise_ft", "slope_ft"),
    [
        ((30, 40, 10), 8.00, 5.00, 16.87),
        ((40, 60, 12), 7.50, 6.67, 22.14),
        ((60, 120, 16), 8.00, 10.00, 32.68),
    ],
)
def test_bay_rise_and_slope_of_a_worked_building(size, bay_ft, rise_ft, slope_ft):
    building = _example(size)

    shape = (building.actual_bay_ft, building.rise_ft, building.slope_length_ft)

    assert shape == pytest.approx((bay_ft, rise_ft, slope_ft), abs=0.005)


@pytest.mark.parametrize(
    ("size", "ceiling_sf", "walls_sf", "slab_5_in_cy"),
    [
        ((30, 40, 10), 1200, 1400, 18.5),
        ((40, 60, 12), 2400, 2400, 37.0),
        ((60, 120, 16), 7200, 5760, 111.1),
    ],
)
def test_liner_and_thicker_slab_of_a_worked_building(size, ceiling_sf, walls_sf, slab_5_in_cy):
    building = _example(
        size, slab_in=5, liner_gauge=26, ceiling_lining="STEEL", wall_lining="STEEL"
    )

    counted = take_off(building)

    assert counted["ceiling_liner_sf"] == ceiling_sf
    assert counted["wall_liner_sf"] == walls_sf
    assert counted["slab_concrete_cy"] == pytest.approx(slab_5_in_cy, abs=0.05)


def test_sixty_feet_in_eight_foot_bays_is_eight_bays_not_seven():
    """Rounding 60/8 down would leave bays of 8.57 ft, over the limit. Our own arithmetic."""
    building = _example((40, 60, 12))

    assert building.bays == 8
    assert building.actual_bay_ft == 7.5


@pytest.mark.parametrize(
    ("pitch", "factor"),
    [
        (1, 1.0035),
        (2, 1.0138),
        (3, 1.0308),
        (4, 1.0541),
        (5, 1.0833),
        (6, 1.1180),
        (7, 1.1577),
        (8, 1.2019),
        (9, 1.2500),
        (10, 1.3017),
        (11, 1.3566),
        (12, 1.4142),
    ],
)
def test_slope_factor_agrees_with_the_roof_framing_table(pitch, factor):
    """Source: sqrt(rise² + 12²) / 12 as printed in rafter tables (from memory)."""
    assert slope_factor(pitch) == pytest.approx(factor, abs=5e-5)


DOORS = (
    (
        Opening(kind=OpeningKind.SLIDING_DOOR, width_ft=12, height_ft=9),
        Opening(kind=OpeningKind.WALK_DOOR, width_ft=3, height_ft=7),
    ),
    (
        Opening(kind=OpeningKind.SLIDING_DOOR, width_ft=12, height_ft=10),
        Opening(kind=OpeningKind.OVERHEAD_DOOR, width_ft=10, height_ft=10),
        Opening(kind=OpeningKind.WALK_DOOR, width_ft=3, height_ft=7, count=3),
        Opening(kind=OpeningKind.WINDOW, width_ft=3, height_ft=3, count=3),
    ),
    (
        Opening(kind=OpeningKind.SLIDING_DOOR, width_ft=12, height_ft=14, count=2),
        Opening(kind=OpeningKind.WALK_DOOR, width_ft=3, height_ft=7, count=4),
        Opening(kind=OpeningKind.WINDOW, width_ft=4, height_ft=3, count=7),
    ),
)


@pytest.mark.parametrize(("example", "hours"), [(0, 187), (1, 323), (2, 767)])
def test_labor_hours_of_a_whole_shell_agree_with_practice_within_3_percent(example, hours):
    """
    Hours of three shells without liner, overhead doors by others.

    Source: common practice, no source; summed by hand from rounded rows, hence the 3 %.
    """
    building = _example(SIZES[example], slab_in=0, openings=DOORS[example])

    phases = phase_labor(building=building, take_off=take_off(building))

    assert total_hours(phases) == pytest.approx(hours, rel=0.03)


@pytest.mark.parametrize(
    ("example", "phase", "hours"),
    [
        (0, "LAYOUT", 8),
        (1, "LAYOUT", 10),
        (2, "LAYOUT", 14),
        (0, "ROOF", 31),
        (1, "ROOF", 60),
        (2, "ROOF", 175),
        (0, "DOORS", 15),
        (1, "DOORS", 27),
        (2, "DOORS", 50),
    ],
)
def test_labor_hours_of_single_phases_agree_with_practice(example, phase, hours):
    """Source: common practice, no source; rows rounded to whole hours."""
    building = _example(SIZES[example], slab_in=0, openings=DOORS[example])

    phases = {
        labor.phase: labor for labor in phase_labor(building=building, take_off=take_off(building))
    }

    assert phases[phase].hours == pytest.approx(hours, abs=0.5)


def test_roof_area_is_the_footprint_with_overhangs_times_the_slope_factor():
    """Pythagoras, worked apart from the take-off's own steps."""
    building = _example((40, 60, 12))

    area_sf = take_off(building)["roof_sf"]

    assert area_sf == pytest.approx((40 + 2) * (60 + 2) * math.sqrt(10) / 3)
