"""What a buyer sees of the job, and nothing more: done, next, the likely weeks, waits, photos."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from crews.selectors import firm, token_hash
from jobs.models import Booking, BuyerLink, Job, Phase, Plan, ReportPhoto
from jobs.selectors.buyer_stages import (
    STAGES,
    Stage,
    StageState,
    Weeks,
    finish_weeks,
    newest_forecasts,
    stages_of,
)
from jobs.selectors.crew_work import standing_reports
from jobs.selectors.hold_facts import HoldKind
from jobs.selectors.holds import open_facts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from django.db.models import QuerySet

    from crews.models import Firm
    from jobs.selectors.hold_facts import HoldFact

_WAITS_FOR = {
    HoldKind.PERMIT: "the building permit",
    HoldKind.DRAWINGS: "the engineer's drawings",
    HoldKind.LOCATE: "the marking of buried lines",
    HoldKind.POSITIVE_RESPONSE: "the marking of buried lines",
    HoldKind.DELIVERY: "material",
    HoldKind.INSPECTION: "the inspector",
    HoldKind.CURE: "concrete to gain its strength",
    HoldKind.WEATHER: "the weather",
    HoldKind.SITE_NOT_READY: "the site to be ready",
    HoldKind.EARLIEST_DATE: "the day agreed with you",
}


@dataclass(frozen=True, slots=True)
class Wait:
    """What a stage waits for, in the buyer's words; `week` is when it should clear, if known."""

    stage: str
    words: str
    week: Weeks | None


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo that the office released."""

    pk: int
    width_px: int
    height_px: int
    stage: str
    taken_on: date


@dataclass(frozen=True, slots=True)
class BuyerPage:
    """
    All that the page shows. `finish` is None where nothing is planned.

    `finish_is_forecast` is whether the weeks are those of the forecast's P10 to P90, and not only
    of the plan.
    """

    job: Job
    builder: Firm
    as_of: datetime
    stages: tuple[Stage, ...]
    finish: Weeks | None
    finish_is_forecast: bool
    waits: tuple[Wait, ...]
    photos: tuple[Photo, ...]

    @property
    def done(self) -> list[Stage]:
        """Return what is done."""
        return [stage for stage in self.stages if stage.state is StageState.DONE]

    @property
    def under_way(self) -> list[Stage]:
        """Return what is being worked on."""
        return [stage for stage in self.stages if stage.state is StageState.UNDER_WAY]

    @property
    def to_come(self) -> list[Stage]:
        """Return what is to come, the next stage first."""
        return [stage for stage in self.stages if stage.state is StageState.TO_COME]


def buyer_link_for(token: str) -> BuyerLink | None:
    """
    Return the link that the token opens, its job loaded; None if it opens nothing.

    Unknown, revoked, and of a job that was cancelled look alike.
    """
    return (
        BuyerLink.objects.select_related("job")
        .filter(token_hash=token_hash(token), revoked_at=None)
        .exclude(job__status=Job.Status.CANCELLED)
        .first()
    )


def buyer_page(*, job: Job, now: datetime) -> BuyerPage:
    """
    Return the page of a job's buyer, in a constant number of queries.

    Raises
    ------
    crews.selectors.NoFirm
        If there is no firm yet.
    """
    phases = Phase.objects.filter(job=job).order_by("sequence", "id")
    bookings = Booking.objects.filter(plan__status=Plan.Status.PUBLISHED, phase__job=job)
    booked = {row.phase_id: row for row in bookings}
    forecast = newest_forecasts([job]).get(job.pk)
    today = timezone.localdate(now)
    stages = tuple(_without_past_weeks(stage, today) for stage in stages_of(phases, booked))
    finish = finish_weeks(booked.values(), forecast)
    is_open = job.status in (Job.Status.SIGNED, Job.Status.ON_HOLD)
    return BuyerPage(
        job=job,
        builder=firm(),
        as_of=now,
        stages=stages,
        finish=_still_to_come(finish, today) if is_open and booked else None,
        finish_is_forecast=forecast is not None and forecast.finish_p10 is not None,
        waits=_waits(job, stages, now),
        photos=_photos(job),
    )


def _still_to_come(weeks: Weeks | None, today: date) -> Weeks | None:
    """Return weeks that are not over: a plan that was overtaken tells a buyer nothing."""
    return weeks if weeks and weeks.last_sunday >= today else None


def _without_past_weeks(stage: Stage, today: date) -> Stage:
    return replace(stage, weeks=_still_to_come(stage.weeks, today))


def released_photo(*, job: Job, photo_id: int) -> ReportPhoto | None:
    """Return a photo that the office released for a job's buyer."""
    return _released(job).filter(pk=photo_id).first()


def _waits(job: Job, stages: Sequence[Stage], now: datetime) -> tuple[Wait, ...]:
    """Return what the work now, or the stage that comes next, waits for; each thing once."""
    near = {stage.code: stage.label for stage in stages if stage.state is StageState.UNDER_WAY}
    first = next((stage for stage in stages if stage.state is StageState.TO_COME), None)
    if first is not None:
        near[first.code] = first.label
    _, facts = open_facts(jobs=[job.pk], now=now)
    waits: dict[tuple[str, str], Wait] = {}
    for fact in facts:
        stage = _stage_of(fact.phase_code)
        if stage in near:
            words = _WAITS_FOR[fact.kind]
            wait = Wait(near[stage], words, _week_of(fact, timezone.localdate(now)))
            known = waits.setdefault((stage, words), wait)
            if _later(wait, known):
                waits[stage, words] = wait
    return tuple(waits.values())


def _week_of(fact: HoldFact, today: date) -> Weeks | None:
    if fact.expected_on is None or fact.expected_on < today:
        return None
    monday = fact.expected_on - timedelta(days=fact.expected_on.weekday())
    return Weeks(monday, monday + timedelta(days=6))


def _later(wait: Wait, known: Wait) -> bool:
    """Return whether a wait for the same thing lasts longer than what is known of it."""
    if wait.week is None or known.week is None:
        return wait.week is None
    return wait.week.first_monday > known.week.first_monday


_STAGE_OF: Mapping[str, str] = {
    phase: code for code, (_, phases) in STAGES.items() for phase in phases
}


def _stage_of(phase_code: str) -> str:
    return _STAGE_OF[phase_code]


def _released(job: Job) -> QuerySet[ReportPhoto]:
    """Return the photos that the office released, but those of reports that were taken back."""
    return ReportPhoto.objects.filter(
        report__in=standing_reports(job), report__phase__job=job, is_released=True
    )


def _photos(job: Job) -> tuple[Photo, ...]:
    """Return the released photos, newest first."""
    rows = _released(job).select_related("report__phase").order_by("-report__made_at", "-id")
    return tuple(
        Photo(
            pk=row.pk,
            width_px=row.width_px,
            height_px=row.height_px,
            stage=STAGES[_stage_of(row.report.phase.code)][0],
            taken_on=timezone.localdate(row.report.happened_at or row.report.made_at),
        )
        for row in rows
    )
