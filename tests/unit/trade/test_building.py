import math

import pytest

from contractor.trade.building import (
    Building,
    Foundation,
    LeanTo,
    Lining,
    Opening,
    OpeningKind,
    PostKind,
    Use,
)
from contractor.trade.errors import Fault, SpecError
from tests.unit.trade.buildings import door, shop

HUGE = pytest.param(10**5000, id="thousands of digits")


def faults_of(**changes: object) -> tuple[Fault, ...]:
    with pytest.raises(SpecError) as refused:
        shop(**changes)
    return refused.value.faults


def only_fault(**changes: object) -> Fault:
    (fault,) = faults_of(**changes)
    return fault


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("width_ft", 9),
        ("width_ft", 101),
        ("length_ft", 401),
        ("eave_ft", 6.9),
        ("eave_ft", 25),
        ("pitch_in_12", 0.5),
        ("pitch_in_12", 13),
        ("bay_ft", 12.5),
        ("bay_ft", 0),
        ("bay_ft", -8),
        ("truss_spacing_ft", 1),
        ("end_spacing_ft", 0),
        ("overhang_ft", -1),
        ("gable_overhang_ft", 5),
        ("pier_diameter_in", 0),
        ("hole_depth_in", 11),
        ("pad_in", -1),
        ("slab_in", -4),
        ("purlin_spacing_ft", 0),
        ("girt_spacing_ft", 5),
        ("wainscot_ft", -1),
    ],
)
def test_a_size_out_of_range_names_field_value_and_remedy(field, value):
    fault = next(fault for fault in faults_of(**{field: value}) if fault.field == field)

    assert fault.value == value
    assert fault.message
    assert fault.remedy.startswith("Enter ")


@pytest.mark.parametrize("value", ["40", None, True, math.nan, math.inf, [40], HUGE, 1j])
@pytest.mark.parametrize("field", ["width_ft", "eave_ft", "bay_ft", "slab_in"])
def test_what_is_not_a_number_is_a_fault(field, value):
    fault = only_fault(**{field: value})

    assert (fault.field, fault.message) == (field, "this is not a number")
    assert str(fault)


@pytest.mark.parametrize(
    "field",
    ["use", "foundation", "post_kind", "insulation", "wall_lining", "ceiling_lining", "soil"],
)
@pytest.mark.parametrize("value", ["YURT", None, 3, []])
def test_an_unknown_choice_is_a_fault_that_lists_the_choices(field, value):
    fault = only_fault(**{field: value})

    assert fault.field == field
    assert fault.remedy.startswith("Enter one of ")


@pytest.mark.parametrize("field", ["roof_gauge", "wall_gauge", "liner_gauge"])
@pytest.mark.parametrize("value", [27, 29.0, "29", True, None])
def test_steel_comes_only_in_gauges_that_are_sold(field, value):
    assert only_fault(**{field: value}).field == field


def test_a_flag_must_be_yes_or_no():
    assert only_fault(extends_existing="yes").field == "extends_existing"


def test_all_faults_are_told_at_once():
    fields = [fault.field for fault in faults_of(width_ft=5, eave_ft="x", use=None)]

    assert fields == ["width_ft", "eave_ft", "use"]


def test_a_bay_longer_than_the_building_says_so_with_the_length():
    fault = only_fault(bay_ft=50)

    assert str(fault) == (
        "bay_ft 50: a bay cannot be longer than the building (40 ft). Enter 12 or less, usually 8."
    )


def test_trusses_cannot_stand_farther_apart_than_the_building_is_long():
    assert only_fault(length_ft=10, truss_spacing_ft=12).field == "truss_spacing_ft"


def test_the_error_text_holds_every_fault():
    with pytest.raises(SpecError, match=r"(?s)width_ft 5:.*eave_ft 40:"):
        shop(width_ft=5, eave_ft=40)


@pytest.mark.parametrize("kind", list(OpeningKind))
def test_an_opening_taller_than_the_eave_is_refused(kind):
    fields = {fault.field for fault in faults_of(eave_ft=7, openings=(door(kind, 6, 7.5),))}

    assert fields == {"openings[0].height_ft"}


def test_an_overhead_door_needs_a_foot_of_headroom():
    fits = door(OpeningKind.OVERHEAD_DOOR, 10, 9)
    too_tall = door(OpeningKind.OVERHEAD_DOOR, 10, 9.25)

    assert shop(openings=(fits,))
    assert only_fault(openings=(fits, too_tall)).field == "openings[1].height_ft"


def test_a_slider_needs_clear_wall_to_slide_over():
    slider = door(OpeningKind.SLIDING_DOOR, 20, 9)

    fault = only_fault(openings=(slider,))

    assert fault.field == "openings[0].width_ft"
    assert "41 ft of wall" in fault.message


