"""Whose each cause of lateness is: the crew, phase, wait, supplier or authority behind an index."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from contractor.engine.schedule import Bind, Schedule
from contractor.trade.phases import PHASE_TABLE, Performer, WaitKind
from jobs.selectors.drivers import Driver, named, parts_of
from jobs.services.lateness_way import Names

if TYPE_CHECKING:
    from contractor.engine.schedule import Because, Placed
    from jobs.services.chances import Odds
    from jobs.services.portfolio import Portfolio


def names_of(portfolio: Portfolio, odds: Odds) -> Names:
    """Return the names of all that can be to blame in a portfolio."""
    crews = len(portfolio.crew_ids)
    last = [stretch.last for stretch in portfolio.stretches]
    work = [named(Driver.PHASE, phase.code) for phase in last]
    return Names(
        work=work,
        release=[odds.late_by.get(i, "") for i in range(len(last))],
        visit=[
            named(Driver.AUTHORITY, phase.job.permit.authority.name)
            if PHASE_TABLE[phase.code].performer is Performer.AUTHORITY
            else work[i]
            for i, phase in enumerate(last)
        ],
        link=[
            named(Driver.WAIT, note.kind) if note is not None else ""
            for note in portfolio.link_notes
        ],
        resource=[
            named(Driver.CREW if index < crews else Driver.MACHINE, resource.label)
            for index, resource in enumerate(portfolio.problem.resources)
        ],
    )


def with_names(portfolio: Portfolio, schedule: Schedule, names: Names, odds: Odds) -> Schedule:
    """Return a schedule whose bounds say by name what they wait for, not in words."""
    links = {
        (link.before, link.after): name
        for link, name in zip(portfolio.problem.links, names.link, strict=True)
    }

    def renamed(i: int, bound: Because) -> Because:
        if bound.kind is Bind.LINK and bound.activity is not None:
            return bound._replace(why=links.get((bound.activity, i), ""))
        if bound.kind is Bind.RELEASE:
            return bound._replace(why=_release(portfolio, odds, i))
        return bound

    def of(placed: Placed | None) -> Placed | None:
        if placed is None:
            return None
        i = placed.activity
        return replace(
            placed,
            because=renamed(i, placed.because),
            bounds=tuple(renamed(i, bound) for bound in placed.bounds),
        )

    return replace(schedule, placed=tuple(of(placed) for placed in schedule.placed))


def _release(portfolio: Portfolio, odds: Odds, i: int) -> str:
    """Return what releases an activity last."""
    binding = max(portfolio.holds[i], key=lambda hold: hold.ends, default=None)
    if binding is None:
        return ""
    late_by = odds.late_by.get(i, "")
    if binding.kind == WaitKind.DELIVERY and parts_of(late_by)[0] == Driver.SUPPLIER:
        return late_by
    return named(Driver.WAIT, binding.kind)
