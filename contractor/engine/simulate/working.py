"""When work can begin and when it is done, by its calendar, lost days and people."""

import numpy as np

from contractor.engine.compiled import kernel
from contractor.engine.layout import NONE
from contractor.engine.simulate.course import Course
from contractor.engine.simulate.course_tables import NEAR_BITS
from contractor.engine.simulate.draw import Drawn

__all__ = ["INDEX", "day_of", "finish_of", "next_working", "opens_at"]

INDEX = 0x7FFF_FFFF
"""What an index is masked with where the compiler cannot see that it is not negative.

Otherwise every access looks whether to count from the end, as Python does.
"""


@kernel
def day_of(course: Course, slot: int) -> int:
    """Return the local day of a slot."""
    day = course.day_near[slot >> NEAR_BITS] & INDEX
    while day + 1 < course.days and course.day_first[day + 1] <= slot:
        day += 1
    return day


@kernel
def opens_at(course: Course, drawn: Drawn, i: int, slot: int) -> int:
    """Return the first slot from `slot` on that is worked and not lost, or the end of the axis."""
    row = course.lost_row[i]
    day = day_of(course, slot)
    slot = next_working(course, i, slot, day)
    while row != NONE and slot < course.axis_slots:
        day = day_of(course, slot)
        if drawn.lost[(row + day) & INDEX] == 0:
            return slot
        slot = min(course.day_first[day + 1], course.axis_slots)
        slot = next_working(course, i, slot, day_of(course, slot))
    return slot


@kernel
def finish_of(course: Course, drawn: Drawn, i: int, start: int) -> int:
    """Return the exclusive end of an activity begun at a working slot, or NONE off the axis."""
    left = drawn.work[i]
    if left == 0:
        return start
    k = _stretch_at(course, i, start, day_of(course, start))
    if not course.varies[i]:
        return _worked_by(course, k, start, left)
    crew, row = course.crew[i], course.lost_row[i]
    while course.stretch_begin[k] < course.axis_slots:
        day = course.stretch_day[k]
        begin = max(course.stretch_begin[k], start)
        if row != NONE and drawn.lost[(row + day) & INDEX]:
            k = _next_day(course, k)
        elif crew != NONE and drawn.short[(crew * course.days + day) & INDEX]:
            following = _next_day(course, k)
            work = 0
            for stretch in range(k, following):
                work += course.stretch_end[stretch] - max(course.stretch_begin[stretch], start)
            share = course.short_share[crew & INDEX]
            here = int(work * share)
            if left <= here:
                return _worked_by(course, k, start, int(np.ceil(left / share)))
            left -= here
            k = following
        else:
            here = course.stretch_end[k] - begin
            if left <= here:
                return begin + left
            left -= here
            k += 1
    return NONE


@kernel
def _worked_by(course: Course, k: int, slot: int, work: int) -> int:
    """Return when so much work is done in the stretches from `k` on, or NONE off the axis."""
    while course.stretch_begin[k] < course.axis_slots:
        begin = max(course.stretch_begin[k], slot)
        here = course.stretch_end[k] - begin
        if work <= here:
            return begin + work
        work -= here
        k += 1
    return NONE


@kernel
def next_working(course: Course, i: int, slot: int, day: int) -> int:
    """Return the first slot an activity's calendar works, from a slot of a day on."""
    return max(slot, course.stretch_begin[_stretch_at(course, i, slot, day)])


@kernel
def _stretch_at(course: Course, i: int, slot: int, day: int) -> int:
    """Return the first stretch of an activity's calendar that ends after a slot of a day."""
    k = course.stretch_first[(course.stretch_row[i] + day) & INDEX] & INDEX
    while course.stretch_end[k] <= slot:
        k += 1
    return k


@kernel
def _next_day(course: Course, k: int) -> int:
    """Return the first stretch of work that lies on a later day than stretch `k`."""
    day = course.stretch_day[k]
    while course.stretch_day[k] == day:
        k += 1
    return k
