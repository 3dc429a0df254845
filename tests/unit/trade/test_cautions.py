import pytest

from contractor.trade.building import Foundation, Insulation, LeanTo, OpeningKind, PostKind
from tests.unit.trade.buildings import door, shop


def cautioned(**changes: object) -> set[str]:
    return {caution.field for caution in shop(**changes).cautions()}


def test_any_dig_warns_of_buried_lines():
    for foundation in Foundation:
        texts = " ".join(str(c) for c in shop(foundation=foundation, slab_in=5).cautions())
        assert "buried lines" in texts


def test_an_ordinary_shop_has_no_other_caution():
    assert cautioned() == {"foundation"}


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("hole_depth_in", {"hole_depth_in": 42}),
        ("eave_ft", {"eave_ft": 16}),
        ("pitch_in_12", {"pitch_in_12": 2}),
        ("pitch_in_12", {"pitch_in_12": 8}),
        ("truss_spacing_ft", {"truss_spacing_ft": 10}),
        ("post_kind", {"post_kind": PostKind.SOLID, "eave_ft": 15}),
        ("bay_ft", {"bay_ft": 12}),
        ("purlin_spacing_ft", {"purlin_spacing_ft": 3}),
        ("insulation", {"insulation": Insulation.BLOWN_AND_BATTS}),
    ],
)
def test_the_unusual_is_cautioned_by_field(field, changes):
    assert field in cautioned(**changes)


def test_a_bracketed_slab_has_no_holes_to_be_shallow():
    assert "hole_depth_in" not in cautioned(
        foundation=Foundation.SLAB_BRACKET, slab_in=5, hole_depth_in=24
    )


@pytest.mark.parametrize(("height_ft", "expected"), [(8.5, False), (8.75, True)])
def test_low_headroom_over_an_overhead_door_is_cautioned(height_ft, expected):
    openings = (door(OpeningKind.OVERHEAD_DOOR, 8, height_ft),)

    assert ("openings[0].height_ft" in cautioned(openings=openings)) is expected


def test_an_opening_wider_than_a_bay_asks_for_an_engineered_header():
    assert "openings[0].width_ft" in cautioned(openings=(door(OpeningKind.SLIDING_DOOR, 12, 9),))


def test_a_nearly_flat_lean_to_roof_is_cautioned():
    flat = LeanTo(width_ft=12, length_ft=40, low_eave_ft=8)
    steep = LeanTo(width_ft=12, length_ft=40, low_eave_ft=7)

    assert "lean_tos[0].low_eave_ft" in cautioned(lean_tos=(flat,))
    assert "lean_tos[0].low_eave_ft" not in cautioned(lean_tos=(steep,))


@pytest.mark.parametrize(
    ("foundation", "words"),
    [
        (
            Foundation.PRECAST_PIER,
            "A precast pad waits for no cure, but under 6 in thick it is not",
        ),
        (Foundation.POURED_PIER, "A pad under 6 in thick is not a code footing"),
    ],
)
def test_a_pad_thinner_than_a_code_footing_is_cautioned(foundation, words):
    """Source: IRC R403.1.1, footings at least 6 in thick (from memory)."""
    thin = [c.message for c in shop(foundation=foundation, pad_in=5.9).cautions()]
    enough = [c.field for c in shop(foundation=foundation, pad_in=6).cautions()]

    assert any(message.startswith(words) for message in thin)
    assert "pad_in" not in enough
