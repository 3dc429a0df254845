"""Grade shots of a site: what they say, when they keep the crew away, and who lets it come."""

from datetime import date, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction

from crews.models import Firm
from inspections.models import SiteReadiness, SiteShot
from inspections.selectors import site as sites
from inspections.services.site import ReleaseRefused, release, take_back_release
from jobs.models import Job, Phase
from jobs.selectors.holds import holds
from jobs.services import planning
from tests.factories import OfficeFactory
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

SHOT_ON = date(2026, 5, 27)
FLAT = (5.0, 5.1, 5.2, 5.1)
STEEP = (4.0, 4.5, 5.4, 4.8)
PLACES = ("FRONT_LEFT", "FRONT_RIGHT", "BACK_RIGHT", "BACK_LEFT")


def shoot(job: Job, readings=STEEP, *, on: date = SHOT_ON, kind: str = "ROD") -> None:
    for place, reading in zip(PLACES, readings, strict=True):
        SiteShot.objects.create(
            job=job, place=place, reading_ft=reading, taken_on=on, kind=kind, taken_by="Lead 1"
        )


def planned_start(job: Job) -> date | None:
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    booking = plan.bookings.filter(phase__job=job, phase__code="LAYOUT").first()
    return booking and booking.starts_at.astimezone(ZONE).date()


def why_not(job: Job) -> str:
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return next(row["reason"] for row in plan.unplanned if row["job"] == job.number)


@pytest.fixture
def job():
    make_firm()
    made = make_job()
    cover_digging(made)
    return made


def state(job: Job):
    return sites.site_state(Job.objects.get(pk=job.pk), firm=Firm.objects.get())


def test_a_job_without_shots_is_not_held(job):
    assert state(job) is None
    assert planned_start(job) == MONDAY.date()


def test_a_flat_site_is_ready(job):
    shoot(job, FLAT)

    assert state(job).is_ready
    assert planned_start(job) == MONDAY.date()


def test_more_fall_than_the_building_takes_keeps_the_job_without_dates(job):
    """1.4 ft of fall are 16.8 in; the firm's own limit is 12 (common practice, no source)."""
    shoot(job)

    assert why_not(job) == (
        "site not ready: the ground falls 17 in from front left; this building takes 12 in; "
        "enter when it is to be graded, shoot it again, or release it"
    )


def test_with_an_expected_day_the_crew_comes_the_day_after(job):
    shoot(job)
    SiteReadiness.objects.create(job=job, expected_on=date(2026, 6, 3))

    plan = planning.plan_now(now=MONDAY, budget_seconds=0)

    booking = plan.bookings.get(phase__code="LAYOUT")
    assert booking.starts_at.astimezone(ZONE).date() == date(2026, 6, 4)
    assert booking.because.startswith("Site not ready: the ground falls 17 in")
    assert plan.waits.get(kind="SITE_NOT_READY").before_code == "LAYOUT"


def test_an_expected_day_that_has_passed_is_today(job):
    shoot(job)
    SiteReadiness.objects.create(job=job, expected_on=date(2026, 5, 28))

    assert planned_start(job) == MONDAY.date() + timedelta(days=1)


def test_a_building_may_take_more_fall_than_the_firm_usually_does(job):
    shoot(job)
    SiteReadiness.objects.create(job=job, most_fall_in=18)

    assert planned_start(job) == MONDAY.date()


def test_new_shots_clear_it(job):
    shoot(job)
    shoot(job, FLAT, on=date(2026, 5, 30))

    assert state(job).is_ready
    assert planned_start(job) == MONDAY.date()


def test_the_office_releases_it_with_its_name_and_reason(job):
    shoot(job)
    office = OfficeFactory()

    row = release(job=job, by=office, why=" Skirt board takes it up ", now=MONDAY)

    assert (row.released_by, row.released_at) == (office, MONDAY)
    assert state(job).release_why == "Skirt board takes it up"
    assert planned_start(job) == MONDAY.date()


def test_a_release_needs_a_reason(job):
    with pytest.raises(ReleaseRefused, match="Say why"):
        release(job=job, by=OfficeFactory(), why="  ", now=MONDAY)

    assert not SiteReadiness.objects.exists()


def test_the_database_keeps_no_release_without_a_reason(job):
    with pytest.raises(IntegrityError), transaction.atomic():
        SiteReadiness.objects.create(job=job, released_at=MONDAY)


def test_a_release_says_nothing_of_shots_that_come_later(job):
    shoot(job)
    release(job=job, by=OfficeFactory(), why="Good enough", now=MONDAY)
    shoot(job, STEEP, on=MONDAY.date() + timedelta(days=1))

    assert not state(job).is_ready


def test_a_release_can_be_taken_back(job):
    shoot(job)
    release(job=job, by=OfficeFactory(), why="Good enough", now=MONDAY)

    assert take_back_release(job=job)
    assert not take_back_release(job=job)
    assert not state(job).is_ready


def test_ground_that_a_crew_has_begun_on_holds_nothing(job):
    shoot(job)
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status="DONE", done_at=MONDAY - timedelta(days=1)
    )

    assert planning.plan_now(now=MONDAY, budget_seconds=0).unplanned == []
    assert not [row for row in holds(now=MONDAY) if row.fact.kind == "SITE_NOT_READY"]


@pytest.mark.parametrize(
    ("kinds", "readings", "says"),
    [
        (("ROD", "ROD", "ROD", "HEIGHT"), STEEP, "mixed"),
        (("ROD",) * 3, STEEP[:3], "back left not shot yet"),
        (("ROD",) * 4, (4.0, 4.5, 5.4, 40.0), "reading_ft 40 at back left"),
    ],
)
def test_shots_that_cannot_be_read_say_so_and_hold_nothing(job, kinds, readings, says):
    for place, kind, reading in zip(PLACES, kinds, readings, strict=False):
        SiteShot.objects.create(
            job=job, place=place, reading_ft=reading, taken_on=SHOT_ON, kind=kind
        )

    assert says in state(job).text
    assert state(job).is_ready


def test_it_is_a_hold_like_all_others(job):
    shoot(job)

    found = [row for row in holds(now=MONDAY) if row.fact.kind == "SITE_NOT_READY"]

    assert len(found) == 1
    fact = found[0].fact
    assert (fact.phase_code, fact.since, fact.who) == ("LAYOUT", SHOT_ON, job.buyer_name)
    assert fact.what.startswith("the ground falls 17 in from front left")


def test_a_release_is_remembered_as_cleared(job):
    shoot(job)
    release(job=job, by=OfficeFactory(), why="Good enough", now=MONDAY)

    shown = [row for row in holds(now=MONDAY, cleared=True) if row.fact.kind == "SITE_NOT_READY"]

    assert [row.fact.cleared_on for row in shown] == [MONDAY.date()]


def test_the_holds_of_sites_take_three_queries(job, django_assert_num_queries):
    jobs = list(Job.objects.prefetch_related("phases", "openings", "lean_tos"))
    shoot(job)
    for n in range(3):
        shoot(make_job(number=f"27-{n:03d}"))
    jobs = list(Job.objects.prefetch_related("phases", "openings", "lean_tos"))

    with django_assert_num_queries(3):
        assert len(sites.open_holds(jobs, datetime.now(tz=ZONE))) == 4
