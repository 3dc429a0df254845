"""What a plan asks of each crew: its load, its idle hours and why, and the lateness it causes.

The lateness of a job is read off the chain that binds its last activity (`explain.chain`), which
crosses jobs: a crew is waited for while it works elsewhere. Where a chain ends at a choice (a pin,
a date that was told, work held back on purpose, a window, a closing), it goes on with what the
same crew did before. So the chain fills the time from now to the job's finish, and each slot of it
belongs to one cause: the job's own work, a crew or machine that was busy on another job, or a wait.
The waits and the busy crews bear the days late in proportion to their slots, none more than it has;
what then is left is borne by the job's own work, for which the promise was too short.
The method is our own.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from contractor.engine.explain import Step, chain
from contractor.engine.objective import days_late
from contractor.engine.problem import Problem
from contractor.engine.schedule import Because, Bind, Placed, Schedule
from contractor.engine.worktime import WorkCalendar

__all__ = [
    "OWN_WORK",
    "Cause",
    "CrewReport",
    "LateJob",
    "Report",
    "Week",
    "crew_report",
    "path_back",
]

TOLD_APART = (Bind.LINK, Bind.RELEASE)


@dataclass(frozen=True, slots=True)
class Cause:
    """What time was spent on; `resource` is the crew or machine that was busy.

    `why` tells apart the waits of links and releases and is empty for all else. LINK without
    `why` is work on another job that no crew does.
    """

    kind: Bind
    resource: int | None = None
    why: str = ""


OWN_WORK = Cause(Bind.NOW)
"""The job's own work, and what was late before now."""


@dataclass(frozen=True, slots=True)
class Week:
    """Slots that the crew's own calendar works from `begins` to `ends`, and those it is taken."""

    begins: int
    ends: int
    open_slots: int
    taken_slots: int


@dataclass(frozen=True, slots=True)
class CrewReport:
    """One crew. `idle` counts working slots by cause between its first and its last stretch.

    `away_slots` lie there too, but at neither site could work be done: it is driving. `late_days`
    are days of lateness by job that go back to waiting for this crew, most first.
    """

    crew: int
    weeks: tuple[Week, ...]
    idle: tuple[tuple[Cause, int], ...]
    away_slots: int
    late_days: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class LateJob:
    """A job with its whole days late and the part of them that each cause bears, most first."""

    job: int
    days: int
    causes: tuple[tuple[Cause, float], ...]


@dataclass(frozen=True, slots=True)
class Report:
    """Crews in the order they were asked for, late jobs in that of the problem."""

    crews: tuple[CrewReport, ...]
    late_jobs: tuple[LateJob, ...]


def path_back(problem: Problem, schedule: Schedule, activity: int) -> tuple[Step, ...]:
    """Return `explain.chain` of an activity, gone on with where it ends at a choice.

    Behind a step that a choice binds, a second step of the same activity tells what would bind it
    next; it may have no leader, and then it is the last. Raises ValueError for an index that is
    no activity.
    """
    return _Work(problem, schedule).path_back(activity)


def crew_report(
    problem: Problem,
    schedule: Schedule,
    *,
    own_calendars: Mapping[int, WorkCalendar],
    week_edges: Sequence[int],
) -> Report:
    """Return the report of the crews that `own_calendars` names, by index of a resource.

    A crew's own calendar is that of its yard, driving included. Week n runs from edge n to the
    next, in slots. A job of which a part is not planned is not counted as late. Raises ValueError
    where the edges do not rise or an index is no resource.
    """
    _check(problem, own_calendars, week_edges)
    work = _Work(problem, schedule)
    late_jobs = tuple(work.late_jobs())
    return Report(
        tuple(
            _crew(work, crew, calendar, week_edges, late_jobs)
            for crew, calendar in own_calendars.items()
        ),
        late_jobs,
    )


def _check(
    problem: Problem, own_calendars: Mapping[int, WorkCalendar], week_edges: Sequence[int]
) -> None:
    for crew in own_calendars:
        if not 0 <= crew < len(problem.resources):
            raise ValueError(
                f"crew {crew}: is not an index from 0 to {len(problem.resources) - 1}; "
                "give calendars by index of a resource"
            )
    for begins, ends in pairwise(week_edges):
        if begins >= ends:
            raise ValueError(f"week_edges {begins}, {ends}: must rise; give each edge once")


