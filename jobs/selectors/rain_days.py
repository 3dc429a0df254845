"""Whose work rain could stop on each of the next days, and what the forecast says of it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE
from inspections.selectors.stopped_work import StoppedBooking, stopped_bookings
from jobs.models import Booking, Job, Phase
from jobs.selectors.crew_load import CrewDays, active_crews, firm_days_off

if TYPE_CHECKING:
    from crews.models import Crew

DAYS = 7
GATED = tuple(kind.code for kind in PHASE_TABLE.values() if kind.weather_gate)


@dataclass(frozen=True, slots=True)
class CrewRain:
    """
    A crew with work that weather can stop on a day; `why` is the forecast's, empty for none.

    `is_left_out` where the published plan pauses all that the forecast stops.
    """

    crew: Crew
    bookings: tuple[Booking, ...]
    why: str
    is_left_out: bool = False


@dataclass(frozen=True, slots=True)
class RainDay:
    """A day with the crews that weather could stop, by name."""

    day: date
    crews: tuple[CrewRain, ...]

    @property
    def stopped(self) -> int:
        """Return how many crews the forecast stops."""
        return sum(bool(row.why) for row in self.crews)


def rain_days(*, now: datetime) -> list[RainDay]:
    """Return today and the six days after it, in a constant number of queries."""
    today = timezone.localdate(now)
    days = [today + timedelta(days=n) for n in range(DAYS)]
    stops = {(s.booking.pk, s.day): s for s in stopped_bookings(now=now)}
    rows = (
        Booking.objects.filter(
            is_live=True,
            crew__isnull=False,
            phase__code__in=GATED,
            phase__status__in=(Phase.Status.OPEN, Phase.Status.UNDER_WAY),
            phase__job__status=Job.Status.SIGNED,
            starts_at__lt=_midnight(days[-1] + timedelta(days=1)),
            ends_at__gt=_midnight(today),
        )
        .select_related("phase__job", "crew")
        .order_by("crew__name", "starts_at", "id")
    )
    firm_off = firm_days_off()
    crews = {crew.pk: CrewDays(crew, firm_off=firm_off) for crew in active_crews()}
    found: dict[date, dict[int, list[Booking]]] = {day: defaultdict(list) for day in days}
    for row in rows:
        first, last = timezone.localdate(row.starts_at), timezone.localdate(row.ends_at)
        for day in days:
            crew = crews.get(row.crew_id or 0)
            if first <= day <= last and crew is not None and crew.hours_on(day) > 0:
                found[day][row.crew_id or 0].append(row)
    return [
        RainDay(day, tuple(_crew(bookings, day, stops) for bookings in by_crew.values()))
        for day, by_crew in found.items()
    ]


def _crew(
    bookings: list[Booking], day: date, stops: dict[tuple[int, date], StoppedBooking]
) -> CrewRain:
    crew = bookings[0].crew
    assert crew is not None
    found = [stops[row.pk, day] for row in bookings if (row.pk, day) in stops]
    why = "; ".join(dict.fromkeys(stop.why for stop in found))
    is_left_out = bool(found) and all(stop.is_left_out for stop in found)
    return CrewRain(crew, tuple(bookings), why, is_left_out)


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
