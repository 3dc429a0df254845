"""How often somebody of a crew is absent, and what the others get done, by how many it is."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.engine.simulate.chances import CrewChances
from contractor.trade.phases import PHASE_TABLE
from jobs.selectors.crew_people import fewest_people, people_by_day

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date

    from contractor.engine.schedule import Schedule
    from crews.models import Crew
    from jobs.services.portfolio import Portfolio

# On an ordinary day three people of a hundred are absent (US labor statistics, from memory).
ABSENT_SHARE = 0.03
# Alone and absent: hardly anything is done that day.
LEAST_SHARE = 0.02


def people_chances(portfolio: Portfolio, schedule: Schedule) -> dict[int, CrewChances]:
    """
    Return by crew's index how often one is absent, of as many as are at the work of a schedule.

    A crew that lends people or is lent some is so many for each of its work as the plan counts
    there, and its chances are the mean of these by the hours of work.
    """
    found = {}
    for index, crew in enumerate(portfolio.work.crews):
        by_day = people_by_day(crew, portfolio.work.lent)
        counts = _counts(portfolio, schedule, index, crew, by_day) if by_day else Counter()
        found[index] = _mean(counts or {crew.size: 1})
    return found


def _counts(
    portfolio: Portfolio, schedule: Schedule, index: int, crew: Crew, by_day: dict[date, int]
) -> Counter[int]:
    """Return the slots of a crew's work by the number of people that do it."""
    counts: Counter[int] = Counter()
    for place in schedule.placed:
        if place is None:
            continue
        mode = portfolio.problem.activities[place.activity].modes[place.mode]
        if mode.crew != index:
            continue
        phases = portfolio.stretches[place.activity].phases
        least = max(PHASE_TABLE[phase.code].min_people for phase in phases)
        days = _work_days(portfolio, mode.calendar, place.start, place.finish)
        counts[fewest_people(crew.size, by_day, days, at_least=least)] += max(mode.work_slots, 1)
    return counts


def _work_days(portfolio: Portfolio, calendar: int, start: int, finish: int) -> Iterator[date]:
    """Yield the days from a start to a finish on which a calendar has working time."""
    calendars = portfolio.calendars
    day, last = calendars.local(start).date(), calendars.local(max(start, finish - 1)).date()
    while day <= last:
        begins, ends = calendars.local_days.span_of(day)
        if calendars.built[calendar].work_between(max(begins, start), min(ends, finish)):
            yield day
        day += timedelta(days=1)


def _mean(counts: Mapping[int, int]) -> CrewChances:
    short = {size: 1 - (1 - ABSENT_SHARE) ** size for size in counts}
    chance = sum(count * short[size] for size, count in counts.items())
    share = sum(count * short[size] * _share(size) for size, count in counts.items())
    return CrewChances(chance / sum(counts.values()), share / chance)


def _share(size: int) -> float:
    """Return what is done of a crew's work when one is absent."""
    return max(LEAST_SHARE, (size - 1) / size)
