"""The exact problem for CP-SAT, on an axis without the time in which nobody could work.

Position p of that axis is slot `slot_of[p]` of the problem. Nights and weekends that all share are
gone, so most work has one length wherever it begins, and a crew's day is full when it is full.
Whatever depends on the real clock (waits, days late, days moved) is a function of one position
that never falls, and is told to the solver by Booleans "at this position or later", made once each.

Every variable comes with its value in the plan to be improved: together a complete hint, and a
second sum of the objective to hold the solver's against.
"""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import cast

import numpy as np
from numpy.typing import NDArray
from ortools.sat.python import cp_model

from contractor.engine.exact_places import Part, Place, Places, resources_used
from contractor.engine.objective import days_late
from contractor.engine.prepared import prepare
from contractor.engine.prices import (
    FROZEN_TOLERANCE_SLOTS,
    PRICE_BROKEN_PIN,
    PRICE_CREW_CHANGE,
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_FROZEN_MOVE,
    PRICE_LATE_DAY,
    PRICE_MOVED_DAY,
    PRICE_OPEN_DAY,
    PRICE_OVERLONG_DAY,
)
from contractor.engine.problem import Link
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["ExactModel"]

Slots = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Var:
    """A whole number of the model between `low` and `high`, and what it is in the plan at hand."""

    expr: cp_model.IntVar
    low: int
    high: int
    now: int


@dataclass(frozen=True, slots=True)
class _Lit:
    """A Boolean of the model, and whether it holds in the plan at hand; `sure` where it must."""

    expr: cp_model.LiteralT
    now: bool
    sure: bool | None = None


