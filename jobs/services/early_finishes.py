"""
A phase that is done early lets what follows it begin earlier than people were told.

What is told moves forward by the working time gained, where its crew and machines are free of all
else that was told. Inside the freeze it stays, and is only said to be possible.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from contractor.engine.worktime import SLOTS_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from contractor.engine.problem import Activity, Link, Mode, Resource
    from contractor.engine.worktime import WorkCalendar
    from jobs.services.problem_parts import ProblemParts

# Nobody is called for less; a start inside the freeze may move as much for nothing. Our own.
LEAST_GAIN_SLOTS = 4 * SLOTS_PER_HOUR


@dataclass(frozen=True, slots=True)
class Earlier:
    """
    When an activity can begin instead of when people were told, in slots, and why.

    `is_moved` says whether it is planned to; else the freeze keeps it where it was told.
    """

    told: int
    start: int
    why: str
    is_moved: bool


@dataclass(frozen=True, slots=True)
class _Lead:
    """A leader of an activity: when it was booked to be done and when it is, in slots."""

    label: str
    booked: int
    ends: int
    is_done: bool = False

    def gained(self, calendar: WorkCalendar) -> int:
        """Return the working slots by which it is early."""
        return calendar.work_between(self.ends, self.booked) if self.ends < self.booked else 0


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an activity is: a mode and its slots; by resource the unit it takes, and its bits."""

    mode: Mode
    start: int
    finish: int
    units: tuple[tuple[int, int, int], ...] = ()


def pull_forward(
    parts: ProblemParts, *, freeze_until: int, jobs_forward: frozenset[int]
) -> dict[int, Earlier]:
    """
    Move what was told forward in `parts` where leaders are done early; return that by activity.

    With everything done as it was booked nothing moves. Nothing moves to before now, before what
    holds it, into the freeze, or into the place of anything else that was told. The freeze does not
    hold `jobs_forward`, by index: the office asked for these.
    """
    if not parts.work.begun:
        return {}
    return _Pull(parts, freeze_until, jobs_forward).earlier()


