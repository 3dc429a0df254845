"""The parts of one problem while it is put together, and what each of them stands for."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from datetime import timedelta
from itertools import product
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from contractor.engine import problem as engine
from jobs.services.calendars import Calendars
from jobs.services.crew_teams import teams_of
from jobs.services.cure_waits import CureWaits
from jobs.services.wait_tables import WaitTables

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from contractor.engine.worktime import Axis
    from contractor.trade.phases import PhaseKind
    from crews.models import Crew
    from inspections.models import Authority
    from inspections.selectors.weather import SiteWeather
    from jobs.models import Phase
    from jobs.selectors.open_work import OpenWork
    from jobs.services.crew_teams import Team
    from jobs.services.holds import Hold
    from jobs.services.wait_tables import LinkNote

Kept = TypeVar("Kept")


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


class Pace(NamedTuple):
    """What tells how long a crew takes: people at its pace, the pace, and its calendar."""

    people_at_pace: float
    of_crew: float
    calendar: int


class Joined(NamedTuple):
    """Ways to do two phases in one visit, and of each the slots of the first of them."""

    lead_slots: tuple[int, ...]
    modes: tuple[engine.Mode, ...]


@dataclass(frozen=True, slots=True)
class Able:
    """
    A crew, as many as it is on some days, that can do a kind of phase at a site so far away.

    `people_at_pace` turns labor hours into hours of the crew; `calendar` is None where the crew
    never works again. `machine_sets` are the sets of machines that it can take along. `is_bounded`
    says that it works on some days only, as people are lent to it.
    """

    crew: Crew
    people_at_pace: float
    calendar: int | None
    machine_sets: tuple[tuple[int, ...], ...]
    is_bounded: bool = False

    @property
    def pace(self) -> Pace | None:
        """Return what tells how long it takes; None where it never works again."""
        if self.calendar is None:
            return None
        return Pace(self.people_at_pace, self.crew.pace, self.calendar)


@dataclass(frozen=True, slots=True)
class AbleCrews:
    """
    The crews that can do a kind of phase at a site; `key` tells them from all others.

    `paces` are those of all that work again, each once; `away` are the crews that never do.
    """

    key: tuple[str, int, object]
    rows: tuple[Able, ...]
    paces: tuple[Pace, ...]
    away: tuple[Crew, ...]


class ProblemParts:
    """Calendars, waits and resources of one axis, and the activities and links added so far."""

    def __init__(self, *, work: OpenWork, axis: Axis, zone: ZoneInfo) -> None:
        self.work = work
        self.calendars = Calendars(
            axis=axis, zone=zone, closed=work.firm_days_off, set_aside=work.set_aside
        )
        self.waits = WaitTables(calendars=self.calendars)
        self.cures = CureWaits(work=work, calendars=self.calendars, waits=self.waits)
        self.now = axis.slot_at_or_after(work.now)
        self.crew_index = {crew.pk: index for index, crew in enumerate(work.crews)}
        self.machine_index = {
            machine.pk: index for index, machine in enumerate(work.equipment, start=len(work.crews))
        }
        self.machines_of_kind: dict[str, list[int]] = {}
        for machine in work.equipment:
            same_kind = self.machines_of_kind.setdefault(machine.kind, [])
            same_kind.append(self.machine_index[machine.pk])
        self._able: dict[tuple[str, int, object], AbleCrews] = {}
        self._modes_of_slots: dict[tuple[object, tuple[int, ...]], tuple[engine.Mode, ...]] = {}
        self._modes_of_kind: dict[tuple[str, int, int, int], tuple[engine.Mode, ...]] = {}
        self._modes: dict[tuple[int | None, int, int, tuple[int, ...]], engine.Mode] = {}
        self._joined: dict[tuple[int, int], tuple[object, object, Joined]] = {}
        self._visits_of_day: dict[int, engine.Resource] = {}
        self.activities: list[engine.Activity] = []
        self.stretches: list[Stretch] = []
        self.holds: list[tuple[Hold, ...]] = []
        self.links: list[engine.Link] = []
        self.link_notes: list[LinkNote | None] = []
        # By activity its leaders that are done: label, and when booked and done, in slots.
        self.done_leaders: dict[int, list[tuple[str, int, int]]] = {}

    def again(self) -> ProblemParts:
        """Return parts that begin as these are, to which more is added while these stay."""
        more = _apart(self)
        more.calendars = _apart(self.calendars)
        more.waits = _apart(self.waits)
        more.waits.calendars = more.calendars
        more.cures = CureWaits(work=self.work, calendars=more.calendars, waits=more.waits)
        return more

    def able(
        self, kind: PhaseKind, *, drive_minutes: int, weather: SiteWeather | None = None
    ) -> AbleCrews:
        """Return the crews that can do a kind of phase; none where a machine is missing."""
        key = (kind.code, drive_minutes, weather and weather.key)
        if key not in self._able:
            today = self.calendars.local(self.now).date()
            machines = [self.machines_of_kind.get(name, []) for name in sorted(kind.equipment)]
            machine_sets = tuple(product(*machines))
            rows = tuple(
                Able(
                    crew,
                    min(team.people, kind.max_people) * crew.pace,
                    self.calendars.of_crew(
                        crew, drive_minutes=drive_minutes, weather=weather, team=team
                    )
                    if self.calendars.works_again(crew, today)
                    else None,
                    machine_sets,
                    is_bounded=team.only is not None,
                )
                for crew in self.work.crews
                if machine_sets and kind.skills <= set(crew.skills)
                for team in self._teams(crew, kind)
            )
            paces = dict.fromkeys(row.pace for row in rows if row.pace is not None)
            away = tuple(row.crew for row in rows if row.pace is None)
            self._able[key] = AbleCrews(key, rows, tuple(paces), away)
        return self._able[key]

    def _teams(self, crew: Crew, kind: PhaseKind) -> list[Team]:
        """Return the teams of a crew that are enough for a kind of phase and differ in pace."""
        teams: dict[int, Team] = {}
        for team in teams_of(crew, self.work.lent):
            if team.people >= kind.min_people:
                # Beyond the people that help, a larger team is only there on fewer days.
                teams.setdefault(min(team.people, kind.max_people), team)
        return list(teams.values())

    def modes(self, able: AbleCrews, slots: tuple[int, ...]) -> tuple[engine.Mode, ...]:
        """
        Return the ways in which crews do a phase that takes so many slots, by pace.

        One for each crew and set of machines. Phases that take as long have the same tuple, which
        tells what goes through all ways of all phases that it has met them before.
        """
        key = (able.key, slots)
        if key not in self._modes_of_slots:
            slots_at = dict(zip(able.paces, slots, strict=True))
            self._modes_of_slots[key] = tuple(
                mode
                for row in able.rows
                if (pace := row.pace) is not None
                for mode in self._modes_of(able.key[0], row, pace.calendar, slots_at[pace])
            )
        return self._modes_of_slots[key]

    def _modes_of(
        self, code: str, able: Able, calendar: int, work_slots: int
    ) -> tuple[engine.Mode, ...]:
        """Return the ways in which a crew does a kind of phase, one for each set of machines."""
        if able.is_bounded and self.calendars.left(calendar, self.now) < work_slots:
            return ()
        crew = self.crew_index[able.crew.pk]
        key = (code, crew, work_slots, calendar)
        if key not in self._modes_of_kind:
            self._modes_of_kind[key] = tuple(
                self.mode(crew, work_slots, calendar, machines) for machines in able.machine_sets
            )
        return self._modes_of_kind[key]

    def joined(self, lead: tuple[engine.Mode, ...], after: tuple[engine.Mode, ...]) -> Joined:
        """Return the ways in which a crew does two phases, one after the other, in one visit."""
        # By identity, as most have the tuple of others; kept with the result, so that none is gone.
        key = (id(lead), id(after))
        if key not in self._joined:
            slots_of: dict[int | None, int] = {}
            for mode in lead:
                # Of a crew that is fewer people on some days, the first phase takes the longest.
                slots_of[mode.crew] = max(mode.work_slots, slots_of.get(mode.crew, 0))
            both = [(slots_of[mode.crew], mode) for mode in after if mode.crew in slots_of]
            self._joined[key] = (
                lead,
                after,
                Joined(
                    tuple(first for first, _ in both),
                    tuple(
                        self.mode(m.crew, first + m.work_slots, m.calendar, m.machines)
                        for first, m in both
                    ),
                ),
            )
        return self._joined[key][-1]

    def mode(
        self, crew: int | None, work_slots: int, calendar: int, machines: tuple[int, ...] = ()
    ) -> engine.Mode:
        """Return a way to do an activity; the same one for all that are done alike."""
        key = (crew, work_slots, calendar, machines)
        if key not in self._modes:
            self._modes[key] = engine.Mode(crew, work_slots, calendar, machines)
        return self._modes[key]

    def visits_of_day(self, authority: Authority) -> tuple[int, ...]:
        """
        Return what an authority's limit of our visits a day takes of a visit; none without one.

        It is a resource with as many units as visits. A visit then fills the whole day, so that
        no more of them overlap than a day may have.
        """
        if authority.visits_per_day is None:
            return ()
        before = len(self.crew_index) + len(self.machine_index)
        if authority.pk not in self._visits_of_day:
            self._visits_of_day[authority.pk] = engine.Resource(
                f"visits {authority.pk}",
                f"{authority.name}'s visits of the day",
                capacity=authority.visits_per_day,
            )
        return (before + list(self._visits_of_day).index(authority.pk),)

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
        """Return the crews, the machines, the limits of visits, in the order of their indexes."""
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
        return (*crews, *machines, *self._visits_of_day.values())


def _apart(thing: Kept) -> Kept:
    """Return a copy whose lists and dictionaries can have more in them than the first one's."""
    found = copy(thing)
    for name, value in vars(thing).items():
        if isinstance(value, list | dict):
            setattr(found, name, copy(value))
    return found
