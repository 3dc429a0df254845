"""`POST /api/v1/start-dates/`: what is answered, what is refused, who may ask."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import AuthorityFactory
from tests.service.api import ROOT, faults, reader
from tests.service.portfolio import make_firm, make_job

# The form of questions and answers; test_start_dates.py has the answers on both.
pytestmark = [
    pytest.mark.django_db,
    pytest.mark.either_database,
    pytest.mark.usefixtures("on_monday", "firm"),
]
ADDRESS = f"{ROOT}start-dates/"
BUILDING: dict[str, Any] = {
    "use": "SHOP",
    "width_ft": 30,
    "length_ft": 40,
    "eave_ft": 12,
    "foundation": "POURED_PIER",
}


@pytest.fixture
def firm(db: None) -> None:
    make_firm(crews=2)
    make_job(number="26-001", authority=AuthorityFactory(name="Harrow County Building Office"))


def ask(user: Any, **body: Any) -> Any:
    return reader(user).post(ADDRESS, {"building": BUILDING, **body}, format="json")


def test_each_option_has_dates_reasons_and_chances(owner: Any):
    body = ask(owner, options=["PRECAST_PIERS"], wanted_on="2027-01-04").json()

    described, precast = body["options"]
    assert (described["code"], precast["code"]) == ("AS_DESCRIBED", "PRECAST_PIERS")
    assert described["planned_start"] < described["planned_finish"]
    assert set(described["likely_finish"]) == {"p10", "p50", "p80", "p90"}
    assert 0.0 <= described["chance_by_planned"] <= described["chance_by_wanted"] == 1.0
    assert described["more_days"] == 0.0
    assert {"WORK", "PERMIT"} <= {row["kind"] for row in described["reasons"]}
    assert {row["phase"] for row in precast["hours_more"]} >= {"Pour pads"}
    assert any("buried lines" in row["message"] for row in body["cautions"])


def test_without_options_all_that_make_another_building_are_answered(owner: Any):
    codes = [row["code"] for row in ask(owner).json()["options"]]

    assert codes[0] == "AS_DESCRIBED"
    assert {"PRECAST_PIERS", "TRUSSES_4_FT", "DRYWALL_READY", "ONE_DOOR_MORE"} <= set(codes)
    assert "POURED_PIERS" not in codes


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"building": {**BUILDING, "width_ft": 4000}}, "building.width_ft"),
        ({"building": 7}, "building"),
        ({"color": "red"}, "color"),
        ({"options": "PRECAST_PIERS"}, "options"),
        ({"options": ["GOLD_PIERS"]}, "options[0]"),
        ({"options": ["PRECAST_PIERS", "PRECAST_PIERS"]}, "options[1]"),
        ({"wanted_on": "soon"}, "wanted_on"),
        ({"wanted_on": "2020-01-01"}, "wanted_on"),
        ({"wanted_on": 20270104}, "wanted_on"),
        ({"earliest_start_on": "9999-12-31"}, "earliest_start_on"),
        ({"drive_minutes": 181}, "drive_minutes"),
        ({"drive_minutes": True}, "drive_minutes"),
        ({"permit_days": -1}, "permit_days"),
        ({"permit_days": 1.5}, "permit_days"),
        ({"authority": "Nowhere Township"}, "authority"),
        ({"authority": ["x"]}, "authority"),
        ({"county": "Quillen County"}, "authority"),
        ({"county": ""}, "county"),
        ({"state": "ZZ"}, "state"),
        ({"exempt": "yes"}, "exempt"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_field_and_remedy(
    owner: Any, changes: dict[str, Any], field: str
):
    found = faults(ask(owner, **changes))

    assert list(found) == [field]
    assert found[field]["remedy"]


def test_two_authorities_of_a_county_must_be_told_apart(owner: Any):
    AuthorityFactory(name="Harrow Township")

    assert "more than one" in faults(ask(owner))["authority"]["message"]
    assert ask(owner, authority="Harrow Township", options=[]).status_code == 200


def test_a_missing_building_is_told(owner: Any):
    response = reader(owner).post(ADDRESS, {}, format="json")

    assert faults(response)["building"]["message"] == "this is missing"


def test_it_opens_to_owner_and_office_only(owner: Any, office: Any, lead: Any, stranger: Any):
    assert ask(office, options=[]).status_code == 200
    assert ask(lead).status_code == 403
    assert ask(stranger).status_code == 403
    assert reader(owner).get(ADDRESS).status_code == 405


def test_nothing_is_written(owner: Any):
    client = reader(owner)
    body = {"building": BUILDING, "options": []}
    client.post(ADDRESS, body, format="json")

    with CaptureQueriesContext(connection) as captured:
        client.post(ADDRESS, body, format="json")

    assert all(query["sql"].startswith("SELECT") for query in captured)
