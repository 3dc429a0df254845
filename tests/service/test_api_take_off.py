"""The take-off of a described building: what is answered, what is refused, nothing stored."""

import json
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from contractor.throttling import COUNTS
from contractor.trade.building import Building
from contractor.trade.takeoff import take_off
from jobs.models import Job, LaborRate
from tests.service.api import ROOT, faults, reader

# Worked out from the body alone.
pytestmark = [pytest.mark.django_db, pytest.mark.either_database]
ADDRESS = f"{ROOT}take-off/"
BUILDING: dict[str, Any] = {
    "use": "SHOP",
    "width_ft": 40,
    "length_ft": 60,
    "eave_ft": 12,
    "foundation": "POURED_PIER",
    "openings": [
        {"kind": "OVERHEAD_DOOR", "width_ft": 12, "height_ft": 10},
        {"kind": "WINDOW", "width_ft": 3, "height_ft": 3, "count": 4},
    ],
    "lean_tos": [{"width_ft": 12, "length_ft": 60, "low_eave_ft": 8, "enclosed": False}],
}


@pytest.fixture(autouse=True)
def _fresh_cache() -> None:
    COUNTS.clear()


def ask(user: Any, body: object) -> Any:
    return reader(user).post(ADDRESS, body, format="json")


def test_the_answer_has_every_line_of_the_trade_with_its_arithmetic(owner: Any):
    body = ask(owner, {**BUILDING, "openings": [], "lean_tos": []}).json()

    plain = {name: BUILDING[name] for name in BUILDING if name not in ("openings", "lean_tos")}
    expected = [
        (line.code, line.quantity, line.arithmetic) for line in take_off(Building(**plain)).lines
    ]
    assert [
        (row["code"], row["quantity"], row["arithmetic"]) for row in body["take_off"]
    ] == expected


def test_openings_and_lean_tos_are_taken_off(owner: Any):
    body = ask(owner, BUILDING).json()

    codes = {row["code"]: row["quantity"] for row in body["take_off"]}
    assert (codes["windows"], codes["overhead_doors"]) == (4, 1)
    assert codes["lean_to_posts"] > 0


def test_the_answer_has_hours_phases_and_cautions(owner: Any):
    body = ask(owner, BUILDING).json()

    phases = {phase["code"]: phase for phase in body["phases"]}
    assert sum(row["hours"] for row in body["labor"]) == pytest.approx(body["labor_hours"], abs=0.1)
    assert phases["POUR"]["follows"] == ["HOLE_INSPECTION"]
    assert phases["OVERHEAD_DOORS"]["performer"] == "SUB"
    assert "live locate ticket" in phases["DIG"]["caution"]
    assert "buried lines" in body["cautions"][0]["message"]


def test_the_firms_own_rates_count(owner: Any):
    before = ask(owner, BUILDING).json()["labor_hours"]
    LaborRate.objects.create(code="roof_sf", hours_per_unit=1.0)

    assert ask(owner, BUILDING).json()["labor_hours"] > before


def test_nothing_is_stored(owner: Any):
    client = reader(owner)
    client.post(ADDRESS, BUILDING, format="json")

    with CaptureQueriesContext(connection) as captured:
        client.post(ADDRESS, BUILDING, format="json")

    assert all(query["sql"].startswith("SELECT") for query in captured)
    assert not Job.objects.exists()


