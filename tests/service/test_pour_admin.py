"""The office records pours and readings; each that moves a gate makes one draft at once."""

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from pytest_django import DjangoCaptureOnCommitCallbacks

from inspections.models import Pour, PourReading, StrengthNeed
from jobs.models import Job, PlanRequest
from jobs.services import planning
from tests.factories import PourFactory
from tests.service.portfolio import make_firm, make_job

pytestmark = pytest.mark.django_db

LIST = reverse("admin:inspections_pour_changelist")
ADD = reverse("admin:inspections_pour_add")
NEEDS_ADD = reverse("admin:inspections_strengthneed_add")


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in, with a firm."""
    make_firm()
    client.force_login(office)
    return client


def make_poured_job() -> Job:
    """Return a job whose collars were poured yesterday, nothing reported of them yet."""
    job = make_job(foundation="POURED_PIER")
    done_at = timezone.now() - timedelta(hours=20)
    for code in ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS"):
        job.phases.filter(code=code).update(
            status="DONE", share_done=1, started_at=done_at, done_at=done_at
        )
    return job


def make_pour(**columns: Any) -> Pour:
    posts = make_poured_job().phases.get(code="POSTS")
    return PourFactory(phase=posts, poured_at=posts.done_at, **columns)


def page_of(pour: Pour) -> str:
    return reverse("admin:inspections_pour_change", args=[pour.pk])


def reading_of(pour: Pour) -> str:
    return reverse("admin:inspections_pour_reading", args=[pour.pk])


def pour_data(job: Job, **given: str) -> dict[str, str]:
    poured_at = timezone.localtime(timezone.now() - timedelta(hours=20))
    rows = {f"readings-{name}": "0" for name in ("TOTAL_FORMS", "INITIAL_FORMS")}
    return {
        "phase": str(job.phases.get(code="POSTS").pk),
        "poured_at_0": f"{poured_at:%Y-%m-%d}",
        "poured_at_1": f"{poured_at:%H:%M}",
        "mix_psi": "3000",
        "cement": "I",
        "cured": "MOIST",
        **rows,
        **given,
    }


def test_a_recorded_pour_is_a_draft_at_once(
    desk: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    job = make_poured_job()
    planning.plan_now(now=timezone.now(), budget_seconds=0)

    with django_capture_on_commit_callbacks(execute=True):
        desk.post(ADD, pour_data(job))

    (wanted,) = PlanRequest.objects.all()
    assert wanted.reason == f"Set posts of {job.number}: concrete as measured"
    assert wanted.base is not None
    assert wanted.base.waits.filter(basis__contains="of the concrete poured").exists()


def test_a_reading_with_one_number_is_of_now_and_plans_again_once(
    desk: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    pour = make_pour()
    planning.plan_now(now=timezone.now(), budget_seconds=0)

    with django_capture_on_commit_callbacks(execute=True):
        page = desk.post(
            reading_of(pour), {"temp_degf": "95", "of": "CONCRETE"}, follow=True
        ).content.decode()

    reading = pour.readings.get()
    assert timezone.now() - reading.taken_at < timedelta(minutes=2)
    assert "Concrete 95 °F is stored." in page
    assert PlanRequest.objects.count() == 1


def test_a_reading_that_moves_no_gate_asks_for_no_plan(
    desk: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    pour = make_pour()
    planning.plan_now(now=timezone.now(), budget_seconds=0)

    with django_capture_on_commit_callbacks(execute=True):
        desk.post(reading_of(pour), {"temp_degf": "20", "of": "AIR"})

    assert pour.readings.count() == 1
    assert not PlanRequest.objects.exists()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({"temp_degf": "warm", "of": "CONCRETE"}, "This is not a number"),
        ({"temp_degf": "400", "of": "CONCRETE"}, "less than or equal to 200"),
        ({"temp_degf": "40", "of": "CONCRETE", "taken_at": "2020-01-01T07:00"}, "before the pour"),
        ({"temp_degf": "40", "of": "CONCRETE", "taken_at": "2199-01-01T07:00"}, "still to come"),
    ],
)
def test_a_reading_that_cannot_be_is_told_beside_its_field(
    desk: Client, data: dict[str, str], message: str
) -> None:
    pour = make_pour()

    response = desk.post(reading_of(pour), data)

    assert message in response.content.decode()
    assert f'value="{data["temp_degf"]}"' in response.content.decode()
    assert not pour.readings.exists()


def test_the_page_shows_the_curve_with_its_gates_and_the_strength_now(desk: Client) -> None:
    pour = make_pour(mix_psi=4000)

    page = desk.get(page_of(pour)).content.decode()

    assert "Strength of set posts against time" in page
    assert "gate 2, Set trusses and purlins: 40%" in page
    assert "4,000 psi, Type I, ordinary, cured moist" in page
    assert "no readings: by expected temperatures" in page


def test_frozen_ground_is_cautioned(desk: Client) -> None:
    page = desk.get(page_of(make_pour(ground_degf=30))).content.decode()

    assert "Never place concrete on frozen ground" in page


def test_the_add_page_proposes_when_the_phase_was_reported_done(desk: Client) -> None:
    job = make_poured_job()
    posts = job.phases.get(code="POSTS")

    page = desk.get(f"{ADD}?phase={posts.pk}").content.decode()

    assert f'value="{timezone.localtime(posts.done_at):%H:%M:%S}"' in page


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"poured_at_0": "2199-01-01"}, "This is still to come"),
        ({"mix_psi": "30"}, "greater than or equal to 1000"),
        ({"protected_until_0": "2020-01-01", "protected_until_1": "07:00"}, "before the pour"),
    ],
)
def test_a_pour_that_cannot_be_is_refused(
    desk: Client, given: dict[str, str], message: str
) -> None:
    job = make_poured_job()

    page = desk.post(ADD, pour_data(job, **given)).content.decode()

    assert message in page
    assert not Pour.objects.exists()


def test_posts_on_precast_piers_have_no_pour(desk: Client) -> None:
    job = make_job(foundation="PRECAST_PIER")

    page = desk.post(ADD, pour_data(job)).content.decode()

    assert "This building pours no concrete here." in page


def test_the_list_takes_as_many_queries_for_ten_pours_as_for_two(desk: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert desk.get(LIST).status_code == 200
        return len(captured)

    for _ in range(2):
        make_pour()
    queries()
    two = queries()
    for _ in range(8):
        pour = make_pour()
        PourReading.objects.create(pour=pour, taken_at=timezone.now(), temp_degf=50)

    assert queries() == two


def test_the_job_page_shows_its_concrete(desk: Client) -> None:
    pour = make_pour()

    page = desk.get(reverse("admin:jobs_job_change", args=[pour.phase.job_id])).content.decode()

    assert '<h2 id="concrete">Concrete</h2>' in page
    assert page_of(pour) in page
    assert "Pour pads, done" in page
    assert "Record the pour" in page


def test_the_engineers_figure_is_stored_with_who_and_when_and_planned_at_once(
    desk: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    job = make_poured_job()
    planning.plan_now(now=timezone.now(), budget_seconds=0)
    data = {
        "job": str(job.pk),
        "poured_phase": "POSTS",
        "following_phase": "TRUSSES",
        "strength_percent": "65",
        "stated_by": "Sheet S-2, note 4",
    }

    with django_capture_on_commit_callbacks(execute=True):
        desk.post(NEEDS_ADD, data)

    need = StrengthNeed.objects.get()
    assert need.entered_by is not None
    assert need.entered_by.username == "office"
    assert timezone.now() - need.entered_at < timedelta(minutes=1)
    (wanted,) = PlanRequest.objects.all()
    assert wanted.base is not None
    basis = wanted.base.waits.get(kind="CURE", before_code="TRUSSES").basis
    assert "65% of 28-day strength (by Sheet S-2, note 4)" in basis


@pytest.mark.parametrize("who", ["owner", "stranger", "lead"])
def test_only_the_office_records(client: Client, who: str, request: pytest.FixtureRequest) -> None:
    make_firm()
    pour = make_pour()
    client.force_login(request.getfixturevalue(who))

    for address in (ADD, reading_of(pour), NEEDS_ADD):
        response = client.post(address, {"temp_degf": "50", "of": "CONCRETE"})
        assert response.status_code in (302, 403)

    assert not pour.readings.exists()
    assert Pour.objects.count() == 1


def test_the_owner_sees_the_curve_without_a_field_to_fill(
    client: Client, owner: AbstractUser
) -> None:
    make_firm()
    pour = make_pour()
    client.force_login(owner)

    page = client.get(page_of(pour)).content.decode()

    assert "Strength of set posts against time" in page
    assert "Add the reading" not in page


def test_without_a_firm_the_pages_show_no_curve(client: Client, office: AbstractUser) -> None:
    pour = PourFactory()
    client.force_login(office)

    assert client.get(LIST).status_code == 200
    assert "Strength of" not in client.get(page_of(pour)).content.decode()
