"""Whether a project can end sooner: by branch and bound where it is small, and by CP-SAT.

What is easy for the one is often hard for the other, and for branch and bound it may be a matter
of whether time runs forward or backward; so all three take turns, for longer each time.
"""

import threading
from collections.abc import Sequence

import numpy as np

from contractor.engine.compiled import Ints
from contractor.engine.project.branching import climb, plant
from contractor.engine.project.exact import Exact, Question
from contractor.engine.project.layout import Layout, turned
from contractor.engine.project.tree import BELOW, FOUND, MOST_ACTIVITIES, Tree, weighed
from contractor.engine.project.weights import WHOLE, weights

__all__ = ["BACKWARD", "FORWARD", "Proof"]

FORWARD, BACKWARD = 0, 1

SLICE_NODES = 2_000
SMALL = 40
"""Up to so many activities branch and bound gets to its end more often than CP-SAT."""
NODES_PER_TURN, NODES_PER_TURN_SMALL = 0.5, 3.0
"""Nodes in the time of one child; of a small project as many as take about as long."""
EFFORT_PER_SLOT = 3e-8
LEAST_EFFORT = 0.0005
WEIGH_FROM_CHILDREN = 300
ASK_FROM_CHILDREN = 200
WORTH_ASKING_GAP = 0.05
TRIAL_QUESTIONS = 5
TRIAL_QUESTIONS_SMALL = 2
"""What CP-SAT has not answered by then is answered sooner, in small projects, without it."""


class Proof:
    """The state of both trees; `cancel` from another thread ends a turn at once."""

    def __init__(self, layout: Layout, *, seed: int) -> None:
        self._layout = layout
        self._seed = seed
        self._sides = [layout, turned(layout)] if layout.heads.size <= MOST_ACTIVITIES else []
        self._trees: list[Tree | None] = [None for _ in self._sides]
        self._weighed: set[int] = set()
        self._questions = 0
        self._question: Question | None = None
        self._cancelled = threading.Event()

    def cancel(self) -> None:
        """End the turn; call again until it has ended."""
        self._cancelled.set()
        if self._question is not None:
            self._question.cancel()

    @property
    def small(self) -> bool:
        """Return whether the project is so small that branch and bound is likely to end."""
        return self._layout.heads.size <= SMALL

    def promises(self, lower: int, best: int) -> bool:
        """Return whether a turn is worth its time: CP-SAT alone closes small gaps only."""
        return bool(self._sides) or (
            self._questions < TRIAL_QUESTIONS or best - lower <= WORTH_ASKING_GAP * best
        )

    def attempt(
        self,
        *,
        lower: int,
        below: int,
        children: int,
        sides: Sequence[int] = (FORWARD, BACKWARD),
        asks: bool = True,
    ) -> Exact:
        """Look for a makespan from `lower` to `below` - 1 for about the time of `children`.

        On both sides and by CP-SAT, unless told to leave something to another thread.
        """
        self._cancelled.clear()
        found: tuple[int, ...] | None = None
        for k in sides if self._sides else ():
            side = self._sides[k]
            tree = self._trees[k] = self._grown(k, below, children)
            starts, done = self._climb(side, tree, below, children)
            if starts is not None:
                found = tuple((_mirrored(side, starts) if k == BACKWARD else starts).tolist())
                below = int(tree.state[BELOW])
            if done or self._cancelled.is_set() or below <= lower:
                return Exact(found, below if done else lower, exhausted=done)
        tired = self.small and self._questions >= TRIAL_QUESTIONS_SMALL
        if not asks or tired or children < ASK_FROM_CHILDREN:
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

    def _grown(self, k: int, below: int, children: int) -> Tree:
        """Return the tree of a side: planted at first, and weighed once that is worth its time."""
        side = self._sides[k]
        tree = self._trees[k] or plant(side, below)
        if not self.small or children < WEIGH_FROM_CHILDREN or k in self._weighed:
            return tree
        self._weighed.add(k)
        found = weights(side)
        return tree if found is None else weighed(tree, side, found, WHOLE)

    def _climb(
        self, side: Layout, tree: Tree, below: int, children: int
    ) -> tuple[Ints | None, bool]:
        """Return the starts of a schedule below `below` if there is one, and if all is done."""
        tree.state[BELOW] = min(below, int(tree.state[BELOW]))
        known = int(tree.state[FOUND])
        per_turn = NODES_PER_TURN_SMALL if self.small else NODES_PER_TURN
        left = max(1, round(per_turn * children))
        done = False
        while left > 0 and not done and not self._cancelled.is_set():
            nodes = min(left, SLICE_NODES)
            done = climb(side.forward, tree, nodes)
            left -= nodes
        return (tree.best.copy() if tree.state[FOUND] > known else None), done


def _mirrored(side: Layout, starts: Ints) -> Ints:
    finishes = starts + side.forward.durations
    return np.asarray(finishes.max() - finishes, dtype=np.int32)
