"""Open work that is read once, with the problem built of it, for as many plans as are tried."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.engine import problem as engine
from contractor.engine.worktime import HorizonExceeded
from jobs.services.portfolio import Portfolio, build_portfolio

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from jobs.selectors.open_work import OpenWork, Pinned

# A year and a season; doubled while the work does not fit.
FIRST_HORIZON_DAYS = 450
LAST_HORIZON_DAYS = FIRST_HORIZON_DAYS * 2**3


def horizons(first_days: int = FIRST_HORIZON_DAYS) -> Iterator[int]:
    """Yield the days of the axes that are tried, one after the other."""
    while first_days <= LAST_HORIZON_DAYS:
        yield first_days
        first_days *= 2


class Basis:
    """
    What plans are made of: rows that are only read, and the problem built of them at need.

    With other pins it is another basis, whose problem is the same but for these pins.
    """

    def __init__(self, work: OpenWork, *, before: Basis | None = None) -> None:
        self.work = work
        self._before = before
        self._built: dict[int, Portfolio | None] = {}

    def portfolio(self, horizon_days: int) -> Portfolio:
        """
        Return the problem on an axis of so many days, built at the first call.

        Raises
        ------
        contractor.engine.worktime.HorizonExceeded
            If something lies beyond the axis.
        """
        if horizon_days not in self._built:
            try:
                self._built[horizon_days] = self._build(horizon_days)
            except HorizonExceeded:
                self._built[horizon_days] = None
        found = self._built[horizon_days]
        if found is None:
            raise HorizonExceeded(f"the open work does not fit into {horizon_days} days")
        return found

    def repinned(self, pins: Mapping[int, Pinned | None]) -> Basis:
        """Return this basis with other pins of some phases, None where one is taken off."""
        if not pins:
            return self
        work = replace(self.work, repinned={**self.work.repinned, **pins})
        return Basis(work, before=self)

    def _build(self, horizon_days: int) -> Portfolio:
        if self._before is not None:
            changed = _only_pins_changed(self._before.portfolio(horizon_days), self.work)
            if changed is not None:
                return changed
        zone = timezone.get_default_timezone()
        return build_portfolio(work=self.work, zone=zone, horizon_days=horizon_days)


def _only_pins_changed(before: Portfolio, work: OpenWork) -> Portfolio | None:
    """
    Return a portfolio with the pins of another work; None where more than these is another by it.

    More is where a phase begins, or ends, to go on in the visit of the one before it, and where its
    start was moved forward for a leader that was done early, as pins do not move.
    """
    place_of = {
        phase.pk: (index, phase is stretch.first)
        for index, stretch in enumerate(before.stretches)
        for phase in stretch.phases
        if phase.pk in work.repinned
    }
    crew_index = {crew: index for index, crew in before.crew_ids.items()}
    activities = list(before.problem.activities)
    for phase_id, pinned in work.repinned.items():
        if phase_id not in place_of:
            return None
        index, is_first = place_of[phase_id]
        phase = before.stretches[index].first
        was = before.work.pin_of(phase) if is_first else None
        if pinned is not None and was == pinned:
            continue
        if not is_first or pinned is None or (was is None and index in before.earlier):
            return None
        if phase.status != phase.Status.OPEN or not activities[index].modes:
            return None
        crew_id, starts_at = pinned
        pin = engine.Pin(
            crew=crew_index.get(crew_id) if crew_id else None,
            start=before.calendars.slot_of(starts_at),
        )
        activities[index] = replace(activities[index], pin=pin)
    problem = replace(before.problem, activities=tuple(activities))
    return replace(before, problem=problem, work=work)
