"""What may be asked with "what if": each question changes copies of the open work's rows."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from django.utils import timezone

from contractor.trade.errors import Fault
from crews.models import farthest_day
from inspections.selectors.authority import needs_notice
from jobs.models import Delivery, Job

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from crews.models import Crew
    from inspections.models import Authority
    from jobs.selectors.open_work import OpenWork

# Where Django keeps related rows that were read ahead.
PREFETCHED = "_prefetched_objects_cache"


@dataclass
class WhatIfRefused(Exception):  # noqa: N818 - an answer with its reason
    """A question that cannot be asked: the field, its value, the reason and the way out."""

    fault: Fault

    def __str__(self) -> str:
        return str(self.fault)


class Question(Protocol):
    """One change to the open work."""

    def words(self) -> str:
        """Return the question as a person would ask it."""

    def change(self, work: OpenWork) -> OpenWork:
        """Return the open work with the change, its own rows left alone. Raises WhatIfRefused."""


@dataclass(frozen=True, slots=True)
class MorePeople:
    """The crew of that name has one person more."""

    crew: str

    def words(self) -> str:
        """Return the question as a person would ask it."""
        return f"What if {self.crew} had one more person?"

    def change(self, work: OpenWork) -> OpenWork:
        """Return the open work with the larger crew."""

        def larger(crew: Crew) -> Crew:
            crew.size += 1
            return crew

        return _with_crew(work, self.crew, larger)


@dataclass(frozen=True, slots=True)
class NoDaysOff:
    """The crew of that name takes no day off of its own; what is closed for everyone stays so."""

    crew: str

    def words(self) -> str:
        """Return the question as a person would ask it."""
        return f"What if {self.crew} took no days off of its own?"

    def change(self, work: OpenWork) -> OpenWork:
        """Return the open work with the crew at work on its days off."""

        def at_work(crew: Crew) -> Crew:
            if not any(off.last_day >= timezone.localdate(work.now) for off in crew.days_off.all()):
                raise _refused("crew", self.crew, "has no day off ahead", "Choose another crew.")
            _prefetch(crew, "days_off", ())
            return crew

        return _with_crew(work, self.crew, at_work)


@dataclass(frozen=True, slots=True)
class DeliveryOn:
    """A job's delivery comes on another day."""

    job: str
    item: str
    day: date

    def words(self) -> str:
        """Return the question as a person would ask it."""
        item = Delivery.Item(self.item).label if self.item in Delivery.Item.values else self.item
        return f"What if {item.lower()} for job {self.job} came on {self.day:%b %-d, %Y}?"

    def change(self, work: OpenWork) -> OpenWork:
        """Return the open work with the delivery promised for that day."""
        today = timezone.localdate(work.now)
        if not today <= self.day <= farthest_day():
            raise _refused(
                "day",
                self.day,
                f"is not between today, {today}, and five years ahead",
                "Enter the day that it could come.",
            )

        def promised(job: Job) -> Job:
            rows = {row.item: row for row in job.deliveries.all()}
            row = rows.get(self.item)
            if row is None or row.is_complete:
                awaited = [item for item, other in rows.items() if not other.is_complete]
                message = "has arrived" if row else f"is not on the list of job {self.job}"
                remedy = (
                    f"Choose one of {', '.join(awaited)}." if awaited else "Nothing is awaited."
                )
                raise _refused("item", self.item, message, remedy)
            moved = copy(row)
            moved.promised_on = self.day
            others = [other for other in rows.values() if other is not row]
            _prefetch(job, "deliveries", (*others, moved))
            return job

        return _with_job(work, self.job, promised)


@dataclass(frozen=True, slots=True)
class WithoutPromise:
    """A job is held to no date."""

    job: str

    def words(self) -> str:
        """Return the question as a person would ask it."""
        return f"What if the promise of job {self.job} were dropped?"

    def change(self, work: OpenWork) -> OpenWork:
        """Return the open work with the job's promise dropped."""

        def free(job: Job) -> Job:
            if job.promised_on is None:
                raise _refused("job", self.job, "has no promise", "Choose a job that has one.")
            job.promised_on = None
            return job

        return _with_job(work, self.job, free)


@dataclass(frozen=True, slots=True)
class ShorterNotice:
    """The authority of that name comes a working day sooner after it is asked."""

    authority: str

    def words(self) -> str:
        """Return the question as a person would ask it."""
        return f"What if {self.authority} needed a day less notice?"

    def change(self, work: OpenWork) -> OpenWork:
        """Return the open work under the shorter notice."""
        found = {name: row for job in work.jobs for name, row in _authority(job)}
        if self.authority not in found:
            raise _refused(
                "authority",
                self.authority,
                "is the authority of no open job",
                f"Choose one of {', '.join(sorted(found))}." if found else "Enter permits first.",
            )
        if not needs_notice(found[self.authority]):
            raise _refused(
                "authority", self.authority, "needs no notice", "Choose another authority."
            )
        return replace(work, jobs=tuple(self._shorter(job) for job in work.jobs))

    def _shorter(self, job: Job) -> Job:
        if self.authority not in dict(_authority(job)):
            return job
        changed, permit = copy(job), copy(job.permit)
        permit.authority = copy(permit.authority)
        if permit.authority.notice_hours is None:
            permit.authority.notice_working_days -= 1
        else:
            permit.authority.notice_hours = max(0, permit.authority.notice_hours - 24)
        changed.permit = permit
        return changed


def _with_crew(work: OpenWork, name: str, change: Callable[[Crew], Crew]) -> OpenWork:
    names = [crew.name for crew in work.crews]
    if name not in names:
        remedy = f"Choose one of {', '.join(sorted(names))}." if names else "Enter a crew first."
        raise _refused("crew", name, "is no active crew", remedy)
    crews = tuple(change(copy(crew)) if crew.name == name else crew for crew in work.crews)
    return replace(work, crews=crews)


def _with_job(work: OpenWork, number: str, change: Callable[[Job], Job]) -> OpenWork:
    if number not in {job.number for job in work.jobs}:
        raise _refused(
            "job",
            number,
            "is no job with work left to plan",
            "Enter the number of a signed job that is not done.",
        )
    jobs = tuple(change(copy(job)) if job.number == number else job for job in work.jobs)
    return replace(work, jobs=jobs)


def _prefetch(row: Crew | Job, name: str, related: Sequence[object]) -> None:
    """Give a copied row other related rows; the original keeps its own, which it shared so far."""
    columns = vars(row)
    columns[PREFETCHED] = {**columns.get(PREFETCHED, {}), name: related}


def _authority(job: Job) -> list[tuple[str, Authority]]:
    permit = getattr(job, "permit", None)
    return [] if permit is None else [(permit.authority.name, permit.authority)]


def _refused(field: str, value: object, message: str, remedy: str) -> WhatIfRefused:
    return WhatIfRefused(Fault(field, value, message, remedy))
