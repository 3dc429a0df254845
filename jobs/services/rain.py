"""A rain day in one press: gated work of that day stops, what slips is told, a draft proposed."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING
from uuid import NAMESPACE_OID, uuid5

from django.db import transaction
from django.utils import timezone

from contractor.trade.causes import Cause
from contractor.trade.errors import Fault, SpecError
from contractor.trade.phases import PHASE_TABLE
from crews.models import RAINED_OFF, DayOff
from jobs.models import Booking, FieldReport, Phase
from jobs.selectors.rain_days import rain_days
from jobs.selectors.reports import Reporter
from jobs.services import proposals, slips
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome, take_report

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from datetime import date

    from django.contrib.auth.models import User

    from jobs.models import ReplanProposal

# Each report is compared by a worker; someone is waiting for this page. Our own.
MOST_COMPARISONS = 3
GATED = tuple(kind.code for kind in PHASE_TABLE.values() if kind.weather_gate)


def rain_day(
    *, day: date, crews: Collection[int], now: datetime, by: User | None = None
) -> ReplanProposal:
    """
    Stop the crews' weather-gated phases for the rest of today, and return a proposal.

    Each stop is a report of the office with the cause weather, so that it is on record, moves the
    plan and names the slips. Pressing twice stops nothing twice.

    Raises
    ------
    contractor.trade.errors.SpecError
        If the day is not today: for days to come, enter the weather of the area.
    """
    today = timezone.localdate(now)
    if day != today:
        remedy = f"Enter {today:%b %-d}, or the weather of the area for other days."
        raise SpecError([Fault("day", day.isoformat(), "only today can be rained off", remedy)])
    with transaction.atomic():
        stopped = [
            phase for phase in stopped_by_rain(day=day, crews=crews) if _stop(phase, day, now, by)
        ]
    _compare(now=now, trigger=f"rain on {day:%b %-d}")
    return proposals.propose(reason=f"Rain on {day:%b %-d}: {_words(stopped)}", now=now)


def coming_rain_day(*, day: date, crews: Collection[int], now: datetime) -> ReplanProposal:
    """
    Return a proposal that leaves out a day to come, for these crews and what the forecast stops.

    A crew of which the forecast stops nothing gets a day off, "Rained off", which also stops what
    it would do indoors; the office takes it out again if the day clears up. Twice is as once.

    Raises
    ------
    contractor.trade.errors.SpecError
        If the day is not one of the next six, nothing would be stopped, or the published plan
        leaves out all that is. Nothing is stored then.
    """
    _, *coming = rain_days(now=now)
    outdoors = next((one.crews for one in coming if one.day == day), None)
    if outdoors is None:
        remedy = f"Enter a day from {coming[0].day:%b %-d} to {coming[-1].day:%b %-d}."
        raise SpecError([Fault("day", day.isoformat(), "it is not one of the next days", remedy)])
    stopped = [row for row in outdoors if row.why or row.crew.pk in crews]
    if not stopped:
        remedy = "Choose a crew, or enter the weather of the area for that day."
        raise SpecError([Fault("day", day.isoformat(), "nothing stops work then", remedy)])
    if all(row.is_left_out for row in stopped):
        what = "the published plan leaves out already what the forecast stops then"
        remedy = "Nothing is to be planned again; choose other crews if more is to stop."
        raise SpecError([Fault("day", day.isoformat(), what, remedy)])
    with transaction.atomic():
        for row in stopped:
            if not row.why:
                DayOff.objects.get_or_create(
                    crew=row.crew, first_day=day, last_day=day, reason=RAINED_OFF
                )
    _compare(now=now, trigger=f"weather of {day:%b %-d}")
    phases = [booking.phase for row in stopped for booking in row.bookings]
    return proposals.propose(reason=f"Weather on {day:%b %-d}: {_words(phases)}", now=now)


def _compare(*, now: datetime, trigger: str) -> None:
    """Compare, and again where a worker was quicker; in the end the next report finds the slips."""
    for _ in range(MOST_COMPARISONS):
        try:
            slips.compare_published(now=now, trigger=trigger)
        except slips.ComparedMeanwhile:
            continue
        return


def _words(phases: Sequence[Phase]) -> str:
    words = ", ".join(f"{phase.get_code_display()} {phase.job.number}" for phase in phases[:4])
    more = f" and {len(phases) - 4} more" if len(phases) > 4 else ""
    return f"{words or 'nothing to stop'}{more}"


def stopped_by_rain(*, day: date, crews: Collection[int]) -> list[Phase]:
    """Return the gated phases that these crews are booked on that day and have not done."""
    begins = datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
    ends = begins + timedelta(days=1)
    booked = Booking.objects.filter(
        is_live=True, crew__in=list(crews), starts_at__lt=ends, ends_at__gt=begins
    )
    rows = Phase.objects.filter(
        code__in=GATED,
        status__in=(Phase.Status.OPEN, Phase.Status.UNDER_WAY),
        bookings__in=booked,
    ) | Phase.objects.filter(code__in=GATED, status=Phase.Status.UNDER_WAY, crew__in=list(crews))
    return list(rows.select_related("job").distinct().order_by("id"))


def _stop(phase: Phase, day: date, now: datetime, by: User | None) -> bool:
    """Report a stop of one phase until the next midnight; return whether that is new."""
    until = datetime.combine(
        day + timedelta(days=1), time(), tzinfo=timezone.get_default_timezone()
    )
    key = uuid5(NAMESPACE_OID, f"rain on {day.isoformat()} stops phase {phase.pk}")
    known = FieldReport.objects.filter(pk=key).exists()
    if known:
        return False
    report = NewReport(
        id=key,
        phase_id=phase.pk,
        kind=FieldReport.Kind.STOPPED,
        made_at=now,
        crew_id=phase.crew_id,
        stopped_by=Cause.WEATHER,
        stopped_until=until,
        note="Rained off",
    )
    outcome, _ = take_report(report=report, who=Reporter(by, is_office=True), now=now)
    return outcome is Outcome.RECEIVED
