"""
What holds whatever happens to a firm's jobs, read from the rows alone.

Each check is written apart from the planner, from the rules of the trade: docs/planning.md tells
them, and common practice, no source, stands behind them.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

from django.utils import timezone

from contractor.trade.phases import INSPECTIONS
from contractor.trade.progress import standing
from crews.models import Crew, DayOff, FeedEvent
from inspections.models import InspectionEvent, LocateTicket
from jobs.models import (
    BoardMove,
    Booking,
    Change,
    Delivery,
    DeliveryReport,
    FieldReport,
    Job,
    Notice,
    Phase,
    Plan,
    ReplanProposal,
    SetAside,
    Slip,
    SlipStep,
)
from jobs.selectors.buildings import building_of
from jobs.selectors.networks import network_of
from jobs.selectors.reports import told

MINUTE = timedelta(minutes=1)
# What a row may still become after it is written; all else of it stays.
MAY_CHANGE = {
    FieldReport: (),
    InspectionEvent: (),
    Change: (),
    BoardMove: ("undone_at", "undone_by_id", "plan_id"),
    DeliveryReport: ("undone_at",),
    SlipStep: (),
    Booking: ("is_live", "because_phase_id"),
}


class Record:
    """Rows that are written once: none is changed, none is lost."""

    def __init__(self) -> None:
        self.seen: dict[Any, dict[Any, Any]] = {model: {} for model in MAY_CHANGE}

    def check(self) -> None:
        """Hold the record against what it was, and keep what is new in it."""
        for model, but in MAY_CHANGE.items():
            rows = {
                row["pk"]: {name: value for name, value in row.items() if name not in but}
                for row in model._default_manager.values("pk", *_columns(model))
            }
            for key, before in self.seen[model].items():
                assert rows.get(key) == before, f"{model.__name__} {key} is not what it was"
            self.seen[model] = rows


def _columns(model: Any) -> list[str]:
    return [field.attname for field in model._meta.concrete_fields]


def check_plans() -> None:
    """One plan is published, one is the draft, one proposal waits; live is what is published."""
    states = list(Plan.objects.values_list("status", flat=True))
    assert states.count("PUBLISHED") <= 1
    assert states.count("DRAFT") <= 1
    assert ReplanProposal.objects.filter(state="OPEN").count() <= 1
    live = set(Booking.objects.filter(is_live=True).values_list("pk", flat=True))
    assert live == set(
        Booking.objects.filter(plan__status="PUBLISHED").values_list("pk", flat=True)
    )


def check_nobody_in_two_places() -> None:
    """No crew and no machine is booked twice at one moment of one plan."""
    for status in ("PUBLISHED", "DRAFT"):
        held: dict[Any, list[tuple[datetime, datetime, str]]] = defaultdict(list)
        rows = Booking.objects.filter(plan__status=status).select_related("phase__job")
        for row in rows.prefetch_related("equipment"):
            stay = (row.starts_at, row.ends_at, str(row.phase))
            if row.crew_id:
                held["crew", row.crew_id].append(stay)
            for machine in row.equipment.all():
                held["machine", machine.pk].append(stay)
        for who, stays in held.items():
            for first, second in pairwise(sorted(stays)):
                assert first[1] <= second[0], f"{status}: {who} is on {first} and {second}"


def check_phases() -> None:
    """A phase stands where all that was reported of it tells, in whatever order it came."""
    for phase in Phase.objects.exclude(code__in=INSPECTIONS).exclude(status="DROPPED"):
        reports = list(FieldReport.objects.filter(phase=phase))
        if not reports:
            continue
        state = standing(told(report) for report in reports)
        assert (phase.status, phase.started_at, phase.done_at) == (
            state.status.value,
            state.started_at,
            state.done_at,
        ), f"{phase} stands otherwise than its reports tell"


def check_notices() -> None:
    """Nobody is told the same twice; a message carries one person's notices."""
    told_of = list(Notice.objects.values_list("event", "person", "kind"))
    assert len(told_of) == len(set(told_of))
    bodies = list(
        Notice.objects.filter(kind="SLIP").values_list("person", "subject", "body", "event")
    )
    assert len(bodies) == len(set(bodies))
    messages: dict[Any, set[str]] = defaultdict(set)
    for message, person in Notice.objects.exclude(message_id=None).values_list(
        "message_id", "person"
    ):
        messages[message].add(person)
    assert all(len(people) == 1 for people in messages.values())


