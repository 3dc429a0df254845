"""What stays true of any building: more building takes more, bad values are told."""

import math
from dataclasses import fields, replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from contractor.trade.building import Building, Opening, OpeningKind
from contractor.trade.errors import SpecError
from contractor.trade.labor import phase_labor, total_hours
from contractor.trade.takeoff import take_off
from tests.property.trade_strategies import BAD_VALUES, BUILDINGS, building_fields

GOOD = {"use": "SHOP", "width_ft": 30, "length_ft": 40, "eave_ft": 10, "foundation": "PRECAST_PIER"}
FIELDS = [field.name for field in fields(Building)]


def hours_of(building: Building) -> float:
    return total_hours(phase_labor(building=building, take_off=take_off(building)))


@settings(max_examples=150, deadline=None)
@given(BUILDINGS, st.sampled_from(["width_ft", "length_ft", "eave_ft"]), st.floats(0, 20))
def test_a_bigger_building_never_takes_fewer_hours_or_less_material(building, field, more_ft):
    most_ft = {"width_ft": 100, "length_ft": 400, "eave_ft": 24}[field]
    bigger_ft = min(getattr(building, field) + more_ft, most_ft)
    # Lean-tos stay as they are; a higher eave would make their roofs steeper, not the job smaller.
    bigger = replace(building, **{field: bigger_ft})

    small, large = take_off(building), take_off(bigger)

    for line in small.lines:
        assert large[line.code] >= line.quantity - 1e-6, line.code
    assert hours_of(bigger) >= hours_of(building) - 1e-6


@settings(max_examples=100, deadline=None)
@given(BUILDINGS)
def test_every_quantity_and_hour_is_a_finite_positive_number(building):
    counted = take_off(building)

    phases = phase_labor(building=building, take_off=counted)

    assert all(0 < line.quantity < math.inf for line in counted.lines)
    assert len({line.code for line in counted.lines}) == len(counted.lines)
    assert all(0 < phase.hours < math.inf for phase in phases)


@settings(max_examples=100, deadline=None)
@given(BUILDINGS)
def test_posts_are_never_farther_apart_than_asked(building):
    assert building.actual_bay_ft <= building.bay_ft + 1e-6
    assert building.width_ft / building.end_spaces <= building.end_spacing_ft + 1e-6


@settings(max_examples=100, deadline=None)
@given(BUILDINGS)
def test_an_addition_never_takes_more_material_than_standing_alone(building):
    addition = take_off(replace(building, extends_existing=True))
    alone = take_off(replace(building, extends_existing=False))

    assert all(line.quantity <= alone[line.code] + 1e-6 for line in addition.lines)


@settings(max_examples=150, deadline=None)
@given(building_fields(), st.sampled_from(FIELDS), BAD_VALUES)
def test_a_bad_value_is_told_with_field_value_and_remedy_and_nothing_else_is_raised(
    good, field, bad
):
    with pytest.raises(SpecError) as refused:
        Building(**{**good, field: bad})

    told = [fault for fault in refused.value.faults if fault.field == field]
    assert len(told) == 1
    assert told[0].value is bad or told[0].value == bad
    assert told[0].message
    assert told[0].remedy.startswith("Enter ")
    assert field in str(refused.value)


@settings(max_examples=150, deadline=None)
@given(building_fields(), st.sampled_from(["kind", "width_ft", "height_ft", "count"]), BAD_VALUES)
def test_a_bad_opening_is_told_with_its_place(good, field, bad):
    opening = Opening(
        **{"kind": OpeningKind.WALK_DOOR, "width_ft": 3, "height_ft": 7, "count": 1, field: bad}
    )

    with pytest.raises(SpecError) as refused:
        Building(**{**good, "openings": (opening,)})

    assert [fault.field for fault in refused.value.faults] == [f"openings[0].{field}"]


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from(FIELDS), BAD_VALUES, min_size=2), building_fields())
@example(bad={"bay_ft": 1_000_000, "truss_spacing_ft": None}, good=GOOD)
def test_every_bad_value_is_told_at_once(bad, good):
    with pytest.raises(SpecError) as refused:
        Building(**{**good, **bad})

    assert set(bad) <= {fault.field for fault in refused.value.faults}
