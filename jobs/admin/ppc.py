"""Percent plan complete as its page shows it: weeks, crews, causes, and what nobody explained."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from contractor.trade.causes import Cause
from contractor.trade.ppc import NOT_TOLD, Tally, tally, weeks
from jobs.drawing.ppc_weeks import PpcBar, ppc_weeks_svg
from jobs.selectors.ppc import BookedPromise, booked_promises, latest_mondays

if TYPE_CHECKING:
    from collections.abc import Mapping

    from contractor.trade.ppc import Week

CHOICES = (8, 12, 26, 52)
USUAL_WEEKS = 12


@dataclass(frozen=True, slots=True)
class CrewRow:
    """A crew's tally over all weeks, and its kept of made promises week by week."""

    crew: str
    tally: Tally
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MissRow:
    """A missed promise, and the address at which the office says why."""

    booked: BookedPromise
    cause: str
    due: str
    done: str
    asked_at: str


def ppc_context(given: Mapping[str, str], *, now: datetime) -> dict[str, Any]:
    """Return what the page shows of the weeks that were asked for."""
    count = int(given["weeks"]) if given.get("weeks", "") in map(str, CHOICES) else USUAL_WEEKS
    first, last = latest_mondays(now=now, weeks=count)
    today = timezone.localdate(now)
    booked = booked_promises(first_monday=first, last_monday=last, now=now)
    decided = [row for row in booked if row.promise.is_decided(today)]
    found = weeks([row.promise for row in booked], today=today)
    firm = tally(row.promise for row in decided)
    crews = sorted({row.promise.crew for row in decided})
    return {
        "weeks": count,
        "choices": CHOICES,
        "firm": firm,
        "found": found,
        "drawing": _drawing(found),
        "crews": [_crew_row(crew, decided, found) for crew in crews],
        "causes": [(cause_words(cause), misses) for cause, misses in firm.causes],
        "misses": [_miss_row(row) for row in reversed(decided) if not row.promise.is_kept],
    }


def cause_words(cause: str) -> str:
    """Return a cause in words."""
    return "not told" if cause == NOT_TOLD else Cause(cause).label


def _drawing(found: list[Week]) -> SafeString:
    bars = [PpcBar(week.monday, week.firm.made, week.firm.kept) for week in found]
    # The drawing escapes every text it is given.
    return mark_safe(ppc_weeks_svg(name="ppc", bars=bars)) if bars else SafeString()


def _crew_row(crew: str, decided: list[BookedPromise], found: list[Week]) -> CrewRow:
    cells = []
    for week in found:
        of_week = week.crews.get(crew)
        cells.append(f"{of_week.kept} of {of_week.made}" if of_week else "–")
    of_crew = tally(row.promise for row in decided if row.promise.crew == crew)
    return CrewRow(crew, of_crew, tuple(cells))


def _miss_row(booked: BookedPromise) -> MissRow:
    promise = booked.promise
    noon = datetime.combine(promise.due_on, time(12), timezone.get_default_timezone())
    return MissRow(
        booked=booked,
        cause=cause_words(promise.cause),
        due=_day(promise.due_on),
        done=_done_words(promise.due_on, promise.done_on),
        asked_at=noon.isoformat(),
    )


def _done_words(due_on: date, done_on: date | None) -> str:
    if done_on is None:
        return "not yet"
    late: timedelta = done_on - due_on
    return f"{_day(done_on)}, {late.days} day{'' if late.days == 1 else 's'} late"


def _day(day: date) -> str:
    return f"{day:%a %b} {day.day}"
