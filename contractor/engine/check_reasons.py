"""The check of reasons: what is said to bind a start can do so."""

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np

from contractor.engine.check_rows import (
    NOBODY,
    Flags,
    Rows,
    Slots,
    Violation,
    column,
    column_or_nobody,
)
from contractor.engine.problem import Problem
from contractor.engine.schedule import Because, Bind

__all__ = ["check_reasons"]


def check_reasons(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """What is said to bind a start can do so: it is no later, and has to do with the activity."""
    for placed, activity in zip(rows.placed, rows.activities, strict=True):
        if not placed.because.why.strip():
            text = f"{activity.key} starts at {placed.start} without reason"
            yield Violation("because", placed.activity, text)
    told = [(placed.because, *placed.bounds) for placed in rows.placed]
    bounds = list(chain.from_iterable(told))
    row = np.repeat(np.arange(len(told)), column([len(each) for each in told]))
    late = column([bound.slot for bound in bounds]) > rows.start[row]
    for k in np.flatnonzero(late).tolist():
        placed, activity = rows.placed[row[k]], rows.activities[row[k]]
        text = (
            f"{activity.key} starts at {placed.start}, "
            f"though {bounds[k].why!r} holds it until {bounds[k].slot}"
        )
        yield Violation("because", placed.activity, text)
    by_link = Bind.LINK  # looked up once: an enumeration looks its members up slowly
    says_more = [
        other is not None or resource is not None or kind is by_link
        for kind, other, resource, _, _ in bounds
    ]
    left = np.flatnonzero(~late & np.array(says_more, dtype=np.bool_))
    yield from _check_whom(problem, rows, row[left], [bounds[k] for k in left.tolist()])


def _check_whom(
    problem: Problem, rows: Rows, row: Slots, bounds: Sequence[Because]
) -> Iterator[Violation]:
    """Reasons name a leader, a follower or a resource of their row's activity, and who is on it."""
    size = len(problem.activities)
    own = rows.activity[row]
    other = column_or_nobody([bound.activity for bound in bounds])
    resource = column_or_nobody([bound.resource for bound in bounds])
    by_link, by_flow = Bind.LINK, Bind.FLOW
    is_link = np.array([bound.kind is by_link for bound in bounds], dtype=np.bool_)
    is_flow = np.array([bound.kind is by_flow for bound in bounds], dtype=np.bool_)
    names = np.array([bound.activity is not None for bound in bounds], dtype=np.bool_)
    absent = names & ((other < 0) | (other >= size))
    names &= ~absent
    linked = column([link.before * size + link.after for link in problem.links])
    no_follower = names & is_flow & ~np.isin(own * size + other, linked)
    no_leader = ~absent & is_link & ~(names & np.isin(other * size + own, linked))
    uses = ~absent & (resource != NOBODY)
    foreign = uses & ~_is_used(rows, row, resource)
    whose = np.full_like(other, NOBODY)
    whose[names] = rows.row_of[other[names]]
    elsewhere = uses & ~foreign & (whose != NOBODY) & ~_is_used(rows, whose, resource)
    for k in np.flatnonzero(absent | no_follower | no_leader | foreign | elsewhere).tolist():
        i, bound = int(own[k]), bounds[k]
        key = problem.activities[i].key
        whom = problem.activities[other[k]].key if names[k] else ""
        if absent[k]:
            text = f"{key} is bound by activity {bound.activity}, which is not there"
            yield Violation("because", i, text)
        if no_follower[k]:
            text = f"{key} is held back for {whom}, which does not follow it"
            yield Violation("flow", i, text)
        if no_leader[k]:
            text = f"{key} is bound by a link that is not there: {bound.why}"
            yield Violation("because", i, text)
        if foreign[k]:
            text = f"{key} is bound by what it does not use: {bound.why}"
            yield Violation("because", i, text)
        if elsewhere[k]:
            yield Violation("because", i, f"{key} is bound by {whom}, which is elsewhere")


def _is_used(rows: Rows, row: Slots, resource: Slots) -> Flags:
    """Return whether each row uses the resource beside it."""
    resources = int(max(resource.max(initial=0), rows.used_resource.max(initial=0))) + 1
    used = rows.used_by * resources + rows.used_resource
    return np.isin(row * resources + resource, used)
