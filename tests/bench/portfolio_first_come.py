"""The plain alternative to a planner: what is ready first comes next, behind all else."""

from collections import defaultdict
from collections.abc import Sequence
from heapq import heappop, heappush

from contractor.engine.problem import Activity, Link, Problem
from contractor.engine.schedule import Because, Bind, Placed, Schedule
from contractor.engine.worktime import WorkCalendar


def first_come_plan(problem: Problem) -> Schedule:
    """Return the plan of a queue: phases in the order in which they become ready.

    A phase takes the crew with which it is done first, and never a gap before other work.
    """
    leaders, followers = defaultdict(list), defaultdict(list)
    for link in problem.links:
        leaders[link.after].append(link)
        followers[link.before].append(link.after)
    units = [[0] * resource.capacity for resource in problem.resources]
    placed: dict[int, Placed] = {}
    ready: list[tuple[int, int]] = []
    for i, activity in enumerate(problem.activities):
        if not leaders[i]:
            heappush(ready, (max(problem.now, activity.release), i))
    while ready:
        earliest, i = heappop(ready)
        placed[i] = _place(problem, i, earliest, units)
        for after in followers[i]:
            if all(link.before in placed for link in leaders[after]):
                freed = (_freed(problem, placed[link.before], link) for link in leaders[after])
                heappush(ready, (max([problem.activities[after].release, *freed]), after))
    return Schedule(tuple(placed[i] for i in range(len(placed))), (), ())


def place_without_reason(activity: int, mode: int, start: int, finish: int) -> Placed:
    """Return a place of a plan that was not made by the engine, so that it can be scored alike."""
    because = Because(Bind.NOW, None, None, start, "made elsewhere")
    return Placed(activity, mode, start, finish, because, (because,))


def _place(problem: Problem, i: int, earliest: int, units: Sequence[list[int]]) -> Placed:
    """Place an activity with the mode that ends first, and take what it uses."""
    activity = problem.activities[i]
    options = []
    for index, mode in enumerate(activity.modes):
        calendar = problem.calendars[mode.calendar]
        uses = [r for r in (mode.crew, *mode.machines) if r is not None]
        start = calendar.next_working(max([earliest, *(min(units[r]) for r in uses)]))
        start, finish = _in_window(activity, calendar, start, mode.work_slots)
        options.append((finish, start, index, uses))
    finish, start, index, uses = min(options)
    for resource in uses:
        row = units[resource]
        row[row.index(min(row))] = finish
    return place_without_reason(i, index, start, finish)


def _freed(problem: Problem, leader: Placed, link: Link) -> int:
    if link.wait is None:
        return leader.finish
    return int(problem.waits[link.wait].table[leader.finish])


def _in_window(
    activity: Activity, calendar: WorkCalendar, start: int, work_slots: int
) -> tuple[int, int]:
    finish = calendar.finish(start, work_slots)
    for window in activity.windows:
        begins = calendar.next_working(max(start, window.opens))
        finish = calendar.finish(begins, work_slots)
        if finish <= window.closes:
            return begins, finish
    return start, finish
