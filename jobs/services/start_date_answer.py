"""The answer about start dates, as values: what each way to build takes, costs and endangers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date, datetime

    from jobs.models import Job


@dataclass(frozen=True, slots=True)
class Likely:
    """The days that are not passed with a chance of 10, 50, 80 and 90 %; None: beyond the axis."""

    p10: date | None
    p50: date | None
    p80: date | None
    p90: date | None


@dataclass(frozen=True, slots=True)
class Reason:
    """What days go to, and how many more (or fewer) than for the building as described."""

    kind: str
    label: str
    days: float
    more_days: float


@dataclass(frozen=True, slots=True)
class HoursMore:
    """A phase whose labor hours differ from those of the building as described."""

    phase: str
    hours: float


@dataclass(frozen=True, slots=True)
class Endangered:
    """A sold job whose promise is less sure, or lost, with the new building in the plan."""

    job: Job
    chance_before: float
    chance_after: float
    days_late_before: int
    days_late_after: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionDates:
    """
    One way to build. Without dates, `because` says why.

    The planned days are the earliest on which the job runs through in the gaps of the plan, all
    as planned; a crew that is free sooner may begin a few days before. `more_days` and
    `likely_more_days` tell it from the building as described, planned and at P50. `runs` is how
    often it was drawn, `chance_by_planned` the share of these that was done on the planned day.
    """

    code: str
    label: str
    because: str = ""
    labor_hours: float = 0
    runs: int = 0
    crew: str = ""
    planned_start_on: date | None = None
    planned_finish_on: date | None = None
    likely_start: Likely | None = None
    likely_finish: Likely | None = None
    chance_by_planned: float | None = None
    chance_by_wanted: float | None = None
    more_days: float | None = None
    likely_more_days: float | None = None
    reasons: tuple[Reason, ...] = ()
    hours_more: tuple[HoursMore, ...] = ()
    endangered: tuple[Endangered, ...] = ()
    moved_jobs: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """The building as described first, then its options."""

    as_of: datetime
    runs: int
    wanted_on: date | None
    options: tuple[OptionDates, ...]
