"""The seller's page of start dates: who may open it, what it says, that it keeps nothing."""

import re
from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from crews.models import Crew
from inspections.models import Authority
from jobs.models import Job, LeadTime
from jobs.services import start_date_runs
from tests.factories import AuthorityFactory
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


@pytest.fixture
def authority(db: None) -> Authority:
    make_firm(crews=2)
    LeadTime.objects.update(days=2)
    office = AuthorityFactory(name="Harrow County Building Office")
    make_job(number="26-001", authority=office, promised_on=date(2026, 6, 19))
    return office


def asked(authority: Authority | None, **changes: Any) -> dict[str, Any]:
    return {
        "use": "SHOP",
        "width_ft": "30",
        "length_ft": "40",
        "eave_ft": "12",
        "foundation": "POURED_PIER",
        "truss_spacing_ft": "8",
        "lining": "NONE",
        "overhead_doors": "1",
        "door_width_ft": "10",
        "door_height_ft": "9",
        "walk_doors": "1",
        "soil": "GOOD",
        "authority": "" if authority is None else str(authority.pk),
        "permit_days": "14",
        "drive_minutes": "30",
        "options": ["PRECAST_PIERS"],
        **changes,
    }


def page(client: Client, params: dict[str, Any]) -> str:
    response = client.get(reverse("admin:jobs_job_start_dates"), params)
    assert response.status_code == 200
    return response.content.decode()


def test_an_empty_page_asks_and_answers_nothing(client: Client, office: Any, authority: Authority):
    client.force_login(office)

    text = page(client, {})

    assert "When could it be done?" in text
    assert 'id="answer"' not in text


def test_each_way_to_build_is_answered_in_words(client: Client, owner: Any, authority: Authority):
    client.force_login(owner)

    text = page(client, asked(authority, wanted_on="2026-12-01"))

    assert text.count("four times in five") == 3  # two ways, and what 80 % means
    assert "Precast piers" in text
    assert "than described" in text or "As soon as described" in text
    assert "100% by Tue Dec 1" in text
    assert "Nothing is booked" in text
    assert "the engineer&#x27;s drawings" in text or "the engineer's drawings" in text
    assert Job.objects.count() == 1


def test_each_way_says_how_often_it_was_drawn(
    client: Client, office: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(start_date_runs, "MOST_DRAWN", 0)
    client.force_login(office)

    text = page(client, asked(authority))

    assert re.findall(r"<dt>Drawn</dt><dd>(\d+) times", text) == ["200", "96"]
    assert "96 to 200 for each" in text


def test_a_promise_in_danger_is_seen_outside_all_folds(
    client: Client, office: Any, authority: Authority
):
    """Put first by a day that it cannot keep, the building takes the sold job's crew."""
    Crew.objects.last().delete()
    Job.objects.update(promised_on=date(2026, 6, 10))
    client.force_login(office)

    text = page(client, asked(authority, wanted_on="2026-06-03", permit_days="0", options=[]))

    outside = re.sub(r"<details>.*?</details>", "", text, flags=re.DOTALL)
    assert re.search(r'class="sign">.*For us: \d promise', outside)
    assert "26-001" not in outside
    assert "Job 26-001, promised for" in text


def test_no_other_buyer_is_named_in_front_of_a_buyer(
    client: Client, office: Any, authority: Authority
):
    client.force_login(office)
    Job.objects.update(buyer_name="Somebody Else")

    assert "Somebody Else" not in page(client, asked(authority, wanted_on="2026-06-03"))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"width_ft": "4000"}, "less than or equal to 100"),
        ({"door_height_ft": "14"}, "overhead door needs at least 12 in of headroom"),
        ({"wanted_on": "2020-01-01"}, "within five years"),
        ({"authority": "99999"}, "Select a valid choice"),
        ({"options": ["GOLD_PIERS"]}, "GOLD_PIERS is not one of the available choices"),
        ({"lining": "DRYWALL_READY"}, "trusses 2 ft apart"),
        ({"walk_doors": "900"}, "less than or equal to 12"),
    ],
)
def test_what_cannot_be_built_is_told_at_its_field(
    client: Client, office: Any, authority: Authority, changes: dict[str, Any], said: str
):
    client.force_login(office)

    text = page(client, {**asked(authority), **changes})

    assert said in text
    assert 'id="answer"' not in text


def test_a_building_without_a_permit_can_be_asked_about(
    client: Client, office: Any, authority: Authority
):
    client.force_login(office)

    assert "four times in five" in page(client, asked(None, options=[]))


def test_strangers_and_crew_leads_are_kept_out(
    client: Client, lead: Any, stranger: Any, authority: Authority
):
    for user in (lead, stranger):
        client.force_login(user)
        assert client.get(reverse("admin:jobs_job_start_dates")).status_code == 302
