"""Whom to call before a plan is published: those whom a message would reach too late, or never."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE, Performer
from inspections.models import Inspection
from inspections.selectors import visits
from inspections.selectors.authority import request_words
from jobs.models import Booking, Delivery, Phase, Plan
from jobs.selectors.booked import with_rows
from jobs.selectors.call_ahead import call_ahead

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

# Who begins, or was to begin, today or tomorrow is called; all others get a message.
CALL_WITHIN_DAYS = 1


@dataclass(frozen=True, slots=True)
class Call:
    """Someone to call: who, how, and what there is to say."""

    who: str
    how: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Change:
    """A phase whose day or crew changes; `was` or `becomes` is None where it comes or goes."""

    phase: Phase
    was: Booking | None
    becomes: Booking | None

    @property
    def words(self) -> str:
        what = f"{self.phase.get_code_display()}, job {self.phase.job.number}"
        old = _when(self.was) if self.was else "not planned"
        new = _when(self.becomes) if self.becomes else "no longer planned"
        return f"{what}: {old} becomes {new}"


def calls_for(*, plan: Plan, published: Plan | None, now: datetime) -> list[Call]:
    """
    Return whom to call about what a plan moves: crews, inspectors, outside trades, suppliers.

    Crews only where the change begins today or tomorrow; the others because no message goes to
    them. In a constant number of queries.
    """
    if published is None:
        return []
    old, new = _bookings(published), _bookings(plan)
    changes = [
        _Change((new.get(pk) or old[pk]).phase, old.get(pk), new.get(pk))
        for pk in sorted({*old, *new})
        if _differs(old.get(pk), new.get(pk))
    ]
    return [
        *_crews(changes, now),
        *_inspectors(changes),
        *_outside_trades(changes),
        *_suppliers(changes, now),
    ]


def _bookings(plan: Plan) -> Mapping[int, Booking]:
    rows = Booking.objects.filter(plan=plan).order_by("starts_at", "id")
    return {
        row.phase_id: row
        for row in with_rows(rows)
        if row.phase.status in (Phase.Status.OPEN, Phase.Status.UNDER_WAY)
    }


def _differs(was: Booking | None, becomes: Booking | None) -> bool:
    if was is None or becomes is None:
        return True
    days = [
        (timezone.localdate(row.starts_at), timezone.localdate(row.ends_at), row.crew_id)
        for row in (was, becomes)
    ]
    return days[0] != days[1]


def _crews(changes: list[_Change], now: datetime) -> Iterator[Call]:
    soon = timezone.localdate(now) + timedelta(days=CALL_WITHIN_DAYS)
    lines: dict[int, list[str]] = defaultdict(list)
    crews = {}
    for change in changes:
        stays = [row for row in (change.was, change.becomes) if row is not None]
        if min(timezone.localdate(row.starts_at) for row in stays) > soon:
            continue
        for row in {row.crew_id: row for row in stays if row.crew is not None}.values():
            crews[row.crew_id] = row.crew
            lines[row.crew_id or 0].append(change.words)
    for key, crew in sorted(crews.items(), key=lambda item: str(item[1])):
        assert crew is not None
        yield Call(
            f"{crew.name}: {crew.lead_name}" if crew.lead_name else crew.name,
            crew.lead_phone,
            tuple(lines[key or 0]),
        )


def _inspectors(changes: list[_Change]) -> Iterator[Call]:
    by_phase = {change.phase.pk: change for change in changes}
    rows = Inspection.objects.filter(
        phase__in=list(by_phase), status__in=visits.OPEN, visit_from__isnull=False
    ).select_related("phase__job__permit__authority")
    for visit in rows.order_by("visit_from", "id"):
        authority = visit.phase.job.permit.authority
        state = visit.get_status_display().lower()
        words = f"{by_phase[visit.phase_id].words} (it is {state})"
        yield Call(authority.name, request_words(authority), (words,))


def _outside_trades(changes: list[_Change]) -> Iterator[Call]:
    lines = tuple(
        change.words
        for change in changes
        if PHASE_TABLE[change.phase.code].performer is Performer.SUB
    )
    if lines:
        yield Call("Outside trades", "", lines)


def _suppliers(changes: list[_Change], now: datetime) -> Iterator[Call]:
    """Yield deliveries that a phase would now need sooner, and concrete, which cannot wait."""
    # Of a phase in parts the first that moves needs its material.
    in_turn = sorted(changes, key=lambda change: -change.phase.part)
    by_phase = {(change.phase.job_id, change.phase.code): change for change in in_turn}
    lines: dict[str, list[str]] = defaultdict(list)
    for line in call_ahead(now=now, every=True).to_confirm:
        row = line.delivery
        change = by_phase.get((row.job_id, line.phase_code))
        if change is None or change.becomes is None or row.promised_on is None:
            continue
        begins = timezone.localdate(change.becomes.starts_at)
        if row.item == Delivery.Item.CONCRETE or begins <= row.promised_on:
            what = f"{row.get_item_display()} promised {_day(row.promised_on)}"
            lines[row.supplier or "No supplier entered"].append(f"{what}: {change.words}")
    for supplier, words in sorted(lines.items()):
        yield Call(supplier, "", tuple(words))


def _when(row: Booking) -> str:
    first, last = timezone.localdate(row.starts_at), timezone.localdate(row.ends_at)
    crew = f" with {row.crew.name}" if row.crew else ""
    return f"{_day(first)}{crew}" if first == last else f"{_day(first)} to {_day(last)}{crew}"


def _day(day: object) -> str:
    return f"{day:%a %b %-d}"
