"""How many people a crew is on which days: one rule for the plan and for what is read from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from jobs.selectors.open_work import days_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from crews.models import Crew
    from jobs.models import LentPeople


def people_by_day(crew: Crew, lent: Iterable[LentPeople]) -> dict[date, int]:
    """Return how many a crew is on the days on which people come or go; on all others, its size."""
    people: dict[date, int] = {}
    for row in lent:
        change = row.people * ((row.to_crew_id == crew.pk) - (row.from_crew_id == crew.pk))
        if change:
            for day in days_of([row]):
                people[day] = people.get(day, crew.size) + change
    return people


def fewest_people(
    size: int, by_day: dict[date, int], days: Iterable[date], *, at_least: int = 1
) -> int:
    """
    Return how many people are at work that is done on some days, as a plan counts them.

    The fewest of all days, as a phase is done by one number of people; days on which they are
    fewer than `at_least` do not count, as the work rests then.
    """
    found = (by_day.get(day, size) for day in days)
    return min((people for people in found if people >= at_least), default=size)
