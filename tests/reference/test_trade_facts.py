"""
Facts of the trade that the program must agree with.

Each is common practice, no source, unless a source stands beside it.
"""

from datetime import date

import pytest

from contractor.trade.building import (
    Building,
    Foundation,
    Lining,
    Opening,
    OpeningKind,
    PostKind,
    Use,
)
from contractor.trade.errors import SpecError
from contractor.trade.labor import phase_labor
from contractor.trade.phases import COLLAR_CURE, INSPECTIONS, JobNetwork, job_network
from contractor.trade.site import floor_level_ft
from contractor.trade.takeoff import take_off
from contractor.trade.warranty import workmanship_ends_on
from tests.curing import hours_to_strength
from tests.unit.trade.buildings import shop

PRODUCTIVE_HOURS_PER_DAY = 8.5
CREW_OF_FOUR = 4


def _hours(building: Building) -> dict[str, float]:
    labor = phase_labor(building=building, take_off=take_off(building))
    return {phase.phase: phase.hours for phase in labor}


def _cures(network: JobNetwork) -> set[tuple[str, str]]:
    return {(link.before, link.after) for link in network.follows if link.cure}


def _refused_fields(**changes: object) -> set[str]:
    with pytest.raises(SpecError) as refused:
        shop(**changes)
    return {fault.field for fault in refused.value.faults}


def test_a_crew_of_four_digs_about_two_hours_after_arriving_at_a_30_by_40():
    """common practice, no source"""
    layout_hours = _hours(shop())["LAYOUT"] / CREW_OF_FOUR

    assert layout_hours == pytest.approx(2, abs=0.25)


def test_holes_of_a_30_by_40_are_dug_the_day_the_crew_arrives():
    """common practice, no source: layout and digging leave the day to call the inspection in."""
    hours = _hours(shop())

    assert (hours["LAYOUT"] + hours["DIG"]) / CREW_OF_FOUR < PRODUCTIVE_HOURS_PER_DAY / 2


def test_precast_piers_cause_no_cure_wait():
    """common practice, no source"""
    network = job_network(
        building=shop(foundation=Foundation.PRECAST_PIER), inspections=INSPECTIONS
    )

    assert _cures(network) == set()


def test_poured_piers_wait_for_pads_and_collars():
    """common practice, no source"""
    network = job_network(building=shop(), inspections=INSPECTIONS)

    assert _cures(network) == {("POUR", "POSTS"), ("POSTS", "FRAME"), ("POSTS", "TRUSSES")}


def test_bays_and_trusses_stand_8_ft_apart_as_standard():
    """common practice, no source"""
    building = shop(length_ft=48)

    counted = take_off(building)

    assert (building.actual_bay_ft, counted["bays"], counted["trusses"]) == (8, 6, 7)


def test_trusses_stand_4_ft_apart_on_request():
    """common practice, no source"""
    assert take_off(shop(length_ft=48, truss_spacing_ft=4))["trusses"] == 13


def test_drywall_ceilings_need_trusses_2_ft_apart():
    """common practice, no source"""
    building = shop(ceiling_lining=Lining.DRYWALL_READY, truss_spacing_ft=2)

    assert take_off(building)["trusses"] == 21
    assert _refused_fields(ceiling_lining=Lining.DRYWALL_READY) == {"truss_spacing_ft"}


def test_girts_and_purlins_stand_2_ft_apart_as_standard():
    """common practice, no source"""
    building = shop(eave_ft=12)

    counted = take_off(building)

    assert counted["girt_lf"] == 6 * building.wall_run_ft
    assert counted["purlin_lf"] == 2 * (9 + 1) * 42


def test_four_in_twelve_is_standard_and_three_is_the_low_end_without_a_caution():
    """common practice, no source"""
    assert shop().pitch_in_12 == 4
    for pitch, cautioned in ((4, False), (3, False), (2.5, True)):
        fields = {caution.field for caution in shop(pitch_in_12=pitch).cautions()}
        assert ("pitch_in_12" in fields) is cautioned


def test_a_steel_ceiling_on_a_30_by_40_is_1200_square_feet():
    """common practice, no source"""
    building = shop(ceiling_lining=Lining.STEEL, liner_gauge=26)

    assert take_off(building)["ceiling_liner_sf"] == 1200


def test_26_gauge_ceiling_at_8_ft_saves_about_400_dollars_on_a_30_by_40():
    """common practice, no source: 0.33 dollars a square foot against trusses at 4 ft."""
    building = shop(ceiling_lining=Lining.STEEL, liner_gauge=26)

    saved_usd = 0.33 * take_off(building)["ceiling_liner_sf"]

    assert saved_usd == pytest.approx(400, abs=10)