def check_slips() -> None:
    """No event is two slips of one job, and the steps of a job follow on from each other."""
    events = list(Slip.objects.values_list("plan", "job", "event"))
    assert len(events) == len(set(events))
    steps: dict[Any, list[SlipStep]] = defaultdict(list)
    for step in SlipStep.objects.order_by("compared_at", "number"):
        steps[step.plan_id, step.job_id].append(step)
    for rows in steps.values():
        for first, second in pairwise(rows):
            assert first.ends_after == second.ends_before, f"{first.what}, then {second.what}"


class Calendars:
    """Every event of a calendar keeps its UID, and its SEQUENCE never goes down (RFC 5545)."""

    def __init__(self) -> None:
        self.seen: dict[Any, tuple[Any, int]] = {}

    def check(self) -> None:
        """Hold the calendars against what they were."""
        rows = {
            (row.crew_id, row.calendar_id, row.source): (row.uid, row.sequence)
            for row in FeedEvent.objects.all()
        }
        for key, (uid, sequence) in self.seen.items():
            if key in rows:
                assert rows[key][0] == uid, f"{key} has another UID"
                assert rows[key][1] >= sequence, f"{key}: SEQUENCE went down"
        uids = [uid for uid, _ in rows.values()]
        assert len(uids) == len(set(uids))
        self.seen.update(rows)


def check_fresh(plan: Plan) -> None:
    """A plan that has just been made breaks no rule, and has every open phase or a reason."""
    booked = {row.phase_id: row for row in plan.bookings.select_related("phase__job", "crew")}
    without = {(entry["job"], entry["phase"]) for entry in plan.unplanned if entry["reason"]}
    for job in Job.objects.filter(status="SIGNED"):
        phases = {row.code: row for row in job.phases.exclude(status="DROPPED")}
        for phase in phases.values():
            in_plan = phase.pk in booked
            left_out = (job.number, phase.code) in without
            if phase.status == "DONE":
                assert not in_plan, f"{phase} is done and booked"
            else:
                assert in_plan != left_out, f"{phase}: booked {in_plan}, left out {left_out}"
        rows = {code: booked[row.pk] for code, row in phases.items() if row.pk in booked}
        _check_order(job, phases, rows)
        _check_waits(plan, job, phases, rows)
    for row in booked.values():
        if row.crew is not None and row.phase.status == "OPEN" and not row.phase.stopped_by:
            _check_hours(plan, row)


def _check_order(job: Job, phases: dict[str, Phase], rows: dict[str, Booking]) -> None:
    for link in network_of(job, building_of(job)).follows:
        after = rows.get(link.after)
        if after is None or phases[link.after].status != "OPEN":
            continue
        before, done = rows.get(link.before), phases.get(link.before)
        if before is not None:
            begins = before.starts_at if link.start_to_start else before.ends_at
        elif done is not None and done.done_at is not None:
            begins = (done.started_at or done.done_at) if link.start_to_start else done.done_at
        else:
            continue
        earliest = begins + timedelta(hours=link.lag_hours)
        assert after.starts_at >= earliest, (
            f"{after.phase} at {after.starts_at}: {link.before} allows it from {earliest}"
        )


