"""Load or compile every kernel, so that no request has to wait for it."""

from dataclasses import replace
from datetime import UTC, datetime

from contractor.engine.planner import plan, repair
from contractor.engine.problem import Activity, Announced, Job, Link, Mode, Problem, Resource
from contractor.engine.project import solve
from contractor.engine.simulate.simulation import simulate
from contractor.engine.stops import IterationStop
from contractor.engine.worktime import Axis, always_open

__all__ = ["warm_up"]

ROUNDS = 100


def warm_up() -> None:
    """Make, improve, repair and simulate a plan of two small jobs, and plan a single project."""
    axis = Axis(datetime(2026, 1, 1, tzinfo=UTC), 960)
    crews = (Mode(0, 4, 0, (2,)), Mode(1, 6, 0))
    activities = tuple(Activity(f"{job} {n}", job, crews) for job in range(2) for n in range(2))
    problem = Problem(
        axis=axis,
        now=0,
        calendars=(always_open("always", axis),),
        resources=(Resource("a", "A"), Resource("b", "B"), Resource("c", "C", capacity=2)),
        activities=activities,
        links=(Link(0, 1), Link(2, 3)),
        waits=(),
        jobs=(Job("one", due=8), Job("two", due=8)),
    )
    schedule = plan(problem, stop=IterationStop(ROUNDS)).schedule
    simulate(problem, schedule, runs=1)
    told = replace(activities[0], announced=Announced(0, 0))
    repair(replace(problem, activities=(told, *activities[1:])))
    solve.warm_up()
