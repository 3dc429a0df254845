"""Pin a phase to a crew and a start, where the rules allow it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils import timezone

from contractor.engine.schedule import BrokenPin
from contractor.trade.phases import PHASE_TABLE
from crews.models import Crew
from jobs.models import Job, Phase
from jobs.services import planning
from jobs.services.changes import columns_of, record_change

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User

    from contractor.engine.schedule import Schedule
    from jobs.models import PlanRequest
    from jobs.services.portfolio import Portfolio


@dataclass
class PinRefused(Exception):  # noqa: N818 - an answer with its reason
    """A pin that breaks a rule: which, and the nearest start that works (None: none does)."""

    rule: str
    nearest_start_at: datetime | None

    def __str__(self) -> str:
        if self.nearest_start_at is None:
            return f"This pin cannot be kept: {self.rule}."
        nearest = timezone.localtime(self.nearest_start_at)
        return (
            f"This pin cannot be kept: {self.rule}. "
            f"The nearest start that works is {nearest:%a %b %-d, %Y, %H:%M}."
        )


def pin(
    *,
    phase_id: int,
    crew_id: int | None,
    starts_at: datetime,
    now: datetime,
    by: User | None = None,
) -> PlanRequest:
    """
    Pin a phase to a crew and a start, and return the wish for a plan better than the new draft.

    The draft is made with the pin at once, which also shows whether the pin holds.

    Raises
    ------
    PinRefused
        With the rule and the nearest start that works; nothing is stored then.
    """
    with transaction.atomic():
        one_at_a_time()
        phase = Phase.objects.select_for_update().get(pk=phase_id)
        if phase.status != Phase.Status.OPEN or phase.job.status != Job.Status.SIGNED:
            raise PinRefused("the phase has begun or its job is not open", None)
        if starts_at < now:
            raise PinRefused(
                f"{timezone.localtime(starts_at):%b %-d, %Y, %H:%M} lies in the past", None
            )
        before = columns_of(phase)
        phase.pinned_start_at = starts_at
        phase.pinned_crew = None if crew_id is None else Crew.objects.get(pk=crew_id)
        phase.full_clean()
        phase.save(update_fields=["pinned_start_at", "pinned_crew"])
        record_change(row=phase, before=before, now=now, by=by)
        proposal = planning.repair(now=now)
        portfolio = proposal.portfolio
        schedule = proposal.result.schedule
        broken = broken_pin_of(portfolio, schedule, phase_id) or _pushed_out(
            portfolio, schedule, phase_id
        )
        if broken:
            nearest = broken.nearest_start
            raise PinRefused(
                stopped_by_weather(portfolio, phase, starts_at) or broken.reason,
                None if nearest is None else portfolio.problem.axis.instant(nearest),
            )
        reason = f"{phase.get_code_display()} of {phase.job.number} is pinned"
        return planning.adopt(proposal, reason=reason, now=now, by=by)


@transaction.atomic
def unpin(*, phase_id: int, now: datetime, by: User | None = None) -> None:
    """Let a phase move freely again from the next plan on."""
    phase = Phase.objects.select_for_update(of=("self",)).select_related("job").get(pk=phase_id)
    before = columns_of(phase)
    phase.pinned_start_at = phase.pinned_crew = None
    phase.save(update_fields=["pinned_start_at", "pinned_crew"])
    record_change(row=phase, before=before, now=now, by=by)


def one_at_a_time() -> None:
    """Let nobody else pin or move until the transaction ends: each is tried with all before it."""
    list(Crew.objects.select_for_update().order_by("pk").values_list("pk", flat=True))


def _pushed_out(portfolio: Portfolio, schedule: Schedule, phase_id: int) -> BrokenPin | None:
    """Return a pin of other work that this one takes the place of, told as this one's fault."""
    mine = next(
        (
            placed
            for placed in schedule.placed
            if placed is not None
            and phase_id in {phase.pk for phase in portfolio.stretches[placed.activity].phases}
        ),
        None,
    )
    if mine is None:
        return None
    activities = portfolio.problem.activities
    crew = activities[mine.activity].modes[mine.mode].crew
    for entry in schedule.broken_pins:
        pin = activities[entry.activity].pin
        if pin is not None and pin.crew == crew and mine.start <= pin.start < mine.finish:
            other = portfolio.stretches[entry.activity].first
            what = f"{other.get_code_display().lower()} of job {other.job.number}"
            return BrokenPin(mine.activity, f"the crew is pinned to {what} then", None)
    return None


def stopped_by_weather(portfolio: Portfolio, phase: Phase, starts_at: datetime) -> str:
    """Return why weather stops a phase on the day of its pin; empty where it does not."""
    weather = portfolio.work.weather.site(phase.job, PHASE_TABLE[phase.code].weather_gate)
    day = timezone.localdate(starts_at)
    why = weather.why_on(day) if weather is not None else ""
    what = phase.get_code_display().lower()
    return f"weather stops {what} on {day:%a %b %-d} ({why})" if why else ""


def why_broken(portfolio: Portfolio, entry: BrokenPin) -> str:
    """Return why a pin is not kept; of a crew that cannot do the work, with what it lacks."""
    pin = portfolio.problem.activities[entry.activity].pin
    if pin is None or pin.crew is None:
        return entry.reason
    crews = {crew.pk: crew for crew in portfolio.work.crews}
    crew = crews.get(portfolio.crew_ids[pin.crew])
    kinds = [PHASE_TABLE[phase.code] for phase in portfolio.stretches[entry.activity].phases]
    if crew is None:
        return entry.reason
    missing = {skill for kind in kinds for skill in kind.skills} - {*crew.skills}
    lacks = sorted(Crew.Skill(skill).label.lower() for skill in missing)
    people = max(kind.min_people for kind in kinds)
    words = [f"not entered as a skill of the crew: {', '.join(lacks)}"] if lacks else []
    if crew.size < people:
        words.append(f"it needs {people} people and the crew has {crew.size}")
    return f"{entry.reason} ({'; '.join(words)})" if words else entry.reason


def broken_pin_of(portfolio: Portfolio, schedule: Schedule, phase_id: int) -> BrokenPin | None:
    """Return why a phase is not where it is pinned; None where it is, or is not pinned."""

    def stands_for_it(activity: int) -> bool:
        return phase_id in {phase.pk for phase in portfolio.stretches[activity].phases}

    for entry in schedule.broken_pins:
        if stands_for_it(entry.activity):
            return replace(entry, reason=why_broken(portfolio, entry))
    for unplanned in schedule.unplanned:
        if stands_for_it(unplanned.activity):
            return BrokenPin(unplanned.activity, unplanned.reason, None)
    return None
