"""Work that takes longer than people are lent for: a plan has none, a draw may."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from contractor.engine.problem import Activity, Problem
    from contractor.engine.schedule import Placed, Schedule


def outlasting(problem: Problem, schedule: Schedule) -> Problem:
    """
    Return a problem in which planned work comes to its end however long it takes.

    With lent people a crew works only on the days on which it has them. A plan keeps within these;
    in a draw, work that takes longer would wait for days that never come, and its crew with it. So
    it goes on as quickly as it was begun on the days on which its crew works anyway.
    """
    activities = list(problem.activities)
    for place in schedule.placed:
        if place is not None:
            activities[place.activity] = _outlasting(problem, activities[place.activity], place)
    return replace(problem, activities=tuple(activities))


def _outlasting(problem: Problem, activity: Activity, place: Placed) -> Activity:
    mode = activity.modes[place.mode]
    if mode.crew is None:
        return activity  # an authority's windows are its own

    def open_slots(calendar: int) -> int:
        return problem.calendars[calendar].work_between(place.start, problem.axis.slots)

    of_crew = [other.calendar for other in activity.modes if other.crew == mode.crew]
    longest = max((mode.calendar, *of_crew), key=open_slots)
    if longest == mode.calendar:
        return activity
    modes = list(activity.modes)
    modes[place.mode] = replace(mode, calendar=longest)
    return replace(activity, modes=tuple(modes))
