"""What may be where in the exact model, and in which turn: work, resources and links."""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from ortools.sat.python import cp_model

from contractor.engine.exact_places import Part, Place, Places, resources_used
from contractor.engine.exact_variables import Lit, Slots, Var, Variables, runs
from contractor.engine.problem import Link

__all__ = ["ExactRules"]


class ExactRules(Variables):
    """The variables of a part under the rules that every plan of it keeps."""

    def __init__(self, part: Part, scale: int) -> None:
        super().__init__(scale)
        self._part = part
        self._problem = part.problem
        self._slot_of = _worked_at_all(part)
        self._end_of = np.concatenate((self._slot_of[:1], self._slot_of + 1))
        """The slot at which work ends that ends at a position; no work ends as it begins."""
        self._start: dict[int, Var] = {}
        self._finish: dict[int, Var] = {}
        self._in_mode: dict[int, dict[int, Lit]] = {}
        self._uses: dict[int, list[tuple[cp_model.IntervalVar, int]]] = defaultdict(list)
        for i in part.choices:
            self._add_activity(i)
        self._add_resources()
        self._links = [
            link for link in part.links if not self._problem.activities[link.after].under_way
        ]
        for link in self._links:
            self._add_link(link)

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
        self, start: Var, size: Var, present: Lit, s: Slots, f: Slots, lengths: list[int]
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

    def _within(self, var: Var, values: Slots, when: Sequence[Lit]) -> None:
        if values.size == var.high - var.low + 1:
            return
        domain = cp_model.Domain.from_values(values.tolist())
        rule = self.model.add_linear_expression_in_domain(var.expr, domain)
        rule.only_enforce_if([lit.expr for lit in when if lit.sure is not True])

    def _add_uses(
        self, i: int, m: int, start: Var, size: Var, finish: Var, present: Lit, own: Slots
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

    def _leads(self, link: Link) -> tuple[Var, Slots]:
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

    def _no_earlier(self, after: Var, leader: Var, earliest: Slots, when: Sequence[Lit]) -> None:
        """Let `after` be no earlier than `earliest` at the position of `leader`."""
        enforced = [lit.expr for lit in when if lit.sure is not True]
        for first, last, rises in runs(earliest, leader.low, leader.high):
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

    def _on_crew(self, i: int, crew: int | None) -> Lit:
        """Return whether `crew` does the activity; of no crew named, everybody is."""
        modes = self._problem.activities[i].modes
        if crew is None:
            return self._known(True)
        return self._any([x for m, x in self._in_mode[i].items() if modes[m].crew == crew], i)

    def _by_crew(self, i: int) -> Lit:
        """Return whether a crew of ours does the activity."""
        modes = self._problem.activities[i].modes
        return self._any([x for m, x in self._in_mode[i].items() if modes[m].crew is not None], i)

    def _any(self, ways: list[Lit], i: int) -> Lit:
        """Return whether one of some of the modes of `i` is taken, of which always one is."""
        if not ways or len(ways) == len(self._in_mode[i]):
            return self._known(bool(ways))
        if len(ways) == 1:
            return ways[0]
        one = self._bool(any(lit.now for lit in ways))
        self.model.add(sum(lit.expr for lit in ways) == one.expr)
        return one


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
