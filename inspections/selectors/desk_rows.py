"""One open inspection as a row of the desk: when to ask, whom and how, and what does not fit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.engine.worktime import public_holidays
from contractor.trade.notice import AskedWhen, first_visit, request_by
from contractor.trade.permit_rules import reinspection_fee_usd
from crews.models import DayOff
from inspections.selectors.authority import (
    notice_rule,
    notice_words,
    own_closed_days,
    request_words,
    weekdays,
)
from inspections.selectors.visits import LOST, OPEN, Status
from jobs.selectors.needs import built
from jobs.selectors.open_work import days_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from contractor.trade.notice import IsWorkingDay
    from inspections.models import Authority, Inspection, InspectionEvent
    from jobs.models import Booking, Job, Phase

# How far ahead the desk looks beyond today, in days.
LOOK_AHEAD_DAYS = 7
NOON = time(12)
PART_CAUTION = "Work only on what was released; cover nothing else."


class DeskState(StrEnum):
    """Where an inspection stands on the desk."""

    TO_ASK = "TO_ASK"
    COMING = "COMING"
    BOOKED = "BOOKED"
    OVERDUE = "OVERDUE"


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskRow:
    """
    One inspection of the published plan, or a visit that is asked for.

    `ask_by` is the last moment to ask for the window that the plan counts on, `ask_from` the first
    at which the authority takes the request; None where there is nothing to ask. `seen` is the
    number of the visit's last event. `warning` says what does not fit, in words.
    """

    state: DeskState
    phase: Phase
    authority: Authority
    visit: Inspection | None
    seen: int
    visit_from: datetime | None
    visit_until: datetime | None
    ask_from: datetime | None
    ask_by: datetime | None
    how: str
    rule: str
    say: str
    fee: str
    last: str
    warning: str

    @property
    def job(self) -> Job:
        """Return the job."""
        return self.phase.job


class DeskDays:
    """Working days of the office and of each authority around one moment."""

    def __init__(self, now: datetime) -> None:
        self.now = now
        self.zone = timezone.get_default_timezone()
        self.today = timezone.localdate(now)
        self._firm_off = days_of(DayOff.objects.filter(crew=None, equipment=None))
        self._closed: dict[int, frozenset[date]] = {}
        # Until the office is next at its desk, nobody calls: what falls due by then is due today.
        self.due_before = self._midnight(self._next_office_day())
        self.coming_before = self._midnight(self.today + timedelta(days=LOOK_AHEAD_DAYS + 1))

    def works(self, authority: Authority) -> IsWorkingDay:
        """Return whether an authority makes visits on a day."""
        if authority.pk not in self._closed:
            years = range(self.today.year - 1, self.today.year + 6)
            holidays = public_holidays(country="US", subdiv=authority.state, years=years)
            until = self.today + timedelta(days=5 * 366)
            self._closed[authority.pk] = holidays | own_closed_days(authority, until=until)
        closed, open_on = self._closed[authority.pk], weekdays(authority)
        return lambda day: day.weekday() in open_on and day not in closed

    def local(self, moment: datetime) -> datetime:
        """Return a moment by the site's clock."""
        return moment.astimezone(self.zone)

    def _next_office_day(self) -> date:
        ahead = (self.today + timedelta(days=n) for n in range(1, 60))
        office_days = (day for day in ahead if day.weekday() < 5 and day not in self._firm_off)
        return next(office_days, self.today + timedelta(days=60))

    def _midnight(self, day: date) -> datetime:
        return datetime.combine(day, time(), tzinfo=self.zone)


