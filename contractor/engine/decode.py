"""The decoder: the only owner of dates. Everything else proposes an order and crews to it."""

from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np

from contractor.engine.collector import collector_paused
from contractor.engine.dates import UNPLANNED, Blocker, Dates, freed_by_links
from contractor.engine.passes import run_serial
from contractor.engine.prepared import FROZEN, NONE, PINNED, UNDER_WAY, prepare
from contractor.engine.problem import Problem
from contractor.engine.schedule import (
    Because,
    Bind,
    BrokenPin,
    Placed,
    Schedule,
    Unplanned,
)
from contractor.engine.state import PAUSE, WINDOW
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = [
    "Because",
    "Bind",
    "BrokenPin",
    "Placed",
    "Schedule",
    "Unplanned",
    "decode",
    "to_schedule",
]

LONG_PAUSE_SLOTS = 4 * SLOTS_PER_DAY
"""A pause longer than nights and a long weekend binds in its own right."""


def decode(
    problem: Problem,
    order: Sequence[int],
    *,
    crew_choice: Mapping[int, int] | None = None,
    mode_choice: Mapping[int, int] | None = None,
    begins: Mapping[int, int] | None = None,
    right_shift: bool = False,
) -> Schedule:
    """Return the schedule that one serial pass in `order` makes.

    `order` names every activity once; where it runs against a link, the next activity whose
    leaders are placed is taken. Work under way comes first, then pins, then the freeze.
    `crew_choice` names a crew (index of a resource) by activity and `mode_choice` a mode, `begins`
    a slot by job before which its open work does not begin. With `right_shift` announced activities
    keep their crews and order and only move later.
    Raises HorizonExceeded when the axis is too short.
    """
    dates = run_serial(
        prepare(problem),
        order,
        crew_choice=crew_choice,
        mode_choice=mode_choice,
        begins=begins,
        right_shift=right_shift,
    )
    return to_schedule(problem, dates, right_shift=right_shift)


@collector_paused()
def to_schedule(problem: Problem, dates: Dates, *, right_shift: bool = False) -> Schedule:
    """Return `dates` of `problem` with what binds each start."""
    explainer = _Explainer(problem, dates, right_shift)
    placed = tuple(
        None if mode == UNPLANNED else _placed(explainer, i) for i, mode in enumerate(dates.mode)
    )
    unplanned = tuple(
        Unplanned(i, _unplanned_reason(problem, i, by)) for i, by in sorted(dates.held_by.items())
    )
    broken = [_broken_pin(problem, placed[i], i) for i in sorted(dates.broken_pins)]
    broken += [
        BrokenPin(entry.activity, entry.reason, None)
        for entry in unplanned
        if explainer.rank[entry.activity] == PINNED
    ]
    return Schedule(placed, unplanned, tuple(broken))


class _Explainer:
    """Works out the bounds of one activity from the dates of all."""

    def __init__(self, problem: Problem, dates: Dates, right_shift: bool) -> None:
        layout = prepare(problem)
        self.problem = problem
        self.dates = dates
        self.right_shift = right_shift
        # Plain lists: one look-up in an array costs more than the rest of a bound.
        self.rank: list[int] = layout.rank.tolist()
        self.wanted_start: list[int] = layout.wanted_start.tolist()
        self.may_wait: list[bool] = layout.may_wait.tolist()
        self.leader_first: list[int] = layout.leader_first.tolist()
        self.leader_link: list[int] = layout.leader_link.tolist()
        start, finish = (np.array(slots, dtype=np.int32) for slots in (dates.start, dates.finish))
        self.freed_at: list[int] = freed_by_links(layout, start, finish).tolist()
        # Looked up once each: an enumeration looks its members up slowly.
        self.release, self.link = Bind.RELEASE, Bind.LINK
        self.now = Because(Bind.NOW, None, None, problem.now, "nothing starts in the past")
        self.under_way = Because(Bind.NOW, None, None, problem.now, "under way")

    @cached_property
    def done_at(self) -> dict[tuple[int, int], int]:
        """Return who gives a resource back at a slot, by resource and slot."""
        dates, given_back = self.dates, {}
        for i, mode in enumerate(dates.mode):
            if mode != UNPLANNED:
                used = self.problem.activities[i].modes[mode]
                for resource in (used.crew, *used.machines):
                    if resource is not None:
                        given_back[resource, dates.finish[i]] = i
        return given_back

    def fixed_bounds(self, i: int) -> list[Because]:
        """Return what the activity itself and its leaders ask for, whoever does it."""
        activities = self.problem.activities
        activity = activities[i]
        bounds = [self.under_way if activity.under_way else self.now]
        if activity.release > 0:
            why = activity.release_why or "earliest date"
            bounds.append(Because(self.release, None, None, activity.release, why))
        for k in range(self.leader_first[i], self.leader_first[i + 1]):
            link = self.problem.links[self.leader_link[k]]
            why = link.why or f"follows {activities[link.before].key}"
            bounds.append(Because(self.link, link.before, None, self.freed_at[k], why))
        return bounds

    def told_bound(self, i: int) -> Because | None:
        """Return the bound of a pin, or of an announced start that is being kept."""
        rank, wanted = self.rank[i], self.wanted_start[i]
        if rank == PINNED and wanted != NONE:
            return Because(Bind.PIN, None, None, wanted, "pinned")
        if rank == FROZEN and wanted != NONE:
            return Because(Bind.FROZEN, None, None, wanted, "announced, inside the freeze")
        told = self.problem.activities[i].announced
        if self.right_shift and told is not None and rank != UNDER_WAY:
            return Because(Bind.FROZEN, None, None, told.start, "kept where it was announced")
        return None

    def begins_bound(self, i: int) -> Because | None:
        """Return the bound of a job that begins later on purpose."""
        begins = self.dates.begins.get(self.problem.activities[i].job)
        if begins is None or not self.may_wait[i]:
            return None
        why = "the job begins no sooner, so that it runs through"
        return Because(Bind.FLOW, None, None, begins, why)

    def held_bound(self, i: int) -> Because | None:
        """Return the bound of an activity that has been given a later slot on purpose."""
        slot = self.dates.not_before.get(i)
        if slot is None:
            return None
        return Because(Bind.FLOW, None, None, slot, "begun later on purpose, where it costs least")

    def flow_bound(self, i: int) -> Because | None:
        """Return the bound of an activity that was moved toward what follows it."""
        after = self.dates.held_back_for[i]
        if after is None:
            return None
        follower = self.problem.activities[after].key
        why = f"begun later on purpose, nearer to {follower}"
        return Because(Bind.FLOW, after, None, self.dates.start[i], why)

    def blocker_bound(self, i: int, blocker: Blocker) -> Because:
        """Return the bound of the window, pause, crew or machine that moved the activity last."""
        problem = self.problem
        if blocker.resource == PAUSE:
            why = f"not begun before a closing of {self._days_closed(i, blocker.slot)}"
            return Because(Bind.CALENDAR, None, None, blocker.slot, why)
        if blocker.resource == WINDOW:
            return Because(Bind.WINDOW, None, None, blocker.slot, "next window that holds it")
        crew = self.dates.crew[i]
        kind = Bind.CREW if blocker.resource == crew else Bind.MACHINE
        label = problem.resources[blocker.resource].label
        by = blocker.holder
        if by == NONE:
            by = self.done_at.get((blocker.resource, blocker.slot), NONE)
        if by < 0:
            return Because(kind, None, blocker.resource, blocker.slot, f"{label} is blocked")
        holder = problem.activities[by].key
        if self.dates.held_back_for[by] is not None:
            why = f"{label} was kept for {holder}, which has been held back since"
            return Because(kind, None, blocker.resource, blocker.slot, why)
        return Because(kind, by, blocker.resource, blocker.slot, f"{label} is on {holder}")

    def _days_closed(self, i: int, reopens: int) -> str:
        """Return in words how long the activity's calendar is closed until slot `reopens`."""
        mode = self.problem.activities[i].modes[self.dates.mode[i]]
        calendar = self.problem.calendars[mode.calendar]
        closed = reopens - calendar.slot_of[calendar.before[reopens] - 1] - 1
        if closed < SLOTS_PER_DAY:
            return "less than a day"
        days = closed // SLOTS_PER_DAY
        return f"{days} days" if days > 1 else "1 day"