class _Pull:
    """One look at all that was told, in the order in which it was to begin."""

    def __init__(
        self, parts: ProblemParts, freeze_until: int, jobs_forward: frozenset[int]
    ) -> None:
        self.parts = parts
        self.freeze_until = freeze_until
        self.jobs_forward = jobs_forward
        self.busy = _Busy(parts.resources())
        self.links: dict[int, list[Link]] = {}
        for link in parts.links:
            self.links.setdefault(link.after, []).append(link)
        self.places: dict[int, _Place] = {}
        self.told: dict[int, _Place] = {}
        told = [(start, i) for i in range(len(parts.activities)) if (start := self._starts(i)) >= 0]
        self.in_turn = [i for _, i in sorted(told)]

    def earlier(self) -> dict[int, Earlier]:
        """Move what can be moved."""
        for i in self.in_turn:
            modes = self._modes(i)
            if modes:
                self.told[i] = self.places[i] = self._taken(modes, self._starts(i))
        return {
            i: found
            for i in self.in_turn
            if i in self.places and (found := self._moved(i)) is not None
        }

    def _starts(self, i: int) -> int:
        """Return when an activity was told to begin, or goes on; -1 where nothing was told."""
        activity = self.parts.activities[i]
        if activity.under_way:
            return self.parts.now
        return activity.announced.start if activity.announced else -1

    def _modes(self, i: int) -> list[Mode]:
        """Return the ways in which an activity was told to be done."""
        activity, built = self.parts.activities[i], self.parts.calendars.built
        if activity.under_way:
            return self._that_end(activity.modes, self.parts.now)
        told = activity.announced
        if told is None:
            return []
        of_crew = [mode for mode in activity.modes if mode.crew == told.crew]
        modes = self._that_end(of_crew, told.start)
        # An authority has a calendar for each window of its day.
        within = [mode for mode in modes if built[mode.calendar].is_working(told.start)]
        return within or modes

    def _that_end(self, modes: Sequence[Mode], start: int) -> list[Mode]:
        """
        Return the ways in which work from `start` comes to its end; all, where none does.

        With lent people a crew works only while it has them: work that takes longer is not done so.
        """
        left = self.parts.calendars.left
        return [m for m in modes if left(m.calendar, start) >= m.work_slots] or list(modes)

    def _taken(self, modes: list[Mode], start: int) -> _Place:
        """Take the place that was told, with the first machines that are free then."""
        for mode in modes:
            place = self._place(mode, start)
            if self.busy.clash(place) is None:
                return self.busy.take(place)
        return self.busy.take(self._place(modes[0], start))

    def _place(self, mode: Mode, start: int) -> _Place:
        calendar = self.parts.calendars.built[mode.calendar]
        begins = calendar.next_working(start)
        return _Place(mode, begins, calendar.finish(begins, mode.work_slots))

    def _moved(self, i: int) -> Earlier | None:
        """Move an activity forward, if its leaders let it and its crew is free."""
        activity, told = self.parts.activities[i], self.told[i]
        announced, leads = activity.announced, self._leads(i)
        if activity.under_way or activity.pin or announced is None or not leads:
            return None
        calendar = self.parts.calendars.built[told.mode.calendar]
        last = min(leads, key=lambda lead: lead.gained(calendar))
        is_asked_for = activity.job in self.jobs_forward
        is_kept = announced.start < self.freeze_until and not is_asked_for
        earliest = self._earliest(i, told, last.gained(calendar))
        if not is_kept and not is_asked_for:
            earliest = max(earliest, self.freeze_until)
        self.busy.give_back(told)
        place = self._first_free(activity, told, earliest)
        if place is None or is_kept:
            self.busy.take_again(told)
        else:
            self.places[i] = self.busy.take(place)
            told_sooner = replace(announced, start=place.start)
            self.parts.activities[i] = replace(activity, announced=told_sooner)
        if place is None:
            return None
        return Earlier(told.start, place.start, self._why(last), is_moved=not is_kept)

    def _earliest(self, i: int, told: _Place, gained: int) -> int:
        """Return the first slot for an activity whose leaders all gained so many working slots."""
        calendar = self.parts.calendars.built[told.mode.calendar]
        worked_before = calendar.before[told.start] - gained
        pulled = int(calendar.slot_of[max(worked_before, 0)])
        return max(pulled, self.parts.now, self.parts.activities[i].release, self._led(i))

    def _first_free(self, activity: Activity, told: _Place, earliest: int) -> _Place | None:
        """Return the first place from `earliest` on that is worth a move, None without one."""
        calendar = self.parts.calendars.built[told.mode.calendar]
        window = next((w for w in activity.windows if w.opens <= told.start < w.closes), None)
        if activity.windows and window is None:
            return None
        start = max(earliest, window.opens) if window else earliest
        while start < told.start and calendar.work_between(start, told.start) >= LEAST_GAIN_SLOTS:
            place = self._place(told.mode, start)
            clash = self.busy.clash(place)
            if clash is None:
                return place
            start = clash + 1
        return None

    def _leads(self, i: int) -> list[_Lead]:
        """Return an activity's leaders but those that were done before the plan was made."""
        leads = [
            _Lead(label, booked, ends, is_done=True)
            for label, booked, ends in self.parts.done_leaders.get(i, ())
        ]
        for link in self.links.get(i, ()):
            was, now = self.told.get(link.before), self.places.get(link.before)
            if was is None or now is None:
                return []
            stretch = self.parts.stretches[link.before]
            label = stretch.last.get_code_display()
            if link.start_to_start:
                leads.append(_Lead(label, was.start, now.start))
                continue
            # Of work under way the place is what is left; its booking says when it was to end.
            booking = self.parts.work.begun.get(stretch.last.pk)
            booked = self.parts.calendars.slot_of(booking.ends_at) if booking else was.finish
            leads.append(_Lead(label, booked, now.finish))
        return leads

    def _led(self, i: int) -> int:
        """Return the first slot that an activity's open leaders and their waits allow."""
        earliest = 0
        for link in self.links.get(i, ()):
            before = self.places[link.before]
            slot = before.start if link.start_to_start else before.finish
            earliest = max(earliest, self.parts.waits.at(link.wait, slot))
        return earliest

    def _why(self, lead: _Lead) -> str:
        local = self.parts.calendars.local
        # A slot ends where the next begins: an end at midnight is still the day before.
        is_done, booked = local(max(lead.ends - 1, 0)), local(max(lead.booked - 1, 0))
        verb = "was" if lead.is_done else "will be"
        return f"{lead.label.lower()} {verb} done {is_done:%b %-d} instead of {booked:%b %-d}"


class _Busy:
    """Who is taken when: for each unit of a crew or machine one bit for each slot."""

    def __init__(self, resources: Sequence[Resource]) -> None:
        self._units = [[_blocked(resource)] * resource.capacity for resource in resources]

    def clash(self, place: _Place) -> int | None:
        """Return the last slot of a place at which something else is there; None where it fits."""
        last = -1
        for resource in _resources(place.mode):
            taken = min(units & _bits(place) for units in self._units[resource])
            last = max(last, taken.bit_length() - 1)
        return None if last < 0 else last

    def take(self, place: _Place) -> _Place:
        """Take a place, and return it with its units; one that clashes shares the first."""
        units = []
        for resource in _resources(place.mode):
            in_use = self._units[resource]
            unit = next((n for n, one in enumerate(in_use) if not one & _bits(place)), 0)
            units.append((resource, unit, _bits(place) & ~in_use[unit]))
        taken = replace(place, units=tuple(units))
        self.take_again(taken)
        return taken

    def take_again(self, place: _Place) -> None:
        """Take the units of a place."""
        for resource, unit, bits in place.units:
            self._units[resource][unit] |= bits

    def give_back(self, place: _Place) -> None:
        """Free the units of a place."""
        for resource, unit, bits in place.units:
            self._units[resource][unit] &= ~bits


def _resources(mode: Mode) -> tuple[int, ...]:
    return mode.machines if mode.crew is None else (mode.crew, *mode.machines)


def _bits(place: _Place) -> int:
    return _from_to(place.start, place.finish)


def _blocked(resource: Resource) -> int:
    bits = 0
    for begins, ends in resource.blocked:
        bits |= _from_to(begins, ends)
    return bits


def _from_to(begins: int, ends: int) -> int:
    return ((1 << (ends - begins)) - 1) << begins