def test_26_gauge_ceiling_steel_spans_8_ft_and_29_gauge_only_4():
    """common practice, no source"""
    assert shop(ceiling_lining=Lining.STEEL, liner_gauge=26, truss_spacing_ft=8)
    assert shop(ceiling_lining=Lining.STEEL, liner_gauge=29, truss_spacing_ft=4)
    assert _refused_fields(ceiling_lining=Lining.STEEL, liner_gauge=29) == {"liner_gauge"}


def test_steel_liner_in_a_30_by_40_takes_a_crew_of_four_a_couple_of_days():
    """common practice, no source: drywall and paint would take weeks."""
    building = shop(ceiling_lining=Lining.STEEL, wall_lining=Lining.STEEL, liner_gauge=26)

    days = _hours(building)["LINER"] / CREW_OF_FOUR / PRODUCTIVE_HOURS_PER_DAY

    assert 1.5 <= days <= 3


def test_the_floor_stands_an_inch_above_the_highest_ground():
    """common practice, no source"""
    assert floor_level_ft([99.2, 100.0, 99.7, 98.9]) == pytest.approx(100 + 1 / 12)


def test_overhead_doors_are_built_to_24_ft_wide():
    """common practice, no source"""
    widest = Opening(kind=OpeningKind.OVERHEAD_DOOR, width_ft=24, height_ft=8)
    wider = Opening(kind=OpeningKind.OVERHEAD_DOOR, width_ft=25, height_ft=8)

    assert take_off(shop(openings=(widest,)))["overhead_doors"] == 1
    assert _refused_fields(openings=(wider,)) == {"openings[0].width_ft"}


def test_workmanship_is_warranted_five_years_from_completion():
    """common practice, no source"""
    assert workmanship_ends_on(date(2026, 6, 12)) == date(2031, 6, 12)


@pytest.mark.parametrize(
    ("eave_ft", "kind"),
    [(12, PostKind.SOLID), (14, PostKind.SOLID), (16, PostKind.LAMINATED)],
)
def test_posts_are_solid_to_about_18_ft_and_laminated_above(eave_ft, kind):
    """common practice, no source: in a 4 ft hole on a 6 in pad."""
    assert shop(eave_ft=eave_ft).resolved_post_kind is kind


@pytest.mark.parametrize("width_ft", [59, 60])
def test_trusses_of_60_ft_are_braced_as_an_engineer_says(width_ft):
    """Source: IBC 2303.4.1.3 (from memory): clear spans of 60 ft and more."""
    cautioned = {caution.field for caution in shop(width_ft=width_ft).cautions()}

    assert ("width_ft" in cautioned) is (width_ft >= 60)


@pytest.mark.parametrize(
    ("temp_degf", "least_days", "most_days"), [(68, 2, 3), (50, 3, 5), (41, 5, 7)]
)
def test_trusses_go_up_two_or_three_days_after_the_collars_and_later_in_the_cold(
    temp_degf, least_days, most_days
):
    """common practice, no source; the engineer's drawings come first."""
    temps_degc = [(temp_degf - 32) * 5 / 9] * 500

    hours = hours_to_strength(
        share=COLLAR_CURE.strength_share,
        cement=COLLAR_CURE.cement,
        temps_degc_by_hour=temps_degc,
        minimum_hours=COLLAR_CURE.minimum_hours,
    )

    assert least_days <= hours / 24 <= most_days


@pytest.mark.parametrize("pad_in", [4, 6])
def test_a_pad_thinner_than_6_in_is_no_code_footing(pad_in):
    """Source: IRC R403.1.1 (from memory)."""
    building = shop(foundation=Foundation.PRECAST_PIER, pad_in=pad_in)

    assert any(caution.field == "pad_in" for caution in building.cautions()) is (pad_in < 6)


def test_nothing_is_covered_before_its_inspection():
    """Source: IRC R109.1 and R109.4 (from memory): holes before concrete, frame before covering."""
    building = shop(use=Use.HOUSE_SHELL, slab_in=4, insulation="BATTS")

    order = job_network(building=building, inspections=INSPECTIONS).phases

    for inspection, covering in (
        ("HOLE_INSPECTION", "POUR"),
        ("SLAB_INSPECTION", "SLAB"),
        ("FRAME_INSPECTION", "WALLS"),
        ("FRAME_INSPECTION", "INSULATION"),
    ):
        assert order.index(inspection) < order.index(covering)
    assert order[-1] == "FINAL_INSPECTION"