def test_openings_that_do_not_fit_the_walls_together_are_refused():
    assert only_fault(openings=(door(OpeningKind.WALK_DOOR, 3, 7, 36),)).field == "openings"


def test_an_addition_has_less_wall_for_openings():
    openings = (door(OpeningKind.WALK_DOOR, 3, 7, 30),)

    assert shop(openings=openings)
    assert only_fault(openings=openings, extends_existing=True).field == "openings"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"width_ft": math.nan}, "openings[0].width_ft"),
        ({"height_ft": "7"}, "openings[0].height_ft"),
        ({"count": 0}, "openings[0].count"),
        ({"count": 1.5}, "openings[0].count"),
        ({"count": True}, "openings[0].count"),
        ({"kind": "GATE"}, "openings[0].kind"),
    ],
)
def test_a_bad_opening_is_a_fault_with_its_place_in_the_list(changes, field):
    fields = {"kind": OpeningKind.WALK_DOOR, "width_ft": 3, "height_ft": 7, **changes}

    assert only_fault(openings=(Opening(**fields),)).field == field


@pytest.mark.parametrize("field", ["openings", "lean_tos"])
def test_openings_and_lean_tos_come_in_a_list_of_their_kind(field):
    assert only_fault(**{field: "none"}).field == field
    assert only_fault(**{field: (3,)}).field == f"{field}[0]"


@pytest.mark.parametrize(
    ("lean_to", "field"),
    [
        (LeanTo(width_ft=12, length_ft=41, low_eave_ft=7), "lean_tos[0].length_ft"),
        (LeanTo(width_ft=12, length_ft=40, low_eave_ft=9.5), "lean_tos[0].low_eave_ft"),
        (LeanTo(width_ft=0, length_ft=40, low_eave_ft=7), "lean_tos[0].width_ft"),
        (LeanTo(width_ft=12, length_ft=40, low_eave_ft=None), "lean_tos[0].low_eave_ft"),
        (LeanTo(width_ft=12, length_ft=40, low_eave_ft=7, enclosed=1), "lean_tos[0].enclosed"),
    ],
)
def test_a_lean_to_that_does_not_fit_is_refused(lean_to, field):
    assert only_fault(lean_tos=(lean_to,)).field == field


def test_lean_tos_fit_along_two_sides_at_most():
    lean_to = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7)

    assert shop(lean_tos=(lean_to, lean_to))
    assert only_fault(lean_tos=(lean_to,) * 3).field == "lean_tos"


def test_brackets_need_a_slab():
    assert only_fault(foundation=Foundation.SLAB_BRACKET).field == "slab_in"
    assert shop(foundation=Foundation.SLAB_BRACKET, slab_in=5)


def test_pad_and_collar_fit_in_the_hole():
    fault = only_fault(hole_depth_in=24, collar_in=20)

    assert fault.field == "collar_in"
    assert "Enter 18 or less" in fault.remedy


def test_a_wainscot_stays_below_half_the_wall():
    assert only_fault(wainscot_ft=5.5).field == "wainscot_ft"
    assert shop(wainscot_ft=3)


def test_ceiling_steel_never_spans_more_than_8_ft():
    fault = only_fault(ceiling_lining=Lining.STEEL, liner_gauge=24, truss_spacing_ft=10, bay_ft=10)

    assert fault.field == "truss_spacing_ft"


def test_stored_names_are_taken_for_choices_and_lists_for_tuples():
    building = Building(
        use="GARAGE",
        width_ft=24,
        length_ft=24,
        eave_ft=9,
        foundation="PRECAST_PIER",
        openings=[Opening(kind="WALK_DOOR", width_ft=3, height_ft=7)],
    )

    assert building.use is Use.GARAGE
    assert building.foundation is Foundation.PRECAST_PIER
    assert building.openings[0].kind is OpeningKind.WALK_DOOR
    assert isinstance(hash(building), int)


def test_every_choice_has_a_readable_label():
    assert Use.HAY_BARN.label == "Hay barn"
    assert Foundation.SLAB_BRACKET.label == "Slab with brackets"
    assert Lining.DRYWALL_READY.label == "Ready for drywall"


def test_post_length_reaches_from_the_pad_to_the_eave():
    assert shop().post_length_ft == 13.5
    assert shop(foundation=Foundation.SLAB_BRACKET, slab_in=5).post_length_ft == 10


def test_post_kind_that_the_buyer_chose_stays():
    assert shop(post_kind=PostKind.LAMINATED).resolved_post_kind is PostKind.LAMINATED


def test_an_addition_builds_one_gable_end():
    addition = shop(extends_existing=True)

    assert addition.wall_run_ft == 110
    assert addition.roof_run_ft == 41
