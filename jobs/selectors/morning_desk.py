"""What the office has to do this morning, by kind: each row is gone once it is done."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from inspections.selectors.desk import desk
from inspections.selectors.desk_rows import DeskRow
from inspections.selectors.locate import TicketWarning, ticket_warnings
from inspections.selectors.permits import PermitState, permits_to_act_on
from inspections.selectors.stopped_work import CrewDay, crew_days
from jobs.models import (
    Booking,
    FieldReport,
    Job,
    Notice,
    Phase,
    ReplanProposal,
    Slip,
    TaskRequest,
)
from jobs.selectors.call_ahead import CallAheadLine, call_ahead
from jobs.selectors.crew_load import CrewDays, active_crews, firm_days_off
from jobs.selectors.hold_facts import Clears, HoldKind
from jobs.selectors.holds import ShownHold, holds, signed_jobs
from jobs.selectors.slips import open_slips
from jobs.selectors.supplier_calls import SupplierCalls, supplier_calls

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from crews.models import Crew

WEEK = timedelta(days=7)
# A hold of the office or a buyer is told once its work is so near, in days; our own.
HOLD_DAYS_AHEAD = 7
# How far back a crew's last work day is looked for: over a closing between two years.
LOOK_BACK_DAYS = 16
OUT_DAYS_AHEAD = 3
# Kinds of holds that have a list of their own on the desk, or that nobody can hurry.
NOT_TO_CHASE = frozenset(
    {
        HoldKind.INSPECTION,
        HoldKind.LOCATE,
        HoldKind.POSITIVE_RESPONSE,
        HoldKind.DELIVERY,
        HoldKind.PERMIT,
        HoldKind.WEATHER,
        HoldKind.CURE,
        HoldKind.EARLIEST_DATE,
    }
)
TO_CHASE = frozenset(HoldKind) - NOT_TO_CHASE


@dataclass(frozen=True, slots=True)
class MissingReport:
    """A booking of which a crew should have told something by now, and what, in words."""

    booking: Booking
    words: str

    @property
    def phase(self) -> Phase:
        """Return the phase to report on."""
        return self.booking.phase


@dataclass(frozen=True, slots=True)
class CrewOut:
    """A crew's day without work though the plan has it on a job; `bookings` lie on that day."""

    crew: Crew
    day: date
    why: str
    bookings: tuple[Booking, ...]


@dataclass(frozen=True, slots=True)
class MorningDesk:
    """The lists of a morning, each in the order in which it is worked."""

    to_ask: tuple[DeskRow, ...]
    overdue: tuple[DeskRow, ...]
    tickets: tuple[TicketWarning, ...]
    permits: tuple[PermitState, ...]
    to_confirm: SupplierCalls
    to_order: tuple[CallAheadLine, ...]
    missing: tuple[MissingReport, ...]
    proposal: ReplanProposal | None
    unnamed_slips: tuple[Slip, ...]
    out: tuple[CrewOut, ...]
    weather: tuple[CrewDay, ...]
    holds: tuple[ShownHold, ...]
    parked_notices: int
    parked_tasks: int


def morning_desk(*, now: datetime) -> MorningDesk:
    """Return what is to do at `now`; the number of queries does not grow with the rows."""
    jobs = list(signed_jobs())
    visits, called = desk(now=now, jobs=jobs), call_ahead(now=now, jobs=jobs)
    tickets = ticket_warnings(now=now, jobs=jobs)
    crews = _Crews()
    return MorningDesk(
        to_ask=tuple(visits.to_ask),
        overdue=tuple(visits.overdue),
        tickets=tuple(row for row in tickets if _is_of_week(row.call_by, now)),
        permits=tuple(permits_to_act_on(now=now)),
        to_confirm=supplier_calls(called.to_confirm, today=timezone.localdate(now)),
        to_order=called.to_order,
        missing=tuple(_missing(crews, now)),
        proposal=ReplanProposal.objects.filter(state=ReplanProposal.State.OPEN)
        .select_related("plan")
        .first(),
        unnamed_slips=tuple(slip for slip in open_slips() if not slip.cause),
        out=tuple(_out(crews, now)),
        weather=tuple(row for row in crew_days(now=now) if not row.is_left_out),
        holds=tuple(filter(_is_to_chase, holds(now=now, jobs=jobs, kinds=TO_CHASE))),
        parked_notices=Notice.objects.filter(state=Notice.State.PARKED).count(),
        parked_tasks=TaskRequest.objects.filter(status=TaskRequest.Status.PARKED).count(),
    )