class ExactModel:
    """The model of a part, its objective in whole units of 1 / `scale`; `cost_now` at hand."""

    def __init__(self, part: Part, scale: int) -> None:
        self.model = cp_model.CpModel()
        self.cost_now = 0
        self._part = part
        self._problem = part.problem
        self._scale = scale
        self._slot_of = _worked_at_all(part)
        self._end_of = np.concatenate((self._slot_of[:1], self._slot_of + 1))
        """The slot at which work ends that ends at a position; no work ends as it begins."""
        self._terms: list[cp_model.LinearExprT] = []
        self._at_least: dict[tuple[int, int], _Lit] = {}
        self._start: dict[int, _Var] = {}
        self._finish: dict[int, _Var] = {}
        self._until: dict[int, cp_model.IntVar] = {}
        self._in_mode: dict[int, dict[int, _Lit]] = {}
        self._uses: dict[int, list[tuple[cp_model.IntervalVar, int]]] = defaultdict(list)
        for i in part.choices:
            self._add_activity(i)
        self._add_resources()
        for link in part.links:
            if not self._problem.activities[link.after].under_way:
                self._add_link(link)
        begun = prepare(self._problem).begun.tolist()
        for i in part.choices:
            if self._problem.activities[i].job in part.jobs:
                self._price_place(i)
        for j in part.jobs:
            self._price_job(j, begun[j])
        self.model.minimize(sum(self._terms))

    def places(self, solver: cp_model.CpSolver) -> dict[int, Place]:
        """Return where the solution of `solver` puts the free activities."""
        found = {}
        for i in self._part.free:
            mode = next(m for m, x in self._in_mode[i].items() if solver.boolean_value(x.expr))
            start = int(self._slot_of[solver.value(self._start[i].expr)])
            row = next(p for p in self._part.choices[i] if p.mode == mode)
            k = int(np.searchsorted(row.start, start))
            found[i] = (mode, start, int(row.finish[k]))
        return found

    # Variables, each with its value in the plan at hand.

    def _int(self, low: int, high: int, now: int) -> _Var:
        if low == high:
            return _Var(self.model.new_constant(low), low, high, low)
        var = self.model.new_int_var(low, high, "")
        self.model.add_hint(var, now)
        return _Var(var, low, high, now)

    def _bool(self, now: bool) -> _Lit:
        var = self.model.new_bool_var("")
        self.model.add_hint(var, now)
        return _Lit(var, now)

    def _known(self, value: bool) -> _Lit:
        return _Lit(self.model.new_constant(int(value)), value, value)

    def _from(self, var: _Var, position: int) -> _Lit:
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

    def _price_steps(self, var: _Var, cost: Callable[[int], float]) -> None:
        """Price a function of the position of `var` that is constant but for steps."""
        before = round(cost(var.low) * self._scale)
        self._constant(before)
        for position in range(var.low + 1, var.high + 1):
            here = round(cost(position) * self._scale)
            if here != before:
                lit = self._from(var, position)
                self._terms.append((here - before) * lit.expr)
                self.cost_now += (here - before) * lit.now
                before = here

    def _constant(self, units: int) -> None:
        if units:
            self._terms.append(units)
            self.cost_now += units

    def _clock(self, var: _Var, slots: Slots) -> tuple[cp_model.LinearExpr, int]:
        """Return the slot at the position of `var`, read from `slots`, and what it is now."""
        steps = np.diff(slots[var.low : var.high + 1])
        expr = var.expr + (int(slots[var.low]) - var.low)
        for k in np.flatnonzero(steps != 1).tolist():
            later = cast(cp_model.IntVar, self._from(var, var.low + k + 1).expr)
            expr = expr + int(steps[k] - 1) * later
        return expr, int(slots[var.now])

    # What may be where.

    def _add_activity(self, i: int) -> None:
        rows = self._part.choices[i]
        mode_now, start_now, _ = self._part.now[i]
        spans = [(row.mode, *self._positions(row)) for row in rows]
        s, f = next((s, f) for m, s, f in spans if m == mode_now)
        k = int(np.searchsorted(self._slot_of[s], start_now))
        now = (int(s[k]), int(f[k]))
        start = self._int(
            min(int(s[0]) for _, s, _ in spans), max(int(s[-1]) for _, s, _ in spans), now[0]
        )
        lengths = sorted({int(n) for _, s, f in spans for n in np.unique(f - s)})
        self._start[i] = start
        self._in_mode[i] = {}
        size = self._int(lengths[0], lengths[-1], now[1] - now[0])
        finish = start
        if lengths != [0]:
            finish = self._int(
                min(int(f[0]) for _, _, f in spans), max(int(f[-1]) for _, _, f in spans), now[1]
            )
            self.model.add(finish.expr == start.expr + size.expr)
        self._finish[i] = finish
        ways = []
        for m, s, f in spans:
            present = self._known(True) if len(spans) == 1 else self._bool(m == mode_now)
            self._in_mode[i][m] = present
            ways.append(present.expr)
            self._add_starts(start, size, present, s, f, lengths)
            if i in self._part.free:
                self._add_uses(i, m, start, size, finish, present, np.unique(f - s))
        if len(ways) > 1:
            self.model.add_exactly_one(ways)

    def _positions(self, row: Places) -> tuple[Slots, Slots]:
        start = np.searchsorted(self._slot_of, row.start)
        last = np.searchsorted(self._slot_of, row.finish - 1) + 1
        return start, np.where(row.finish > row.start, last, start)

    def _add_starts(
        self, start: _Var, size: _Var, present: _Lit, s: Slots, f: Slots, lengths: list[int]
    ) -> None:
        """Let work begin only where it can, and be as long as it then is."""
        own = np.unique(f - s).tolist()
        if len(own) == 1:
            self._within(start, s, [present])
            if len(lengths) > 1:
                self.model.add(size.expr == own[0]).only_enforce_if(present.expr)
            return
        chosen = []
        k = int(np.searchsorted(s, start.now))
        here = k < s.size and s[k] == start.now and present.now
        for length in own:
            lit = self._bool(bool(here and f[k] - s[k] == length))
            chosen.append(lit.expr)
            self._within(start, s[f - s == length], [lit])
            self.model.add(size.expr == length).only_enforce_if(lit.expr)
        self.model.add(sum(chosen) == present.expr)

    def _within(self, var: _Var, values: Slots, when: Sequence[_Lit]) -> None:
        if values.size == var.high - var.low + 1:
            return
        domain = cp_model.Domain.from_values(values.tolist())
        rule = self.model.add_linear_expression_in_domain(var.expr, domain)
        rule.only_enforce_if([lit.expr for lit in when if lit.sure is not True])

    def _add_uses(
        self, i: int, m: int, start: _Var, size: _Var, finish: _Var, present: _Lit, own: Slots
    ) -> None:
        used = resources_used(self._problem.activities[i].modes[m])
        if not used:
            return
        if own.size == 1:
            interval = self.model.new_optional_fixed_size_interval_var(
                start.expr, int(own[0]), present.expr, ""
            )
        else:
            interval = self.model.new_optional_interval_var(
                start.expr, size.expr, finish.expr, present.expr, ""
            )
        for resource, units in used.items():
            self._uses[resource].append((interval, units))

    def _add_resources(self) -> None:
        for r, rows in self._uses.items():
            capacity = self._problem.resources[r].capacity
            if capacity == 1:
                if len(rows) > 1:
                    self.model.add_no_overlap(interval for interval, _ in rows)
                continue
            stays = self._stays(r)
            if sum(units for _, units in rows) + max((u for _, u in stays), default=0) > capacity:
                rows = rows + stays
                self.model.add_cumulative([x for x, _ in rows], [u for _, u in rows], capacity)

    def _stays(self, r: int) -> list[tuple[cp_model.IntervalVar, int]]:
        """Return what of resource `r` stays in use, a stretch for each level of use."""
        load = self._part.taken.load(r)
        edges = np.concatenate(([0], np.flatnonzero(np.diff(load)) + 1, [load.size]))
        stays = []
        for begins, ends in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            first, last = np.searchsorted(self._slot_of, (begins, ends)).tolist()
            if load[begins] and first < last:
                stays.append(
                    (
                        self.model.new_fixed_size_interval_var(first, last - first, ""),
                        int(load[begins]),
                    )
                )
        return stays

    # Links.

    def _leads(self, link: Link) -> tuple[_Var, Slots]:
        """Return the start or finish that leads, and by its position the slot it frees at."""
        if link.start_to_start:
            leader, frees = self._start[link.before], self._slot_of
        else:
            leader, frees = self._finish[link.before], self._end_of
        if link.wait is None:
            return leader, frees
        return leader, self._problem.waits[link.wait].table[frees].astype(np.int64)

    def _add_link(self, link: Link) -> None:
        leader, frees = self._leads(link)
        earliest = np.searchsorted(self._slot_of, frees)
        self._no_earlier(self._start[link.after], leader, earliest, [])
        if link.longest_slots is not None:
            self._price_overlong(link, leader, frees)

    def _no_earlier(self, after: _Var, leader: _Var, earliest: Slots, when: Sequence[_Lit]) -> None:
        """Let `after` be no earlier than `earliest` at the position of `leader`."""
        enforced = [lit.expr for lit in when if lit.sure is not True]
        for first, last, rises in _runs(earliest, leader.low, leader.high):
            reached = self._from(leader, first)
            conditions = [*enforced, *([] if reached.sure else [reached.expr])]
            if not rises:
                if earliest[first] > after.low:
                    rule = self.model.add(after.expr >= int(earliest[first]))
                    rule.only_enforce_if(conditions)
                continue
            beyond = self._from(leader, last + 1)
            conditions += [] if beyond.sure is False else [~beyond.expr]
            rule = self.model.add(after.expr >= leader.expr + int(earliest[first] - first))
            rule.only_enforce_if(conditions)

    def _price_overlong(self, link: Link, leader: _Var, frees: Slots) -> None:
        if self._problem.activities[link.after].job not in self._part.jobs and (
            self._problem.activities[link.before].job not in self._part.jobs
        ):
            return
        start = self._start[link.after]
        longest = link.longest_slots or 0
        begins, begins_now = self._clock(start, self._slot_of)
        freed, freed_now = self._clock(leader, frees)
        most = days_late(int(frees[leader.low]) + longest, int(self._slot_of[start.high]))
        if most == 0:
            return
        days = self._int(0, most, days_late(freed_now + longest, begins_now))
        self.model.add(SLOTS_PER_DAY * days.expr + longest >= begins - freed)
        self._price(PRICE_OVERLONG_DAY, days.expr, days.now)

    # Prices.

    def _price_place(self, i: int) -> None:
        activity = self._problem.activities[i]
        if activity.under_way:
            return
        start, pin, told = self._start[i], activity.pin, activity.announced
        if pin is not None:
            kept = self._both_kept(i, pin.crew, self._near(start, pin.start, pin.start))
            self._price(PRICE_BROKEN_PIN, 1 - kept.expr, 1 - kept.now)
        if told is None:
            return
        self._price_steps(
            start,
            lambda p: (
                PRICE_MOVED_DAY
                * told.weight
                * (abs(int(self._slot_of[p]) - told.start) // SLOTS_PER_DAY)
            ),
        )
        stays = self._on_crew(i, told.crew)
        self._price(PRICE_CREW_CHANGE, 1 - stays.expr, 1 - stays.now)
        if told.start < self._problem.freeze_until and pin is None:
            near = FROZEN_TOLERANCE_SLOTS - 1
            kept = self._both_kept(
                i, told.crew, self._near(start, told.start - near, told.start + near)
            )
            self._price(PRICE_FROZEN_MOVE, 1 - kept.expr, 1 - kept.now)

    def _near(self, start: _Var, first: int, last: int) -> list[_Lit]:
        """Return what holds when the start lies from slot `first` to slot `last`."""
        low, high = np.searchsorted(self._slot_of, (first, last + 1)).tolist()
        beyond = self._from(start, high)
        after = _Lit(~beyond.expr, not beyond.now, None if beyond.sure is None else not beyond.sure)
        return [self._from(start, low), after]

    def _both_kept(self, i: int, crew: int | None, near: list[_Lit]) -> _Lit:
        """Return a Boolean that can hold only where the crew and all of `near` do."""
        needed = [self._on_crew(i, crew), *near]
        if any(lit.sure is False for lit in needed):
            return self._known(False)
        kept = self._bool(all(lit.now for lit in needed))
        for lit in needed:
            if lit.sure is None:
                self.model.add_implication(kept.expr, lit.expr)
        return kept

    def _on_crew(self, i: int, crew: int | None) -> _Lit:
        """Return whether `crew` does the activity; of no crew named, everybody is."""
        modes = self._problem.activities[i].modes
        if crew is None:
            return self._known(True)
        return self._any([x for m, x in self._in_mode[i].items() if modes[m].crew == crew], i)

    def _by_crew(self, i: int) -> _Lit:
        """Return whether a crew of ours does the activity."""
        modes = self._problem.activities[i].modes
        return self._any([x for m, x in self._in_mode[i].items() if modes[m].crew is not None], i)

    def _any(self, ways: list[_Lit], i: int) -> _Lit:
        """Return whether one of some of the modes of `i` is taken, of which always one is."""
        if not ways or len(ways) == len(self._in_mode[i]):
            return self._known(bool(ways))
        if len(ways) == 1:
            return ways[0]
        one = self._bool(any(lit.now for lit in ways))
        self.model.add(sum(lit.expr for lit in ways) == one.expr)
        return one

    def _price_job(self, j: int, begun: bool) -> None:
        members = [i for i in self._part.choices if self._problem.activities[i].job == j]
        end = self._last([self._finish[i] for i in members])
        self._price_end(j, end)
        on_site = [(i, by) for i in members if (by := self._by_crew(i)).sure is not False]
        if on_site:
            always = all(by.sure for _, by in on_site)
            whole = always and len(on_site) == len(members)
            closes = end if whole else self._outer(on_site, self._finish, latest=True)
            self._price_open(on_site, closes, begun)
            self._price_crews(j, on_site)
            if self._problem.jobs[j].visit_price:
                self._price_visits(j, on_site)

    def _last(self, ends: list[_Var]) -> _Var:
        if len(ends) == 1:
            return ends[0]
        end = self._int(
            max(v.low for v in ends), max(v.high for v in ends), max(v.now for v in ends)
        )
        self.model.add_max_equality(end.expr, [v.expr for v in ends])
        return end

    def _price_end(self, j: int, end: _Var) -> None:
        job, now = self._problem.jobs[j], self._problem.now
        slots, slots_now = self._clock(end, self._end_of)
        units = round(PRICE_FINISH_DAY * self._scale / SLOTS_PER_DAY)
        self._terms.append(units * (slots - now))
        self.cost_now += units * (slots_now - now)
        if job.due is not None:
            due = job.due
            self._price_steps(
                end, lambda p: PRICE_LATE_DAY * job.weight * days_late(due, int(self._end_of[p]))
            )

    def _outer(self, on_site: list[tuple[int, _Lit]], of: dict[int, _Var], *, latest: bool) -> _Var:
        """Return a position past the last of some activities, or before the first, where by crew.

        Where it may still move it goes as near to them as the price asks for.
        """
        values = [of[i] for i, _ in on_site]
        here = [of[i].now for i, by in on_site if by.now]
        low, high = min(v.low for v in values), max(v.high for v in values)
        if latest:
            var = self._int(low, high, max(here, default=low))
        else:
            var = self._int(low, high, min(here, default=high))
        for i, by in on_site:
            rule = self.model.add(var.expr >= of[i].expr if latest else var.expr <= of[i].expr)
            if by.sure is None:
                rule.only_enforce_if(by.expr)
        return var

    def _price_open(self, on_site: list[tuple[int, _Lit]], closes: _Var, begun: bool) -> None:
        if begun and any(by.sure for _, by in on_site):
            since = self._problem.now
            self._price_steps(
                closes,
                lambda p: PRICE_OPEN_DAY * ((int(self._end_of[p]) - since) // SLOTS_PER_DAY),
            )
            return
        opens = self._outer(on_site, self._start, latest=False)
        ended, ended_now = self._clock(closes, self._end_of)
        began: cp_model.LinearExpr | int
        if begun:
            began, began_now = self._problem.now, self._problem.now
        else:
            began, began_now = self._clock(opens, self._slot_of)
        if not any(by.now for _, by in on_site):
            ended_now = began_now
        most = int(self._end_of[closes.high]) // SLOTS_PER_DAY + 1
        days = self._int(0, most, max(0, ended_now - began_now) // SLOTS_PER_DAY)
        rule = self.model.add(SLOTS_PER_DAY * days.expr + SLOTS_PER_DAY - 1 >= ended - began)
        if not any(by.sure for _, by in on_site):
            somebody = self._bool(any(by.now for _, by in on_site))
            for _, by in on_site:
                self.model.add_implication(by.expr, somebody.expr)
            rule.only_enforce_if(somebody.expr)
        self._price(PRICE_OPEN_DAY, days.expr, days.now)

    def _price_crews(self, j: int, on_site: list[tuple[int, _Lit]]) -> None:
        modes = {i: self._problem.activities[i].modes for i, _ in on_site}
        crews = {modes[i][m].crew for i, _ in on_site for m in self._in_mode[i]} - {None}
        preferred = self._problem.jobs[j].preferred_crew
        comes: list[_Lit] = []
        for crew in sorted(c for c in crews if c is not None and c != preferred):
            does = [lit for i, _ in on_site if (lit := self._on_crew(i, crew)).sure is not False]
            if any(lit.sure for lit in does):
                comes.append(self._known(True))
                continue
            here = self._bool(any(lit.now for lit in does))
            for lit in does:
                self.model.add_implication(lit.expr, here.expr)
            comes.append(here)
        if preferred is not None:
            comes.append(self._known(True))
        extra = self._int(0, len(comes), max(0, sum(lit.now for lit in comes) - 1))
        self.model.add(extra.expr >= sum(lit.expr for lit in comes) - 1)
        self._price(PRICE_EXTRA_CREW, extra.expr, extra.now)

    def _price_visits(self, j: int, on_site: list[tuple[int, _Lit]]) -> None:
        """Price each activity of a crew that no other of it on the site is soon before."""
        members = [i for i, _ in on_site]
        for i, by in on_site:
            soon = [
                stay
                for other in members
                if other != i and (stay := self._stays_on(other, i)) is not None
            ]
            anew = self._bool(by.now and not any(lit.now for lit in soon))
            if by.sure is None:
                self.model.add_bool_or([anew.expr, ~by.expr, *(lit.expr for lit in soon)])
            else:
                self.model.add_bool_or([anew.expr, *(lit.expr for lit in soon)])
            self._price(self._problem.jobs[j].visit_price, anew.expr, anew.now)

    def _stays_on(self, other: int, i: int) -> _Lit | None:
        """Return a Boolean that can hold only where `i` goes on with the visit that `other` is on.

        That is: by the same crew, `other` begun before (of two begun at once, the one with the
        lower number), and `i` begun before the pause behind `other` is too long. None if never.
        """
        first, then, finish = self._start[other], self._start[i], self._finish[other]
        if first.low + (other > i) > then.high:
            return None
        pause = self._problem.visit_pause_slots
        latest = np.searchsorted(self._slot_of, self._end_of + pause, side="right") - 1
        if latest[finish.high] < then.low:
            return None
        modes = (self._problem.activities[other].modes, self._problem.activities[i].modes)
        crews = [
            {c for m in self._in_mode[x] if (c := own[m].crew) is not None}
            for x, own in zip((other, i), modes, strict=True)
        ]
        if not crews[0] & crews[1]:
            return None
        same_now = self._crew_now(other) == self._crew_now(i) is not None
        now = (
            same_now and first.now + (other > i) <= then.now and then.now <= int(latest[finish.now])
        )
        stay = self._bool(now)
        self.model.add(first.expr + int(other > i) <= then.expr).only_enforce_if(stay.expr)
        self.model.add(then.expr <= self._visit_until(other, latest)).only_enforce_if(stay.expr)
        for crew in crews[0] | crews[1]:
            one, two = self._on_crew(other, crew), self._on_crew(i, crew)
            self.model.add_implication(one.expr, two.expr).only_enforce_if(stay.expr)
            self.model.add_implication(two.expr, one.expr).only_enforce_if(stay.expr)
        return stay

    def _visit_until(self, i: int, latest: Slots) -> cp_model.IntVar:
        """Return a position no later than `latest` at the finish of `i`; one for all its pairs."""
        if i not in self._until:
            finish = self._finish[i]
            until = self._int(
                int(latest[finish.low]), int(latest[finish.high]), int(latest[finish.now])
            )
            for low, high, rises in _runs(latest, finish.low, finish.high):
                beyond = self._from(finish, high + 1)
                when = [] if beyond.sure is False else [~beyond.expr]
                if rises:
                    since = self._from(finish, low)
                    when += [] if since.sure else [since.expr]
                    rule = self.model.add(until.expr <= finish.expr + int(latest[low] - low))
                    rule.only_enforce_if(when)
                elif latest[low] < until.high:
                    self.model.add(until.expr <= int(latest[low])).only_enforce_if(when)
            self._until[i] = until.expr
        return self._until[i]

    def _crew_now(self, i: int) -> int | None:
        return self._problem.activities[i].modes[self._part.now[i][0]].crew


def _worked_at_all(part: Part) -> Slots:
    """Return every slot in which some activity of the part could be at work, or stays.

    Where work of no length may end as a day opens, the slot before belongs to it.
    """
    worked = np.zeros(part.problem.axis.slots, dtype=np.bool_)
    for i, rows in part.choices.items():
        modes = part.problem.activities[i].modes
        for row in rows:
            first, last = int(row.start[0]), int(row.finish[-1])
            if i in part.free:
                calendar = part.problem.calendars[modes[row.mode].calendar]
                worked[first:last] |= calendar.working[first:last]
            for ends in (row.start, row.finish - 1):
                worked[ends[ends >= 0]] = True
    return np.flatnonzero(worked)


def _runs(values: Slots, low: int, high: int) -> list[tuple[int, int, bool]]:
    """Cut positions `low` to `high` into stretches over which `values` stays, or rises by one.

    Returns first and last position of each, and whether it rises there.
    """
    steps = np.diff(values[low : high + 1])
    changes = np.flatnonzero(np.diff(steps)) + 1
    runs: list[tuple[int, int, bool]] = []
    first = low
    edges = [0, *changes.tolist(), steps.size]
    for begins, ends in pairwise(edges):
        if begins == ends:
            continue
        step = int(steps[begins])
        since = max(first, low + begins)
        if step in (0, 1):
            if since <= low + ends:
                runs.append((since, low + ends, step == 1))
            first = low + ends + 1
            continue
        runs += [(position, position, False) for position in range(since, low + ends)]
        first = max(first, low + ends)
    if first <= high:
        runs.append((first, high, False))
    return runs
