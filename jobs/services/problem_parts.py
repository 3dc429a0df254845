"""The parts of one problem while it is put together, and what each of them stands for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.engine import problem as engine
from jobs.services.calendars import Calendars
from jobs.services.wait_tables import WaitTables

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from contractor.engine.worktime import Axis
    from jobs.models import Phase
    from jobs.selectors.open_work import OpenWork
    from jobs.services.holds import Hold


@dataclass(frozen=True, slots=True)
class LinkNote:
    """What a link of the problem stands for, to show its wait to people."""

    kind: str
    basis: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """
    The phases that one activity of the problem stands for, in the order they are worked.

    Mostly one; more where a crew goes straight on in the same visit. `lead_slots` then gives,
    by mode, the working slots of the first phase.
    """

    phases: tuple[Phase, ...]
    lead_slots: tuple[int, ...] = ()

    @property
    def first(self) -> Phase:
        """Return the phase that begins the stretch."""
        return self.phases[0]

    @property
    def last(self) -> Phase:
        """Return the phase that ends it."""
        return self.phases[-1]


class ProblemParts:
    """Calendars, waits and resources of one axis, and the activities and links added so far."""

    def __init__(self, *, work: OpenWork, axis: Axis, zone: ZoneInfo) -> None:
        self.work = work
        self.calendars = Calendars(axis=axis, zone=zone, closed=work.firm_days_off)
        self.waits = WaitTables(calendars=self.calendars, firm=work.firm)
        self.now = axis.slot_at_or_after(work.now)
        self.crew_index = {crew.pk: index for index, crew in enumerate(work.crews)}
        self.machine_index = {
            machine.pk: index for index, machine in enumerate(work.equipment, start=len(work.crews))
        }
        self.machines_of_kind: dict[str, list[int]] = {}
        for machine in work.equipment:
            same_kind = self.machines_of_kind.setdefault(machine.kind, [])
            same_kind.append(self.machine_index[machine.pk])
        self.activities: list[engine.Activity] = []
        self.stretches: list[Stretch] = []
        self.holds: list[tuple[Hold, ...]] = []
        self.links: list[engine.Link] = []
        self.link_notes: list[LinkNote | None] = []

    def add_activity(
        self, stretch: Stretch, activity: engine.Activity, holds: tuple[Hold, ...] = ()
    ) -> int:
        """Add an activity with the stretch and the holds it stands for; return its index."""
        self.activities.append(activity)
        self.stretches.append(stretch)
        self.holds.append(holds)
        return len(self.activities) - 1

    def add_link(self, link: engine.Link, note: LinkNote | None) -> None:
        """Add a link with what its wait stands for."""
        self.links.append(link)
        self.link_notes.append(note)

    def resources(self) -> tuple[engine.Resource, ...]:
        """Return the crews, then the machines, in the order of their indexes."""
        crews = [engine.Resource(f"crew {crew.pk}", crew.name) for crew in self.work.crews]
        today = self.calendars.local(self.now).date()
        machines = [
            engine.Resource(
                f"machine {machine.pk}",
                machine.name,
                blocked=tuple(
                    (
                        self.calendars.slot_of_day(day_off.first_day),
                        self.calendars.slot_of_day(day_off.last_day + timedelta(days=1)),
                    )
                    for day_off in machine.days_off.all()
                    if day_off.last_day >= today
                ),
            )
            for machine in self.work.equipment
        ]
        return (*crews, *machines)
