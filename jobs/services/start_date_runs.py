"""What runs of a way to build say of it, and of the promises of the sold jobs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from contractor.engine.problem import Job
    from contractor.engine.simulate.simulation import Simulated

# Up to so much work in all runs each option is drawn as often as the described building, beyond
# it only so often; both our own.
MOST_DRAWN = 200_000
FEW_RUNS = 96


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """
    Start and finish of a building by run, in slots, and by sold job the chance of its promise.

    `kept` has by sold job in which runs it kept its promise; `drawn` is how many runs were made.
    """

    starts: NDArray[np.int32]
    finishes: NDArray[np.int32]
    kept: dict[int, NDArray[np.bool_]]
    chances: dict[int, float]
    drawn: int

    @classmethod
    def of(
        cls, after: Simulated, own: Sequence[int], jobs: Sequence[Job], rows: Sequence[list[int]]
    ) -> Runs:
        """Return what runs say of the activities `own` and of jobs with their activities."""
        kept = {
            index: after.of_activities(row)[1] <= job.due
            for index, (job, row) in enumerate(zip(jobs, rows, strict=True))
            if job.due is not None and row
        }
        chances = {index: float(held.mean()) for index, held in kept.items()}
        # Before anything is added there is nothing of its own.
        starts, finishes = after.of_activities(own) if own else (np.empty(0, np.int32),) * 2
        return cls(starts, finishes, kept, chances, after.runs)

    def beside(self, full: Runs) -> Runs:
        """
        Return these runs filled up by those of another way, of which there are more.

        Both have the same luck in the runs that both have, so what differs there is what the way
        makes of it. A run that is not drawn differs from the other way's as the drawn one does in
        which that way went most alike; a promise's chance differs by the mean of all drawn ones.
        """
        chances = {
            index: min(1.0, max(0.0, full.chances[index] + _mean_more(held, full.kept[index])))
            for index, held in self.kept.items()
        }
        return Runs(
            _filled(self.starts, full.starts),
            _filled(self.finishes, full.finishes),
            self.kept,
            chances,
            self.drawn,
        )


def runs_of_options(runs: int, activities: int) -> int:
    """Return how often each option is drawn beside so many runs of the described building."""
    return runs if runs * activities <= MOST_DRAWN else min(runs, FEW_RUNS)


def _mean_more(held: NDArray[np.bool_], full: NDArray[np.bool_]) -> float:
    return float(held.mean() - full[: held.size].mean())


def _filled(drawn: NDArray[np.int32], full: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return as many slots as `full` has: those drawn, then its own moved by as much."""
    both, rest = full[: drawn.size], full[drawn.size :]
    order = np.argsort(both, kind="stable")
    # The middle between two neighbours parts what is nearer to the one from what is to the other.
    near = order[np.searchsorted((both[order][1:] + both[order][:-1]) / 2, rest)]
    return np.concatenate([drawn, rest + (drawn - both)[near]]).astype(np.int32)
