"""Where a job stands, in the words that every door shows."""

from datetime import date, timedelta

import pytest

from inspections.models import Authority, AuthorityClosure
from jobs.models import Booking, Delivery, Job, Phase
from jobs.selectors import job_progress, plans
from jobs.services import planning, publishing
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db


def shown(job: Job) -> Job:
    planned = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=planned.pk, now=MONDAY)
    return job_progress.with_plan_dates(Job.objects.filter(pk=job.pk), now=MONDAY).get()


def test_a_job_waits_for_what_holds_its_next_phase_and_not_for_what_comes_later():
    make_firm()
    job = make_job()
    cover_digging(job)
    job.permit.issued_on, job.permit.expected_on = None, date(2026, 6, 17)
    job.permit.save()
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 8, 3)
    )

    stage = job_progress.stage_of(shown(job))

    assert stage.startswith("Waits: permit expected Jun 17")


def test_a_job_that_waits_for_nothing_says_what_comes_next():
    make_firm()
    job = make_job()
    cover_digging(job)

    assert job_progress.stage_of(shown(job)) == "Next: Layout"


def test_a_job_under_way_shows_how_far_its_phase_is():
    crew = make_firm()[0]
    job = make_job()
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status=Phase.Status.UNDER_WAY,
        crew=crew,
        started_at=MONDAY - timedelta(days=3),
        share_done=0.4,
    )

    assert job_progress.stage_of(shown(job)) == "Layout 40%"


def test_days_late_count_from_the_promise_to_the_planned_finish():
    make_firm()
    job = make_job(promised_on=date(2026, 6, 8))
    cover_digging(job)

    late = job_progress.days_late(shown(job))

    assert late is not None
    assert late > 0
    assert plans.promises(plans.published_plan())[0].days_late == late  # type: ignore[arg-type]


def test_an_office_closed_for_over_a_year_makes_its_jobs_wait_for_it() -> None:
    make_firm()
    shut = AuthorityClosure.objects.create(
        authority=Authority.objects.create(name="Shut", county="Harrow County", state="OH"),
        first_day=date(2026, 5, 1),
        last_day=date(2027, 8, 31),
        reason="No inspector",
    )
    job = make_job(authority=shut.authority)
    cover_digging(job)

    plan = planning.plan_now(now=MONDAY, budget_seconds=0)

    visit = Booking.objects.filter(plan=plan, phase__code__endswith="INSPECTION").earliest(
        "starts_at"
    )
    assert plan.unplanned == []
    assert visit.starts_at.date() > shut.last_day


def test_a_job_whose_office_never_opens_is_listed_with_the_reason_and_others_are_planned() -> None:
    make_firm()
    never = Authority.objects.create(name="Never", county="Harrow County", state="OH", weekdays="")
    stuck, other = make_job(authority=never), make_job()

    plan = planning.plan_now(now=MONDAY, budget_seconds=0)

    reasons = {row["reason"] for row in plan.unplanned if row["job"] == stuck.number}
    assert any("Never has no working day in the next five years" in text for text in reasons)
    assert Booking.objects.filter(plan=plan, phase__job=other).exists()
    assert all(row["job"] == stuck.number for row in plan.unplanned)


def test_work_of_a_crew_that_has_left_is_listed_and_the_rest_is_planned() -> None:
    gone, _ = make_firm(crews=2)
    begun, other = make_job(), make_job()
    Phase.objects.filter(job=begun, code="LAYOUT").update(
        status=Phase.Status.UNDER_WAY, started_at=MONDAY - timedelta(days=3), crew=gone
    )
    gone.days_off.create(first_day=date(2026, 5, 30), last_day=date(2199, 12, 31), reason="Left")

    plan = planning.plan_now(now=MONDAY, budget_seconds=0)

    reasons = {row["phase"]: row["reason"] for row in plan.unplanned if row["job"] == begun.number}
    assert f"no working day in the next five years: {gone.name}" in reasons["LAYOUT"]
    assert Booking.objects.filter(plan=plan, phase__job=other, phase__code="LAYOUT").exists()
    assert not Booking.objects.filter(plan=plan, crew=gone).exists()


def test_work_under_way_is_not_told_as_a_move():
    make_firm()
    job = make_job()
    cover_digging(job)
    published = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=published.pk, now=MONDAY)
    layout = published.bookings.get(phase__code="LAYOUT")
    Phase.objects.filter(pk=layout.phase_id).update(
        status=Phase.Status.UNDER_WAY, crew=layout.crew, started_at=layout.starts_at
    )

    later = planning.plan_now(now=layout.starts_at + timedelta(hours=1), budget_seconds=0)
    comparison = plans.comparison(later, published)

    assert (comparison.moved, comparison.removed) == ((), ())
    assert len(comparison.same) == published.bookings.count()
