"""A scheduling problem: what must be done, by whom it can be done, and what holds it back.

All times are slots of the problem's axis. Cross references are indexes into the tuples of
`Problem`. Every dataclass refuses what makes no sense and names the field, value and remedy.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contractor.engine.worktime import SLOT_MINUTES, SLOTS_PER_DAY, Axis, WorkCalendar

__all__ = [
    "Activity",
    "Announced",
    "Job",
    "Link",
    "Mode",
    "Pin",
    "Problem",
    "Resource",
    "Wait",
    "Window",
]


@dataclass(frozen=True, slots=True)
class Resource:
    """A crew or a machine; `capacity` units, none of them free during a `blocked` stretch."""

    key: str
    label: str
    capacity: int = 1
    blocked: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        _require(
            self.capacity >= 1,
            f"resource {self.key!r}: capacity {self.capacity} "
            "must be at least 1; leave the resource out instead",
        )
        for begins, ends in self.blocked:
            _require(
                0 <= begins < ends,
                f"resource {self.key!r}: blocked {begins} to {ends} "
                "must begin at 0 or later and end after it begins",
            )


@dataclass(frozen=True, slots=True)
class Mode:
    """One way to do an activity. A machine listed twice is needed in two units."""

    crew: int | None
    work_slots: int
    calendar: int
    machines: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        _require(self.work_slots >= 0, f"work_slots {self.work_slots}: cannot be negative")


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time; an activity that has windows lies wholly inside one of them."""

    opens: int
    closes: int

    def __post_init__(self) -> None:
        _require(
            0 <= self.opens < self.closes,
            f"window {self.opens} to {self.closes}: "
            "must open at 0 or later and close after it opens",
        )


@dataclass(frozen=True, slots=True)
class Pin:
    """A crew and start that the office has set. Kept where it can be, else reported as broken."""

    crew: int | None
    start: int

    def __post_init__(self) -> None:
        _require(self.start >= 0, f"pin start {self.start}: lies before the axis")


@dataclass(frozen=True, slots=True)
class Announced:
    """What people have been told; `weight` prices each whole day that the start moves."""

    crew: int | None
    start: int
    weight: float = 1.0

    def __post_init__(self) -> None:
        _require(self.weight >= 0, f"announced weight {self.weight}: cannot be negative")


@dataclass(frozen=True, slots=True)
class Activity:
    """A stretch of work. Without modes nobody can do it, and `no_mode_why` says why.

    Work under way goes on at once: nothing is put in front of it, and links that lead into it no
    longer hold it. Work that has been stopped is not under way; give it a release instead.
    """

    key: str
    job: int
    modes: tuple[Mode, ...]
    release: int = 0
    release_why: str = ""
    windows: tuple[Window, ...] = ()
    pin: Pin | None = None
    announced: Announced | None = None
    under_way: bool = False
    no_mode_why: str = ""

    def __post_init__(self) -> None:
        _require(
            self.release >= 0,
            f"activity {self.key!r}: release {self.release} lies before "
            "the axis; begin the axis earlier or release it at 0",
        )


