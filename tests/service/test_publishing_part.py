"""Publishing part of a draft: only the chosen jobs move, and only where the rest can stay."""

from datetime import timedelta
from itertools import combinations

import pytest

from crews.models import FeedEvent
from jobs.models import Booking, Job, Notice, Plan
from jobs.selectors import plans
from jobs.services import planning, publishing, publishing_part
from tests.service.portfolio import MONDAY, make_firm, make_job

Dates = dict[str, list[tuple[object, ...]]]


def dates(plan: Plan) -> Dates:
    """Return each job's bookings, by job number."""
    found: Dates = {}
    rows = Booking.objects.filter(plan=plan).order_by("phase__sequence", "id")
    for row in rows.values_list(
        "phase__job__number", "phase__code", "crew", "starts_at", "ends_at"
    ):
        found.setdefault(row[0], []).append(row[1:])
    return found


def publish_two_jobs(*, crews: int = 2) -> tuple[Job, Job, Plan]:
    make_firm(crews=crews)
    first, second = make_job(), make_job()
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    return first, second, plan


def wait_until(job: Job, days: int) -> None:
    Job.objects.filter(pk=job.pk).update(earliest_start_on=(MONDAY + timedelta(days=days)).date())


def redraft() -> Plan:
    base = planning.repair_now(reason="a test", now=MONDAY).base
    assert base is not None
    return base


@pytest.mark.django_db
def test_only_the_chosen_job_moves_and_the_rest_waits_as_a_draft():
    first, second, told = publish_two_jobs()
    wait_until(first, 60)
    wait_until(second, 90)
    before = dates(told)
    draft = redraft()
    # Both must move: the one that is not chosen is refused to stay.
    part = publishing_part.part_of(draft=draft, jobs=[first.pk])
    assert part.needs == {second.pk}
    Job.objects.filter(pk=second.pk).update(earliest_start_on=None)

    done = publishing_part.publish_part(plan_id=draft.pk, jobs=[first.pk], now=MONDAY)

    after = dates(done.plan)
    assert after[second.number] == before[second.number]
    assert after[first.number] == dates(draft)[first.number] != before[first.number]
    rest = plans.latest_draft()
    assert rest is not None
    assert dates(rest) == dates(draft)
    draft.refresh_from_db()
    assert draft.status == Plan.Status.REPLACED


@pytest.mark.django_db
def test_what_is_left_can_be_published_after_it():
    first, second, _ = publish_two_jobs()
    wait_until(first, 60)
    wait_until(second, 90)
    draft = redraft()
    Job.objects.filter(pk=second.pk).update(earliest_start_on=None)
    publishing_part.publish_part(plan_id=draft.pk, jobs=[first.pk], now=MONDAY)
    rest = plans.latest_draft()
    assert rest is not None
    Plan.objects.filter(pk=rest.pk).update(made_at=MONDAY + timedelta(minutes=1))

    publishing.publish(plan_id=rest.pk, now=MONDAY + timedelta(minutes=2))

    assert dates(plans.published_plan() or draft) == dates(draft)


@pytest.mark.django_db
def test_calendars_and_notices_change_for_the_chosen_job_only():
    first, second, _ = publish_two_jobs()
    wait_until(first, 60)
    wait_until(second, 90)
    draft = redraft()
    Job.objects.filter(pk=second.pk).update(earliest_start_on=None)
    before = {event.source: event.sequence for event in FeedEvent.objects.all()}
    Notice.objects.all().delete()

    publishing_part.publish_part(plan_id=draft.pk, jobs=[first.pk], now=MONDAY)

    mine = {f"phase:{pk}" for pk in first.phases.values_list("pk", flat=True)}
    raised = {e.source for e in FeedEvent.objects.all() if e.sequence > before[e.source]}
    assert raised
    assert raised <= mine
    assert all(second.number not in notice.body for notice in Notice.objects.all())


@pytest.mark.django_db
def test_a_job_in_the_way_is_named_and_nothing_changes():
    first, second, told = publish_two_jobs(crews=1)
    # The two jobs change places on the one crew.
    rows = Booking.objects.filter(plan=told)
    early, late = sorted(
        (first, second), key=lambda job: rows.filter(phase__job=job).earliest("starts_at").starts_at
    )
    wait_until(early, 60)
    begins = rows.filter(phase__job=early).earliest("starts_at")
    late.phases.filter(code="LAYOUT").update(
        pinned_start_at=begins.starts_at, pinned_crew=begins.crew
    )
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    assert dates(draft)[late.number] != dates(told)[late.number]
    wait_until(early, -1)

    part = publishing_part.part_of(draft=draft, jobs=[late.pk])

    assert not part.is_ready
    assert part.needs == {early.pk}
    with pytest.raises(publishing_part.PartRefused, match=early.number):
        publishing_part.publish_part(plan_id=draft.pk, jobs=[late.pk], now=MONDAY)
    assert plans.published_plan() == told
    draft.refresh_from_db()
    assert draft.status == Plan.Status.DRAFT