class DeskReader:
    """Reads one open inspection as a row of the desk."""

    def __init__(
        self,
        phase: Phase,
        booked: Mapping[int, Booking],
        visits: list[Inspection],
        days: DeskDays,
    ) -> None:
        self.phase = phase
        self.booked = booked
        self.booking = booked.get(phase.pk)
        self.visits = visits
        self.days = days
        self.authority: Authority = phase.job.permit.authority
        standing = [visit for visit in visits if visit.status in OPEN]
        self.visit = standing[-1] if standing else None

    def read(self) -> DeskRow | None:
        """Return the row, or None for an inspection that nobody need think of yet."""
        return self._asked() if self.visit is not None else self._to_ask()

    def _asked(self) -> DeskRow:
        visit = self.visit
        assert visit is not None
        begins, until = visit.visit_from, visit.visit_until
        if begins is None and self.booking is not None:
            begins, until = self.booking.starts_at, self.booking.ends_at
        ask_by = self._ask_by(begins) if begins else None
        warnings = []
        overdue = False
        if until is not None and until <= self.days.now:
            overdue = True
            warnings.append("its time has passed without a result")
        elif visit.status == Status.REQUESTED and ask_by and ask_by < self.days.now:
            overdue = True
            warnings.append("asked and not answered: call again")
        if visit.visit_from and self.booking and not self._is_within(visit):
            warnings.append(f"the plan counts on {self._window(self.booking.starts_at)}")
        return self._row(
            DeskState.OVERDUE if overdue else DeskState.BOOKED,
            begins,
            until,
            None,
            None,
            "; ".join(warnings),
        )

    def _to_ask(self) -> DeskRow | None:
        booking = self.booking
        if booking is None:
            return None
        ask_by = self._ask_by(booking.starts_at)
        if ask_by is None:
            warning = "the authority is closed on the planned day: ask for a new plan"
            return self._row(
                DeskState.TO_ASK, booking.starts_at, booking.ends_at, None, None, warning
            )
        ask_from = self._ask_from()
        if min(ask_by, ask_from or ask_by) >= self.days.coming_before:
            return None
        if ask_by < self.days.now:
            return self._too_late_for(booking, ask_from)
        warning = ""
        if ask_from is not None and ask_from > ask_by:
            warning = "the work is not ready by the cut-off: the visit must move"
        due = ask_by < self.days.due_before
        state = DeskState.TO_ASK if due else DeskState.COMING
        return self._row(state, booking.starts_at, booking.ends_at, ask_from, ask_by, warning)

    def _too_late_for(self, booking: Booking, ask_from: datetime | None) -> DeskRow:
        """Return the row of a planned visit that was not asked for: the first to be had now."""
        now, planned = self.days.now, self._window(booking.starts_at)
        warning = f"the cut-off for {planned} has passed: ask now, they come later than planned"
        try:
            begins, until = first_visit(
                asked_at=self.days.local(max(now, ask_from or now)),
                ready_at=self._ready_at(),
                rule=notice_rule(self.authority),
                is_working_day=self.days.works(self.authority),
            )
        except ValueError:
            return self._row(DeskState.TO_ASK, None, None, ask_from, None, warning)
        return self._row(DeskState.TO_ASK, begins, until, ask_from, self._ask_by(begins), warning)

    def _row(
        self,
        state: DeskState,
        visit_from: datetime | None,
        visit_until: datetime | None,
        ask_from: datetime | None,
        ask_by: datetime | None,
        warning: str,
    ) -> DeskRow:
        return DeskRow(
            state=state,
            phase=self.phase,
            authority=self.authority,
            visit=self.visit,
            seen=max((event.number for event in self._events()), default=0),
            visit_from=visit_from,
            visit_until=visit_until,
            ask_from=ask_from,
            ask_by=ask_by,
            how=request_words(self.authority),
            rule=notice_words(self.authority),
            say=self._say(visit_from),
            fee=self._fee(),
            last=self._last(),
            warning=warning,
        )

    def _events(self) -> list[InspectionEvent]:
        return list(self.visit.events.all()) if self.visit else []

    def _ask_by(self, visit_from: datetime) -> datetime | None:
        """Return the last moment to ask for a visit; None on a day on which they make none."""
        local, works = self.days.local(visit_from), self.days.works(self.authority)
        if not works(local.date()):
            return None
        rule = notice_rule(self.authority)
        return request_by(visit_from=local, rule=rule, is_working_day=works)

    def _ready_at(self) -> datetime | None:
        """Return when the work before the visit was or is to be done, as far as that is known."""
        leaders = self._leaders(AskedWhen.READY)
        moments = [self._moment_of(leader, AskedWhen.READY) for leader in leaders]
        return max((moment for moment in moments if moment is not None), default=None)

    def _ask_from(self) -> datetime | None:
        """Return when the authority takes the request: as the work begins or is ready, or None."""
        asked_when = AskedWhen(self.authority.asked_when)
        if asked_when is AskedWhen.AHEAD:
            return None
        moments = [self._moment_of(leader, asked_when) for leader in self._leaders(asked_when)]
        known = [moment for moment in moments if moment is not None]
        return max(known, default=None)

    def _leaders(self, asked_when: AskedWhen) -> list[Phase]:
        job = self.phase.job
        found = built(job)
        if found is None:
            return []
        network = found[1]
        leaders = [link.before for link in network.follows if link.after == self.phase.code]
        if asked_when is AskedWhen.WORK_STARTED:
            # As the plan counts: work on holes begins with the layout of the same visit.
            leaders = [network.visit_begins_with(code) for code in leaders]
        return [phase for phase in job.phases.all() if phase.code in leaders]

    def _moment_of(self, leader: Phase, asked_when: AskedWhen) -> datetime | None:
        booking = self.booked.get(leader.pk)
        if asked_when is AskedWhen.WORK_STARTED:
            known = leader.started_at or leader.done_at
            return known or (None if booking is None else booking.starts_at)
        return leader.done_at or (None if booking is None else booking.ends_at)

    def _is_within(self, visit: Inspection) -> bool:
        """Return whether the plan counts on a visit on the day for which it is booked."""
        assert visit.visit_from is not None
        assert self.booking is not None
        planned = self.days.local(self.booking.starts_at).date()
        return planned == self.days.local(visit.visit_from).date()

    def _say(self, visit_from: datetime | None) -> str:
        job, permit = self.phase.job, self.phase.job.permit
        number = f"permit {permit.number}" if permit.number else f"job {job.number}, no number yet"
        site = f"{job.site_address}, {job.site_town}"
        what = self.phase.get_code_display().lower()
        when = f", {self._window(visit_from)}" if visit_from else ""
        return f"{number}; {site}; {what}{when}"

    def _window(self, moment: datetime) -> str:
        local = self.days.local(moment)
        day = f"{local:%a %b %-d}"
        if not self.authority.takes_wishes or len(notice_rule(self.authority).windows) < 2:
            return day
        return f"{day}, {'morning' if local.time() < NOON else 'afternoon'}"

    def _fee(self) -> str:
        lost = sum(visit.status in LOST for visit in self.visits)
        fee = reinspection_fee_usd(
            visits_lost=lost,
            fee_usd=self.authority.reinspection_fee_usd,
            due_after=self.authority.fee_after_failures,
        )
        if not fee:
            return ""
        when = "to be paid before they come" if self.authority.fee_is_prepaid else "will be charged"
        return f"re-inspection fee ${fee:,.2f}, {when}"

    def _last(self) -> str:
        """Return what came of the visit before, with what was released."""
        made = [visit for visit in self.visits if visit.status not in OPEN]
        if not made:
            return ""
        visit = made[-1]
        words = visit.get_status_display().lower()
        if visit.decided_at:
            words += f" {self.days.local(visit.decided_at):%a %b %-d}"
        if visit.note:
            words += f": {visit.note}"
        if visit.status == Status.PARTIAL:
            words += f"; free: {visit.released}. {PART_CAUTION}"
        return words
