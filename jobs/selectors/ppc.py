"""Percent plan complete from what was published: each week's promises as the week began."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.ppc import NOT_TOLD, Promise, monday_of
from contractor.trade.progress import Kind, in_effect
from jobs.models import Booking, FieldReport, Job, Phase, Plan
from jobs.selectors.reports import told

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from contractor.trade.progress import Told

LONGEST_WEEKS = 104


@dataclass(frozen=True, slots=True)
class BookedPromise:
    """A promise with the booking it was published as."""

    promise: Promise
    booking: Booking


def booked_promises(
    *, first_monday: date, last_monday: date, now: datetime, crew: str = ""
) -> list[BookedPromise]:
    """
    Return what was promised for each week from the first Monday to the last, in order of time.

    A promise is a booking of the plan in force when the week began, by a crew of ours, that ends
    in that week and was not done before it. Work that was left out or cancelled since is none.
    Four queries, however many weeks.
    """
    in_force = list(_plans_in_force(first_monday, last_monday))
    rows = _bookings({plan_id for _, plan_id in in_force}, crew)
    by_plan: dict[int, list[Booking]] = {}
    for row in rows:
        by_plan.setdefault(row.plan_id, []).append(row)
    promised = [
        (monday, booking)
        for monday, plan_id in in_force
        for booking in by_plan.get(plan_id, ())
        if _is_promise(booking, monday)
    ]
    causes = _reports_with_cause({booking.phase_id for _, booking in promised})
    return [
        BookedPromise(_promise(monday, booking, causes.get(booking.phase_id, [])), booking)
        for monday, booking in promised
        if monday <= timezone.localdate(now)
    ]


def latest_mondays(*, now: datetime, weeks: int) -> tuple[date, date]:
    """Return the first and the last Monday of so many weeks up to this one."""
    last = monday_of(timezone.localdate(now))
    return last - timedelta(weeks=weeks - 1), last


def _plans_in_force(first: date, last: date) -> Iterator[tuple[date, int]]:
    """Yield each Monday with the plan that was published when it began."""
    rows = Plan.objects.filter(published_at__lt=_midnight(last)).order_by("published_at", "id")
    published = [(row.published_at, row.pk) for row in rows if row.published_at is not None]
    monday, place = first, 0
    while monday <= last:
        begins = _midnight(monday)
        while place < len(published) and published[place][0] < begins:
            place += 1
        if place:
            yield monday, published[place - 1][1]
        monday += timedelta(weeks=1)


def _bookings(plan_ids: set[int], crew: str) -> list[Booking]:
    rows = (
        Booking.objects.filter(plan__in=plan_ids, crew__isnull=False)
        .exclude(phase__status=Phase.Status.DROPPED)
        .exclude(phase__job__status=Job.Status.CANCELLED)
        .select_related("phase__job", "crew")
        .order_by("ends_at", "id")
    )
    return list(rows.filter(crew__name=crew) if crew else rows)


def _is_promise(booking: Booking, monday: date) -> bool:
    due_on = timezone.localdate(booking.ends_at)
    if not monday <= due_on < monday + timedelta(weeks=1):
        return False
    done_at = booking.phase.done_at
    return done_at is None or done_at >= _midnight(monday)


def _promise(monday: date, booking: Booking, reports: list[Told]) -> Promise:
    done_at = booking.phase.done_at
    assert booking.crew is not None
    return Promise(
        monday=monday,
        crew=booking.crew.name,
        due_on=timezone.localdate(booking.ends_at),
        done_on=None if done_at is None else timezone.localdate(done_at),
        cause=_cause(reports, monday),
    )


def _cause(reports: Iterable[Told], monday: date) -> str:
    """Return the latest cause told of that week; what the office says comes first."""
    since, until = _midnight(monday), _midnight(monday + timedelta(weeks=1))
    within = [told for told in reports if told.stopped_by and since <= told.at < until]
    latest = max(within, key=lambda told: (told.from_office, told.at, told.id), default=None)
    return NOT_TOLD if latest is None else latest.stopped_by


def _reports_with_cause(phase_ids: set[int]) -> dict[int, list[Told]]:
    """Return the stops and notes of phases as they count, by phase."""
    by_phase: dict[int, list[Told]] = {}
    for report in FieldReport.objects.filter(phase__in=phase_ids):
        by_phase.setdefault(report.phase_id, []).append(told(report))
    return {
        phase_id: [row for row in in_effect(rows) if row.kind in (Kind.STOPPED, Kind.NOTE)]
        for phase_id, rows in by_phase.items()
    }


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), timezone.get_default_timezone())
