"""Repair around a draft: what it has moved stays where it is, as far as the work now allows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from contractor.engine import planner
from contractor.engine.problem import Announced
from contractor.engine.schedule import Bind

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from contractor.engine.planner import PlanResult
    from contractor.engine.problem import Problem
    from contractor.engine.schedule import Because, Placed
    from jobs.services.portfolio import Portfolio

Place = tuple["int | None", "datetime"]
"""A crew by primary key, and the start."""

LATER = "later than announced: "
"""How the engine begins to say that something left its announced place."""


def repair_around(
    portfolio: Portfolio, places: Mapping[int, Place], *, may_push: bool = False
) -> PlanResult:
    """
    Return the plan that keeps what people were told inside the freeze, and all else by `places`.

    By phase. It is found, and priced, as if that had been told; its reasons do not say of a draft's
    place that people know it. With `may_push`, what follows on a crew may come as much later, where
    jobs end sooner by that than with one of them in the first gap. Raises HorizonExceeded.
    """
    problem = portfolio.problem
    as_told = as_if_told(portfolio, places)
    kept = planner.keep(as_told) if may_push else planner.repair(as_told)
    placed = tuple(
        row if row is None or as_told.activities[i] is problem.activities[i] else _in_truth(row)
        for i, row in enumerate(kept.schedule.placed)
    )
    return replace(kept, schedule=replace(kept.schedule, placed=placed))


def _in_truth(row: Placed) -> Placed:
    """Return a placed activity whose reasons speak of a draft instead of what was announced."""
    return replace(row, because=_of_draft(row.because), bounds=tuple(map(_of_draft, row.bounds)))


def _of_draft(bound: Because) -> Because:
    if bound.kind is not Bind.FROZEN:
        return bound
    if bound.why.startswith(LATER):
        return bound._replace(why=f"later than in the draft: {bound.why.removeprefix(LATER)}")
    return bound._replace(why="kept where the draft had it")


def as_if_told(
    portfolio: Portfolio, places: Mapping[int, Place], *, frozen_too: bool = False
) -> Problem:
    """Return the problem in which these places had been told; those in the freeze if asked."""
    problem = portfolio.problem
    axis, calendars = problem.axis, portfolio.calendars
    index_of = {crew: index for index, crew in portfolio.crew_ids.items()}
    activities = list(problem.activities)
    for i, stretch in enumerate(portfolio.stretches):
        place, told = places.get(stretch.first.pk), activities[i].announced
        frozen = told is not None and told.start < problem.freeze_until
        if place is None or (frozen and not frozen_too) or activities[i].under_way:
            continue
        crew, starts_at = place
        start = max(calendars.slot_of(starts_at), problem.now)
        if start < axis.slots:
            announced = Announced(index_of.get(crew) if crew else None, start)
            activities[i] = replace(activities[i], announced=announced)
    return replace(problem, activities=tuple(activities))
