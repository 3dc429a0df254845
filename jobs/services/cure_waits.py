"""The waits for concrete: a table where the pour is to come, its own clock once it is made."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.trade.phases import WaitKind
from inspections.selectors.cure_temps import Climates
from inspections.selectors.pours import NeededStrengths, PourClock, gate_words, is_poured
from jobs.services.holds import Hold, NoDate
from jobs.services.wait_tables import LinkNote

if TYPE_CHECKING:
    from contractor.trade.phases import Follows
    from inspections.models import Pour
    from inspections.selectors.pours import NeededStrength
    from jobs.models import Job, Phase
    from jobs.selectors.open_work import OpenWork
    from jobs.services.calendars import Calendars
    from jobs.services.wait_tables import WaitTables


class CureWaits:
    """What phases wait for of the concrete before them, in one problem."""

    def __init__(self, *, work: OpenWork, calendars: Calendars, waits: WaitTables) -> None:
        self._work = work
        self._calendars = calendars
        self._waits = waits
        self._needs = NeededStrengths(work.strength_needs)
        self._climates = Climates(work.firm, work.weather)
        self._clocks: dict[int, PourClock] = {}

    def wait(self, job: Job, follows: Follows, leader: Phase) -> tuple[int | None, LinkNote | None]:
        """
        Return the wait of a link for concrete at expected temperatures, and what it stands for.

        Nothing where all of it is poured: its own clock then holds what follows.
        """
        if is_poured(leader):
            return None, None
        needed = self._needs.of(job, follows)
        climate = self._climates.of(job)
        index = self._waits.cure(needed.need, climate, lag_hours=follows.lag_hours)

        def spell(begins: int, ends: int) -> str:
            degf = self._waits.mean_cure_degf(needed.need, climate, begins, ends)
            return gate_words(follows, needed, self._calendars.local(ends), degf)

        return index, LinkNote(WaitKind.CURE.value, _basis(follows, needed), spell)

    def hold(self, job: Job, follows: Follows, leader: Phase) -> Hold | None:
        """
        Return the wait for concrete that is poured, on its own clock; None once it is over.

        Raises
        ------
        NoDate
            If it does not get its strength within a year.
        """
        needed = self._needs.of(job, follows)
        holds = [self._hold(job, follows, needed, pour) for pour in leader.pours.all()]
        last = max(holds, key=lambda hold: hold.ends)
        return last if last.ends > self._calendars.slot_of(self._work.now) else None

    def _hold(self, job: Job, follows: Follows, needed: NeededStrength, pour: Pour) -> Hold:
        clock = self._clock(job, pour)
        hours = clock.ready_hours(needed)
        if hours is None:
            raise NoDate(
                f"the concrete poured {pour.poured_at.astimezone(self._calendars.zone):%b %-d, %Y} "
                f"does not reach {needed.share_words} within a year at its temperatures; "
                "warm it, or correct its readings"
            )
        begins = self._calendars.slot_of(pour.poured_at)
        ends = self._calendars.slot_of(pour.poured_at + timedelta(hours=hours + follows.lag_hours))
        degf = clock.mean_degf(hours)
        words = gate_words(follows, needed, self._calendars.local(ends), degf, pour=clock)
        return Hold(WaitKind.CURE.value, follows.after, ends, words, begins, follows.before)

    def _clock(self, job: Job, pour: Pour) -> PourClock:
        if pour.pk not in self._clocks:
            climate = self._climates.of(job)
            self._clocks[pour.pk] = PourClock(pour, climate=climate, zone=self._calendars.zone)
        return self._clocks[pour.pk]


def _basis(follows: Follows, needed: NeededStrength) -> str:
    where = (
        "at the ground's expected temperature"
        if needed.need.buried
        else "at the air's expected temperature, kept at 50 °F or more"
    )
    return f"{needed.share_words} {where}. {follows.why}"
