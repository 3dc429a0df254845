"""One job's phases as activities of the problem, and the links between them."""

from __future__ import annotations

from copy import copy
from typing import TYPE_CHECKING

from contractor.engine import problem as engine
from contractor.engine.worktime import SLOTS_PER_DAY
from contractor.trade.phases import PHASE_TABLE, JobNetwork, Performer, PhaseKind
from inspections.selectors.pours import is_poured
from jobs.models import Job, Phase
from jobs.selectors.networks import row_links
from jobs.services.holds import Hold, NoDate, delivery_hold, dig_windows, site_holds
from jobs.services.problem_parts import Stretch
from jobs.services.site_hold import site_hold
from jobs.services.site_wishes import longest_slots
from jobs.services.stopped_work import slots_left, stop_hold
from jobs.services.visit_activities import PHASES_OF_AUTHORITIES, VisitActivities
from jobs.services.wait_tables import LinkNote

if TYPE_CHECKING:
    from contractor.trade.building import Building
    from inspections.selectors.weather import SiteWeather
    from jobs.selectors.networks import RowLink
    from jobs.services.problem_parts import ProblemParts


class JobActivities:
    """Adds one job's phases and the links between them."""

    def __init__(
        self, parts: ProblemParts, index: int, job: Job, building: Building, network: JobNetwork
    ) -> None:
        self.parts = parts
        self.index = index
        self.job = job
        self.building = building
        self.network = network
        # By primary key, as a phase that was split ahead has a row for each of its parts.
        self.rows = {phase.pk: phase for phase in job.phases.all()}
        self.activity_of: dict[int, int] = {}
        self.leaders: dict[int, list[RowLink]] = {key: [] for key in self.rows}
        for link in row_links(network, self.rows.values()):
            self.leaders[link.after.pk].append(link)
        for key in self.rows:
            self._take_to_go_on(key)
        self.visits = VisitActivities(parts, job, network, self.rows, self.leaders)

    def _take_to_go_on(self, key: int) -> None:
        """
        Take a phase that should be in the middle of its work now to be so, reported or not.

        Only where all before it is reported done; the stored row stays as it is.
        """
        phase, now = self.rows[key], self.parts.work.now
        booking = self.parts.work.told.get(phase.pk)
        if booking is None or not booking.starts_at <= now < booking.ends_at or phase.stopped_at:
            return
        if any(leader.status != Phase.Status.DONE for leader in self._leaders(phase)):
            return
        lost = self.parts.work.lost_visits.get(phase.pk)
        if lost and lost.decided_at and lost.decided_at >= booking.starts_at:
            return
        self.rows[key] = taken = copy(phase)
        taken.status = Phase.Status.UNDER_WAY
        taken.started_at = booking.starts_at
        taken.crew_id = booking.crew_id

    def _leaders(self, phase: Phase) -> list[Phase]:
        """Return the rows that come before a phase, as they are taken to be now."""
        return [self.rows[link.before.pk] for link in self.leaders[phase.pk]]

    def add(self) -> None:
        """Add every phase that is not done, then the links between them."""
        for phase in self.rows.values():
            if phase.status != Phase.Status.DONE and phase.pk not in self.activity_of:
                self._add_phase(phase)
        for phase in self.rows.values():
            if phase.status == Phase.Status.OPEN:
                self._add_links(phase)

    def _add_phase(self, phase: Phase) -> None:
        modes, no_mode_why = self._modes(phase, PHASE_TABLE[phase.code])
        stretch = Stretch((phase,))
        follower = self._goes_on_with(phase)
        if follower:
            after, _ = self._modes(follower, PHASE_TABLE[follower.code])
            joined = self.parts.joined(modes, after)
            if joined.modes:
                stretch = Stretch((phase, follower), joined.lead_slots)
                modes = joined.modes
        self._add_stretch(stretch, modes, no_mode_why)

    def _goes_on_with(self, phase: Phase) -> Phase | None:
        """Return the phase that the same visit goes on with, where nothing keeps them apart."""
        for row in self.network.follows:
            if not row.same_visit or row.before != phase.code:
                continue
            follower = next((p for p in self.rows.values() if p.code == row.after), None)
            if follower is not None:
                free = self.parts.work.pin_of(follower) is None
                both_open = phase.status == follower.status == Phase.Status.OPEN
                return follower if free and both_open else None
        return None

    def _add_stretch(
        self, stretch: Stretch, modes: tuple[engine.Mode, ...], no_mode_why: str
    ) -> None:
        holds: list[Hold] = []
        windows: tuple[engine.Window, ...] = ()
        for phase in stretch.phases:
            if phase.status == Phase.Status.OPEN:
                try:
                    more_holds, more_windows = self._holds(phase)
                except NoDate as reason:
                    modes, no_mode_why = (), str(reason)
                else:
                    holds += more_holds
                    windows += more_windows
            stop = stop_hold(phase=phase, calendars=self.parts.calendars, now=self.parts.now)
            holds += [stop] if stop else []
        binding = max(holds, key=lambda hold: hold.ends, default=None)
        first = stretch.first
        label = " and ".join(phase.get_code_display() for phase in stretch.phases)
        index = self.parts.add_activity(
            stretch,
            engine.Activity(
                key=f"{label} of {self.job.number}",
                job=self.index,
                modes=modes,
                release=binding.ends if binding else 0,
                release_why=binding.why if binding else "",
                windows=windows,
                pin=self._pin(first),
                announced=self._announced(first),
                under_way=first.status == Phase.Status.UNDER_WAY and not self._is_held(first),
                no_mode_why=no_mode_why,
            ),
            tuple(holds),
        )
        self.activity_of.update(dict.fromkeys((phase.pk for phase in stretch.phases), index))

    def _modes(self, phase: Phase, kind: PhaseKind) -> tuple[tuple[engine.Mode, ...], str]:
        calendars = self.parts.calendars
        if kind.performer is Performer.AUTHORITY:
            return self.visits.modes(phase), ""
        if kind.performer is Performer.SUB:
            outside = calendars.of_outside_trades(self._weather(kind))
            slots = self._slots_left(phase, phase.office_hours or kind.nominal_hours, outside)
            return (self.parts.mode(None, slots, outside),), ""
        return self._crew_modes(phase, kind)

    def _weather(self, kind: PhaseKind) -> SiteWeather | None:
        return self.parts.work.weather.site(self.job, kind.weather_gate)

    def _is_held(self, phase: Phase) -> bool:
        """Return whether work under way was stopped until later, so that nothing goes on now."""
        return bool(stop_hold(phase=phase, calendars=self.parts.calendars, now=self.parts.now))

    def _slots_left(self, phase: Phase, hours: float, calendar: int, pace: float = 1.0) -> int:
        calendars = self.parts.calendars
        return slots_left(
            phase=phase,
            hours=hours,
            calendar=calendars.built[calendar],
            calendars=calendars,
            now=self.parts.now,
            pace=pace,
        )

    def _crew_modes(self, phase: Phase, kind: PhaseKind) -> tuple[tuple[engine.Mode, ...], str]:
        """Return every crew that can do the phase, with every set of machines it needs."""
        parts = self.parts
        if not all(parts.machines_of_kind.get(name) for name in kind.equipment):
            return (), f"no {' or '.join(sorted(kind.equipment)).lower()} is in service"
        able = parts.able(kind, drive_minutes=self.job.drive_minutes, weather=self._weather(kind))
        hours = phase.planned_hours
        slots = tuple(
            self._slots_left(phase, hours / people, calendar, pace)
            for people, pace, calendar in able.paces
        )
        modes, away = parts.modes(able, slots), able.away
        if phase.status == Phase.Status.UNDER_WAY:
            modes = self._that_go_on(phase, modes)
            away = tuple(crew for crew in away if phase.crew_id in (None, crew.pk))
        if modes:
            return modes, ""
        if away:
            return (), (
                f"no working day in the next five years: {', '.join(crew.name for crew in away)}; "
                "correct the days off or the work hours, or say who goes on"
            )
        skills = ", ".join(sorted(kind.skills)).lower()
        return (), f"no active crew of {kind.min_people} or more people has the skills {skills}"

    def _that_go_on(self, phase: Phase, modes: tuple[engine.Mode, ...]) -> tuple[engine.Mode, ...]:
        """
        Return the ways in which work under way goes on: those of its crew, if it has one.

        First that of as many people as end it soonest, as it goes on in the first one.
        """
        parts = self.parts
        if phase.crew_id is not None:
            crew = parts.crew_index.get(phase.crew_id)
            modes = tuple(mode for mode in modes if mode.crew == crew)
        ends = parts.calendars.ends
        return tuple(sorted(modes, key=lambda m: ends(m.calendar, parts.now, m.work_slots)))

    def _holds(self, phase: Phase) -> tuple[list[Hold], tuple[engine.Window, ...]]:
        calendars, now = self.parts.calendars, self.parts.now
        leaders = self._leaders(phase)
        if any(row.code == phase.code and row.status == "OPEN" for row in leaders):
            return [], ()  # The part before it waits for all of this.
        holds = [hold for link in self.leaders[phase.pk] if (hold := self._behind(link))]
        if all(row.status == "DONE" for row in leaders):
            holds += site_holds(job=self.job, code=phase.code, calendars=calendars, now=now)
            ground = site_hold(
                job=self.job,
                firm=self.parts.work.firm,
                code=phase.code,
                calendars=calendars,
                now=now,
            )
            holds += [ground] if ground else []
        for item, code in self.network.deliveries:
            if code == phase.code:
                hold = delivery_hold(
                    job=self.job,
                    building=self.building,
                    item=item,
                    code=code,
                    calendars=calendars,
                    now=now,
                    lead_times=self.parts.work.lead_times,
                )
                holds += [hold] if hold else []
        if phase.code in PHASES_OF_AUTHORITIES:
            holds += self.visits.holds(phase)
        if phase.code not in self.network.dig_phases:
            return holds, ()
        windows, locate = dig_windows(
            job=self.job,
            code=phase.code,
            calendars=calendars,
            now=now,
            rules=self.parts.work.locate_rules,
        )
        return holds + ([locate] if locate else []), windows

    def _behind(self, link: RowLink) -> Hold | None:
        """Return the wait that a leader which is done, or has begun, still causes."""
        follows, leader = link.follows, self.rows[link.before.pk]
        if follows.cure and is_poured(leader):
            return self.parts.cures.hold(self.job, follows, leader)
        moment = leader.started_at if follows.start_to_start else leader.done_at
        if moment is None or follows.after in PHASES_OF_AUTHORITIES:
            return None
        begins = self.parts.calendars.slot_of(moment)
        index, note = self._wait_of(link)
        ends = self.parts.waits.at(index, begins)
        if note is None or ends <= self.parts.now:
            return None
        words = note.words(begins, ends)
        return Hold(note.kind, follows.after, ends, words, begins, follows.before)

    def _add_links(self, phase: Phase) -> None:
        for link in self.leaders[phase.pk]:
            follows, leader = link.follows, self.rows[link.before.pk]
            self._note_booked(phase, link)
            if leader.status == Phase.Status.DONE:
                continue
            if self.activity_of[leader.pk] == self.activity_of[phase.pk]:
                continue
            if phase.code in PHASES_OF_AUTHORITIES:
                for wait, note, start_to_start in self.visits.links(phase, leader):
                    self._link(link, wait, note, start_to_start=start_to_start)
            elif not (follows.start_to_start and leader.status == Phase.Status.UNDER_WAY):
                index, note = self._wait_of(link)
                self._link(link, index, note, start_to_start=follows.start_to_start)

    def _note_booked(self, phase: Phase, link: RowLink) -> None:
        """Note when a leader that held a phase was booked, and when it came to pass."""
        leader = self.rows[link.before.pk]
        booking = self.parts.work.begun.get(leader.pk)
        if booking is None:
            return
        if link.follows.start_to_start:
            booked, moment = booking.starts_at, leader.started_at
        elif leader.status == Phase.Status.DONE:
            booked, moment = booking.ends_at, leader.done_at
        else:
            return
        slot_of = self.parts.calendars.slot_of
        noted = self.parts.done_leaders.setdefault(self.activity_of[phase.pk], [])
        noted.append((leader.get_code_display(), slot_of(booked), slot_of(moment or booked)))

    def _wait_of(self, link: RowLink) -> tuple[int | None, LinkNote | None]:
        follows, waits = link.follows, self.parts.waits
        if follows.cure:
            return self.parts.cures.wait(self.job, follows, self.rows[link.before.pk])
        lag = waits.lag(follows.lag_hours)
        return lag, None if lag is None else LinkNote("LAG", follows.why)

    def _link(
        self,
        link: RowLink,
        wait: int | None,
        note: LinkNote | None,
        *,
        start_to_start: bool = False,
    ) -> None:
        self.parts.add_link(
            engine.Link(
                before=self.activity_of[link.before.pk],
                after=self.activity_of[link.after.pk],
                start_to_start=start_to_start,
                wait=wait,
                why=note.basis if note else link.follows.why,
                longest_slots=None if start_to_start else longest_slots(link.follows),
            ),
            note,
        )

    def _pin(self, phase: Phase) -> engine.Pin | None:
        pinned = self.parts.work.pin_of(phase)
        if pinned is None or phase.status != Phase.Status.OPEN:
            return None
        crew_id, starts_at = pinned
        crew = self.parts.crew_index.get(crew_id) if crew_id else None
        return engine.Pin(crew=crew, start=self.parts.calendars.slot_of(starts_at))

    def _announced(self, phase: Phase) -> engine.Announced | None:
        booking = self.parts.work.told.get(phase.pk)
        if booking is None:
            return None
        # Work that should have begun and is not reported keeps its turn, from now on.
        start = max(self.parts.calendars.slot_of(booking.starts_at), self.parts.now)
        return engine.Announced(
            crew=self.parts.crew_index.get(booking.crew_id) if booking.crew_id else None,
            start=start,
            weight=_telling_weight(start - self.parts.now),
        )


def _telling_weight(slots_ahead: int) -> float:
    """Return what a day's move costs: dear within a week, little beyond a month. Our own."""
    days = slots_ahead / SLOTS_PER_DAY
    return 1.0 if days <= 7 else 0.3 if days <= 30 else 0.05
