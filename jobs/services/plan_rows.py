"""From the engine's schedule to rows: bookings, waits, and what is not planned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from contractor.engine.schedule import Bind, Placed
from contractor.engine.worktime import SLOTS_PER_HOUR
from jobs.models import Booking, PlannedWait
from jobs.services.weather_waits import WEATHER, weather_stops, weather_words

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from datetime import datetime

    from contractor.engine.schedule import Schedule
    from jobs.models import Phase, Plan
    from jobs.services.portfolio import Portfolio

BECAUSE_CHARACTERS = 300
SAME_VISIT = "The crew goes straight on in the same visit"


@dataclass(frozen=True, slots=True)
class Span:
    """When and by whom one phase of a placed stretch is worked on, in working slots."""

    phase: Phase
    crew_id: int | None
    starts_at: datetime
    ends_at: datetime
    work_slots: int


class PlanRows:
    """Reads one schedule of one portfolio as rows of a plan."""

    def __init__(self, portfolio: Portfolio, schedule: Schedule) -> None:
        self.portfolio = portfolio
        self.schedule = schedule

    def bookings(
        self, plan: Plan, *, only: Collection[int] | None = None
    ) -> list[tuple[Booking, list[int]]]:
        """Return unsaved bookings, each with the primary keys of its machines; of phases `only`."""
        return [
            row
            for placed in self.schedule.placed
            if placed is not None and (only is None or self._is_among(placed, only))
            for row in self._bookings_of(plan, placed)
        ]

    def _is_among(self, placed: Placed, phases: Collection[int]) -> bool:
        return any(p.pk in phases for p in self.portfolio.stretches[placed.activity].phases)

    def spans(self) -> Iterator[Span]:
        """Yield when each placed phase is worked on."""
        for placed in self.schedule.placed:
            if placed is not None:
                yield from self._spans_of(placed)

    def _spans_of(self, placed: Placed) -> Iterator[Span]:
        """Yield one span per phase of a stretch, each going on where the last one ends."""
        problem = self.portfolio.problem
        stretch = self.portfolio.stretches[placed.activity]
        mode = problem.activities[placed.activity].modes[placed.mode]
        calendar = problem.calendars[mode.calendar]
        crew_id = None if mode.crew is None else self.portfolio.crew_ids[mode.crew]
        lead = stretch.lead_slots[placed.mode : placed.mode + 1]
        parts = (*lead, mode.work_slots - sum(lead))
        begins = placed.start
        for phase, slots in zip(stretch.phases, parts, strict=True):
            begins = calendar.next_working(begins)
            ends = calendar.finish(begins, slots)
            yield Span(phase, crew_id, self._instant(begins), self._instant(ends), slots)
            begins = ends

    def _bookings_of(self, plan: Plan, placed: Placed) -> Iterator[tuple[Booking, list[int]]]:
        """Yield one booking per phase of a stretch, with the machines it takes."""
        stretch = self.portfolio.stretches[placed.activity]
        mode = self.portfolio.problem.activities[placed.activity].modes[placed.mode]
        for span in self._spans_of(placed):
            goes_on = span.phase is not stretch.first
            booking = Booking(
                plan=plan,
                phase=span.phase,
                crew_id=span.crew_id,
                starts_at=span.starts_at,
                ends_at=span.ends_at,
                work_hours=span.work_slots / SLOTS_PER_HOUR,
                is_pinned=not goes_on and self._is_pinned(placed),
                because=SAME_VISIT if goes_on else self._because(placed)[:BECAUSE_CHARACTERS],
                because_kind=Bind.LINK.value if goes_on else placed.because.kind.value,
                behind_kind="" if goes_on else _behind_kind(placed),
                because_phase=stretch.first if goes_on else self._because_phase(placed),
            )
            machine_ids = self.portfolio.machine_ids
            # An authority's limit of visits is no machine of ours.
            yield booking, [machine_ids[one] for one in mode.machines if one in machine_ids]

    def waits(self, plan: Plan) -> list[PlannedWait]:
        """Return unsaved waits of the placed phases, those that take time."""
        links, holds = self._waits_of_links(plan), self._waits_of_holds(plan)
        return [*links, *holds, *self._waits_of_weather(plan)]

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
            for phase in self.portfolio.stretches[entry.activity].phases
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
                after = self.portfolio.stretches[link.before].last
                before = self.portfolio.stretches[link.after].first
                basis = note.words(begins, ends)
                yield self._wait(plan, note.kind, before, begins, ends, basis, after.code)

    def _waits_of_holds(self, plan: Plan) -> Iterator[PlannedWait]:
        now = self.portfolio.problem.now
        for index, holds in enumerate(self.portfolio.holds):
            phases = {phase.code: phase for phase in self.portfolio.stretches[index].phases}
            if self.schedule.placed[index] is None:
                continue
            for hold in holds:
                if hold.ends > now and hold.ends > hold.begins:
                    before = phases[hold.before_code]
                    yield self._wait(
                        plan, hold.kind, before, hold.begins, hold.ends, hold.why, hold.after_code
                    )

    def _waits_of_weather(self, plan: Plan) -> Iterator[PlannedWait]:
        for placed in self.schedule.placed:
            if placed is not None:
                for stop in weather_stops(self.portfolio, placed):
                    yield self._wait(
                        plan, WEATHER, stop.phase, stop.begins, stop.ends, stop.text, ""
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

    def could_begin(self) -> list[dict[str, Any]]:
        """Return what the freeze keeps though an early finish lets it begin sooner."""
        rows = []
        for index, earlier in self.portfolio.earlier.items():
            placed = self.schedule.placed[index]
            if not earlier.is_moved and placed is not None and placed.start >= earlier.told:
                phase = self.portfolio.stretches[index].first
                rows.append(
                    {
                        "job_id": phase.job_id,
                        "job": phase.job.number,
                        "phase": phase.code,
                        "label": phase.get_code_display(),
                        "starts_at": self._instant(placed.start).isoformat(),
                        "could_start_at": self._instant(earlier.start).isoformat(),
                        "why": earlier.why,
                    }
                )
        return rows

    def _because(self, placed: Placed) -> str:
        words = self._bound_words(placed)
        earlier = self.portfolio.earlier.get(placed.activity)
        if earlier and earlier.is_moved and placed.start < earlier.told:
            told = self.portfolio.calendars.local(earlier.told)
            forward = f"Forward from {told:%a %b %-d}, as {earlier.why}"
            # Where it moved to is what the engine takes to be announced; nobody was told that yet.
            is_there = placed.because.kind is Bind.FROZEN and placed.start == earlier.start
            words = forward if is_there else f"{forward}. {words}"
        return weather_words(self.portfolio, placed) + words

    def _bound_words(self, placed: Placed) -> str:
        because = placed.because
        if because.kind is Bind.LINK and because.activity is not None:
            leader = self.portfolio.stretches[because.activity].last
            return f"After {leader.get_code_display().lower()}: {because.why}"
        return because.why[:1].upper() + because.why[1:]

    def _because_phase(self, placed: Placed) -> Phase | None:
        index = placed.because.activity
        return None if index is None else self.portfolio.stretches[index].last

    def _is_pinned(self, placed: Placed) -> bool:
        pin = self.portfolio.problem.activities[placed.activity].pin
        return pin is not None and pin.start == placed.start

    def _instant(self, slot: int) -> datetime:
        return self.portfolio.problem.axis.instant(slot)


def _behind_kind(placed: Placed) -> str:
    """
    Return the kind of the bound that a later start than announced, or a pause, goes back to.

    The engine tells such a reason by its own words and then those of what stands behind it.
    """
    because = placed.because
    if because.kind not in (Bind.FROZEN, Bind.CALENDAR):
        return ""
    behind = [
        bound.kind.value
        for bound in placed.bounds
        if (bound.activity, bound.resource) == (because.activity, because.resource)
        and because.why != bound.why
        and because.why.endswith(bound.why)
    ]
    return behind[-1] if behind else ""
