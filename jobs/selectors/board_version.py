"""Which state of the board somebody looks at, and what has changed of it since."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from django.db.models import Max, Q
from django.utils import timezone

from jobs.models import Booking, Change, Plan
from jobs.models.change import MOMENT_OF_CHANGES
from jobs.selectors.booked import with_rows

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

# What may be changed of a crew, and not of a job, that a move depends on.
KINDS_OF_CREWS = ("crew", "day off", "lent people", "time set aside", "work hours", "equipment")
MOST_TOLD = 6


@dataclass(frozen=True, slots=True)
class Scope:
    """What a move is about: its jobs, and what its crews do from the first day to the last."""

    jobs: frozenset[int] = frozenset()
    crews: frozenset[int] = frozenset()
    first_day: date | None = None
    last_day: date | None = None
    names: frozenset[str] = frozenset()


def plan_at_hand() -> Plan | None:
    """Return the plan that the board shows: the newest draft, else what is published."""
    return (
        Plan.objects.filter(status__in=(Plan.Status.DRAFT, Plan.Status.PUBLISHED))
        .order_by("status", "-id")
        .first()
    )


def version() -> str:
    """
    Return a short name of the board's state, in two queries; it is another whenever that is.

    Letters, digits and dashes only, so that it can stand in an ETag or a form.
    """
    plans = Plan.objects.aggregate(
        published=Max("pk", filter=Q(status=Plan.Status.PUBLISHED)),
        draft=Max("pk", filter=Q(status=Plan.Status.DRAFT)),
    )
    change = Change.objects.aggregate(last=Max("pk"))["last"]
    return f"p{plans['published'] or 0}-d{plans['draft'] or 0}-c{change or 0}"


def changed_since(seen: str, scope: Scope) -> tuple[str, ...]:
    """
    Return in words what has changed since a version that a move within the scope depends on.

    Nothing where the version is not one of ours, or is empty: then nobody looked at a board.
    """
    then = _parsed(seen)
    if then is None or seen == version():
        return ()
    plan_id, change_id = then
    words = [*_facts(change_id, scope), *_bookings(plan_id, scope)]
    more = len(words) - MOST_TOLD
    return (*words[:MOST_TOLD], *((f"and {more} more",) if more > 0 else ()))


def _parsed(seen: str) -> tuple[int, int] | None:
    """Return the plan that was at hand and the last change; None if it is no version."""
    parts = seen.split("-")
    if [part[:1] for part in parts] != ["p", "d", "c"]:
        return None
    if not all(part[1:].isdecimal() for part in parts):
        return None
    published, draft, change = (int(part[1:]) for part in parts)
    return draft or published, change


def _facts(change_id: int, scope: Scope) -> Iterator[str]:
    rows = Change.objects.filter(pk__gt=change_id).exclude(kind="booking").order_by("pk")
    for row in rows.filter(Q(job__in=scope.jobs) | Q(kind__in=KINDS_OF_CREWS)):
        if row.job_id not in scope.jobs and not _is_about(row, scope):
            continue
        at = timezone.localtime(row.at)
        what = "; ".join(_column(entry) for entry in row.what[:3])
        yield f"{row.by_name or 'someone'} at {at:%H:%M}: {row.name}{': ' if what else ''}{what}"


def _is_about(row: Change, scope: Scope) -> bool:
    """Return whether a change of a crew's kind names a crew of the scope, or everyone."""
    of_everyone = row.kind == "day off" and not any(e.get("column") == "crew" for e in row.what)
    if of_everyone or row.kind in ("work hours", "equipment"):
        return True
    said = " ".join([row.name, *(str(entry.get("new", "")) for entry in row.what)])
    return any(name in said for name in scope.names)


def _column(entry: dict[str, str]) -> str:
    """Return a column's change in words: what it is now, and what it was."""
    old, new = (_value(entry.get(side) or "") for side in ("old", "new"))
    was = f", was {old}" if old and new else f" (was {old})" if old else ""
    return f"{entry.get('column')} {new or 'taken away'}{was}"


def _value(told: str) -> str:
    """Return a recorded value as the board says it; changes keep moments as numbers alone."""
    try:
        moment = datetime.strptime(told, MOMENT_OF_CHANGES)  # noqa: DTZ007 - the site's own time
    except ValueError:
        return told
    return f"{moment:%a %b %-d, %H:%M}"


def _bookings(plan_id: int, scope: Scope) -> Iterator[str]:
    """Yield each booking within the scope that is elsewhere in the plan at hand than it was."""
    now_at_hand = plan_at_hand()
    if now_at_hand is None or now_at_hand.pk == plan_id:
        return
    old, new = (_within(pk, scope) for pk in (plan_id, now_at_hand.pk))
    keys = sorted(old.keys() | new.keys())
    where = {
        plan: {
            row.phase_id: row
            for row in with_rows(Booking.objects.filter(plan_id=plan, phase__in=keys))
        }
        for plan in (plan_id, now_at_hand.pk)
    }
    for key in keys:
        before, after = where[plan_id].get(key), where[now_at_hand.pk].get(key)
        row = after or before
        if row is None or row.phase.status != "OPEN" or _place(before) == _place(after):
            continue
        what = f"{row.phase.get_code_display().lower()} of {row.phase.job.number}"
        yield f"{what} is {_place(after)} now, was {_place(before)}"


def _within(plan_id: int, scope: Scope) -> dict[int, int]:
    rows = Booking.objects.filter(plan_id=plan_id)
    mine = Q(phase__job__in=scope.jobs)
    if scope.first_day and scope.last_day:
        begins, ends = _midnight(scope.first_day), _midnight(scope.last_day + timedelta(days=1))
        mine |= Q(crew__in=scope.crews, starts_at__lt=ends, ends_at__gt=begins)
    return dict(rows.filter(mine).values_list("phase", "pk"))


def _place(row: Booking | None) -> str:
    if row is None:
        return "without dates"
    who = f" with {row.crew.name}" if row.crew else ""
    return f"on {timezone.localtime(row.starts_at):%a %b %-d, %H:%M}{who}"


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