@dataclass(frozen=True, slots=True, eq=False)
class Wait:
    """The earliest start of a follower, `table[t]`, for a leader done (or begun) at slot t.

    A cure by temperature, a request with a cut-off and a plain lag all are such tables: int32, one
    entry more than the axis has slots, never falling, never before t. An entry at or above the
    axis's last slot means "beyond the horizon".
    """

    key: str
    table: NDArray[np.int32]

    def __post_init__(self) -> None:
        table = np.array(self.table, dtype=np.int32)
        _require(
            table.ndim == 1 and table.size > 1,
            f"wait {self.key!r}: table has shape {table.shape}; needs one entry per slot",
        )
        falls = np.flatnonzero(np.diff(table) < 0)
        _require(
            falls.size == 0,
            f"wait {self.key!r}: table falls after slot "
            f"{falls[0] if falls.size else 0}; finishing later cannot free a follower sooner",
        )
        early = np.flatnonzero(table < np.arange(table.size))
        _require(
            early.size == 0,
            f"wait {self.key!r}: table at slot "
            f"{early[0] if early.size else 0} lies before that slot; a wait cannot be negative",
        )
        table.flags.writeable = False
        object.__setattr__(self, "table", table)

    @staticmethod
    def lag(key: str, axis: Axis, minutes: int) -> "Wait":
        """Return a plain wait of `minutes`, rounded up to whole slots."""
        _require(minutes >= 0, f"wait {key!r}: minutes {minutes} cannot be negative")
        return Wait(
            key, np.arange(axis.slots + 1, dtype=np.int32) + np.int32(-(-minutes // SLOT_MINUTES))
        )


@dataclass(frozen=True, slots=True)
class Link:
    """Activity `after` waits for the finish (or the start) of activity `before`.

    `longest_slots` is how long after that it should have begun: a wish with a price, not a rule.
    """

    before: int
    after: int
    start_to_start: bool = False
    wait: int | None = None
    why: str = ""
    longest_slots: int | None = None

    def __post_init__(self) -> None:
        _require(
            self.longest_slots is None or self.longest_slots >= 0,
            f"link: longest_slots {self.longest_slots} cannot be negative; give None for no limit",
        )


@dataclass(frozen=True, slots=True)
class Job:
    """Activities that belong together. `due` is the slot at which the promised day ends.

    `begun` says that work on it was done before now, so that its site stands open already.
    `visit_price` is what each visit of a crew to the site costs, for the way and the setting up.
    """

    key: str
    due: int | None = None
    weight: float = 1.0
    preferred_crew: int | None = None
    begun: bool = False
    visit_price: float = 0.0

    def __post_init__(self) -> None:
        _require(self.weight >= 0, f"job {self.key!r}: weight {self.weight} cannot be negative")
        _require(
            self.visit_price >= 0,
            f"job {self.key!r}: visit_price {self.visit_price} cannot be negative",
        )


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Problem:
    """Everything a plan depends on. Announced starts before `freeze_until` are kept.

    A crew other than the job's own is taken only where it finishes `change_crew_slots` earlier.
    Work that is held back so that its job runs through still ends `float_slots` working slots
    before its follower needs it.
    A crew that has been away from a site for more than `visit_pause_slots` comes on a new visit.
    Work not yet under way is not begun before a pause of its own calendar longer than
    `longest_pause_slots` (None: no limit) and ended behind it, unless from then on no stretch
    between two such pauses is long enough for it, so that a plan always exists.
    """

    axis: Axis
    now: int
    calendars: tuple[WorkCalendar, ...]
    resources: tuple[Resource, ...]
    activities: tuple[Activity, ...]
    links: tuple[Link, ...]
    waits: tuple[Wait, ...]
    jobs: tuple[Job, ...]
    freeze_until: int = 0
    change_crew_slots: int = 64
    float_slots: int = 64
    visit_pause_slots: int = 4 * SLOTS_PER_DAY
    longest_pause_slots: int | None = None

    def __post_init__(self) -> None:
        _require(
            0 <= self.now <= self.axis.slots,
            f"now {self.now}: must lie on the axis of {self.axis.slots} slots",
        )
        _require(
            self.change_crew_slots >= 0,
            f"change_crew_slots {self.change_crew_slots}: cannot be negative",
        )
        _require(
            self.float_slots >= 0,
            f"float_slots {self.float_slots}: cannot be negative",
        )
        _require(
            self.visit_pause_slots >= 0,
            f"visit_pause_slots {self.visit_pause_slots}: cannot be negative",
        )
        _require(
            self.longest_pause_slots is None or self.longest_pause_slots >= 0,
            f"longest_pause_slots {self.longest_pause_slots}: cannot be negative; "
            "give None for no limit",
        )
        for calendar in self.calendars:
            _require(
                calendar.slots == self.axis.slots,
                f"calendar {calendar.key!r}: has "
                f"{calendar.slots} slots, the axis {self.axis.slots}; build it on this axis",
            )
        for wait in self.waits:
            _require(
                wait.table.size == self.axis.slots + 1,
                f"wait {wait.key!r}: table has "
                f"{wait.table.size} entries; the axis needs {self.axis.slots + 1}",
            )
        for name, keys in (
            ("resource", [r.key for r in self.resources]),
            ("activity", [a.key for a in self.activities]),
            ("job", [j.key for j in self.jobs]),
        ):
            _require_unique(name, keys)
        for job in self.jobs:
            _require_index(f"job {job.key!r}: preferred_crew", job.preferred_crew, self.resources)
        known: set[tuple[int | None, int, tuple[int, ...]]] = set()
        # By identity: activities that are done alike mostly share one tuple of modes.
        checked: set[int] = set()
        for activity in self.activities:
            self._check_activity(activity)
            if id(activity.modes) not in checked:
                checked.add(id(activity.modes))
                self._check_modes(activity, known)
        for link in self.links:
            self._check_link(link)
        if cycle := _find_cycle(len(self.activities), self.links):
            path = " -> ".join(self.activities[i].key for i in cycle)
            raise ValueError(f"links form a cycle: {path}; take one of them out")

    def _check_activity(self, activity: Activity) -> None:
        name = f"activity {activity.key!r}"
        _require_index(f"{name}: job", activity.job, self.jobs)
        if activity.pin:
            _require_index(f"{name}: pin crew", activity.pin.crew, self.resources)
        if activity.announced:
            _require_index(f"{name}: announced crew", activity.announced.crew, self.resources)

    def _check_modes(
        self, activity: Activity, known: set[tuple[int | None, int, tuple[int, ...]]]
    ) -> None:
        """Check its modes; `known` are the crews with calendar and machines found sound."""
        name = f"activity {activity.key!r}"
        for mode in activity.modes:
            way = (mode.crew, mode.calendar, mode.machines)
            if way in known:
                continue
            known.add(way)
            _require_index(f"{name}: calendar", mode.calendar, self.calendars)
            _require_index(f"{name}: crew", mode.crew, self.resources)
            for machine in mode.machines:
                _require_index(f"{name}: machine", machine, self.resources)
                needed, capacity = mode.machines.count(machine), self.resources[machine].capacity
                _require(
                    needed <= capacity,
                    f"{name}: needs {needed} units of "
                    f"{self.resources[machine].key!r}, which has {capacity}",
                )
            _require(
                mode.crew not in mode.machines,
                f"{name}: crew {mode.crew} is listed "
                "among the machines of its own mode; list it once",
            )

    def _check_link(self, link: Link) -> None:
        _require_index("link: before", link.before, self.activities)
        _require_index("link: after", link.after, self.activities)
        if link.before != link.after and (link.wait is None or 0 <= link.wait < len(self.waits)):
            return
        ends = f"{self.activities[link.before].key!r} to {self.activities[link.after].key!r}"
        _require(link.before != link.after, f"link {ends}: an activity cannot follow itself")
        _require_index(f"link {ends}: wait", link.wait, self.waits)


def _require(holds: bool, message: str) -> None:
    if not holds:
        raise ValueError(message)


def _require_index(name: str, index: int | None, of: Sequence[object]) -> None:
    if index is not None and not 0 <= index < len(of):
        raise ValueError(f"{name} {index}: is not an index from 0 to {len(of) - 1}")


def _require_unique(name: str, keys: Sequence[str]) -> None:
    seen: set[str] = set()
    for key in keys:
        _require(key not in seen, f"{name} key {key!r}: given twice; keys must differ")
        seen.add(key)


def _find_cycle(size: int, links: Sequence[Link]) -> list[int]:
    """Return the activities along one cycle of `links`, the first repeated last, or nothing."""
    followers: list[list[int]] = [[] for _ in range(size)]
    waiting_for = [0] * size
    for link in links:
        followers[link.before].append(link.after)
        waiting_for[link.after] += 1
    ready = [i for i in range(size) if waiting_for[i] == 0]
    while ready:
        for after in followers[ready.pop()]:
            waiting_for[after] -= 1
            if waiting_for[after] == 0:
                ready.append(after)
    stuck = {i for i in range(size) if waiting_for[i] > 0}
    if not stuck:
        return []
    leaders = {link.after: link.before for link in links if {link.before, link.after} <= stuck}
    path = [min(leaders)]
    while (leader := leaders[path[-1]]) not in path:
        path.append(leader)
    return [leader, *reversed(path[path.index(leader) :])]
