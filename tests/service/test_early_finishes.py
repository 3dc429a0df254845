"""A phase done early: what follows it moves forward, outside the freeze and where it can."""

from datetime import date, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth.models import AbstractUser
from django.test import Client
from django.urls import reverse

from crews.models import Crew, Firm
from jobs.models import Booking, Delivery, Job, LentPeople, Phase, Plan
from jobs.selectors.reports import OFFICE
from jobs.services import early_starts, planning, publishing
from jobs.services.reporting import take_reports
from tests.factories import CrewFactory
from tests.service.portfolio import MONDAY, make_firm, make_job
from tests.service.test_reports import a_report

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in."""
    client.force_login(office)
    return client


@pytest.fixture
def crews() -> list[Crew]:
    return list(make_firm(crews=1))


@pytest.fixture
def job(crews: list[Crew]) -> Job:
    return make_job(number="26-001")


def publish(now: datetime = MONDAY) -> Plan:
    plan = planning.plan_now(now=now, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=now).plan


def bookings(plan: Plan | None) -> dict[tuple[str, str], Booking]:
    assert plan is not None
    rows = Booking.objects.filter(plan=plan).select_related("phase__job").order_by("starts_at")
    return {(row.phase.job.number, row.phase.code): row for row in rows}


def report_done_before(job: Job, code: str, done_at: datetime, plan: Plan) -> None:
    """Report all before a phase as done when booked, the one right before it at `done_at`."""
    sequence = job.phases.get(code=code).sequence
    before = list(job.phases.filter(sequence__lt=sequence).order_by("sequence"))
    ends = {row.phase_id: row.ends_at for row in Booking.objects.filter(plan=plan)}
    for row in before:
        moment = done_at if row is before[-1] else min(ends[row.pk], done_at)
        if "INSPECTION" in row.code:
            Phase.objects.filter(pk=row.pk).update(status="DONE", done_at=moment)
        else:
            hours = (moment - MONDAY).total_seconds() / 3600
            take_reports(
                reports=[a_report(job, row.code, "DONE", hours=hours)], who=OFFICE, now=done_at
            )


def repaired(now: datetime) -> Plan | None:
    return planning.repair_now(reason="a test", now=now, budget_seconds=0).base


def working_days_before(moment: datetime, days: int) -> datetime:
    """Return the same time of day so many days of Monday to Friday earlier."""
    while days:
        moment -= timedelta(days=1)
        days -= moment.weekday() < 5
    return moment


def local(moment: datetime) -> datetime:
    return moment.astimezone(MONDAY.tzinfo)


AFTER_FRAMING = ["TRUSSES", "ROOF", "WALLS", "TRIM", "PUNCH"]


@pytest.mark.parametrize("days", [1, 2, 4])
def test_what_follows_is_booked_as_many_days_earlier_and_others_stay(job: Job, days: int) -> None:
    Firm.objects.update(freeze_days=0)
    make_job(number="26-002")
    published = publish()
    told = bookings(published)
    now = working_days_before(local(told["26-001", "FRAME"].ends_at), days)
    report_done_before(job, "TRUSSES", now, published)

    draft = bookings(repaired(now))

    for code in AFTER_FRAMING:
        was, now_is = told["26-001", code], draft["26-001", code]
        assert local(now_is.starts_at) == working_days_before(local(was.starts_at), days)
        assert now_is.crew_id == was.crew_id
    for key, was in told.items():
        if key[0] == "26-002":
            assert draft[key].starts_at == was.starts_at
    assert "as frame walls was done" in draft["26-001", "TRUSSES"].because


def test_what_is_done_as_booked_moves_nothing(job: Job) -> None:
    Firm.objects.update(freeze_days=0)
    make_job(number="26-002")
    published = publish()
    told = bookings(published)
    done_at = told["26-001", "FRAME"].ends_at
    report_done_before(job, "TRUSSES", done_at, published)

    for hours in (0, 4):
        now = done_at + timedelta(hours=hours)
        if hours:
            begun = a_report(job, "TRUSSES", "STARTED", hours=(done_at - MONDAY) / HOUR)
            take_reports(reports=[begun], who=OFFICE, now=now)
        draft = bookings(repaired(now))
        moved = [
            key
            for key, row in draft.items()
            if key[1] != "TRUSSES" and row.starts_at != told[key].starts_at
        ]
        assert moved == []


def test_a_few_hours_are_no_reason_to_move(job: Job) -> None:
    Firm.objects.update(freeze_days=0)
    published = publish()
    told = bookings(published)
    done_at = local(told["26-001", "FRAME"].starts_at) + timedelta(hours=6)
    report_done_before(job, "TRUSSES", done_at, published)

    draft = bookings(repaired(done_at))

    assert draft["26-001", "TRUSSES"].starts_at == told["26-001", "TRUSSES"].starts_at


def test_asking_again_later_gives_the_same(job: Job) -> None:
    Firm.objects.update(freeze_days=0)
    published = publish()
    told = bookings(published)
    done_at = working_days_before(local(told["26-001", "FRAME"].ends_at), 2).replace(hour=15)
    report_done_before(job, "TRUSSES", done_at, published)

    first, later = (bookings(repaired(done_at + timedelta(hours=n))) for n in (1, 9))

    assert first["26-001", "TRUSSES"].starts_at < told["26-001", "TRUSSES"].starts_at
    assert {k: r.starts_at for k, r in first.items()} == {k: r.starts_at for k, r in later.items()}


def test_once_published_it_moves_no_further(job: Job) -> None:
    Firm.objects.update(freeze_days=0)
    published = publish()
    told = bookings(published)
    done_at = working_days_before(local(told["26-001", "FRAME"].ends_at), 2).replace(hour=15)
    report_done_before(job, "TRUSSES", done_at, published)
    draft = repaired(done_at)
    assert draft is not None
    publishing.publish(plan_id=draft.pk, now=done_at)

    again = repaired(done_at + timedelta(hours=1))

    assert {k: r.starts_at for k, r in bookings(again).items()} == {
        k: r.starts_at for k, r in bookings(draft).items()
    }


@pytest.mark.parametrize("is_busy", [True, False])
def test_it_stays_where_its_crew_is_busy_elsewhere(job: Job, is_busy: bool) -> None:
    Firm.objects.update(freeze_days=0)
    trusses = Delivery.objects.filter(job=job, item="TRUSSES")
    trusses.update(arrived_on=None, promised_on=date(2026, 6, 22))
    other = make_job(number="26-002")
    if is_busy:
        thursday = MONDAY.replace(day=18, hour=7, minute=30)
        other.phases.filter(code="PUNCH").update(office_hours=64, pinned_start_at=thursday)
    published = publish()
    told = bookings(published)
    now = working_days_before(local(told["26-001", "FRAME"].ends_at), 2)
    trusses.update(arrived_on=now.date())
    report_done_before(job, "TRUSSES", now, published)

    draft = bookings(repaired(now))

    before = local(told["26-001", "TRUSSES"].starts_at)
    # Two days before the 23rd of June 2026 that are worked: Friday the 19th is a public holiday.
    expected = before if is_busy else MONDAY.replace(day=18, hour=7, minute=30)
    assert local(draft["26-001", "TRUSSES"].starts_at) == expected


def test_work_that_outlasts_lent_people_is_planned_without_them(job: Job) -> None:
    lender, published = CrewFactory(skills=[]), publish()
    told = bookings(published)
    frame, trusses = told["26-001", "FRAME"], told["26-001", "TRUSSES"]
    day = local(trusses.starts_at).date()
    assert local(trusses.ends_at).date() > day
    # Framing now runs into the trusses' time, so that every way to set these is looked at.
    frame.phase.office_hours, frame.phase.status = 400, "UNDER_WAY"
    frame.phase.started_at, frame.phase.crew = frame.starts_at, frame.crew
    job.phases.filter(sequence__lt=frame.phase.sequence).update(
        status="DONE", done_at=frame.starts_at
    )
    frame.phase.save()
    LentPeople.objects.create(
        from_crew=lender, to_crew=trusses.crew, people=1, first_day=day, last_day=day
    )

    draft = repaired(frame.starts_at)

    assert bookings(draft)["26-001", "TRUSSES"].starts_at > trusses.starts_at


def within_the_freeze(job: Job) -> tuple[Plan, datetime]:
    """Return a published plan, and when framing was done two days before it was booked to be."""
    published = publish()
    done_at = working_days_before(local(bookings(published)["26-001", "FRAME"].ends_at), 2)
    report_done_before(job, "TRUSSES", done_at, published)
    return published, done_at


def test_within_the_freeze_it_stays_and_what_could_be_is_told(job: Job) -> None:
    published, now = within_the_freeze(job)
    told = bookings(published)["26-001", "TRUSSES"].starts_at

    draft = repaired(now)

    assert draft is not None
    assert bookings(draft)["26-001", "TRUSSES"].starts_at == told
    (could,) = draft.objective["could_begin"]
    assert (could["job"], could["phase"]) == ("26-001", "TRUSSES")
    assert datetime.fromisoformat(could["could_start_at"]) == working_days_before(local(told), 2)
    assert "frame walls was done" in could["why"]


def test_the_office_pulls_a_job_forward_within_the_freeze(job: Job) -> None:
    make_job(number="26-002")
    published, now = within_the_freeze(job)
    told = bookings(published)

    draft = early_starts.pull_forward(job_id=job.pk, now=now)

    moved = bookings(draft)
    for code in AFTER_FRAMING:
        was = local(told["26-001", code].starts_at)
        assert local(moved["26-001", code].starts_at) == working_days_before(was, 2)
    for key, row in told.items():
        if key[0] == "26-002":
            assert moved[key].starts_at == row.starts_at
    assert not Booking.objects.filter(plan=draft, is_pinned=True).exists()
    assert draft.status == Plan.Status.DRAFT


def test_what_cannot_begin_sooner_is_not_pulled_forward(job: Job) -> None:
    published = publish()

    with pytest.raises(early_starts.NothingEarlier, match="26-001"):
        early_starts.pull_forward(job_id=job.pk, now=MONDAY)

    assert list(Plan.objects.all()) == [published]


def test_the_page_of_a_draft_offers_it_and_one_press_makes_the_draft(
    job: Job, desk: Client
) -> None:
    _, now = within_the_freeze(job)
    draft = repaired(now)
    assert draft is not None

    with time_machine.travel(now, tick=False):
        page = desk.get(reverse("admin:jobs_plan_change", args=[draft.pk])).content.decode()
        answer = desk.post(
            reverse("admin:jobs_plan_pull_forward", args=[draft.pk]), {"job": job.pk}, follow=True
        )

    assert "Could begin sooner" in page

    newest = Plan.objects.get(status=Plan.Status.DRAFT)
    assert newest.pk != draft.pk
    assert "Forward from" in bookings(newest)["26-001", "TRUSSES"].because
    assert "Could begin sooner" not in answer.content.decode()
    assert f"{newest} begins job 26-001 sooner" in answer.content.decode()


@pytest.mark.either_database
@pytest.mark.parametrize("who", ["owner", "stranger"])
def test_only_the_office_pulls_forward(
    client: Client, job: Job, who: str, request: pytest.FixtureRequest
) -> None:
    published, _ = within_the_freeze(job)
    client.force_login(request.getfixturevalue(who))

    client.post(reverse("admin:jobs_plan_pull_forward", args=[published.pk]), {"job": job.pk})

    assert list(Plan.objects.all()) == [published]
