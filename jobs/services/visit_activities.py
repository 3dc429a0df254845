"""An authority's visits to one job: their windows, and the wait from asking for one to its time."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from contractor.trade.notice import AskedWhen
from contractor.trade.phases import PHASE_TABLE, Performer, WaitKind
from inspections.selectors.authority import notice_words, visit_windows
from jobs.models import Phase
from jobs.services.holds import Hold, NoDate
from jobs.services.stopped_work import slots_left
from jobs.services.wait_tables import LinkNote

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime, time

    from contractor.engine import problem as engine
    from contractor.trade.phases import JobNetwork
    from inspections.models import Authority
    from jobs.models import Job
    from jobs.selectors.networks import RowLink
    from jobs.services.problem_parts import ProblemParts

PHASES_OF_AUTHORITIES = frozenset(
    kind.code for kind in PHASE_TABLE.values() if kind.performer is Performer.AUTHORITY
)


class AskingLink(NamedTuple):
    """A link from work to the visit to it: the wait's index and words, None where there is none."""

    wait: int | None = None
    note: LinkNote | None = None
    start_to_start: bool = False


class VisitActivities:
    """Reads what the visits to one job take; `rows` and `leaders` are by primary key of a phase."""

    def __init__(
        self,
        parts: ProblemParts,
        job: Job,
        network: JobNetwork,
        rows: Mapping[int, Phase],
        leaders: Mapping[int, Sequence[RowLink]],
    ) -> None:
        self.parts = parts
        self.job = job
        self.network = network
        self.rows = rows
        self.leaders = leaders

    def modes(self, phase: Phase) -> tuple[engine.Mode, ...]:
        """Return one mode per visit window; of a visit that is going on, its own window only."""
        calendars, authority = self.parts.calendars, self._authority
        limit = self.parts.visits_of_day(authority)
        modes = []
        for window in visit_windows(authority):
            calendar = calendars.of_visits(authority, window)
            slots = slots_left(
                phase=phase,
                hours=_hours_of_window(window),
                calendar=calendars.built[calendar],
                calendars=calendars,
                now=self.parts.now,
            )
            modes.append(self.parts.mode(None, slots, calendar, limit))
        if phase.status == Phase.Status.UNDER_WAY:
            now = self.parts.now
            modes = [m for m in modes if calendars.built[m.calendar].is_working(now)] or modes
        return tuple(modes)

    def links(self, phase: Phase, leader: Phase) -> list[AskingLink]:
        """Return what holds a visit until its work is ready, and until it could be asked for."""
        authority, waits = self._authority, self.parts.waits
        if not self._opens_again():
            return [AskingLink()]
        asked_when = AskedWhen(authority.asked_when)
        asked = phase.pk in self.parts.work.visits
        notice = LinkNote(WaitKind.INSPECTION_NOTICE.value, self._notice_basis(phase))
        if asked_when is AskedWhen.READY and not asked:
            return [AskingLink(waits.notice(authority), notice)]
        links = [AskingLink(waits.next_visit(authority))]
        if asked_when is AskedWhen.WORK_STARTED and not asked and not self._begun(leader):
            links.append(AskingLink(waits.notice(authority), notice, start_to_start=True))
        return links

    def holds(self, phase: Phase) -> list[Hold]:
        """
        Return the wait from the request, made or to be made now, to the visit.

        Raises
        ------
        jobs.services.holds.NoDate
            If the authority makes no visit again.
        """
        parts, authority = self.parts, self._authority
        if not self._opens_again():
            raise NoDate(
                f"{authority.name} has no working day in the next five years; "
                "correct its weekdays or its closures"
            )
        kind = WaitKind.INSPECTION_NOTICE.value
        visit = parts.work.visits.get(phase.pk)
        if visit and visit.visit_from and visit.visit_from >= parts.work.now:
            opens = self._opens_at(visit.visit_from)
            said = visit.get_status_display().lower()
            return [Hold(kind, phase.code, opens, f"visit {said}", parts.now)]
        if visit:
            begins = parts.calendars.slot_of(visit.requested_at)
        elif self._may_ask_now(phase):
            begins = parts.now
        else:
            return []
        ends = max(parts.waits.at(parts.waits.notice(authority), begins), parts.now)
        ends = parts.waits.at(parts.waits.next_visit(authority), ends)
        return [Hold(kind, phase.code, ends, self._notice_basis(phase), begins)]

    @cached_property
    def _authority(self) -> Authority:
        authority: Authority = self.job.permit.authority
        return authority

    def _opens_at(self, visit_from: datetime) -> int:
        """Return the slot of a visit; where it lies within a window, that window's opening."""
        calendars, authority = self.parts.calendars, self._authority
        slot = calendars.slot_of(visit_from)
        starts = calendars.visit_starts(authority)
        before = starts[starts <= slot]
        if not before.size:
            return slot
        within = any(
            calendars.built[calendars.of_visits(authority, window)].is_working(slot)
            for window in visit_windows(authority)
        )
        return max(int(before[-1]), self.parts.now) if within else slot

    def _notice_basis(self, phase: Phase) -> str:
        words = f"{self._authority.name}: {notice_words(self._authority)}"
        lost = self.parts.work.lost_visits.get(phase.pk)
        return f"{words}; the last visit: {lost.get_status_display().lower()}" if lost else words

    def _opens_again(self) -> bool:
        calendars = self.parts.calendars
        return calendars.opens_again(self._authority, calendars.local(self.parts.now).date())

    def _may_ask_now(self, phase: Phase) -> bool:
        leaders = [self.rows[link.before.pk] for link in self.leaders[phase.pk]]
        if self._authority.asked_when == AskedWhen.AHEAD.value:
            return True
        if self._authority.asked_when == AskedWhen.WORK_STARTED.value:
            return all(self._begun(leader) for leader in leaders)
        return all(leader.status == Phase.Status.DONE for leader in leaders)

    def _begun(self, leader: Phase) -> bool:
        """Return whether the work of a phase has begun: its visit has, with layout before holes."""
        first = self.network.visit_begins_with(leader.code)
        before = (row for row in self.rows.values() if row.code == first != leader.code)
        return any(row.started_at for row in (leader, *before))


def _hours_of_window(window: tuple[time, time]) -> float:
    opens, closes = window
    return closes.hour - opens.hour + (closes.minute - opens.minute) / 60
