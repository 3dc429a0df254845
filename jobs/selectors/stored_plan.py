"""A stored plan read back as the engine's problem and schedule, so that it can be explained.

Bookings keep what binds each start, not the whole problem: rows may have changed since, and a plan
is explained as it was made. Off hours and driving are read from today's work hours, lends and time
set aside.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils import timezone

from contractor.engine import problem as engine
from contractor.engine.crew_report import path_back
from contractor.engine.schedule import Because, Bind, Placed, Schedule
from contractor.engine.worktime import SLOT_MINUTES, Axis, WorkCalendar, always_open
from contractor.trade.phases import PHASE_TABLE, Performer, WaitKind
from crews.models import Crew, Equipment
from jobs.models import Booking, Job, Plan, PlannedWait
from jobs.selectors.booked import with_rows
from jobs.selectors.crew_load import CrewDays, days_of_crews
from jobs.selectors.plans import bookings
from jobs.selectors.site_calendars import whole_quarters

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

EARLIER_PHASE = "EARLIER_PHASE"
EARLIEST_DATE = "EARLIEST_DATE"
# So many letters of a wait's words tell it from all others, where the end was cut off.
MANY_LETTERS = 200
# What binds a start by other work; all else is a choice or a date.
_LEADS_ON = {kind.value for kind in (Bind.LINK, Bind.CREW, Bind.MACHINE)}
OPEN = 0
"""The calendar of those who are no crew of ours: what they do is not counted in working time."""


@dataclass(frozen=True, slots=True)
class StoredPlan:
    """A plan's problem and schedule, with the rows that their indexes stand for."""

    plan: Plan
    bookings: tuple[Booking, ...]
    jobs: tuple[Job, ...]
    crews: tuple[CrewDays, ...]
    problem: engine.Problem
    schedule: Schedule
    mondays: tuple[date, ...]
    zone: ZoneInfo


@dataclass(frozen=True, slots=True)
class ReasonStep:
    """A booking, why it starts when it does, and if that is a choice, what stands behind it."""

    booking: Booking
    because: str
    behind: str = ""


def reasons(stored: StoredPlan, booking: Booking) -> tuple[ReasonStep, ...]:
    """Return the reasons of a booking across jobs, back to today or a date from outside."""
    index = next(i for i, row in enumerate(stored.bookings) if row.pk == booking.pk)
    rows: list[ReasonStep] = []
    for step in path_back(stored.problem, stored.schedule, index):
        row = stored.bookings[step.activity]
        if rows and rows[-1].booking is row:
            rows[-1] = replace(rows[-1], behind=_behind_words(stored, step.because))
        else:
            rows.append(ReasonStep(row, row.because))
    return tuple(rows)


def _behind_words(stored: StoredPlan, because: Because) -> str:
    """Return in words what would hold a booking back if the choice did not."""
    if because.activity is None:
        return "" if because.kind is Bind.RELEASE else "Without that it could begin at once"
    leader = stored.bookings[because.activity]
    return (
        f"Before it comes {leader.phase.get_code_display().lower()}, job {leader.phase.job.number}"
    )


def reached_from(plan: Plan, booking: Booking) -> frozenset[int]:
    """
    Return the bookings that the reasons of one can lead to, itself included, in one query.

    From each the way goes to the phase that it names; from a choice also to what its crew did
    before. Reading these alone tells the same reasons as reading the whole plan.
    """
    rows = list(
        Booking.objects.filter(plan=plan)
        .order_by("starts_at", "id")
        .values_list("pk", "phase", "crew", "because_kind", "because_phase")
    )
    of_phase = {phase: pk for pk, phase, *_ in rows}
    leads: dict[int, tuple[int | None, ...]] = {}
    last: dict[int, int] = {}
    for pk, _, crew, kind, named in rows:
        named_pk = of_phase.get(named) if named else None
        is_choice = named_pk is None or kind.lower() not in _LEADS_ON
        leads[pk] = (named_pk, last.get(crew) if crew and is_choice else None)
        if crew:
            last[crew] = pk
    found, ahead = {booking.pk}, [booking.pk]
    while ahead:
        new = {pk for pk in leads.get(ahead.pop(), ()) if pk is not None} - found
        found |= new
        ahead += new
    return frozenset(found)


def stored_plan(plan: Plan, *, only: Collection[int] | None = None) -> StoredPlan:
    """Return a plan, or some bookings of it, as the engine reads it, in as many queries always."""
    # Machines are read at once below: a booking's own query set for them costs as much as its row.
    found = bookings(plan).select_related(None).prefetch_related(None)
    rows = tuple(with_rows(found if only is None else found.filter(pk__in=only)))
    waits = tuple(PlannedWait.objects.filter(plan=plan))
    booked = {row.crew_id for row in rows if row.crew_id}
    crews = (
        Crew.objects.filter(Q(is_active=True) | Q(pk__in=booked))
        .select_related("work_hours")
        .prefetch_related("days_off")
        .order_by("name")
    )
    days = tuple(days_of_crews(crews, since=_mondays(plan, rows)[0]))
    return _Reader(plan, rows, waits, days).read()


