"""Whatever JSON is sent as a building, the answer is a building or faults that JSON can carry."""

import dataclasses
import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from contractor.problems import Refused, errors_of
from contractor.trade.building import Building
from jobs.api.take_off import building_from

NAMES = [field.name for field in dataclasses.fields(Building)]
LEAVES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["SHOP", "PRECAST_PIER", "SLAB_BRACKET", "STEEL", "WINDOW", 30, 8, 29])
)
JSON_VALUES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["kind", "width_ft", "height_ft", "length_ft", "low_eave_ft", "x"]),
            inner,
            max_size=4,
        )
    ),
    max_leaves=6,
)
VALID: dict[str, Any] = {
    "use": "SHOP",
    "width_ft": 30,
    "length_ft": 40,
    "eave_ft": 10,
    "foundation": "PRECAST_PIER",
}


def answer(body: object) -> object:
    """Return the building, or its faults after a trip through strict JSON and UTF-8."""
    try:
        return building_from(body)
    except Refused as refused:
        errors = errors_of(refused.faults)
        text = json.dumps(errors, allow_nan=False, ensure_ascii=False)
        assert json.loads(text.encode()) == errors
        return errors


@given(JSON_VALUES)
def test_any_json_is_a_building_or_is_told_what_is_wrong(body: object) -> None:
    assert answer(body)


@given(st.dictionaries(st.sampled_from(NAMES), JSON_VALUES, min_size=1, max_size=4))
def test_any_field_replaced_by_any_json_is_built_or_told(changes: dict[str, Any]) -> None:
    found = answer({**VALID, **changes})

    if isinstance(found, list):
        assert all(error["message"] and error["remedy"] for error in found)


@given(st.text(min_size=1), LEAVES)
def test_any_unknown_name_is_refused(name: str, value: object) -> None:
    if name not in NAMES:
        found = answer({**VALID, name: value})

        assert isinstance(found, list)
        assert [error["message"] for error in found] == ["there is no such field"]
