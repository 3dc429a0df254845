"""Bad input on the job page: the message names field, value and remedy; nothing is stored."""

from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.contrib.admin import ModelAdmin
from django.contrib.auth.models import AbstractUser
from django.db import IntegrityError
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.models import Job
from tests import factories
from tests.service.job_form import ADD, job_data, row_data


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in."""
    factories.FirmFactory()
    client.force_login(office)
    return client


def refused(desk: Client, data: dict[str, str]) -> str:
    """Return the page that came back, having made sure that nothing was stored."""
    before = Job.objects.count()
    response = desk.post(ADD, data)
    assert response.status_code == 200
    assert Job.objects.count() == before
    return unescape(response.content.decode())


@pytest.mark.parametrize(
    ("changes", "field", "value", "remedy"),
    [
        ({"width_ft": "wide"}, "Width (ft)", "wide", "Write digits"),
        ({"width_ft": "nan"}, "Width (ft)", "nan", "Write digits"),
        ({"width_ft": "130"}, "Width (ft)", "130", "Enter 10 to 100"),
        ({"length_ft": "-40"}, "Length (ft)", "-40", "Enter 10 to 400"),
        ({"pitch_in_12": "0"}, "Pitch (in 12)", "0", "Enter 1 to 12"),
        ({"bay_ft": "50"}, "Bay (ft)", "50", "Enter 12 or less"),
        ({"roof_gauge": "22"}, "Roof gauge", "22", "Select a valid choice"),
        ({"wainscot_ft": "8"}, "Wainscot (ft)", "8", "Enter 5 or less"),
        ({"foundation": "SLAB_BRACKET"}, "Slab (in)", "0", "Enter the thickness of the slab"),
        ({"ceiling_lining": "STEEL"}, "Liner gauge", "29", "Enter 26"),
        ({"ceiling_lining": "DRYWALL_READY"}, "Truss spacing (ft)", "8", "Enter 2"),
        ({"drive_minutes": "soon"}, "Drive minutes", "soon", "Write digits"),
        ({"drive_minutes": "500"}, "Drive minutes", "500", "less than or equal to 180"),
        ({"contract_value_usd": "much"}, "Contract value (USD)", "much", "Write digits"),
        ({"sold_on": "2026-13-45"}, "Sold on", "2026-13-45", "Write it like 2026-06-01"),
        ({"number": "a b"}, "Number", "a b", "Use capital letters"),
        ({"site_state": "oh"}, "Site state", "oh", "two capital letters"),
        ({"buyer_email": "nobody"}, "Buyer email", "nobody", "Write name@place.com"),
        ({"preferred_crew": "987"}, "Preferred crew", "987", "Choose one from the list"),
        ({"permit-0-authority": "987"}, "Authority", "987", "Choose one from the list"),
    ],
)
def test_wrong_value_is_told_with_field_value_and_remedy(
    desk: Client, changes: dict[str, str], field: str, value: str, remedy: str
) -> None:
    page = refused(desk, job_data(**changes))

    assert f"{field} {value}: " in page
    assert remedy in page


def test_door_taller_than_the_eave_is_told_at_its_row(desk: Client) -> None:
    doors = [
        {"kind": "WALK_DOOR", "width_ft": "3", "height_ft": "7", "count": "1"},
        {"kind": "OVERHEAD_DOOR", "width_ft": "10", "height_ft": "12", "count": "1"},
    ]

    response = desk.post(ADD, job_data(openings=doors))

    (openings,) = (
        inline.formset
        for inline in response.context["inline_admin_formsets"]
        if inline.formset.prefix == "openings"
    )
    assert openings.errors[0] == {}
    (message,) = openings.errors[1]["height_ft"]
    assert message.startswith("Height (ft) 12: this is taller than the eave (10 ft)")
    assert "Enter 9 or less" in message
    assert not Job.objects.exists()


def test_ticked_row_is_not_checked(desk: Client) -> None:
    door = {
        "kind": "OVERHEAD_DOOR",
        "width_ft": "10",
        "height_ft": "12",
        "count": "1",
        "DELETE": "on",
    }

    response = desk.post(ADD, job_data(openings=[door]))

    assert response.status_code == 302


def test_lean_to_longer_than_the_building_is_told_at_its_row(desk: Client) -> None:
    lean_to = {"width_ft": "10", "length_ft": "60", "low_eave_ft": "7"}

    page = refused(desk, job_data(lean_tos=[lean_to]))

    assert "Length (ft) 60: " in page


def test_more_doors_than_walls_are_told_above_the_form(desk: Client) -> None:
    doors = {"kind": "SLIDING_DOOR", "width_ft": "20", "height_ft": "9", "count": "9"}

    page = refused(desk, job_data(openings=[doors]))

    assert "Doors and windows: 9: these openings need" in page
    assert "Enter fewer or narrower openings." in page


def test_wrong_value_in_a_row_is_told_once(desk: Client) -> None:
    door = {"kind": "WALK_DOOR", "width_ft": "three", "height_ft": "7", "count": "1"}

    page = refused(desk, job_data(openings=[door]))

    assert page.count("Width (ft) three: ") == 1
    assert "Width (ft) None" not in page


@pytest.mark.parametrize(
    ("field", "days", "words"),
    [
        ("sold_on", 1, "the sale lies in the future"),
        ("promised_on", -1, "the promise lies in the past"),
        ("earliest_start_on", -1, "the earliest start lies in the past"),
    ],
)
def test_date_that_makes_no_sense_today_is_refused(
    desk: Client, field: str, days: int, words: str
) -> None:
    day = timezone.localdate() + timedelta(days=days)

    page = refused(desk, job_data(**{field: day.isoformat()}))

    assert f"{day}: {words}" in page


def test_number_of_another_job_is_refused(desk: Client) -> None:
    factories.JobFactory(number="26-041")

    page = refused(desk, job_data(number="26-041"))

    assert "Number 26-041: Another job has this number. Enter the next free one." in page


def test_number_that_someone_else_stores_at_the_same_moment_is_refused_with_nothing_lost(
    desk: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    stock = ModelAdmin.changeform_view
    answers = iter((True, False))

    def beaten_to_it(*arguments: Any, **named: Any) -> Any:
        if next(answers):
            factories.JobFactory(number="26-900", buyer_name="The Other Desk")
            raise IntegrityError("UNIQUE constraint failed: jobs_job.number")
        return stock(*arguments, **named)

    monkeypatch.setattr(ModelAdmin, "changeform_view", beaten_to_it)

    response = desk.post(ADD, job_data(number="26-900"))

    page = unescape(response.content.decode())
    assert "Number 26-900: Another job has this number. Enter the next free one." in page
    assert 'value="Ada Quill"' in page
    assert Job.objects.get(number="26-900").buyer_name == "The Other Desk"


def test_job_without_an_authority_is_refused(desk: Client) -> None:
    page = refused(desk, job_data(authority=""))

    assert "Choose the authority of the job's county" in page


def test_done_job_without_its_day_is_refused(desk: Client) -> None:
    page = refused(desk, job_data(status="DONE"))

    assert "A job that is done needs its completion date." in page


def test_all_faults_are_told_at_once(desk: Client) -> None:
    page = refused(desk, job_data(width_ft="130", bay_ft="50", pitch_in_12="steep"))

    assert all(value in page for value in ("Width (ft) 130", "Bay (ft) 50", "in 12) steep"))


def test_refused_change_leaves_the_stored_job_as_it_was(desk: Client) -> None:
    desk.post(ADD, job_data(number="26-904"))
    job = Job.objects.get(number="26-904")

    response = desk.post(
        reverse("admin:jobs_job_change", args=[job.pk]),
        row_data(job, width_ft="130", buyer_name="Someone Else"),
    )

    stored = Job.objects.get(pk=job.pk)
    assert response.status_code == 200
    assert (stored.width_ft, stored.buyer_name) == (30, "Ada Quill")


def test_missing_form_parts_do_not_crash_the_page(desk: Client) -> None:
    data: dict[str, Any] = job_data()
    del data["openings-TOTAL_FORMS"]

    response = desk.post(ADD, data)

    assert response.status_code == 200
    assert not Job.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize("field", ["width_ft", "wainscot_ft"])
def test_of_a_stored_job_only_the_fold_with_something_wrong_is_open(desk: Client, field: str):
    job = factories.JobFactory()
    address = reverse("admin:jobs_job_change", args=[job.pk])

    page = desk.post(address, job_data(**{field: "-4"}))

    open_ones = [group.name for group in page.context["adminform"] if not group.is_collapsible]
    assert open_ones == [{"width_ft": "Building", "wainscot_ft": "Steel and lining"}[field]]