class _Work:
    """A schedule with what each crew does in order of time."""

    __slots__ = ("_before", "by_crew", "problem", "schedule")

    def __init__(self, problem: Problem, schedule: Schedule) -> None:
        self.problem = problem
        self.schedule = schedule
        self.by_crew: dict[int, list[Placed]] = {}
        for placed in schedule.placed:
            crew = None if placed is None else self.crew_of(placed)
            if placed is not None and crew is not None:
                self.by_crew.setdefault(crew, []).append(placed)
        self._before: dict[int, Placed] = {}
        for stretches in self.by_crew.values():
            stretches.sort(key=lambda placed: (placed.start, placed.finish, placed.activity))
            self._before.update((after.activity, before) for before, after in pairwise(stretches))

    def crew_of(self, placed: Placed) -> int | None:
        return self.problem.activities[placed.activity].modes[placed.mode].crew

    def calendar_of(self, placed: Placed) -> WorkCalendar:
        mode = self.problem.activities[placed.activity].modes[placed.mode]
        return self.problem.calendars[mode.calendar]

    def place(self, activity: int) -> Placed:
        placed = self.schedule.placed[activity]
        assert placed is not None
        return placed

    def late_jobs(self) -> Iterator[LateJob]:
        members: dict[int, list[int]] = {}
        for i, activity in enumerate(self.problem.activities):
            members.setdefault(activity.job, []).append(i)
        for job, activities in sorted(members.items()):
            due = self.problem.jobs[job].due
            placed = [p for i in activities if (p := self.schedule.placed[i]) is not None]
            if due is None or len(placed) < len(activities):
                continue
            last = max(placed, key=lambda one: (one.finish, -one.activity))
            if last.finish > due:
                yield LateJob(job, days_late(due, last.finish), self._causes(due, last))

    def _causes(self, due: int, last: Placed) -> tuple[tuple[Cause, float], ...]:
        late = last.finish - due
        waited = _waited(self, last)
        waited.pop(OWN_WORK, None)
        share = min(1.0, late / waited.total()) if waited.total() else 0.0
        days_a_slot = days_late(due, last.finish) / late
        causes = [(cause, slots * share * days_a_slot) for cause, slots in waited.items()]
        rest = late - share * waited.total()
        if rest > 0:
            causes.append((OWN_WORK, rest * days_a_slot))
        return tuple(sorted(causes, key=lambda row: -row[1]))

    def path_back(self, activity: int) -> tuple[Step, ...]:
        """Return the chain of an activity; behind each choice stands what would bind next."""
        steps: list[Step] = []
        seen: set[int] = set()
        at: int | None = activity
        while at is not None:
            links, at = chain(self.problem, self.schedule, at), None
            for link in links:
                if link.activity in seen:
                    break
                seen.add(link.activity)
                because = self.binding(self.place(link.activity))
                steps.append(Step(link.activity, link.start, because))
                if not _is_followed(because) and because.kind is not Bind.NOW:
                    behind = self._behind(link.activity)
                    steps.append(Step(link.activity, link.start, behind))
                    at = behind.activity
                    break
        return tuple(steps)

    def binding(self, placed: Placed) -> Because:
        """Return what binds a start; of work later than announced, what made it so."""
        because = placed.because
        if because.kind is not Bind.FROZEN:
            return because
        told = (because.slot, because.activity)
        causes = [bound for bound in placed.bounds if _is_followed(bound)]
        return next((b for b in causes if (b.slot, b.activity) == told), because)

    def _behind(self, activity: int) -> Because:
        """Return what would bind an activity, were it not for the choice that does."""
        bounds = [b for b in self.place(activity).bounds if _is_followed(b)]
        before = self._before.get(activity)
        if before is not None:
            crew = self.crew_of(before)
            bounds.append(Because(Bind.CREW, before.activity, crew, before.finish, "the crew"))
        now = Because(Bind.NOW, None, None, self.problem.now, "nothing starts in the past")
        return max([now, *bounds], key=lambda bound: bound.slot)


