"""The exact problem for CP-SAT, on an axis without the time in which nobody could work.

Position p of that axis is slot `slot_of[p]` of the problem. Nights and weekends that all share are
gone, so most work has one length wherever it begins, and a crew's day is full when it is full.
Whatever depends on the real clock (waits, days late, days moved) is a function of one position
that never falls, and is told to the solver by Booleans "at this position or later", made once each.

Every variable comes with its value in the plan to be improved: together a complete hint, and a
second sum of the objective to hold the solver's against.
"""

import numpy as np
from ortools.sat.python import cp_model

from contractor.engine.exact_places import Part
from contractor.engine.exact_rules import ExactRules
from contractor.engine.exact_variables import Lit, Slots, Var, runs
from contractor.engine.objective import all_days_late, days_late
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


class ExactModel(ExactRules):
    """The model of a part with its prices as the objective, to be minimised."""

    def __init__(self, part: Part, scale: int) -> None:
        super().__init__(part, scale)
        self._until: dict[int, cp_model.IntVar] = {}
        for link in self._links:
            if link.longest_slots is not None:
                self._price_overlong(link, link.longest_slots)
        begun = prepare(self._problem).begun.tolist()
        for i in part.choices:
            if self._problem.activities[i].job in part.jobs:
                self._price_place(i)
        for j in part.jobs:
            self._price_job(j, begun[j])
        self.model.minimize(sum(self._terms))

    def _price_overlong(self, link: Link, longest: int) -> None:
        if self._problem.activities[link.after].job not in self._part.jobs and (
            self._problem.activities[link.before].job not in self._part.jobs
        ):
            return
        start = self._start[link.after]
        leader, frees = self._leads(link)
        begins, begins_now = self._clock(start, self._slot_of)
        freed, freed_now = self._clock(leader, frees)
        most = days_late(int(frees[leader.low]) + longest, int(self._slot_of[start.high]))
        if most == 0:
            return
        days = self._int(0, most, days_late(freed_now + longest, begins_now))
        self.model.add(SLOTS_PER_DAY * days.expr + longest >= begins - freed)
        self._price(PRICE_OVERLONG_DAY, days.expr, days.now)

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
                * (np.abs(self._slot_of[p] - told.start) // SLOTS_PER_DAY)
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

    def _near(self, start: Var, first: int, last: int) -> list[Lit]:
        """Return what holds when the start lies from slot `first` to slot `last`."""
        low, high = np.searchsorted(self._slot_of, (first, last + 1)).tolist()
        beyond = self._from(start, high)
        after = Lit(~beyond.expr, not beyond.now, None if beyond.sure is None else not beyond.sure)
        return [self._from(start, low), after]

    def _both_kept(self, i: int, crew: int | None, near: list[Lit]) -> Lit:
        """Return a Boolean that can hold only where the crew and all of `near` do."""
        needed = [self._on_crew(i, crew), *near]
        if any(lit.sure is False for lit in needed):
            return self._known(False)
        kept = self._bool(all(lit.now for lit in needed))
        for lit in needed:
            if lit.sure is None:
                self.model.add_implication(kept.expr, lit.expr)
        return kept

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

    def _last(self, ends: list[Var]) -> Var:
        if len(ends) == 1:
            return ends[0]
        end = self._int(
            max(v.low for v in ends), max(v.high for v in ends), max(v.now for v in ends)
        )
        self.model.add_max_equality(end.expr, [v.expr for v in ends])
        return end

    def _price_end(self, j: int, end: Var) -> None:
        job, now = self._problem.jobs[j], self._problem.now
        slots, slots_now = self._clock(end, self._end_of)
        units = round(PRICE_FINISH_DAY * self._scale / SLOTS_PER_DAY)
        self._terms.append(units * (slots - now))
        self.cost_now += units * (slots_now - now)
        if job.due is not None:
            due = job.due
            self._price_steps(
                end, lambda p: PRICE_LATE_DAY * job.weight * all_days_late(due, self._end_of[p])
            )

    def _outer(self, on_site: list[tuple[int, Lit]], of: dict[int, Var], *, latest: bool) -> Var:
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

    def _price_open(self, on_site: list[tuple[int, Lit]], closes: Var, begun: bool) -> None:
        if begun and any(by.sure for _, by in on_site):
            since = self._problem.now
            self._price_steps(
                closes,
                lambda p: PRICE_OPEN_DAY * ((self._end_of[p] - since) // SLOTS_PER_DAY),
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

    def _price_crews(self, j: int, on_site: list[tuple[int, Lit]]) -> None:
        modes = {i: self._problem.activities[i].modes for i, _ in on_site}
        crews = {modes[i][m].crew for i, _ in on_site for m in self._in_mode[i]} - {None}
        preferred = self._problem.jobs[j].preferred_crew
        comes: list[Lit] = []
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

    def _price_visits(self, j: int, on_site: list[tuple[int, Lit]]) -> None:
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

    def _stays_on(self, other: int, i: int) -> Lit | None:
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
            for low, high, rises in runs(latest, finish.low, finish.high):
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