def missing_reports(*, now: datetime) -> list[MissingReport]:
    """
    Return published bookings that nobody has told anything of since they should have.

    Work that should have begun before today and has not, work that should be done, and work under
    way of which nothing was told on or after its crew's last work day. A stop that still lasts
    needs no other word.
    """
    return list(_missing(_Crews(), now))


class _Crews:
    """The active crews with their working days, read once."""

    def __init__(self) -> None:
        firm_off = firm_days_off()
        self.days: Mapping[int, CrewDays] = {
            crew.pk: CrewDays(crew, firm_off=firm_off) for crew in active_crews()
        }

    def last_work_day(self, crew: int | None, today: date) -> date:
        """Return the crew's last work day before today; yesterday where there is none."""
        days = self.days.get(crew or 0)
        back = (today - timedelta(days=n) for n in range(1, LOOK_BACK_DAYS))
        yesterday = today - timedelta(days=1)
        return next((day for day in back if days and days.hours_on(day) > 0), yesterday)


def _missing(crews: _Crews, now: datetime) -> Iterable[MissingReport]:
    today = timezone.localdate(now)
    rows = list(
        Booking.objects.filter(
            is_live=True,
            crew__isnull=False,
            starts_at__lt=_midnight(today),
            phase__status__in=(Phase.Status.OPEN, Phase.Status.UNDER_WAY),
            phase__job__status=Job.Status.SIGNED,
        )
        .select_related("phase__job", "crew")
        .order_by("starts_at", "id")
    )
    told = _last_reports([row.phase_id for row in rows])
    for row in rows:
        words = _missing_words(row, told.get(row.phase_id), crews, today)
        if words:
            yield MissingReport(row, words)


def _last_reports(phases: list[int]) -> dict[int, FieldReport]:
    rows = FieldReport.objects.filter(phase__in=phases).order_by("made_at", "pk")
    return {row.phase_id: row for row in rows}


def _missing_words(row: Booking, last: FieldReport | None, crews: _Crews, today: date) -> str:
    if last and last.stopped_until and last.stopped_until > _midnight(today):
        return ""
    begins, ends = timezone.localtime(row.starts_at), timezone.localtime(row.ends_at)
    if row.phase.status == Phase.Status.OPEN:
        return f"should have begun {_day(begins)}, and nobody has said so"
    if ends.date() < today:
        told_since = last is not None and last.made_at >= row.ends_at
        return "" if told_since else f"should have been done {_day(ends)}, and nobody has said so"
    since = crews.last_work_day(row.crew_id, today)
    if begins.date() > since or (last is not None and last.made_at >= _midnight(since)):
        return ""
    heard = f"; the last was {_day(timezone.localtime(last.made_at))}" if last else ""
    return f"no report of {_day(since)}{heard}"


def _out(crews: _Crews, now: datetime) -> Iterable[CrewOut]:
    """Yield days off of the next days on which the published plan still has the crew at work."""
    today = timezone.localdate(now)
    until = _midnight(today + timedelta(days=OUT_DAYS_AHEAD))
    by_crew: dict[int, list[Booking]] = defaultdict(list)
    rows = Booking.objects.filter(
        is_live=True,
        crew__isnull=False,
        starts_at__gte=_midnight(today),
        starts_at__lt=until,
        phase__status=Phase.Status.OPEN,
    )
    for row in rows.select_related("phase__job").order_by("starts_at", "id"):
        by_crew[row.crew_id or 0].append(row)
    for pk, days in crews.days.items():
        for day in (today + timedelta(days=n) for n in range(OUT_DAYS_AHEAD)):
            # Only what begins that day: work that goes on over a day off simply pauses.
            mine = [row for row in by_crew[pk] if timezone.localdate(row.starts_at) == day]
            if mine and days.hours_on(day) == 0:
                yield CrewOut(days.crew, day, _why_off(days.crew, day), tuple(mine))


def _why_off(crew: Crew, day: date) -> str:
    own = (row.reason for row in crew.days_off.all() if row.first_day <= day <= row.last_day)
    return next(own, "no work day")


def _is_of_week(day: date | None, now: datetime) -> bool:
    """Return whether a day is unknown or no more than a week away."""
    return day is None or day <= timezone.localdate(now) + WEEK


def _is_to_chase(row: ShownHold) -> bool:
    """Return whether the office, by itself or by a call to the buyer, can clear a hold in time."""
    fact = row.fact
    if row.cost is None:
        return False
    if fact.clears not in (Clears.OFFICE, Clears.BUYER):
        return False
    return row.cost.margin_days <= HOLD_DAYS_AHEAD


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())


def _day(moment: date) -> str:
    return f"{moment:%a %b} {moment.day}"