def _check_waits(plan: Plan, job: Job, phases: dict[str, Phase], rows: dict[str, Booking]) -> None:
    """Permit, deliveries, locate ticket, stop and the date agreed on: none is run over."""
    network = network_of(job, building_of(job))
    fresh = {code: row for code, row in rows.items() if phases[code].status == "OPEN"}
    begun = any(row.status != "OPEN" for row in phases.values())
    earliest = [job.earliest_start_on]
    permit = getattr(job, "permit", None)
    if permit is not None and not permit.is_exempt and permit.issued_on is None:
        earliest.append(permit.expected_on)
    for row in () if begun else fresh.values():
        for day in filter(None, earliest):
            assert _day(row.starts_at) >= day, f"{row.phase} before {day}"
    items = {row.item: row for row in Delivery.objects.filter(job=job)}
    for item, code in network.deliveries:
        held, row = items.get(item), fresh.get(code)
        if row is None or held is None or held.is_complete or held.promised_on is None:
            continue
        assert _day(row.starts_at) >= held.promised_on, f"{row.phase} before {item} is there"
    for code in network.dig_phases:
        if code in fresh:
            _check_dig(plan, job, fresh[code])
    for code, row in fresh.items():
        until = phases[code].stopped_until
        if phases[code].stopped_by and until is not None:
            assert row.starts_at >= until, f"{row.phase} while it is stopped"
        assert row.starts_at >= plan.as_of - timedelta(minutes=15), f"{row.phase} in the past"


def _check_dig(plan: Plan, job: Job, row: Booking) -> None:
    """Each day begun in the ground is one that a ticket covers, called already or to be called."""
    day, today = _day(row.starts_at), _day(plan.as_of)
    tickets = LocateTicket.objects.filter(job=job)
    called = any(ticket.dig_from <= day <= ticket.expires_on for ticket in tickets)
    # Ohio: two working days' notice, from memory; one is the least of any state's rule.
    assert called or day > today, f"{row.phase} digs on {day} without a ticket"


def _check_hours(plan: Plan, row: Booking) -> None:
    """Work begins and ends in the crew's hours, and is not longer than they are."""
    assert row.crew is not None
    drive = timedelta(minutes=-(-row.phase.job.drive_minutes // 15) * 15)
    shifts = list(_shifts(row.crew, row.starts_at, row.ends_at))
    hours = [(max(begins, row.starts_at), min(ends, row.ends_at)) for begins, ends in shifts]
    worked = sum(((ends - begins) for begins, ends in hours if ends > begins), timedelta())
    assert any(begins <= row.starts_at < ends for begins, ends in shifts), (
        f"{row.phase} begins at {row.starts_at}, outside the hours of {row.crew}; drive {drive}"
    )
    assert any(begins < row.ends_at <= ends for begins, ends in shifts), (
        f"{row.phase} ends at {row.ends_at}, outside the hours of {row.crew}"
    )
    assert row.work_hours * 60 <= worked / MINUTE + 15, f"{row.phase} is longer than the days are"


def _shifts(crew: Crew, first: datetime, last: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Return what a crew works from a day to a day, without days off and time set aside."""
    off = set(_days_off(crew))
    zone = timezone.get_default_timezone()
    day = _day(first)
    while day <= _day(last):
        for begins, ends in crew.work_hours.week().get(day.weekday(), ()) if day not in off else ():
            yield from _without_asides(
                crew, datetime.combine(day, begins, zone), datetime.combine(day, ends, zone)
            )
        day += timedelta(days=1)


def _without_asides(
    crew: Crew, begins: datetime, ends: datetime
) -> Iterator[tuple[datetime, datetime]]:
    asides = SetAside.objects.filter(crew=crew, starts_at__lt=ends, ends_at__gt=begins)
    for aside in asides.order_by("starts_at"):
        if aside.starts_at > begins:
            yield begins, aside.starts_at
        begins = max(begins, aside.ends_at)
    if begins < ends:
        yield begins, ends


def _days_off(crew: Crew) -> Iterable[date]:
    for row in DayOff.objects.filter(equipment=None):
        if row.crew_id in (None, crew.pk):
            for number in range((row.last_day - row.first_day).days + 1):
                yield row.first_day + timedelta(days=number)


def _day(moment: datetime) -> date:
    return timezone.localdate(moment)
