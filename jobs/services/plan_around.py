"""Repair around a draft: what it has moved stays where it is, as far as the work now allows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine import planner
from contractor.engine.dates import dates_of
from contractor.engine.decode import to_schedule
from contractor.engine.objective import objective
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_exactly
from contractor.engine.prepared import prepare
from contractor.engine.problem import Announced
from contractor.engine.state import UNPLANNED
from jobs.models import Booking

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from contractor.engine.planner import PlanResult
    from contractor.engine.problem import Problem
    from jobs.models import Plan
    from jobs.services.portfolio import Portfolio

Place = tuple["int | None", "datetime"]
"""A crew by primary key, and the start."""


def places_of(plan: Plan) -> dict[int, Place]:
    """Return where a plan has each phase."""
    rows = Booking.objects.filter(plan=plan).values_list("phase", "crew", "starts_at")
    return {phase: (crew, starts_at) for phase, crew, starts_at in rows}


def repair_around(portfolio: Portfolio, places: Mapping[int, Place]) -> PlanResult:
    """
    Return the plan that keeps what people were told inside the freeze, and all else by `places`.

    By phase. The dates are found as if that had been told, and are then those of the real problem.
    Raises HorizonExceeded.
    """
    kept = planner.repair(as_if_told(portfolio, places))
    rows = kept.schedule.placed
    problem = portfolio.problem
    layout = prepare(problem)
    state = new_state(layout)
    pass_exactly(
        layout,
        state,
        np.array([UNPLANNED if row is None else row.mode for row in rows], dtype=np.int32),
        np.array([0 if row is None else row.start for row in rows], dtype=np.int32),
    )
    schedule = to_schedule(problem, dates_of(layout, state))
    return replace(kept, schedule=schedule, objective=objective(problem, schedule))


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
