"""A plain project laid out in arrays for the compiled passes, and what time alone says of it."""

from dataclasses import dataclass, field
from math import gcd
from typing import NamedTuple

import numpy as np

from contractor.engine.compiled import Ints, Longs, Words, by_pointer, pointer_table
from contractor.engine.project.plain import PlainProject

__all__ = ["Layout", "Network", "Pointed", "lay_out", "packed", "turned"]

_WORD_BITS = 64


@dataclass(frozen=True, eq=False)
class Pointed:
    """Arrays that kernels take as one pointer."""

    table: Longs = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", pointer_table(self))

    @property
    def address(self) -> int:
        """Return where kernels find the arrays."""
        return int(self.table.ctypes.data)


@by_pointer
@dataclass(frozen=True, eq=False)
class Network(Pointed):
    """A project in one direction of time.

    The units free and the units needed of several resources stand side by side in one word, each
    with a guard bit above it that a subtraction clears when there are too few: one comparison
    tells whether an activity fits into a slot. `needs[i * w + k]` is word k of activity i, of w
    words as in `capacity` and `guard`; the leaders of activity i and the lags behind them are
    entries `first[i]` to `first[i + 1]`.
    """

    durations: Ints
    needs: Words
    capacity: Words
    guard: Words
    first: Ints
    leader: Ints
    lag: Ints


class Layout(NamedTuple):
    """A project in both directions, its times divided by `unit`, their greatest common divisor.

    `rank[n]` puts every activity behind its leaders. `heads[n]` is the earliest start and
    `tails[n]` the least time from an activity's finish to the project's, both by precedence alone.
    `demands[n, r]` and `capacities[r]` are of the resources that can be short at all. `horizon` is
    enough for any serial schedule.
    """

    forward: Network
    backward: Network
    rank: Ints
    heads: Ints
    tails: Ints
    demands: Ints
    capacities: Ints
    horizon: int
    unit: int


def lay_out(project: PlainProject) -> Layout:
    """Return the arrays of `project`."""
    before, after, lags = project.precedence.T
    unit = gcd(*project.durations.tolist(), *lags.tolist()) or 1
    durations = (project.durations // unit).astype(np.int32)
    lags = (lags // unit).astype(np.int32)
    short = np.flatnonzero(project.demands.sum(axis=0) > project.capacities)
    demands, capacities = project.demands[:, short], project.capacities[short]
    none = np.zeros((1, short.size), dtype=np.int64)
    words = (
        packed(demands, capacities),
        packed(none + capacities, capacities, guarded=True),
        packed(none, capacities, guarded=True),
    )
    forward = Network(durations, *words, *_rows(project.size, after, before, lags))
    backward = Network(durations, *words, *_rows(project.size, before, after, lags))
    order = _topological(forward, backward)
    return Layout(
        forward=forward,
        backward=backward,
        rank=np.argsort(order).astype(np.int32),
        heads=_longest(forward, order),
        tails=_longest(backward, order[::-1]),
        # In rows always: the passes are compiled for one order of an array in memory.
        demands=np.ascontiguousarray(demands, dtype=np.int32),
        capacities=capacities.astype(np.int32),
        # No gap between two starts exceeds what the leaders' longest lag leaves.
        horizon=int(durations.sum()) + _longest_lags(forward),
        unit=unit,
    )


def turned(layout: Layout) -> Layout:
    """Return the same project with time running backward."""
    return layout._replace(
        forward=layout.backward,
        backward=layout.forward,
        rank=(layout.rank.size - 1 - layout.rank).astype(np.int32),
        heads=layout.tails,
        tails=layout.heads,
    )


def packed(rows: Longs, most: Longs, *, guarded: bool = False) -> Words:
    """Return the numbers of each row side by side in words, in one field for each column.

    A field has room for `most[r]` and a guard bit above it, which is set where `guarded`; columns
    are put into words as they come. Word k of row i, of w words, is at i * w + k.
    """
    words, used_bits = [[0] * len(rows)], 0
    for r, largest in enumerate(most.tolist()):
        bits = largest.bit_length() + 1
        if used_bits + bits > _WORD_BITS:
            words.append([0] * len(rows))
            used_bits = 0
        guard = int(guarded) << (used_bits + bits - 1)
        for i, number in enumerate(rows[:, r].tolist()):
            words[-1][i] |= (number << used_bits) | guard
        used_bits += bits
    return np.array(words, dtype=np.uint64).T.ravel()


def _rows(size: int, of: Longs, other: Longs, lags: Ints) -> tuple[Ints, Ints, Ints]:
    """Return the links grouped by the activities `of`, as first entries, others and lags."""
    order = np.argsort(of, kind="stable")
    first = np.zeros(size + 1, dtype=np.int32)
    np.cumsum(np.bincount(of, minlength=size), out=first[1:])
    return first, other[order].astype(np.int32), lags[order]


def _topological(network: Network, reverse: Network) -> list[int]:
    missing = np.diff(network.first).tolist()
    order = [i for i, count in enumerate(missing) if count == 0]
    for i in order:
        for after in reverse.leader[reverse.first[i] : reverse.first[i + 1]].tolist():
            missing[after] -= 1
            if missing[after] == 0:
                order.append(after)
    return order


def _longest(network: Network, order: list[int]) -> Ints:
    """Return the longest way by durations and lags to the start of each activity."""
    longest = np.zeros(network.durations.size, dtype=np.int32)
    for i in order:
        row = slice(network.first[i], network.first[i + 1])
        before = network.leader[row]
        reached = longest[before] + network.durations[before] + network.lag[row]
        longest[i] = reached.max(initial=0)
    return longest


def _longest_lags(network: Network) -> int:
    """Return the sum over activities of the longest lag before each."""
    lags = np.zeros(network.durations.size, dtype=np.int64)
    of = np.repeat(np.arange(lags.size), np.diff(network.first))
    np.maximum.at(lags, of, network.lag)
    return int(lags.sum())
