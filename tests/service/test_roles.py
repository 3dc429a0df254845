"""Each cell of the table in docs/roles.md, tried at the door that it speaks of."""

import re
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth.models import Group, Permission
from django.test import Client

from contractor import roles
from tests import factories
from tests.service.test_every_url import is_refused, written

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

PEOPLE = {
    "Office": factories.OfficeFactory,
    "Owner": factories.OwnerFactory,
    "Seller": factories.SellerFactory,
    "Read-only": factories.ReadOnlyFactory,
    "Crew lead": factories.CrewLeadFactory,
}
UUID = "3f0c1d1e-7d0f-4a52-9a44-0d9a3c5a8b11"
# What is asked of the service for each line: with a method where it writes.
ASKED = {
    "read jobs, plans and dates": [
        ("get", "/admin/jobs/job/"),
        ("get", "/admin/jobs/plan/"),
        ("get", "/admin/jobs/job/start-dates/"),
    ],
    "read the board and the look-ahead": [
        ("get", "/admin/board/"),
        ("get", "/admin/desk/look-ahead/"),
    ],
    "read reports, hours and what is learned": [
        ("get", "/admin/jobs/fieldreport/"),
        ("get", "/admin/jobs/fieldreport/ppc/"),
        ("get", "/admin/jobs/laborrate/learning/"),
    ],
    "read the firm's figures on the owner's page": [("get", "/admin/jobs/plan/owner/")],
    "read the API": [("get", "/api/v1/backlog/"), ("get", "/api/v1/jobs/")],
    "ask the API for start dates": [("post", "/api/v1/start-dates/")],
    "read what was written to whom": [("get", "/admin/jobs/notice/")],
    "see what runs and what does not": [("get", "/admin/health/")],
    "try again what was given up": [("post", "/admin/health/again/tasks/")],
    "enter a job that was sold": [("get", "/admin/jobs/job/intake/")],
    "change a job": [("post", "/admin/jobs/job/987654/change/")],
    "plan, move, pin and publish": [
        ("post", "/admin/board/accept/"),
        ("post", "/admin/jobs/phase/987654/pin/"),
        ("post", "/admin/jobs/plan/987654/publish/"),
        ("post", "/admin/desk/draft/987654/publish-part/"),
    ],
    "report work from any crew": [("get", "/admin/jobs/fieldreport/enter/987654/")],
    "record inspections, deliveries and weather": [
        ("post", "/admin/inspections/inspection/desk/record/987654/"),
        ("post", "/admin/jobs/delivery/987654/tell/"),
        ("post", "/admin/inspections/weatherarea/987654/enter-day/"),
    ],
    "change crews, hours and days off": [
        ("get", "/admin/crews/crew/add/"),
        ("get", "/admin/crews/workhours/add/"),
        ("get", "/admin/crews/dayoff/add/"),
    ],
    "make links for phones, calendars and buyers": [
        ("get", "/admin/crews/phone/add/"),
        ("get", "/admin/crews/feedsubscription/add/"),
        ("get", "/admin/jobs/buyerlink/add/"),
    ],
    "make API tokens of one's own": [("get", "/admin/jobs/apitoken/add/")],
    "load files": [("get", "/admin/jobs/checkedfile/import/")],
    "save all rows as files": [("get", "/admin/jobs/checkedfile/export/csv/")],
    "let someone locked out try again": [("get", "/admin/jobs/failedsignin/987654/delete/")],
    "add people": [("get", "/admin/auth/user/add/")],
}
# Told by what a person may do at an address that others of the firm may open too.
BY_OBJECT = {"report work of the crew one leads"}


def cells() -> list[tuple[str, str, bool]]:
    """Return the table of the page: what one may do, the role, and whether it may."""
    text = Path(settings.BASE_DIR / "docs" / "roles.md").read_text()
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in text.splitlines()
        if line.startswith("| ")
    ]
    head, *body = rows
    return [
        (row[0], role, {"yes": True, "no": False}[cell])
        for row in body
        for role, cell in zip(head[1:], row[1:], strict=True)
    ]


CELLS = cells()


def test_each_line_of_the_page_is_tried():
    assert {cell[0] for cell in CELLS} == set(ASKED) | BY_OBJECT
    assert {cell[1] for cell in CELLS} == set(PEOPLE)


@pytest.mark.either_database  # decided by code, of roles that `migrate` writes
@pytest.mark.parametrize(
    ("what", "role", "may"), [cell for cell in CELLS if cell[0] not in BY_OBJECT]
)
def test_a_cell_of_the_page_is_so(what: str, role: str, may: bool):
    client = Client(raise_request_exception=False)
    client.force_login(PEOPLE[role]())

    for method, address in ASKED[what]:
        with written() as tables:
            response = getattr(client, method)(address)
        assert is_refused(response) is not may, f"{address}: {response.status_code}"
        assert tables == [] or may


@pytest.mark.parametrize("role", list(PEOPLE))
def test_reports_of_ones_own_crew(role: str):
    may = {role: may for what, role, may in CELLS if what in BY_OBJECT}[role]
    user: Any = PEOPLE[role]()
    factories.CrewFactory(lead=user)
    client = Client()
    client.force_login(user)

    response = client.post("/api/v1/reports/", {}, content_type="application/json")

    # The office is no crew's lead and reports for all: it comes in by its own line.
    assert (response.status_code == 400) is (may or role == "Office")


def test_the_groups_are_there_after_a_migrate_and_have_no_right_twice():
    assert set(Group.objects.values_list("name", flat=True)) >= set(PEOPLE)


def test_rights_that_someone_gave_by_hand_are_put_right():
    group = Group.objects.get(name=roles.READ_ONLY)
    group.permissions.add(Permission.objects.get(codename="add_job"))

    roles.ensure_groups()

    assert not group.permissions.filter(codename="add_job").exists()


def test_only_those_who_change_things_have_rights_that_change_things():
    for name in (roles.READ_ONLY, roles.CREW_LEAD):
        rights = Group.objects.get(name=name).permissions.values_list("codename", flat=True)
        assert [right for right in rights if not re.match("view_", right)] == []
