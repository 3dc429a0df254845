"""The page of a job's site: shots, what they say, and the office's word."""

import pytest
from django.urls import reverse
from django.utils import timezone

from inspections.models import SiteReadiness, SiteShot
from tests.service.portfolio import make_firm, make_job

pytestmark = pytest.mark.django_db

STEEP = {"FRONT_LEFT": "4.0", "FRONT_RIGHT": "4.5", "BACK_RIGHT": "5.4", "BACK_LEFT": "4.8"}


@pytest.fixture
def job():
    make_firm()
    return make_job(number="26-700")


def address(name: str, job) -> str:
    return reverse(f"admin:inspections_siteshot_{name}", args=[job.pk])


def shots(**changes: str) -> dict[str, str]:
    head = {"taken_on": timezone.localdate().isoformat(), "taken_by": "Lead 1", "kind": "ROD"}
    return {**head, **STEEP, "CENTER": "", **changes}


def test_shots_are_stored_and_told_with_their_numbers(client, office, job):
    client.force_login(office)

    page = client.post(address("of_job", job), shots(), follow=True).content.decode()

    assert SiteShot.objects.count() == 4
    assert (
        "site not ready: the ground falls 17 in from front left; this building takes 12 in" in page
    )
    assert "<svg" in page
    assert "fill" in page
    assert "Check the posts that are ordered" in page
    assert "never in fill" in page


def test_shots_of_the_same_day_are_replaced(client, office, job):
    client.force_login(office)

    for reading in ("5.4", "4.9"):
        client.post(address("of_job", job), shots(BACK_RIGHT=reading))

    assert SiteShot.objects.get(place="BACK_RIGHT").reading_ft == 4.9


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"BACK_LEFT": ""}, "This field is required"),
        ({"BACK_LEFT": "high"}, "Enter a number"),
        ({"BACK_LEFT": "26"}, "reading_ft 26 at back left"),
        ({"taken_on": "2099-01-01"}, "is still to come"),
    ],
)
def test_shots_that_cannot_be_are_refused_and_nothing_is_lost(client, office, job, changes, says):
    client.force_login(office)
    client.post(address("of_job", job), shots())

    page = client.post(address("of_job", job), shots(**{"FRONT_LEFT": "3.9", **changes}))

    assert says in page.content.decode()
    assert 'value="3.9"' in page.content.decode()
    assert SiteShot.objects.get(place="FRONT_LEFT").reading_ft == 4.0


def test_a_release_is_signed_and_can_be_taken_back(client, office, job):
    client.force_login(office)
    client.post(address("of_job", job), shots())

    page = client.post(address("release", job), {"why": "Skirt board takes it up"}, follow=True)
    row = SiteReadiness.objects.get(job=job)

    assert row.released_by == office
    assert "Skirt board takes it up" in page.content.decode()
    client.post(address("hold", job))
    row.refresh_from_db()
    assert row.released_at is None


def test_a_release_without_a_reason_is_refused(client, office, job):
    client.force_login(office)

    page = client.post(address("release", job), {"why": " "}, follow=True)

    assert "Say why" in page.content.decode()
    assert not SiteReadiness.objects.exists()


def test_a_building_gets_its_own_limit(client, office, job):
    client.force_login(office)
    client.post(address("of_job", job), shots())

    page = client.post(address("ready", job), {"most_fall_in": "18"}, follow=True).content.decode()

    assert "the ground falls 17 in from front left; this building takes 18 in" in page
    assert "site not ready" not in page


@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
@pytest.mark.parametrize("name", ["of_job", "ready", "release", "hold"])
def test_only_the_office_changes_a_site(client, request, job, who, name):
    client.force_login(request.getfixturevalue(who))

    answer = client.post(address(name, job), {**shots(), "why": "because", "most_fall_in": "18"})

    assert answer.status_code in (302, 403)
    assert not SiteShot.objects.exists()
    assert not SiteReadiness.objects.exists()


def test_a_job_that_is_not_there_is_not_found(client, office):
    make_firm()
    client.force_login(office)

    assert client.get(reverse("admin:inspections_siteshot_of_job", args=[1])).status_code == 404


def test_the_job_page_links_to_its_site(client, office, job):
    client.force_login(office)

    page = client.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()

    assert address("of_job", job) in page
