import math

import pytest

from contractor.trade.building import Foundation, Insulation, LeanTo, Lining, OpeningKind
from contractor.trade.takeoff import take_off
from tests.unit.trade.buildings import door, shop


def test_the_arithmetic_of_posts_is_shown():
    line = take_off(shop()).line("posts")

    assert line.arithmetic == "2 × (5 + 1) + 2 × (⌈30/10⌉ − 1) = 16"


def test_what_a_building_has_none_of_counts_zero():
    counted = take_off(shop())

    assert counted["overhead_doors"] == 0.0
    assert "overhead_doors" not in counted
    with pytest.raises(KeyError):
        counted.line("overhead_doors")


def test_every_line_shows_arithmetic_that_ends_in_its_quantity():
    building = shop(
        openings=(door(OpeningKind.SLIDING_DOOR, 12, 9), door(OpeningKind.WINDOW, 3, 3, 2)),
        lean_tos=(LeanTo(width_ft=12, length_ft=40, low_eave_ft=7, enclosed=True),),
        slab_in=4,
        wainscot_ft=3,
        wall_lining=Lining.STEEL,
        insulation=Insulation.BATTS,
    )

    for line in take_off(building).lines:
        shown = float(line.arithmetic.rsplit("= ", 1)[1].replace(",", ""))
        assert shown == pytest.approx(line.quantity, abs=0.0051), line.code


def test_wide_doors_stand_on_jamb_posts_of_their_own():
    openings = (
        door(OpeningKind.OVERHEAD_DOOR, 10, 8, 2),
        door(OpeningKind.SLIDING_DOOR, 10, 8),
        door(OpeningKind.WALK_DOOR, 3, 7),
    )

    counted = take_off(shop(openings=openings))

    assert (counted["posts"], counted["jamb_posts"], counted["holes"]) == (16, 6, 22)


def test_only_openings_over_20_square_feet_are_deducted_from_steel():
    openings = (door(OpeningKind.WALK_DOOR, 3, 7), door(OpeningKind.WINDOW, 4, 5))

    assert take_off(shop(openings=openings))["wall_sf"] == 1550 - 21


def test_trim_goes_round_openings_and_base_trim_stops_at_doors():
    openings = (door(OpeningKind.WALK_DOOR, 3, 7, 2), door(OpeningKind.WINDOW, 3, 4))

    counted = take_off(shop(openings=openings))

    assert counted["opening_trim_lf"] == 2 * (2 * 7 + 3) + (2 * 4 + 3)
    assert counted["base_trim_lf"] == 140 - 6


def test_precast_piers_take_no_concrete():
    counted = take_off(shop(foundation=Foundation.PRECAST_PIER))

    assert counted["precast_piers"] == counted["holes"] == 16
    assert counted["collar_concrete_cy"] == counted["pad_concrete_cy"] == 0


def test_a_bracketed_slab_takes_brackets_instead_of_holes():
    counted = take_off(shop(foundation=Foundation.SLAB_BRACKET, slab_in=5))

    assert (counted["brackets"], counted["holes"], counted["pad_concrete_cy"]) == (16, 0, 0)
    assert counted["slab_concrete_cy"] == pytest.approx(18.5, abs=0.05)


def test_an_addition_leaves_out_the_end_that_stands():
    """Our own arithmetic: 2 × 5 side posts, 2 end posts, one gable, one overhang."""
    counted = take_off(shop(extends_existing=True))

    assert counted["posts"] == 12
    assert counted["trusses"] == 5
    assert counted["girt_lf"] == 5 * 110
    assert counted["gable_girt_lf"] == pytest.approx(24)
    assert counted["wall_sf"] == 110 * 10 + 75
    assert counted["wall_sheets"] == 28 + 10
    assert counted["corner_lf"] == 20
    assert counted["roof_sf"] == pytest.approx(2 * 16.8655 * 41, abs=0.1)


def test_an_open_lean_to_takes_posts_rafters_and_a_roof():
    """Our own arithmetic: 40 ft in 8 ft bays, 12 ft wide, 3 ft of fall."""
    lean_to = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7)

    counted = take_off(shop(lean_tos=(lean_to,)))

    assert counted["lean_to_posts"] == counted["lean_to_rafters"] == 6
    assert counted["holes"] == 22
    assert counted["lean_to_roof_sf"] == pytest.approx(13 * math.hypot(12, 3) / 12 * 40)
    assert counted["lean_to_purlin_lf"] == 8 * 40
    assert counted["lean_to_wall_sf"] == counted["lean_to_girt_lf"] == 0


def test_an_enclosed_lean_to_takes_walls_too():
    lean_to = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7, enclosed=True)

    counted = take_off(shop(lean_tos=(lean_to,)))

    assert counted["lean_to_wall_sf"] == 40 * 7 + 2 * 12 * 8.5
    assert counted["lean_to_girt_lf"] == 5 * 64


def test_lean_tos_add_screws():
    lean_to = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7)

    extra = take_off(shop(lean_tos=(lean_to,)))["screws"] - take_off(shop())["screws"]

    assert extra == pytest.approx(0.85 * 13 * math.hypot(12, 3) / 12 * 40, abs=1)


@pytest.mark.parametrize(
    ("insulation", "ceiling", "codes"),
    [
        (Insulation.NONE, Lining.NONE, set()),
        (Insulation.CONDENSATION_BLANKET, Lining.NONE, {"condensation_blanket_sf"}),
        (Insulation.BATTS, Lining.NONE, {"wall_batts_sf"}),
        (Insulation.BATTS, Lining.STEEL, {"wall_batts_sf", "ceiling_batts_sf"}),
        (Insulation.BLOWN_AND_BATTS, Lining.STEEL, {"wall_batts_sf", "blown_sf"}),
    ],
)
def test_each_kind_of_insulation_has_its_own_lines(insulation, ceiling, codes):
    counted = take_off(shop(insulation=insulation, ceiling_lining=ceiling, liner_gauge=26))

    found = {
        line.code
        for line in counted.lines
        if "batts" in line.code or "blown" in line.code or "blanket" in line.code
    }
    assert found == codes


def test_openings_are_deducted_from_liner_and_wall_insulation():
    openings = (door(OpeningKind.OVERHEAD_DOOR, 10, 8),)
    building = shop(wall_lining=Lining.STEEL, insulation=Insulation.BATTS, openings=openings)

    counted = take_off(building)

    assert counted["wall_liner_sf"] == counted["wall_batts_sf"] == 1400 - 80


def test_lined_walls_take_girts_inside():
    assert take_off(shop(wall_lining=Lining.STEEL))["inside_girt_lf"] == 700
    assert take_off(shop())["inside_girt_lf"] == 0


def test_a_wainscot_takes_its_own_trim():
    counted = take_off(shop(wainscot_ft=3))

    assert (counted["wainscot_sf"], counted["wainscot_trim_lf"]) == (420, 140)


def test_closer_girts_and_purlins_take_more_lumber():
    closer = take_off(shop(girt_spacing_ft=1, purlin_spacing_ft=1))

    assert closer["girt_lf"] == 1400
    assert closer["purlin_lf"] == 2 * 18 * 42
