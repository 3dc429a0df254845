import pytest

from contractor.trade.building import Foundation, LeanTo, Lining, OpeningKind, Soil
from contractor.trade.labor import PhaseLabor, phase_labor, total_hours
from contractor.trade.phases import PHASE_TABLE, Performer, job_network
from contractor.trade.rates import STARTER_RATES, Rate
from contractor.trade.takeoff import take_off
from tests.unit.trade.buildings import door, shop


def labor_of(rates=STARTER_RATES, **changes: object) -> dict[str, PhaseLabor]:
    building = shop(**changes)
    phases = phase_labor(building=building, take_off=take_off(building), rates=rates)
    return {phase.phase: phase for phase in phases}


def test_hours_are_setup_plus_quantities_times_rates():
    layout = labor_of()["LAYOUT"]

    assert layout.hours == pytest.approx(4.2 + 140 * 0.027)
    assert layout.arithmetic == "4.2 + 140 × 0.027 = 8 h"


def test_an_item_shows_its_quantity_rate_and_hours():
    (item,) = labor_of()["DIG"].items

    assert (item.label, item.quantity, item.unit) == ("Holes", 16, "hole")
    assert (item.hours_per_unit, item.hours) == (0.5, 8)


@pytest.mark.parametrize(("soil", "hours"), [(Soil.GOOD, 8), (Soil.HARD, 16), (Soil.ROCK, 24)])
def test_hard_ground_multiplies_the_hours_of_digging(soil, hours):
    dig = labor_of(soil=soil)["DIG"]

    assert dig.hours == hours
    assert (soil.label.lower() in dig.arithmetic) is (soil is not Soil.GOOD)


@pytest.mark.parametrize(("eave_ft", "factor"), [(10, 1), (12, 1.1), (14, 1.25), (16, 1.5)])
def test_tall_posts_take_more_hours(eave_ft, factor):
    posts = labor_of(eave_ft=eave_ft)["POSTS"]

    assert posts.factor == factor
    assert posts.hours == pytest.approx(16 * 0.8 * factor)


def test_a_factor_is_shown_with_its_reason():
    posts = labor_of(eave_ft=16)["POSTS"]

    assert posts.arithmetic == "(16 × 0.8) × 1.5 (eave 16 ft) = 19.2 h"


def test_joining_an_old_building_adds_hours_where_the_two_meet():
    factors = {code: phase.factor for code, phase in labor_of(extends_existing=True).items()}

    assert {code for code, factor in factors.items() if factor == 1.1} == {
        "FRAME",
        "TRUSSES",
        "ROOF",
        "WALLS",
    }


def test_factors_multiply():
    walls = labor_of(extends_existing=True, eave_ft=16)["WALLS"]

    assert walls.factor == pytest.approx(1.1 * 1.1)
    assert " × 1.1 (eave 16 ft) × 1.1 (joins an old building) = " in walls.arithmetic


def test_a_firm_rate_replaces_the_starter_value():
    own = {"auger_hole": Rate("auger_hole", "Auger", "hole", 0.2, 0.25, 0.3)}

    assert labor_of(rates=own)["DIG"].hours == 4
    assert labor_of(rates=own)["LAYOUT"].hours == labor_of()["LAYOUT"].hours


def test_an_unknown_rate_is_refused_by_name():
    own = {"auger": Rate("auger", "Auger", "hole", 0.2, 0.25, 0.3)}

    with pytest.raises(ValueError, match="rates auger: no such rate"):
        labor_of(rates=own)


@pytest.mark.parametrize("hours", [(0.5, 0.2, 0.9), (-0.1, 0.2, 0.3), (0.1, float("nan"), 0.3)])
def test_a_rate_rises_from_low_to_high(hours):
    with pytest.raises(ValueError, match="rate auger"):
        Rate("auger", "Auger", "hole", *hours)


@pytest.mark.parametrize(("width_ft", "hours_each"), [(40, 2.5), (41, 4.0), (60, 4.0), (61, 6.0)])
def test_longer_trusses_take_more_hours_each(width_ft, hours_each):
    items = labor_of(width_ft=width_ft)["TRUSSES"].items

    trusses = next(item for item in items if item.label == "Trusses")
    assert trusses.hours_per_unit == hours_each


def test_overhead_doors_take_no_crew_hours_but_their_jambs_do():
    openings = (door(OpeningKind.OVERHEAD_DOOR, 10, 8),)

    with_door, without = labor_of(openings=openings), labor_of()

    assert "DOORS" not in with_door
    assert with_door["POSTS"].hours == pytest.approx(without["POSTS"].hours + 2 * 0.8)


def test_liner_hours_follow_the_area():
    liner = labor_of(ceiling_lining=Lining.STEEL, liner_gauge=26)["LINER"]

    assert liner.hours == pytest.approx(2 + 1200 * 0.03)


def test_a_lean_to_adds_hours_from_the_holes_to_the_roof():
    lean_to = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7)

    with_it, without = labor_of(lean_tos=(lean_to,)), labor_of()

    for code in ("DIG", "POUR", "POSTS", "FRAME", "TRUSSES", "ROOF", "PUNCH"):
        assert with_it[code].hours > without[code].hours
    assert with_it["WALLS"].hours == without["WALLS"].hours


def test_clean_up_covers_the_floor_of_lean_tos_too():
    lean_to = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7)

    punch = labor_of(lean_tos=(lean_to, lean_to))["PUNCH"]

    assert punch.items[0].quantity == 1200 + 2 * 480


@pytest.mark.parametrize("foundation", list(Foundation))
@pytest.mark.parametrize("lining", list(Lining))
def test_the_phases_with_hours_are_the_crew_phases_of_the_network(foundation, lining):
    building = shop(
        foundation=foundation,
        slab_in=5,
        wall_lining=lining,
        insulation="BATTS" if lining is Lining.STEEL else "NONE",
        openings=(door(OpeningKind.WALK_DOOR, 3, 7),),
    )

    phases = phase_labor(building=building, take_off=take_off(building))

    network = job_network(building=building, inspections=frozenset())
    crew = {code for code in network.phases if PHASE_TABLE[code].performer is Performer.CREW}
    assert {phase.phase for phase in phases} == crew


def test_phases_come_in_build_order():
    codes = list(labor_of(openings=(door(OpeningKind.WALK_DOOR, 3, 7),)))

    assert codes == [
        "LAYOUT",
        "DIG",
        "POUR",
        "POSTS",
        "FRAME",
        "TRUSSES",
        "ROOF",
        "WALLS",
        "TRIM",
        "DOORS",
        "PUNCH",
    ]


def test_total_hours_add_all_phases():
    phases = tuple(labor_of().values())

    assert total_hours(phases) == pytest.approx(sum(phase.hours for phase in phases))
    assert total_hours(()) == 0


def test_starter_rates_are_keyed_by_their_own_code():
    assert all(code == rate.code for code, rate in STARTER_RATES.items())
