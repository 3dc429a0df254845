"""Why an activity starts when it does: the binding bounds, followed back to where they begin."""

from dataclasses import dataclass

from contractor.engine.problem import Problem
from contractor.engine.schedule import Because, Bind, Schedule

__all__ = ["Step", "chain"]


@dataclass(frozen=True, slots=True)
class Step:
    """An activity with its start and what binds it; the next step is what `because` names."""

    activity: int
    start: int
    because: Because


def chain(problem: Problem, schedule: Schedule, activity: int) -> tuple[Step, ...]:
    """Return the steps from `activity` back to one that no other activity binds.

    The last step is bound by now, a release, a window, a pin, a freeze or a calendar, or it was
    held back for what follows it. An activity that is not planned has no steps. Raises
    ValueError for an index that is no activity.
    """
    if not 0 <= activity < len(problem.activities):
        raise ValueError(
            f"activity {activity}: is not an index from 0 to {len(problem.activities) - 1}"
        )
    steps: list[Step] = []
    seen: set[int] = set()
    following: int | None = activity
    while following is not None and following not in seen:
        placed = schedule.placed[following]
        if placed is None:
            break
        seen.add(following)
        steps.append(Step(following, placed.start, placed.because))
        # What it is held back for comes later, and that may in turn follow from it.
        following = None if placed.because.kind is Bind.FLOW else placed.because.activity
    return tuple(steps)