def _is_followed(bound: Because) -> bool:
    """Return whether a bound leads to other work or to a date from outside; a choice does not."""
    leads = bound.kind in (Bind.LINK, Bind.CREW, Bind.MACHINE) and bound.activity is not None
    return leads or bound.kind is Bind.RELEASE


def _waited(work: _Work, last: Placed) -> Counter[Cause]:
    """Return by cause the slots from now to the finish of `last`, each counted once."""
    spent: Counter[Cause] = Counter()
    home = work.problem.activities[last.activity].job
    cursor, busy = last.finish, OWN_WORK

    def spend(cause: Cause, begins: int) -> None:
        nonlocal cursor
        begins = min(max(begins, work.problem.now), cursor)
        spent[cause] += cursor - begins
        cursor = begins

    steps = work.path_back(last.activity)
    for step, following in zip(steps, (*steps[1:], None), strict=True):
        at_home = work.problem.activities[step.activity].job == home
        because = step.because
        # Off hours between what binds and the start go with the work that follows them.
        spend(OWN_WORK if at_home else busy, min(because.slot, step.start))
        if following is None:
            spend(_cause(because), work.problem.now)
        elif following.activity == step.activity:
            spend(_cause(because), following.because.slot)
        else:
            leader = work.place(following.activity)
            spend(_cause(because), leader.finish)
            busy = _busy(work, step, leader)
    return +spent


def _cause(because: Because) -> Cause:
    """Return what is waited for where something binds."""
    if because.kind is Bind.NOW:
        return OWN_WORK
    if because.kind in (Bind.CREW, Bind.MACHINE):
        return Cause(because.kind, because.resource)
    return Cause(because.kind, None, because.why if because.kind in TOLD_APART else "")


def _busy(work: _Work, step: Step, leader: Placed) -> Cause:
    """Return whose work on `leader` a step waits for, should it be another job's."""
    resource = step.because.resource
    if resource is None:
        crew = work.crew_of(leader)
        return Cause(Bind.LINK) if crew is None else Cause(Bind.CREW, crew)
    is_crew = resource == work.crew_of(work.place(step.activity))
    return Cause(Bind.CREW if is_crew else Bind.MACHINE, resource)


def _crew(
    work: _Work,
    crew: int,
    calendar: WorkCalendar,
    week_edges: Sequence[int],
    late_jobs: Sequence[LateJob],
) -> CrewReport:
    stretches = work.by_crew.get(crew, [])
    idle, away = _idle(work, stretches, calendar)
    mine = Cause(Bind.CREW, crew)
    late = [(job.job, days) for job in late_jobs for cause, days in job.causes if cause == mine]
    return CrewReport(
        crew=crew,
        weeks=tuple(_week(stretches, calendar, *edges) for edges in pairwise(week_edges)),
        idle=tuple(sorted(idle.items(), key=lambda row: -row[1])),
        away_slots=away,
        late_days=tuple(sorted(late, key=lambda row: -row[1])),
    )


def _week(stretches: Sequence[Placed], calendar: WorkCalendar, begins: int, ends: int) -> Week:
    taken = 0
    for placed in stretches:
        first, last = max(begins, placed.start), min(ends, placed.finish)
        if first < last:
            taken += calendar.work_between(first, last)
    return Week(begins, ends, calendar.work_between(begins, ends), taken)


def _idle(
    work: _Work, stretches: Sequence[Placed], calendar: WorkCalendar
) -> tuple[Counter[Cause], int]:
    """Return idle slots by what the next stretch waited for, and slots spent driving."""
    idle: Counter[Cause] = Counter()
    away = 0
    for before, after in pairwise(stretches):
        gap = slice(before.finish, after.start)
        open_slots = calendar.working[gap]
        at_a_site = work.calendar_of(before).working[gap] | work.calendar_of(after).working[gap]
        idle_slots = int((open_slots & at_a_site).sum())
        away += int(open_slots.sum()) - idle_slots
        if idle_slots:
            idle[_cause(work.binding(after))] += idle_slots
    return idle, away