@pytest.mark.parametrize(
    ("changes", "field", "value", "remedy"),
    [
        ({"width_ft": 4000}, "width_ft", 4000, "Enter 10 to 100, usually 30 to 60."),
        ({"width_ft": "40"}, "width_ft", "40", "Enter 10 to 100, usually 30 to 60."),
        ({"width_ft": True}, "width_ft", True, "Enter 10 to 100, usually 30 to 60."),
        ({"width_ft": None}, "width_ft", None, "Enter 10 to 100, usually 30 to 60."),
        ({"roof_gauge": 30}, "roof_gauge", 30, "Enter one of 24, 26, 28, 29."),
        ({"soil": "SAND"}, "soil", "SAND", "Enter one of GOOD, HARD, ROCK."),
        ({"soil": ["GOOD"]}, "soil", "['GOOD']", "Enter one of GOOD, HARD, ROCK."),
        ({"extends_existing": "no"}, "extends_existing", "no", "Enter True or False."),
        ({"openings": "one"}, "openings", "one", "Enter a list of openings."),
        (
            {"openings": [3]},
            "openings[0]",
            3,
            "Enter an object with kind, width_ft, height_ft, count.",
        ),
        (
            {"openings": [{"kind": "WINDOW", "width_ft": 3, "height_ft": 3, "count": 1.5}]},
            "openings[0].count",
            1.5,
            "Enter a whole number from 1 to 60.",
        ),
        (
            {"lean_tos": [{"width_ft": 12, "length_ft": 60, "low_eave_ft": 99}]},
            "lean_tos[0].low_eave_ft",
            99,
            "Enter 6 to 22, usually 8.",
        ),
        ({"bay_ft": 61}, "bay_ft", 61, "Enter 12 or less, usually 8."),
    ],
)
def test_what_cannot_be_built_is_refused_with_field_value_and_remedy(
    changes: dict[str, Any], field: str, value: object, remedy: str, owner: Any
):
    found = faults(ask(owner, {**BUILDING, **changes}))

    assert list(found) == [field]
    assert (found[field]["value"], found[field]["remedy"]) == (value, remedy)
    assert found[field]["message"]


def test_a_field_that_is_missing_is_told_as_missing(owner: Any):
    found = faults(ask(owner, {"use": "SHOP", "openings": [{"kind": "WINDOW"}]}))

    assert {name: fault["message"] for name, fault in found.items()} == dict.fromkeys(
        [
            "width_ft",
            "length_ft",
            "eave_ft",
            "foundation",
            "openings[0].width_ft",
            "openings[0].height_ft",
        ],
        "this is missing",
    )


def test_unknown_fields_are_refused_at_every_depth(owner: Any):
    window = {"kind": "WINDOW", "width_ft": 3, "height_ft": 3, "color": "red"}

    found = faults(ask(owner, {**BUILDING, "widht_ft": 40, "openings": [window]}))

    assert list(found) == ["widht_ft", "openings[0].color"]
    assert found["openings[0].color"]["remedy"] == (
        "Leave it out; use kind, width_ft, height_ft, count."
    )


def test_a_body_that_is_no_object_is_refused(owner: Any):
    found = faults(ask(owner, [BUILDING]))

    assert found["(body)"]["message"] == "this is not an object"


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"[" * 30_000, 400),
        (b'{"width_ft": NaN}', 400),
        (b'{"width_ft": ' + b"9" * 5000 + b"}", 400),
        (b"\xff\xfe", 400),
        (b'{"use": "' + b"x" * 70_000 + b'"}', 413),
        # More than Django itself reads.
        (b'{"use": "' + b"x" * 3_000_000 + b'"}', 413),
    ],
)
def test_a_body_that_is_no_short_json_is_refused_as_a_problem(body: bytes, status: int, owner: Any):
    response = reader(owner).post(ADDRESS, body, content_type="application/json")

    assert response.status_code == status
    assert response.json()["detail"]


def test_values_that_json_cannot_carry_back_are_shown_in_words(owner: Any):
    text = json.dumps({**BUILDING, "soil": "\ud800", "post_kind": "x" * 500})
    body = text.replace('"width_ft": 40', '"width_ft": 1e400')

    found = faults(reader(owner).post(ADDRESS, body, content_type="application/json"))

    assert found["width_ft"]["value"] == "inf"
    assert found["soil"]["value"] == "'\\ud800'"
    assert len(found["post_kind"]["value"]) == 120


def test_another_media_type_is_refused(owner: Any):
    response = reader(owner).post(ADDRESS, "use=SHOP", content_type="text/plain")

    assert response.status_code == 415
