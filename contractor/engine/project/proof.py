"""Whether a project can end sooner: by branch and bound where it is small, and by CP-SAT.

What is easy for the one is often hard for the other, and for branch and bound it may be a matter
of whether time runs forward or backward; so all three take turns, for longer each time.
"""

import threading

import numpy as np

from contractor.engine.compiled import Ints
from contractor.engine.project.exact import Exact, Question
from contractor.engine.project.layout import Layout, turned
from contractor.engine.project.tree import BELOW, FOUND, MOST_ACTIVITIES, Tree, climb, plant

__all__ = ["Proof"]

SLICE_NODES = 2_000
NODES_PER_TURN = 0.5
EFFORT_PER_SLOT = 3e-8
LEAST_EFFORT = 0.0005
ASK_FROM_CHILDREN = 200
WORTH_ASKING_GAP = 0.05
TRIAL_QUESTIONS = 5


class Proof:
    """The state of both trees; `cancel` from another thread ends a turn at once."""

    def __init__(self, layout: Layout, *, seed: int) -> None:
        self._layout = layout
        self._seed = seed
        self._sides = [layout, turned(layout)] if layout.heads.size <= MOST_ACTIVITIES else []
        self._trees: list[Tree] = []
        self._questions = 0
        self._question: Question | None = None
        self._cancelled = threading.Event()

    def cancel(self) -> None:
        """End the turn; call again until it has ended."""
        self._cancelled.set()
        if self._question is not None:
            self._question.cancel()

    def promises(self, lower: int, best: int) -> bool:
        """Return whether a turn is worth its time: CP-SAT alone closes small gaps only."""
        return bool(self._sides) or (
            self._questions < TRIAL_QUESTIONS or best - lower <= WORTH_ASKING_GAP * best
        )

    def attempt(self, *, lower: int, below: int, children: int) -> Exact:
        """Look for a makespan from `lower` to `below` - 1 for about the time of `children`."""
        self._cancelled.clear()
        found: tuple[int, ...] | None = None
        for k, side in enumerate(self._sides):
            if len(self._trees) <= k:
                self._trees.append(plant(side, below))
            starts, done = self._climb(side, self._trees[k], below, children)
            if starts is not None:
                found = tuple((starts if k == 0 else _mirrored(side, starts)).tolist())
                below = int(self._trees[k].state[BELOW])
            if done or self._cancelled.is_set() or below <= lower:
                return Exact(found, below if done else lower, exhausted=done)
        if children < ASK_FROM_CHILDREN:
            return Exact(found, lower, exhausted=False)
        effort = max(LEAST_EFFORT, EFFORT_PER_SLOT * children * self._layout.heads.size)
        self._questions += 1
        self._question = Question()
        if self._cancelled.is_set():
            return Exact(found, lower, exhausted=False)
        answer = self._question.ask(
            self._layout, lower=lower, below=below, effort=effort, seed=self._seed
        )
        self._question = None
        return Exact(answer.starts or found, answer.bound, answer.exhausted)

    def _climb(
        self, side: Layout, tree: Tree, below: int, children: int
    ) -> tuple[Ints | None, bool]:
        """Return the starts of a schedule below `below` if there is one, and if all is done."""
        tree.state[BELOW] = min(below, int(tree.state[BELOW]))
        known = int(tree.state[FOUND])
        left = max(1, round(NODES_PER_TURN * children))
        done = False
        while left > 0 and not done and not self._cancelled.is_set():
            nodes = min(left, SLICE_NODES)
            done = climb(side.forward, tree, nodes)
            left -= nodes
        return (tree.best.copy() if tree.state[FOUND] > known else None), done


def _mirrored(side: Layout, starts: Ints) -> Ints:
    finishes = starts + side.forward.durations
    return np.asarray(finishes.max() - finishes, dtype=np.int32)
