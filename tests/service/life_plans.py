"""
What a plan that has just been made in the life of a small firm must keep, read from the rows alone.

Each check is written apart from the planner, from the rules of the trade: docs/planning.md tells
them, and common practice, no source, stands behind them.
"""

from collections.abc import Collection, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import pairwise

from django.utils import timezone

from contractor.trade.phase_table import PHASE_TABLE
from contractor.trade.phases import Follows, JobNetwork
from crews.models import Crew, DayOff
from inspections.models import LocateTicket
from jobs.models import Booking, Delivery, FieldReport, Job, LentPeople, Phase, Plan, SetAside
from jobs.selectors.buildings import building_of
from jobs.selectors.networks import network_of

MINUTE = timedelta(minutes=1)
QUARTER = timedelta(minutes=15)
Parts = dict[str, list[Phase]]
Booked = dict[int, Booking]


def check_fresh(plan: Plan) -> None:
    """A plan that has just been made breaks no rule, and has every open phase or a reason."""
    rows = plan.bookings.select_related("phase__job", "crew").prefetch_related("equipment")
    booked = {row.phase_id: row for row in rows}
    without = {(entry["job"], entry["phase"]) for entry in plan.unplanned if entry["reason"]}
    for job in Job.objects.filter(status="SIGNED").order_by("pk"):
        parts: Parts = {}
        for phase in job.phases.exclude(status="DROPPED").order_by("part"):
            parts.setdefault(phase.code, []).append(phase)
            in_plan = phase.pk in booked
            left_out = (job.number, phase.code) in without
            if phase.status == "DONE":
                assert not in_plan, f"{phase} is done and booked"
            elif phase.parts == 1:
                assert in_plan != left_out, f"{phase}: booked {in_plan}, left out {left_out}"
            else:
                assert in_plan or left_out, f"{phase} is neither booked nor left out"
        network = network_of(job, building_of(job))
        for link in network.follows:
            _check_link(link, parts.get(link.before, []), parts.get(link.after, []), booked)
        for rows_of_one in parts.values():
            _check_chain(rows_of_one, booked)
        _check_waits(plan, job, network, parts, booked)
    for row in booked.values():
        if row.crew is not None and row.phase.status == "OPEN" and not row.phase.stopped_by:
            _check_hours(row)


def _check_link(
    link: Follows, before: Sequence[Phase], after: Sequence[Phase], booked: Booked
) -> None:
    """No part of what follows begins before each part of its leader allows it."""
    wait = timedelta(hours=link.lag_hours)
    for follower in after:
        row = booked.get(follower.pk)
        if row is None or follower.status != "OPEN":
            continue
        for leader in before:
            place = booked.get(leader.pk)
            # Concrete that was poured goes by its own clock and readings.
            cure = None if link.cure is None or leader.pours.exists() else link.cure
            cures = timedelta(hours=cure.minimum_hours if cure else 0)
            if place is not None:
                begins = place.starts_at if link.start_to_start else place.ends_at + cures
            elif leader.done_at is not None:
                begins = leader.done_at + cures
                if link.start_to_start:
                    begins = leader.started_at or leader.done_at
            else:
                raise AssertionError(f"{follower} has dates, and {leader} before it has none")
            assert row.starts_at >= begins + wait, (
                f"{follower} at {row.starts_at}: {leader} allows it from {begins + wait}"
            )


def _check_chain(parts: Sequence[Phase], booked: Booked) -> None:
    """The parts of one phase come one after the other."""
    rows = [booked[part.pk] for part in parts if part.status == "OPEN" and part.pk in booked]
    for first, second in pairwise(rows):
        assert second.starts_at >= first.ends_at, f"{second.phase} before {first.phase} is done"


def _check_waits(plan: Plan, job: Job, network: JobNetwork, parts: Parts, booked: Booked) -> None:
    """Permit, deliveries, locate ticket, stop and the date agreed on: none is run over."""
    live = [phase for rows in parts.values() for phase in rows]
    fresh = [booked[phase.pk] for phase in live if phase.status == "OPEN" and phase.pk in booked]
    begun = any(phase.status != "OPEN" for phase in live)
    permit = getattr(job, "permit", None)
    waits_for = None
    if permit is not None and not permit.is_exempt and permit.issued_on is None:
        waits_for = permit.expected_on
        assert begun or waits_for or not fresh, f"{job} has dates without a permit"
    items = {row.item: row for row in Delivery.objects.filter(job=job)}
    needed = {code: item for item, code in network.deliveries}
    for row in fresh:
        phase, day = row.phase, _day(row.starts_at)
        assert row.starts_at >= plan.as_of - QUARTER, f"{phase} in the past"
        if not begun:
            assert job.earliest_start_on is None or day >= job.earliest_start_on, f"{phase} early"
            assert waits_for is None or day > waits_for, f"{phase} before its permit of {waits_for}"
        held = items.get(needed.get(phase.code, ""))
        if held is not None and not held.is_complete and held.promised_on is not None:
            assert day > held.promised_on, f"{phase} before {held.item} is there"
        if phase.code in network.dig_phases:
            _check_dig(plan, job, row)
        if phase.stopped_by and phase.stopped_until is not None:
            assert row.starts_at >= phase.stopped_until, f"{phase} while it is stopped"


