"""Rounds of open callbacks for a crew: proposed from the promises, the distances and its days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.rounds import SHARE_OF_WEEK, CrewDay, Place, Round, Stop, rounds
from crews.models import Crew
from jobs.models import Booking, Callback, SetAside
from jobs.selectors.crew_load import CrewDays, days_of_crews

if TYPE_CHECKING:
    from collections.abc import Iterable

    from jobs.models import Job

DAYS_AHEAD = 42
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class ProposedRound:
    """
    A round with the callbacks it puts right, in the order in which it drives.

    `is_free` when the crew has no other work on its day.
    """

    round: Round
    callbacks: list[Callback]
    is_free: bool


@dataclass(frozen=True, slots=True)
class Rounds:
    """
    What a crew could do about all open callbacks.

    `week_hours` is the most that a week may give to them, by all crews; `too_long` take more than
    a day; `booked` are in a round already.
    """

    crew: Crew | None
    proposed: list[ProposedRound]
    too_long: list[Callback]
    booked: list[Callback]
    week_hours: float


def callback_rounds(*, crew_id: int | None, now: datetime) -> Rounds:
    """
    Return the rounds of one crew, by default the smallest, in a constant number of queries.

    A callback whose round lies in the past and that is not done is open again.
    """
    crews = list(
        Crew.objects.filter(is_active=True)
        .select_related("work_hours")
        .prefetch_related("days_off")
        .order_by("size", "name")
    )
    crew = next((row for row in crews if row.pk == crew_id), crews[0] if crews else None)
    rows = Callback.objects.filter(done_on=None).select_related("job", "round__crew")
    opened = list(rows.order_by("promised_on", "id"))
    booked = [row for row in opened if row.round is not None and row.round.ends_at > now]
    if crew is None:
        return Rounds(None, [], opened, booked, 0.0)
    of_crews = days_of_crews(crews, since=timezone.localdate(now))
    hours = SHARE_OF_WEEK * sum(map(_week_hours, of_crews))
    left = {row.pk: row for row in opened if row not in booked}
    days = _days(next(row for row in of_crews if row.crew == crew), now)
    free = {day.day for day in days if day.is_free}
    found, too_long = rounds(
        stops=[stop_of(row) for row in left.values()],
        days=days,
        people=crew.size,
        week_hours=hours,
        used=_used(now),
    )
    return Rounds(
        crew=crew,
        proposed=[
            ProposedRound(row, [left[stop.key] for stop in row.stops], row.day in free)
            for row in found
        ],
        too_long=[left[stop.key] for stop in too_long],
        booked=booked,
        week_hours=hours,
    )


def place_of(job: Job) -> Place:
    """Return where a job's site lies."""
    return Place(
        town=job.site_town,
        county=job.site_county,
        drive_minutes=job.drive_minutes,
        latitude_deg=job.site_latitude_deg,
        longitude_deg=job.site_longitude_deg,
    )


def stop_of(row: Callback) -> Stop:
    """Return a callback as a stop of a round; its `job` must be loaded."""
    return Stop(
        key=row.pk,
        place=place_of(row.job),
        labor_hours=row.labor_hours,
        promised_on=row.promised_on,
    )


def _week_hours(days: CrewDays) -> float:
    return days.day_hours * len(days.week)


def _days(hours: CrewDays, now: datetime) -> list[CrewDay]:
    """Return the crew's working days from tomorrow on that nothing is set aside on."""
    today = timezone.localdate(now)
    until = now + timedelta(days=DAYS_AHEAD + 1)
    live = Booking.objects.filter(
        crew=hours.crew, is_live=True, starts_at__lt=until, ends_at__gt=now
    )
    gone = _touched((row.starts_at, row.ends_at) for row in hours.set_aside)
    busy = _touched(live.values_list("starts_at", "ends_at"))
    days = (today + timedelta(days=n) for n in range(1, DAYS_AHEAD + 1))
    return [
        CrewDay(
            day=day,
            hours=hours.hours_on(day),
            people=hours.people_between(day, day),
            is_free=day not in busy,
        )
        for day in days
        if day not in gone and hours.hours_on(day) > 0
    ]


def _touched(spans: Iterable[tuple[datetime, datetime]]) -> set[date]:
    days: set[date] = set()
    for start, end in spans:
        day = timezone.localdate(start)
        last = timezone.localdate(end - timedelta(seconds=1))
        while day <= last:
            days.add(day)
            day += timedelta(days=1)
    return days


def _used(now: datetime) -> dict[date, float]:
    """Return the hours by day that are set aside for callbacks, of this week too."""
    monday = timezone.localdate(now) - timedelta(days=timezone.localdate(now).weekday())
    rows = SetAside.objects.filter(
        kind=SetAside.Kind.CALLBACK, starts_at__date__gte=monday
    ).values_list("starts_at", "ends_at")
    used: dict[date, float] = {}
    for start, end in rows:
        day = timezone.localdate(start)
        used[day] = used.get(day, 0.0) + (end - start) / HOUR
    return used
