"""A crew's days: when it works where, why it does not, how many it is, what else it has to do."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.db.models import Q
from django.utils import timezone

from crews.models import Crew, DayOff
from jobs.models import LentPeople, Phase, SetAside
from jobs.selectors.crew_load import CrewDays, firm_days_off
from jobs.selectors.crew_people import people_by_day
from jobs.selectors.crew_rows import Day, DayRow, PhaseRow, RowState
from jobs.selectors.open_work import days_of
from jobs.selectors.site_calendars import whole_quarters

if TYPE_CHECKING:
    from collections.abc import Iterable

    from jobs.selectors.crew_work import Work

DAYS_SHOWN = 14
SECOND = timedelta(seconds=1)
# What the crew is at comes first and what is done last, whatever their hours.
_RANK = {RowState.UNDER_WAY: 0, RowState.DONE: 2}


class DaysOfCrew:
    """Two weeks of one crew from a moment on, in a constant number of queries."""

    def __init__(self, crew: Crew, now: datetime) -> None:
        self.today = timezone.localdate(now)
        self.days = [self.today + timedelta(days=n) for n in range(DAYS_SHOWN)]
        rows = Crew.objects.select_related("work_hours").prefetch_related("days_off")
        self.crew = rows.get(pk=crew.pk)
        self.hours = CrewDays(self.crew, firm_off=firm_days_off())
        first, last = self.days[0], self.days[-1]
        self.until = _at(last + timedelta(days=1), time())
        within = Q(first_day__lte=last, last_day__gte=first)
        off = DayOff.objects.filter(within, Q(crew=crew) | Q(crew=None, equipment=None))
        self._off = {day: row.reason for row in off.order_by("id") for day in days_of([row])}
        lent = LentPeople.objects.filter(within, Q(from_crew=crew) | Q(to_crew=crew))
        self._lent = list(lent.select_related("from_crew", "to_crew").order_by("id"))
        self._people_by_day = people_by_day(self.crew, self._lent)
        self._aside = list(
            SetAside.objects.filter(
                crew=crew,
                starts_at__lt=self.until,
                ends_at__gt=_at(first, time()),
            )
            .select_related("job")
            .prefetch_related("callbacks")
            .order_by("starts_at", "id")
        )

    def of(self, work: Work) -> tuple[date, ...]:
        """Return the days in sight on which the crew is at it; what is late is today's."""
        phase, booking = work.phase, work.booking
        if phase.status == Phase.Status.DONE or booking is None:
            return (self.today,)
        begins = timezone.localdate(booking.starts_at)
        last = timezone.localdate(booking.ends_at - SECOND)
        if last < self.today:
            return (self.today,)
        at_work = [d for d in self.days if begins <= d <= last and self.hours.hours_on(d) > 0]
        # Where hours have changed since, a booking may have no work day; it is shown all the same.
        return tuple(at_work) or ((max(begins, self.today),) if begins <= self.days[-1] else ())

    def day(self, day: date, rows: Iterable[PhaseRow]) -> Day:
        """Return one day with its phases: what is under way, then by time, then what is done."""
        timed = [(row, *self._hours_at_site(row, day)) for row in rows if day in row.days]
        timed.sort(key=lambda found: _by_time(*found[:2]))
        sites = [None, *(row.job.pk for row, _, _ in timed)]
        people, note = self._people(day)
        return Day(
            on=day,
            is_today=day == self.today,
            is_work_day=self.hours.hours_on(day) > 0,
            off=self._off.get(day, ""),
            people=people,
            people_note=note,
            rows=tuple(
                DayRow(
                    row=row,
                    on=day,
                    is_today=day == self.today,
                    is_same_site=before == row.job.pk,
                    begins_at=begins,
                    ends_at=ends,
                    weather=dict(row.weather).get(day),
                )
                for (row, begins, ends), before in zip(timed, sites, strict=False)
            ),
            aside=tuple(row for row in self._aside if _touches(row, day)),
        )

    def _hours_at_site(self, row: PhaseRow, day: date) -> tuple[datetime | None, datetime | None]:
        """Return from when to when the crew is at the site that day; None where it is not told."""
        shifts = self.hours.week.get(day.weekday(), ())
        if row.starts_at is None or row.ends_at is None or not shifts:
            return None, None
        drive = timedelta(minutes=whole_quarters(row.job.drive_minutes))
        opens, closes = _at(day, shifts[0][0]) + drive, _at(day, shifts[-1][1]) - drive
        begins = max(opens, timezone.localtime(row.starts_at))
        ends = min(closes, timezone.localtime(row.ends_at))
        return (begins, ends) if begins < ends else (None, None)

    def _people(self, day: date) -> tuple[int, str]:
        """Return how many the crew is on a day, and who was lent to or from whom."""
        notes = []
        for row in self._lent:
            if row.first_day <= day <= row.last_day:
                comes = row.to_crew_id == self.crew.pk
                other = f"from {row.from_crew}" if comes else f"with {row.to_crew}"
                notes.append(f"{row.people} {other}" + (f" ({row.note})" if row.note else ""))
        return self._people_by_day.get(day, self.crew.size), "; ".join(notes)


def _touches(row: SetAside, day: date) -> bool:
    return timezone.localdate(row.starts_at) <= day <= timezone.localdate(row.ends_at - SECOND)


def _by_time(row: PhaseRow, begins_at: datetime | None) -> tuple[int, datetime, int]:
    begins = begins_at or row.starts_at
    far = datetime.max.replace(tzinfo=timezone.get_default_timezone())
    return _RANK.get(row.state, 1), begins or far, row.phase.pk


def _at(day: date, hour: time) -> datetime:
    return datetime.combine(day, hour, tzinfo=timezone.get_default_timezone())
