"""What the job page shows of slips: how much and why, what they move, and who is told of them."""

from __future__ import annotations

from dataclasses import dataclass

from jobs.admin.words import day
from jobs.models import Job, Notice, Slip
from jobs.selectors import plans, slips

MOST_SHOWN = 20


@dataclass(frozen=True, slots=True)
class SlipRow:
    """A slip in words: what it moves on its own job, on which others, and who is told."""

    slip: Slip
    amount: str
    cause: str
    state: str
    moves: list[str]
    passed_on: list[Slip]
    told: list[str]


@dataclass(frozen=True, slots=True)
class StepRow:
    """The end of the job before and after one event, and the working days between."""

    what: str
    before: str
    after: str
    days: float


@dataclass(frozen=True, slots=True)
class SlipsOfJob:
    """A job's slips, newest first, and its steps since the plan in force was published."""

    slips: list[SlipRow]
    steps: list[StepRow]
    total_days: float


def slips_of(job: Job) -> SlipsOfJob:
    """Return a job's slips; the number of queries does not grow with them."""
    rows = list(slips.slips().filter(job=job)[:MOST_SHOWN])
    told = _told(rows)
    passed_on = _passed_on(job, rows)
    steps = _steps(job, rows)
    return SlipsOfJob(
        slips=[
            SlipRow(
                slip=slip,
                amount=slips.amount_words(slip),
                cause=slips.cause_words(slip),
                state=slips.state_words(slip, on=day(slip.ended_at)),
                moves=slips.pushed_words(slip),
                passed_on=[other for other in passed_on if other.plan_id == slip.plan_id],
                told=told.get(slip.pk, []),
            )
            for slip in rows
        ],
        steps=steps,
        total_days=sum(step.days for step in steps),
    )


def _steps(job: Job, rows: list[Slip]) -> list[StepRow]:
    plan = plans.published_plan()
    lasts = next((slip.day_quarters for slip in rows if plan and slip.plan_id == plan.pk), None)
    if plan is None or lasts is None:
        return []
    return [
        StepRow(step.what, day(step.ends_before), day(step.ends_after), step.quarters / lasts)
        for step in slips.steps_of(plan, job)
    ]


def _passed_on(job: Job, rows: list[Slip]) -> list[Slip]:
    """Return the slips of other jobs that go back to this job's lateness."""
    if not rows:
        return []
    return list(slips.slips().filter(cause_job=job).exclude(job=job)[:MOST_SHOWN])


def _told(rows: list[Slip]) -> dict[int, list[str]]:
    """Return who is told of each slip, and whether it is sent, in words."""
    found: dict[int, list[str]] = {}
    events = {f"slip:{slip.pk}": slip.pk for slip in rows}
    for notice in Notice.objects.filter(event__in=events).order_by("name", "pk") if rows else ():
        when = notice.sent_at or notice.next_try_at
        state = notice.get_state_display().lower()
        words = state if notice.state == Notice.State.PARKED else f"{state}, {day(when)}"
        found.setdefault(events[notice.event], []).append(f"{notice.name}: {words}")
    return found
