"""A new job by the short way in, and a copy of an older one."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from contractor.trade.errors import SpecError
from inspections.models import Permit
from jobs.models import Change, Job, LeanTo, Opening
from jobs.selectors.buildings import SHARED, building_of
from jobs.services.signing import Contract, next_number, sign
from tests.factories import AuthorityFactory, JobFactory
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

INTAKE = reverse("admin:jobs_job_intake")


def described(**changes: str) -> dict[str, str]:
    """Return the fields of the short form as a browser sends them; say only what differs."""
    return {
        "number": "26-077",
        "buyer_name": "Ada Quill",
        "site_address": "12 Fence Row Road",
        "site_town": "Millbrook Corner",
        "contract_value_usd": "61200",
        "authority": str(AuthorityFactory(county="Fennel County").pk),
        "permit_days": "14",
        "drive_minutes": "25",
        "soil": "GOOD",
        "use": "SHOP",
        "width_ft": "40",
        "length_ft": "60",
        "eave_ft": "12",
        "foundation": "PRECAST_PIER",
        "truss_spacing_ft": "8",
        "lining": "NONE",
        "overhead_doors": "2",
        "door_width_ft": "12",
        "door_height_ft": "10",
        "walk_doors": "1",
        **changes,
    }


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    make_firm()
    client.force_login(office)
    return client


def contract(**changes: Any) -> Contract:
    given = {
        "number": "26-077",
        "buyer_name": "Ada Quill",
        "site_address": "12 Fence Row Road",
        "site_town": "Millbrook Corner",
        "site_county": "Harrow County",
        "site_state": "OH",
        "contract_value_usd": Decimal("61200"),
        "authority": AuthorityFactory(),
        "is_exempt": False,
        "permit_days": 14,
        "drive_minutes": 25,
    }
    return Contract(**{**given, **changes})


def test_a_described_building_is_signed_with_doors_permit_and_phases(desk: Client) -> None:
    response = desk.post(INTAKE, {**described(), "sign": ""})

    job = Job.objects.get(number="26-077")
    assert response.url == reverse("admin:jobs_job_change", args=[job.pk])
    assert {(row.kind, row.count) for row in job.openings.all()} == {
        ("OVERHEAD_DOOR", 2),
        ("WALK_DOOR", 1),
    }
    assert job.site_county == "Fennel County"
    assert job.permit.expected_on == timezone.localdate() + timedelta(days=14)
    assert job.phases.filter(code="FRAME", labor_hours__gt=0).exists()
    assert Change.objects.filter(job=job, action="ADDED").exists()


def test_what_options_do_is_shown_before_the_contract_is_written(desk: Client) -> None:
    make_job(number="26-001")
    data = described(number="", buyer_name="", site_address="", contract_value_usd="")

    response = desk.post(INTAKE, {**data, "options": ["POURED_PIERS"], "show": ""})

    page = response.content.decode()
    assert "Poured piers" in page
    assert "four times in five" in page
    assert "hours" in page
    assert Job.objects.count() == 1


def test_what_cannot_be_built_is_told_at_its_field_and_nothing_is_stored(desk: Client) -> None:
    response = desk.post(INTAKE, {**described(width_ft="400"), "sign": ""})

    assert "width_ft" in response.context["form"].errors
    assert not Job.objects.exists()


def test_a_number_that_is_taken_names_the_next_free_one(desk: Client) -> None:
    number = next_number(now=timezone.now())
    JobFactory(number=number)

    response = desk.post(INTAKE, {**described(number=number), "sign": ""})

    (told,) = response.context["form"].errors["number"]
    assert next_number(now=timezone.now()) in told


def test_numbers_go_on_from_the_highest_of_the_year(db: None) -> None:
    assert next_number(now=MONDAY) == "26-001"
    for number in ("26-009", "26-041", "25-300", "26-099-B"):
        JobFactory(number=number)

    assert next_number(now=MONDAY) == "26-042"


def test_a_copy_has_the_whole_building_and_its_own_contract(desk: Client) -> None:
    source = make_job(number="26-001", wainscot_ft=3, pitch_in_12=5, width_ft=36, bay_ft=10)
    Opening.objects.create(job=source, kind="WINDOW", width_ft=4, height_ft=3, count=6)
    LeanTo.objects.create(job=source, width_ft=12, length_ft=40, low_eave_ft=8)
    source = Job.objects.get(pk=source.pk)
    address = reverse("admin:jobs_job_copy", args=[source.pk])

    desk.post(address, {**described(), "sign": ""})

    job = Job.objects.get(number="26-077")
    assert building_of(job) == building_of(source)
    assert {name: getattr(job, name) for name in SHARED} == {
        name: getattr(source, name) for name in SHARED
    }
    assert (job.buyer_name, job.sold_on) == ("Ada Quill", timezone.localdate())
    assert job.promised_on is None


def test_an_exempt_building_gets_no_inspections(db: None) -> None:
    source = make_job(number="26-001")

    job = sign(building=building_of(source), contract=contract(is_exempt=True), now=MONDAY)

    assert Permit.objects.get(job=job).expected_on is None
    assert not job.phases.filter(code__endswith="INSPECTION").exists()


def test_a_permit_in_hand_is_issued_today(db: None) -> None:
    source = make_job(number="26-001")

    job = sign(building=building_of(source), contract=contract(permit_days=0), now=MONDAY)

    assert job.permit.issued_on == MONDAY.date()


def test_a_promise_that_has_passed_is_refused_whole(db: None) -> None:
    source = make_job(number="26-001")
    late = contract(promised_on=MONDAY.date() - timedelta(days=1))

    with pytest.raises(SpecError, match="lies in the past"):
        sign(building=building_of(source), contract=late, now=MONDAY)

    assert Job.objects.count() == 1


@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
def test_only_who_may_add_jobs_signs(client: Client, request: Any, who: str) -> None:
    client.force_login(request.getfixturevalue(who))

    response = client.post(INTAKE, {**described(), "sign": ""})

    assert response.status_code in (302, 403)
    assert not Job.objects.exists()