def _placed(explainer: _Explainer, i: int) -> Placed:
    dates = explainer.dates
    start = dates.start[i]
    bounds = explainer.fixed_bounds(i)
    held = explainer.held_bound(i)
    if held is not None:
        bounds.insert(0, held)
    told = explainer.told_bound(i)
    if told is not None and told.slot > start:
        told = _sooner_than_told(told, start)
    if told is not None:
        bounds.append(told)
    begins = explainer.begins_bound(i)
    if begins is not None:
        bounds.append(begins)
    blocker = dates.blocker[i]
    if blocker is not None:
        bounds.append(explainer.blocker_bound(i, blocker))
    flow = explainer.flow_bound(i)
    if flow is not None:
        return Placed(i, dates.mode[i], start, dates.finish[i], flow, (*bounds, flow))
    binding = bounds[0]
    for bound in bounds:
        if bound.slot >= binding.slot:
            binding = bound
    cause = "that time is not worked" if binding is told else binding.why
    if start > binding.slot:
        pause = Because(
            Bind.CALENDAR,
            binding.activity,
            binding.resource,
            start,
            f"next working time after: {binding.why}",
        )
        bounds.append(pause)
        if start - binding.slot > LONG_PAUSE_SLOTS:
            binding = pause
    if told is not None and told.kind is Bind.FROZEN and start > told.slot:
        binding = Because(
            Bind.FROZEN,
            binding.activity,
            binding.resource,
            binding.slot,
            f"later than announced: {cause}",
        )
    return Placed(i, dates.mode[i], start, dates.finish[i], binding, tuple(bounds))


def _sooner_than_told(told: Because, start: int) -> Because | None:
    """Return what is left of a told bound that an exact finish has gone below."""
    if told.kind is Bind.PIN:
        return None
    why = "sooner than announced, where it costs least"
    return Because(Bind.FROZEN, None, None, start, why)


def _unplanned_reason(problem: Problem, i: int, held_by: int) -> str:
    activity = problem.activities[i]
    if held_by != i:
        return f"waits for {problem.activities[held_by].key}, which is not planned"
    if not activity.modes:
        return activity.no_mode_why or "nobody can do it"
    return "no window is left that is long enough for it"


def _broken_pin(problem: Problem, placed: Placed | None, i: int) -> BrokenPin:
    pin = problem.activities[i].pin
    assert pin is not None
    assert placed is not None
    crews = {mode.crew for mode in problem.activities[i].modes}
    if pin.crew is not None and pin.crew not in crews:
        reason = f"{problem.resources[pin.crew].label} cannot do it"
    elif placed.start <= pin.start:
        reason = "keeping it would cost more elsewhere"
    elif placed.because.kind is Bind.PIN:
        reason = "the pinned start is outside working time"
    else:
        reason = placed.because.why
    return BrokenPin(i, reason, placed.start)
