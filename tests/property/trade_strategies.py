"""Random buildings for the trade's property tests: most valid, some made bad on purpose."""

from typing import Any

from hypothesis import strategies as st

from contractor.trade.building import (
    Building,
    Foundation,
    Insulation,
    LeanTo,
    Lining,
    Opening,
    OpeningKind,
    Soil,
    Use,
)
from contractor.trade.phases import INSPECTIONS


def _sizes(least: float, most: float) -> st.SearchStrategy[float]:
    return st.integers(int(least * 2), int(most * 2)).map(lambda half: half / 2)


def _openings(
    kinds: list[OpeningKind], widths: tuple[float, float], heights: tuple[float, float]
) -> st.SearchStrategy[Opening]:
    return st.builds(
        Opening,
        kind=st.sampled_from(kinds),
        width_ft=_sizes(*widths),
        height_ft=_sizes(*heights),
    )


OPENINGS = st.lists(
    st.one_of(
        _openings([OpeningKind.WALK_DOOR], (3, 4), (7, 7)),
        _openings([OpeningKind.WINDOW], (2, 4), (2, 4)),
        _openings([OpeningKind.SLIDING_DOOR, OpeningKind.OVERHEAD_DOOR], (8, 9), (6, 7)),
    ),
    max_size=3,
).map(tuple)


@st.composite
def building_fields(draw: st.DrawFn) -> dict[str, Any]:
    """Return the fields of a building that can be built."""
    ceiling = draw(st.sampled_from(Lining))
    foundation = draw(st.sampled_from(Foundation))
    length_ft = draw(_sizes(24, 200))
    eave_ft = draw(_sizes(8, 24))
    lean_to = LeanTo(width_ft=8, length_ft=length_ft / 2, low_eave_ft=min(eave_ft - 1, 22))
    return {
        "use": draw(st.sampled_from(Use)),
        "width_ft": draw(_sizes(24, 100)),
        "length_ft": length_ft,
        "eave_ft": eave_ft,
        "pitch_in_12": draw(_sizes(1, 12)),
        "bay_ft": draw(_sizes(4, 12)),
        "truss_spacing_ft": 2 if ceiling is Lining.DRYWALL_READY else draw(_sizes(2, 8)),
        "end_spacing_ft": draw(_sizes(6, 12)),
        "overhang_ft": draw(_sizes(0, 3)),
        "gable_overhang_ft": draw(_sizes(0, 3)),
        "foundation": foundation,
        "collar_in": draw(st.sampled_from([0, 12, 18])),
        "pad_in": draw(st.sampled_from([0, 4, 6, 8])),
        "slab_in": draw(
            st.sampled_from([4, 5] if foundation is Foundation.SLAB_BRACKET else [0, 4])
        ),
        "wainscot_ft": draw(st.sampled_from([0, 3])),
        "insulation": draw(st.sampled_from(Insulation)),
        "wall_lining": draw(st.sampled_from(Lining)),
        "ceiling_lining": ceiling,
        "liner_gauge": 26,
        "openings": draw(OPENINGS),
        "lean_tos": draw(st.sampled_from([(), (lean_to,), (lean_to, lean_to)])),
        "extends_existing": draw(st.booleans()),
        "soil": draw(st.sampled_from(Soil)),
    }


BUILDINGS = building_fields().map(lambda fields: Building(**fields))
INSPECTION_SETS = st.frozensets(st.sampled_from(sorted(INSPECTIONS)))

# Values no field can mean, or that no practitioner would write.
BAD_VALUES = st.one_of(
    st.none(),
    st.text(max_size=5).map(lambda text: f"?{text}"),
    st.floats(allow_nan=True, allow_infinity=True).filter(lambda x: not 0 <= x <= 500),
    st.integers(min_value=10**6),
    st.integers(max_value=-1),
    st.binary(max_size=3),
    st.dictionaries(st.text(max_size=2), st.integers(), max_size=1),
    st.complex_numbers(),
    st.just(object),
)
