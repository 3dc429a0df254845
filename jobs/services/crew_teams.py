"""How many people a crew is on which days: lent people make it smaller or larger for a while."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from jobs.selectors.crew_people import people_by_day
from jobs.selectors.open_work import days_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from crews.models import Crew
    from jobs.models import LentPeople


@dataclass(frozen=True, slots=True)
class Team:
    """
    So many people of a crew, who are there on all days but `away`, or on the days `only`.

    A phase is done by one team from start to end. So people who come or go in its middle do not
    count, which plans no work too short.
    """

    people: int
    away: frozenset[date] = frozenset()
    only: frozenset[date] | None = None


def teams_of(crew: Crew, lent: Iterable[LentPeople]) -> tuple[Team, ...]:
    """
    Return the teams that a crew can send, the smallest first: that one is there every day.

    For each number of people that the crew is on some day, there is a team of so many on all days
    on which the crew is as many or more.
    """
    people_on = people_by_day(crew, lent)
    sizes = sorted({crew.size, *people_on.values()})
    return tuple(_team(crew, people, people_on) for people in sizes if people >= 1)


def nobody_left_on(size: int, lent: Iterable[LentPeople]) -> date | None:
    """Return the first day on which a crew of `size` has lent all its people, if there is one."""
    away: dict[date, int] = {}
    for row in lent:
        for day in days_of([row]):
            away[day] = away.get(day, 0) + row.people
    return min((day for day, people in away.items() if people >= size), default=None)


def _team(crew: Crew, people: int, people_on: dict[date, int]) -> Team:
    if people > crew.size:
        return Team(people, only=frozenset(d for d, count in people_on.items() if count >= people))
    return Team(people, away=frozenset(d for d, count in people_on.items() if count < people))