class _Reader:
    """Puts the problem and the schedule together."""

    def __init__(
        self,
        plan: Plan,
        rows: tuple[Booking, ...],
        waits: Iterable[PlannedWait],
        crews: tuple[CrewDays, ...],
    ) -> None:
        self.plan = plan
        self.rows = rows
        self.crews = crews
        self.zone = ZoneInfo(timezone.get_default_timezone_name())
        self.mondays = _mondays(plan, rows)
        self.axis = self._axis()
        self.now = self.axis.slot_at_or_after(plan.as_of)
        self.crew_index = {days.crew.pk: index for index, days in enumerate(crews)}
        self.machines_of = _machines_of(rows)
        machines = {m.pk: m for row in self.machines_of.values() for m in row}
        self.machines = tuple(machines[pk] for pk in sorted(machines))
        self.machine_index = {m.pk: i for i, m in enumerate(self.machines, start=len(crews))}
        self.activity_of = {row.phase_id: index for index, row in enumerate(rows)}
        self.jobs = tuple({row.phase.job_id: row.phase.job for row in rows}.values())
        self.waits: dict[int, list[PlannedWait]] = {}
        for wait in waits:
            self.waits.setdefault(wait.job_id, []).append(wait)
        self.calendars: list[WorkCalendar] = [always_open("open", self.axis)]
        self._calendar_index: dict[tuple[int, int], int] = {}

    def read(self) -> StoredPlan:
        """Return all of it."""
        job_index = {job.pk: index for index, job in enumerate(self.jobs)}
        activities = tuple(self._activity(row, job_index[row.phase.job_id]) for row in self.rows)
        placed = tuple(self._placed(index, row) for index, row in enumerate(self.rows))
        problem = engine.Problem(
            axis=self.axis,
            now=self.now,
            calendars=tuple(self.calendars),
            resources=tuple(self._resources()),
            activities=activities,
            links=(),
            waits=(),
            jobs=tuple(self._job(job) for job in self.jobs),
        )
        return StoredPlan(
            plan=self.plan,
            bookings=self.rows,
            jobs=self.jobs,
            crews=self.crews,
            problem=problem,
            schedule=Schedule(placed, (), ()),
            mondays=self.mondays,
            zone=self.zone,
        )

    def _axis(self) -> Axis:
        origin = midnight(self.mondays[0], self.zone)
        end = midnight(self.mondays[-1] + timedelta(days=7), self.zone)
        return Axis(origin, (end - origin) // timedelta(minutes=SLOT_MINUTES))

    def _resources(self) -> list[engine.Resource]:
        crews = [engine.Resource(f"crew {d.crew.pk}", d.crew.name) for d in self.crews]
        return [*crews, *(engine.Resource(f"machine {m.pk}", m.name) for m in self.machines)]

    def _job(self, job: Job) -> engine.Job:
        """Return a job; one of which a part has no dates has no finish to hold to a promise."""
        partly = any(entry["job"] == job.number for entry in self.plan.unplanned)
        due = None
        if job.promised_on and not partly:
            day_after = midnight(job.promised_on + timedelta(days=1), self.zone)
            due = (day_after - self.axis.origin) // timedelta(minutes=SLOT_MINUTES)
        return engine.Job(job.number, due=due, weight=float(job.promise_weight))

    def _activity(self, row: Booking, job: int) -> engine.Activity:
        crew = None if row.crew_id is None else self.crew_index[row.crew_id]
        machines = tuple(self.machine_index[m.pk] for m in self.machines_of.get(row.pk, ()))
        mode = engine.Mode(crew, 0, self._calendar(row, crew), machines)
        return engine.Activity(f"booking {row.pk}", job, (mode,))

    def _calendar(self, row: Booking, crew: int | None) -> int:
        if crew is None:
            return OPEN
        drive = whole_quarters(row.phase.job.drive_minutes)
        if (crew, drive) not in self._calendar_index:
            self._calendar_index[crew, drive] = len(self.calendars)
            self.calendars.append(self.crews[crew].calendar(drive, self.axis))
        return self._calendar_index[crew, drive]

    def _placed(self, index: int, row: Booking) -> Placed:
        bounds = self._bounds(row)
        start, finish = self._slot(row.starts_at), self._slot(row.ends_at)
        return Placed(index, 0, start, finish, bounds[0], bounds)

    def _bounds(self, row: Booking) -> tuple[Because, ...]:
        """Return what binds a booking, then what stands behind a pause."""
        kind = Bind(row.because_kind.lower())
        leader = self.activity_of.get(row.because_phase_id) if row.because_phase_id else None
        if not row.behind_kind:
            return (self._because(row, kind, leader),)
        behind = self._because(row, Bind(row.behind_kind), leader)
        # Later than announced is no cause of its own; a pause is.
        return (behind,) if kind is Bind.FROZEN else (self._because(row, kind, leader), behind)

    def _because(self, row: Booking, kind: Bind, leader: int | None) -> Because:
        start = self._slot(row.starts_at)
        if kind in (Bind.CREW, Bind.MACHINE):
            slot = start if leader is None else self._slot(self.rows[leader].ends_at)
            return Because(kind, leader, self._resource(kind, row, leader), slot, row.because)
        if kind is Bind.LINK:
            return Because(kind, leader, None, *self._link(row, leader))
        if kind is Bind.RELEASE:
            return Because(kind, None, None, *self._release(row))
        return Because(kind, leader, None, self.now if kind is Bind.NOW else start, row.because)

    def _resource(self, kind: Bind, row: Booking, leader: int | None) -> int | None:
        if kind is Bind.CREW:
            return None if row.crew_id is None else self.crew_index[row.crew_id]
        shared = [] if leader is None else self._shared_machines(row, self.rows[leader])
        return min(shared, default=None)

    def _shared_machines(self, row: Booking, other: Booking) -> list[int]:
        mine = {machine.pk for machine in self.machines_of.get(row.pk, ())}
        others = self.machines_of.get(other.pk, ())
        return [self.machine_index[m.pk] for m in others if m.pk in mine]

    def _link(self, row: Booking, leader: int | None) -> tuple[int, str]:
        """Return until when a leader holds a booking, and the kind of wait that it causes."""
        start = self._slot(row.starts_at)
        if leader is None:
            return start, EARLIER_PHASE
        before = self.rows[leader].phase.code
        for wait in self.waits.get(row.phase.job_id, ()):
            if (wait.after_code, wait.before_code) == (before, row.phase.code):
                return min(self._slot(wait.ends_at), start), wait.kind
        if PHASE_TABLE[row.phase.code].performer is Performer.AUTHORITY:
            return start, WaitKind.INSPECTION_NOTICE.value
        return min(self._slot(self.rows[leader].ends_at), start), EARLIER_PHASE

    def _release(self, row: Booking) -> tuple[int, str]:
        start = self._slot(row.starts_at)
        wait = self._wait_of(row)
        if wait is None:
            return start, EARLIEST_DATE
        return min(self._slot(wait.ends_at), start), wait.kind

    def _wait_of(self, row: Booking) -> PlannedWait | None:
        """Return the wait that a booking's reason tells last, as both are kept in the same words.

        A reason is cut at so many characters, and may have words before those of the wait.
        """
        told = row.because.lower()
        waits = self.waits.get(row.phase.job_id, ())
        return next((w for w in waits if w.basis and _tells(told, w.basis.lower())), None)

    def _slot(self, moment: datetime) -> int:
        return self.axis.slot_at_or_after(moment)


def _tells(told: str, basis: str) -> bool:
    """Return whether a reason ends with the words of a wait, or with as many as were kept."""
    return told.endswith(basis) or (len(basis) > MANY_LETTERS and basis[:MANY_LETTERS] in told)


def midnight(day: date, zone: ZoneInfo) -> datetime:
    """Return a day's local midnight, in UTC so that such moments subtract by the clock."""
    return datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)


def _machines_of(rows: Sequence[Booking]) -> dict[int, list[Equipment]]:
    """Return the machines of bookings by booking, in two queries."""
    plans = {row.plan_id for row in rows}
    every = {
        machine.pk: machine
        for machine in Equipment.objects.filter(bookings__plan__in=plans).distinct()
    }
    found: dict[int, list[Equipment]] = {}
    used = Booking.equipment.through.objects.filter(booking__plan__in=plans).order_by("id")
    for booking, machine in used.values_list("booking_id", "equipment_id"):
        found.setdefault(booking, []).append(every[machine])
    only = {row.pk for row in rows}
    return {booking: machines for booking, machines in found.items() if booking in only}


def _mondays(plan: Plan, rows: Sequence[Booking]) -> tuple[date, ...]:
    """Return the Mondays from the plan's first week to that of its last booking."""
    first = min([plan.as_of, *(row.starts_at for row in rows)])
    last = max([plan.as_of, *(row.ends_at for row in rows)])
    monday, end = (
        (local := timezone.localdate(moment)) - timedelta(days=local.weekday())
        for moment in (first, last)
    )
    return tuple(monday + timedelta(weeks=n) for n in range((end - monday).days // 7 + 1))
