"""Variables of the exact model, each with its value in the plan to be improved.

Together the values are a complete hint, and a second sum of the objective to hold the solver's
against.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from ortools.sat.python import cp_model

__all__ = ["Lit", "Slots", "Var", "Variables", "runs"]

Slots = NDArray[np.int64]
Prices = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Var:
    """A whole number of the model between `low` and `high`, and what it is in the plan at hand."""

    expr: cp_model.IntVar
    low: int
    high: int
    now: int


@dataclass(frozen=True, slots=True)
class Lit:
    """A Boolean of the model, and whether it holds in the plan at hand; `sure` where it must."""

    expr: cp_model.LiteralT
    now: bool
    sure: bool | None = None


class Variables:
    """A model with its hint, and an objective in whole units of 1 / `scale`; `cost_now` at hand."""

    def __init__(self, scale: int) -> None:
        self.model = cp_model.CpModel()
        self.cost_now = 0
        self._scale = scale
        self._terms: list[cp_model.LinearExprT] = []
        self._at_least: dict[tuple[int, int], Lit] = {}

    def _int(self, low: int, high: int, now: int) -> Var:
        if low == high:
            return Var(self.model.new_constant(low), low, high, low)
        var = self.model.new_int_var(low, high, "")
        self.model.add_hint(var, now)
        return Var(var, low, high, now)

    def _bool(self, now: bool) -> Lit:
        var = self.model.new_bool_var("")
        self.model.add_hint(var, now)
        return Lit(var, now)

    def _known(self, value: bool) -> Lit:
        return Lit(self.model.new_constant(int(value)), value, value)

    def _from(self, var: Var, position: int) -> Lit:
        """Return whether `var` is at `position` or later."""
        if position <= var.low or position > var.high:
            return self._known(position <= var.low)
        key = (var.expr.index, position)
        if key not in self._at_least:
            lit = self._bool(var.now >= position)
            self.model.add(var.expr >= position).only_enforce_if(lit.expr)
            self.model.add(var.expr < position).only_enforce_if(~lit.expr)
            self._at_least[key] = lit
        return self._at_least[key]

    def _price(self, price: float, expr: cp_model.LinearExprT, now: int) -> None:
        units = round(price * self._scale)
        if units:
            self._terms.append(units * expr)
            self.cost_now += units * now

    def _price_steps(self, var: Var, cost: Callable[[Slots], Prices]) -> None:
        """Price a function of the position of `var` that is constant but for steps."""
        units = np.rint(cost(np.arange(var.low, var.high + 1)) * self._scale).astype(np.int64)
        self._constant(int(units[0]))
        steps = np.diff(units)
        for k in np.flatnonzero(steps).tolist():
            lit = self._from(var, var.low + k + 1)
            self._terms.append(int(steps[k]) * lit.expr)
            self.cost_now += int(steps[k]) * lit.now

    def _constant(self, units: int) -> None:
        if units:
            self._terms.append(units)
            self.cost_now += units

    def _clock(self, var: Var, slots: Slots) -> tuple[cp_model.LinearExpr, int]:
        """Return the slot at the position of `var`, read from `slots`, and what it is now."""
        steps = np.diff(slots[var.low : var.high + 1])
        expr = var.expr + (int(slots[var.low]) - var.low)
        for k in np.flatnonzero(steps != 1).tolist():
            later = cast(cp_model.IntVar, self._from(var, var.low + k + 1).expr)
            expr = expr + int(steps[k] - 1) * later
        return expr, int(slots[var.now])


def runs(values: Slots, low: int, high: int) -> list[tuple[int, int, bool]]:
    """Cut positions `low` to `high` into stretches over which `values` stays, or rises by one.

    Returns first and last position of each, and whether it rises there.
    """
    steps = np.diff(values[low : high + 1])
    changes = np.flatnonzero(np.diff(steps)) + 1
    found: list[tuple[int, int, bool]] = []
    first = low
    edges = [0, *changes.tolist(), steps.size]
    for begins, ends in pairwise(edges):
        if begins == ends:
            continue
        step = int(steps[begins])
        since = max(first, low + begins)
        if step in (0, 1):
            if since <= low + ends:
                found.append((since, low + ends, step == 1))
            first = low + ends + 1
            continue
        found += [(position, position, False) for position in range(since, low + ends)]
        first = max(first, low + ends)
    if first <= high:
        found.append((first, high, False))
    return found