@pytest.mark.django_db
def test_taking_along_what_it_needs_makes_it_ready():
    first, second, told = publish_two_jobs(crews=1)
    rows = Booking.objects.filter(plan=told)
    early, late = sorted(
        (first, second), key=lambda job: rows.filter(phase__job=job).earliest("starts_at").starts_at
    )
    wait_until(early, 60)
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)

    part = publishing_part.part_of(draft=draft, jobs=[late.pk])
    part = publishing_part.part_of(draft=draft, jobs=part.jobs | part.needs)

    assert part.is_ready
    assert part.jobs == {early.pk, late.pk}


@pytest.mark.django_db
def test_a_new_job_is_published_without_another_new_one():
    make_firm()
    old = make_job()
    publishing.publish(plan_id=planning.plan_now(now=MONDAY, budget_seconds=0).pk, now=MONDAY)
    sold, also_sold = make_job(), make_job()
    draft = redraft()

    done = publishing_part.publish_part(plan_id=draft.pk, jobs=[sold.pk], now=MONDAY)

    assert set(dates(done.plan)) == {old.number, sold.number}
    assert also_sold.number in dates(plans.latest_draft() or draft)


@pytest.mark.django_db
def test_every_job_chosen_is_the_draft_itself():
    first, second, _ = publish_two_jobs()
    wait_until(first, 60)
    draft = redraft()

    done = publishing_part.publish_part(plan_id=draft.pk, jobs=[first.pk, second.pk], now=MONDAY)

    assert dates(done.plan) == dates(draft)
    assert plans.latest_draft() is None


@pytest.mark.django_db
def test_the_reasons_of_the_draft_are_kept():
    first, _, _ = publish_two_jobs()
    wait_until(first, 60)
    draft = redraft()

    done = publishing_part.publish_part(plan_id=draft.pk, jobs=[first.pk], now=MONDAY)

    def reasons(plan: Plan) -> list[tuple[object, ...]]:
        rows = Booking.objects.filter(plan=plan, phase__job=first).order_by("phase")
        return list(rows.values_list("phase", "because", "because_kind", "because_phase"))

    assert reasons(done.plan) == reasons(draft)


@pytest.mark.django_db
def test_a_replaced_draft_and_an_empty_choice_are_refused():
    first, _, told = publish_two_jobs()
    wait_until(first, 60)
    old = redraft()
    draft = redraft()

    with pytest.raises(publishing.NotADraft, match="newest draft"):
        publishing_part.publish_part(plan_id=old.pk, jobs=[first.pk], now=MONDAY)
    with pytest.raises(publishing.PublishRefused, match="Choose at least one"):
        publishing_part.publish_part(plan_id=draft.pk, jobs=[], now=MONDAY)
    assert plans.published_plan() == told


def mixture(draft: Plan, told: Plan, chosen: set[int]) -> list[Booking]:
    """Return the chosen jobs' bookings of the draft with all others' of the published plan."""
    rows = Booking.objects.select_related("phase").prefetch_related("equipment")
    mine = rows.filter(plan=draft, phase__job__in=chosen)
    return [*mine, *rows.filter(plan=told).exclude(phase__job__in=chosen)]


def clashes(rows: list[Booking]) -> bool:
    """Return whether a crew or a machine is in two places, pair by pair."""
    return any(
        one.starts_at < other.ends_at
        and other.starts_at < one.ends_at
        and (
            (one.crew_id is not None and one.crew_id == other.crew_id)
            or {m.pk for m in one.equipment.all()} & {m.pk for m in other.equipment.all()}
        )
        for one, other in combinations(rows, 2)
    )


@pytest.mark.django_db
def test_a_part_is_ready_exactly_where_nothing_in_the_mixture_clashes():
    make_firm(crews=1)
    jobs = [make_job() for _ in range(3)]
    told = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=told.pk, now=MONDAY)
    rows = Booking.objects.filter(plan=told)
    early, _, late = sorted(
        jobs, key=lambda job: rows.filter(phase__job=job).earliest("starts_at").starts_at
    )
    begins = rows.filter(phase__job=early).earliest("starts_at")
    late.phases.filter(code="LAYOUT").update(
        pinned_start_at=begins.starts_at, pinned_crew=begins.crew
    )
    wait_until(early, 60)
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    late.phases.update(pinned_start_at=None, pinned_crew=None)
    wait_until(early, -1)

    ready = {}
    for size in range(4):
        for chosen in combinations([job.pk for job in jobs], size):
            part = publishing_part.part_of(draft=draft, jobs=chosen)
            ready[chosen] = part.is_ready
            assert part.is_ready != clashes(mixture(draft, told, set(chosen))), chosen
    assert set(ready.values()) == {True, False}