def _check_dig(plan: Plan, job: Job, row: Booking) -> None:
    """All days in the ground are ones that a ticket covers, called already or to be called."""
    first, last, today = _day(row.starts_at), _day(row.ends_at), _day(plan.as_of)
    tickets = LocateTicket.objects.filter(job=job)
    called = any(ticket.dig_from <= first and last <= ticket.expires_on for ticket in tickets)
    # Ohio: two working days' notice, from memory; one is the least of any state's rule.
    assert called or first > today, f"{row.phase} digs {first} to {last} without a ticket"


def _check_hours(row: Booking) -> None:
    """Work begins and ends in the hours of its crew and machines, and is as long as it takes."""
    assert row.crew is not None
    off = _days_off(row)
    shifts = list(_shifts(row.crew, row.starts_at, row.ends_at, off))
    hours = [(max(begins, row.starts_at), min(ends, row.ends_at)) for begins, ends in shifts]
    spans = [(begins, ends) for begins, ends in hours if ends > begins]
    worked = sum(((ends - begins) for begins, ends in spans), timedelta())
    assert any(begins <= row.starts_at < ends for begins, ends in shifts), (
        f"{row.phase} begins at {row.starts_at}, outside the hours of {row.crew}"
    )
    assert any(begins < row.ends_at <= ends for begins, ends in shifts), (
        f"{row.phase} ends at {row.ends_at}, outside the hours of {row.crew}"
    )
    assert row.work_hours * 60 <= worked / MINUTE + 15, f"{row.phase} is longer than the days are"
    _check_people(row, spans)


def _check_people(row: Booking, spans: Sequence[tuple[datetime, datetime]]) -> None:
    """The work is done by so many people as are there on all days that it needs."""
    phase, crew = row.phase, row.crew
    assert crew is not None
    trade = PHASE_TABLE[phase.code]
    assert crew.is_active, f"{phase} is on {crew}, which is gone"
    assert set(trade.skills) <= set(crew.skills), f"{crew} lacks the skill for {phase}"
    # Work that began as told goes on with what is left of it, reported or not.
    if row.because == "Under way" or FieldReport.objects.filter(phase=phase).exists():
        return
    there = {day: _people_on(crew, day) for day in {_day(begins) for begins, _ in spans}}
    for people in set(there.values()):
        least = phase.planned_hours / (min(people, trade.max_people) * crew.pace)
        worked = sum((e - b for b, e in spans if there[_day(b)] >= people), timedelta())
        is_long = row.work_hours + 0.26 >= least and worked / MINUTE + 15 >= row.work_hours * 60
        at_its_ends = {_day(row.starts_at), _day(row.ends_at - MINUTE)}
        is_there = all(there.get(day, 0) >= people for day in at_its_ends)
        if people >= trade.min_people and is_long and is_there:
            return
    raise AssertionError(
        f"{phase} of {phase.planned_hours} hours has {row.work_hours}, {row.starts_at} to "
        f"{row.ends_at}, and {crew}, pace {crew.pace}, is on its days {there}"
    )


def _people_on(crew: Crew, day: date) -> int:
    rows = LentPeople.objects.filter(first_day__lte=day, last_day__gte=day)
    away = sum(row.people for row in rows if row.from_crew_id == crew.pk)
    return crew.size - away + sum(row.people for row in rows if row.to_crew_id == crew.pk)


def _shifts(
    crew: Crew, first: datetime, last: datetime, off: Collection[date]
) -> Iterator[tuple[datetime, datetime]]:
    """Return what a crew works from a day to a day, without days off and time set aside."""
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


def _days_off(row: Booking) -> set[date]:
    """Return the days off of everyone, of a booking's crew, and of its machines."""
    machines = {machine.pk for machine in row.equipment.all()}
    assert all(machine.is_active for machine in row.equipment.all()), f"{row.phase}: no machine"
    days = set()
    for off in DayOff.objects.all():
        if (off.crew_id or off.equipment_id) is None or (
            off.crew_id == row.crew_id if off.crew_id else off.equipment_id in machines
        ):
            for number in range((off.last_day - off.first_day).days + 1):
                days.add(off.first_day + timedelta(days=number))
    return days


def _day(moment: datetime) -> date:
    return timezone.localdate(moment)
