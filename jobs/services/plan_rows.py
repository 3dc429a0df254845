"""From the engine's schedule to rows: bookings, waits, and what is not planned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from contractor.engine.schedule import Bind, Placed
from jobs.models import Booking, PlannedWait

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from contractor.engine.schedule import Schedule
    from jobs.models import Phase, Plan
    from jobs.services.portfolio import Portfolio

BECAUSE_CHARACTERS = 300


class PlanRows:
    """Reads one schedule of one portfolio as rows of a plan."""

    def __init__(self, portfolio: Portfolio, schedule: Schedule) -> None:
        self.portfolio = portfolio
        self.schedule = schedule

    def bookings(self, plan: Plan) -> list[tuple[Booking, list[int]]]:
        """Return unsaved bookings, each with the primary keys of its machines."""
        rows = []
        for placed in self.schedule.placed:
            if placed is None:
                continue
            phase = self.portfolio.phases[placed.activity]
            mode = self.portfolio.problem.activities[placed.activity].modes[placed.mode]
            booking = Booking(
                plan=plan,
                phase=phase,
                crew_id=None if mode.crew is None else self.portfolio.crew_ids[mode.crew],
                starts_at=self._instant(placed.start),
                ends_at=self._instant(placed.finish),
                work_hours=mode.work_slots / 4,
                is_pinned=placed.because.kind is Bind.PIN or self._is_pinned(placed),
                because=self._because(placed)[:BECAUSE_CHARACTERS],
                because_kind=placed.because.kind.value,
                because_phase=self._because_phase(placed),
            )
            rows.append((booking, [self.portfolio.machine_ids[m] for m in mode.machines]))
        return rows

    def waits(self, plan: Plan) -> list[PlannedWait]:
        """Return unsaved waits of the placed phases, those that take time."""
        return [*self._waits_of_links(plan), *self._waits_of_holds(plan)]

    def unplanned(self) -> list[dict[str, Any]]:
        """Return the phases that have no dates, with the reason."""
        return [
            {
                "job": phase.job.number,
                "phase": phase.code,
                "label": phase.get_code_display(),
                "reason": entry.reason,
            }
            for entry in self.schedule.unplanned
            for phase in (self.portfolio.phases[entry.activity],)
        ]

    def _waits_of_links(self, plan: Plan) -> Iterator[PlannedWait]:
        problem = self.portfolio.problem
        for link, note in zip(problem.links, self.portfolio.link_notes, strict=True):
            leader = self.schedule.placed[link.before]
            if note is None or link.wait is None or leader is None:
                continue
            if self.schedule.placed[link.after] is None:
                continue
            begins = leader.start if link.start_to_start else leader.finish
            ends = int(problem.waits[link.wait].table[begins])
            if ends > begins:
                after, before = (self.portfolio.phases[i] for i in (link.before, link.after))
                yield self._wait(plan, note.kind, before, begins, ends, note.basis, after.code)

    def _waits_of_holds(self, plan: Plan) -> Iterator[PlannedWait]:
        now = self.portfolio.problem.now
        for index, holds in enumerate(self.portfolio.holds):
            phase = self.portfolio.phases[index]
            if self.schedule.placed[index] is None:
                continue
            for hold in holds:
                if hold.ends > now and hold.ends > hold.begins:
                    yield self._wait(
                        plan, hold.kind, phase, hold.begins, hold.ends, hold.why, hold.after_code
                    )

    def _wait(
        self,
        plan: Plan,
        kind: str,
        before: Phase,
        begins: int,
        ends: int,
        basis: str,
        after_code: str,
    ) -> PlannedWait:
        return PlannedWait(
            plan=plan,
            job=before.job,
            kind=kind,
            after_code=after_code,
            before_code=before.code,
            starts_at=self._instant(begins),
            ends_at=self._instant(ends),
            basis=basis[:BECAUSE_CHARACTERS],
        )

    def _because(self, placed: Placed) -> str:
        because = placed.because
        if because.kind is Bind.LINK and because.activity is not None:
            leader = self.portfolio.phases[because.activity]
            return f"After {leader.get_code_display().lower()}: {because.why}"
        return because.why[:1].upper() + because.why[1:]

    def _because_phase(self, placed: Placed) -> Phase | None:
        index = placed.because.activity
        return None if index is None else self.portfolio.phases[index]

    def _is_pinned(self, placed: Placed) -> bool:
        pin = self.portfolio.problem.activities[placed.activity].pin
        return pin is not None and pin.start == placed.start

    def _instant(self, slot: int) -> datetime:
        return self.portfolio.problem.axis.instant(slot)
