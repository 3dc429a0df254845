"""Locate rules and tickets: one rule for plan and pages, and what will bite before it does."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.engine.worktime import public_holidays
from contractor.trade import locate
from contractor.trade.labeled import Labeled
from contractor.trade.locate import STARTER_RULES, Answer, may_dig
from inspections.models import LocateRule, LocateTicket
from jobs.models import Booking, Job, Phase, Plan
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind
from jobs.selectors.needs import NEEDED_ROWS, dig_phases

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from django.db.models import QuerySet

    from contractor.trade.workdays import IsWorkingDay

# How early a dig without any ticket is told of: a ticket called too soon runs out before it.
TELL_AHEAD = timedelta(days=7)
DIGGING = (Phase.Status.OPEN, Phase.Status.UNDER_WAY)


class WarningKind(Labeled):
    """What is wrong between a dig and its locate ticket."""

    NO_TICKET = "NO_TICKET"
    BEFORE_TICKET = "BEFORE_TICKET"
    RUNS_PAST = "RUNS_PAST"
    STARTS_TOO_LATE = "STARTS_TOO_LATE"
    NOT_ANSWERED = "NOT_ANSWERED"
    RUNS_OUT = "RUNS_OUT"
    IDLE = "IDLE"


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketWarning:
    """
    A dig that its ticket will not cover, told before it bites.

    `plan` is the plan whose booking it is about, None where it is about no booking; `call_by` is
    the last day to call so that the dig need not move, None where no call helps.
    """

    job: Job
    kind: WarningKind
    words: str
    plan: Plan | None = None
    ticket: LocateTicket | None = None
    call_by: date | None = None


def locate_rules() -> Mapping[str, locate.LocateRule]:
    """Return each state's rule: the office's row, else the starter rule."""
    return {**STARTER_RULES, **{row.state: row.rule() for row in LocateRule.objects.all()}}


def business_days(state: str) -> IsWorkingDay:
    """Return whether a day counts for a state's locate notice: a weekday, no public holiday."""

    def counts(day: date) -> bool:
        return day.weekday() < 5 and day not in _holidays(state, day.year)

    return counts


@lru_cache(maxsize=512)
def _holidays(state: str, year: int) -> frozenset[date]:
    return public_holidays(country="US", subdiv=state, years=[year])


def reckoned(*, state: str, called_at: datetime) -> locate.TicketClock | None:
    """Return the days of a ticket that is called at a moment; None where no rule is known."""
    rule = locate_rules().get(state)
    if rule is None:
        return None
    day = locate.call_date(timezone.localtime(called_at), rule)
    return locate.ticket_clock(day, rule, business_days(state))


def ticket_warnings(
    *, now: datetime, job: Job | None = None, jobs: Sequence[Job] | None = None
) -> list[TicketWarning]:
    """
    Return what is wrong with open digs and their tickets, the soonest call first.

    `jobs` are signed jobs that are read already, each with its phases, `NEEDED_ROWS`, and its
    `locate_tickets` with their `responses`.
    """
    if jobs is None:
        rows = list(_digging_jobs() if job is None else _digging_jobs().filter(pk=job.pk))
    else:
        rows = [row for row in jobs if any(p.status in DIGGING for p in row.phases.all())]
    if not rows:
        return []
    rules, bookings = locate_rules(), _dig_bookings(rows)
    today = timezone.localdate(now)
    found: list[TicketWarning] = []
    for row in rows:
        rule = rules.get(row.site_state)
        if rule is not None:
            found += _Dig(row, rule, bookings.get(row.pk, ()), today).warnings()
    return sorted(found, key=lambda w: (w.call_by or today, w.job.number, w.kind))


def open_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """
    Return what locate tickets still hold, and live tickets as cleared.

    Each job needs its phases, `NEEDED_ROWS`, and its `locate_tickets` with their `responses`.
    """
    rules, today = locate_rules(), timezone.localdate(now)
    facts: list[HoldFact] = []
    for job in jobs:
        rule = rules.get(job.site_state)
        waiting = [p for p in job.phases.all() if p.status == Phase.Status.OPEN]
        codes = {phase.code for phase in waiting} & set(dig_phases(job))
        if rule is not None and codes:
            facts += _holds_of(job, min(codes), rule, today)
    return facts


def _holds_of(job: Job, code: str, rule: locate.LocateRule, today: date) -> Iterator[HoldFact]:
    usable = [t for t in job.locate_tickets.all() if t.expires_on >= today]
    ticket = min(usable, key=lambda t: (t.dig_from, t.pk), default=None)
    if ticket is None:
        yield HoldFact(
            job_id=job.pk,
            kind=HoldKind.LOCATE,
            phase_code=code,
            what="no live locate ticket: call before digging",
            clears=Clears.OFFICE,
            expected_on=locate.earliest_dig_date(today, rule, business_days(job.site_state)),
        )
        return
    yield HoldFact(
        job_id=job.pk,
        kind=HoldKind.LOCATE,
        phase_code=code,
        what=f"locate ticket {ticket.number}: digging {dated(ticket.dig_from)} to "
        f"{dated(ticket.expires_on)}",
        clears=Clears.UTILITY,
        since=ticket.called_on,
        expected_on=ticket.dig_from,
        cleared_on=ticket.dig_from if ticket.dig_from <= today else None,
    )
    answers = list(ticket.responses.all())
    allowed = may_dig((row.answer for row in answers), rule)
    if answers or not allowed:
        yield _answers_hold(job, code, ticket, allowed=allowed, today=today)


def _answers_hold(
    job: Job, code: str, ticket: LocateTicket, *, allowed: bool, today: date
) -> HoldFact:
    answers = list(ticket.responses.all())
    slow = sorted(r.utility for r in answers if r.answer in (Answer.NOT_YET, Answer.CONFLICT))
    read = [timezone.localdate(row.viewed_at) for row in answers]
    return HoldFact(
        job_id=job.pk,
        kind=HoldKind.POSITIVE_RESPONSE,
        phase_code=code,
        what=answer_words(ticket),
        clears=Clears.UTILITY if slow else Clears.OFFICE,
        who=", ".join(slow),
        since=ticket.called_on,
        expected_on=ticket.dig_from if ticket.dig_from > today else None,
        cleared_on=max(read) if allowed else None,
    )


def answer_words(ticket: LocateTicket) -> str:
    """Return what the utilities answered to a ticket; its responses must be loaded."""
    rows = sorted(ticket.responses.all(), key=lambda row: row.utility)
    if not rows:
        return f"ticket {ticket.number}: the utilities' answers are not read yet"
    told = "; ".join(f"{row.utility}: {row.get_answer_display().lower()}" for row in rows)
    return f"ticket {ticket.number}: {told}"


def _digging_jobs() -> QuerySet[Job]:
    """Return signed jobs with what is dug on them and their tickets."""
    return (
        Job.objects.filter(status=Job.Status.SIGNED, phases__status__in=DIGGING)
        .distinct()
        .select_related("permit__authority")
        .prefetch_related("phases", *NEEDED_ROWS, "locate_tickets__responses")
        .order_by("number")
    )


def _dig_bookings(jobs: Sequence[Job]) -> dict[int, list[Booking]]:
    """Return the digs booked in the published plan and in the newest draft, by job."""
    plans = [*Plan.objects.filter(status=Plan.Status.PUBLISHED)]
    draft = Plan.objects.filter(status=Plan.Status.DRAFT).order_by("-id").first()
    plans += [draft] if draft else []
    digs = {job.pk: dig_phases(job) for job in jobs}
    found: dict[int, list[Booking]] = {}
    for booking in (
        Booking.objects.filter(
            plan__in=plans,
            phase__job__in=digs,
            phase__code__in={c for d in digs.values() for c in d},
        )
        .select_related("plan", "phase")
        # What a plan cost and left out is long, and would be read with each booking.
        .defer("plan__objective", "plan__unplanned", "phase__labor_arithmetic")
        .order_by("-plan__status", "starts_at", "id")
    ):
        if booking.phase.code in digs[booking.phase.job_id]:
            found.setdefault(booking.phase.job_id, []).append(booking)
    return found


class _Dig:
    """One job's dig against its tickets."""

    def __init__(
        self, job: Job, rule: locate.LocateRule, bookings: Sequence[Booking], today: date
    ) -> None:
        self.job = job
        self.rule = rule
        self.today = today
        self.bookings = bookings
        self.counts = business_days(job.site_state)
        self.tickets = sorted(job.locate_tickets.all(), key=lambda t: (t.dig_from, t.pk))
        codes = dig_phases(job)
        self.phases = [p for p in job.phases.all() if p.code in codes and p.status in DIGGING]

    def warnings(self) -> Iterator[TicketWarning]:
        if not self.phases:
            return
        shown: set[tuple[WarningKind, str]] = set()
        for booking in self.bookings:
            if booking.phase.status in DIGGING:
                for warning in self._of_booking(booking):
                    if (warning.kind, warning.words) not in shown:
                        shown.add((warning.kind, warning.words))
                        yield warning
        if not self.bookings:
            yield from self._running_out()
        yield from self._resting()

    def _of_booking(self, booking: Booking) -> Iterator[TicketWarning]:
        begun = booking.phase.status == Phase.Status.UNDER_WAY
        first = max(timezone.localdate(booking.starts_at), self.today)
        last = max(timezone.localdate(booking.ends_at - timedelta(seconds=1)), first)
        spans = [(ticket.dig_from, ticket.expires_on) for ticket in self.tickets]
        uncovered = locate.first_uncovered_date(spans, first, last)
        if uncovered is not None:
            yield from self._uncovered(booking, first, last, uncovered)
            return
        covering = [t for t in self.tickets if t.dig_from <= first <= t.expires_on]
        ticket = covering[-1]
        yield from self._unanswered(booking, ticket, first)
        start_by = locate.must_start_by(ticket.dig_from, ticket.expires_on, self.rule)
        if start_by is not None and start_by < first and not begun:
            yield self._warning(
                WarningKind.STARTS_TOO_LATE,
                f"{self._booked(booking, first, last)}, but digging on ticket {ticket.number} "
                f"must begin by {dated(start_by)}",
                booking.plan,
                ticket,
                dig_on=first,
            )

    def _uncovered(
        self, booking: Booking, first: date, last: date, uncovered: date
    ) -> Iterator[TicketWarning]:
        booked = self._booked(booking, first, last)
        alive = [t for t in self.tickets if self.today <= t.expires_on]
        before = [t for t in alive if t.expires_on < uncovered]
        after = [t for t in alive if t.dig_from > uncovered]
        if before and (uncovered > first or not after):
            ticket = max(before, key=lambda t: t.expires_on)
            words = f"{booked}, past {dated(ticket.expires_on)}, the last day of {ticket.number}"
            yield self._warning(
                WarningKind.RUNS_PAST, words, booking.plan, ticket, dig_on=uncovered
            )
        elif after:
            words = f"{booked}, before {after[0].number} opens on {dated(after[0].dig_from)}"
            yield self._warning(
                WarningKind.BEFORE_TICKET, words, booking.plan, after[0], dig_on=uncovered
            )
        elif self._call_by(first) <= self.today + TELL_AHEAD:
            last_one = self.tickets[-1] if self.tickets else None
            words = f"{booked}, and no locate ticket is live or called"
            yield self._warning(WarningKind.NO_TICKET, words, booking.plan, last_one, dig_on=first)

    def _unanswered(
        self, booking: Booking, ticket: LocateTicket, first: date
    ) -> Iterator[TicketWarning]:
        answers = [row.answer for row in ticket.responses.all()]
        soon = locate.warn_from(first, self.counts) <= self.today
        if not may_dig(answers, self.rule) and (answers or soon):
            words = f"{self._booked(booking, first, first)}, but {answer_words(ticket)}"
            yield TicketWarning(
                job=self.job,
                kind=WarningKind.NOT_ANSWERED,
                words=words,
                plan=booking.plan,
                ticket=ticket,
            )

    def _running_out(self) -> Iterator[TicketWarning]:
        """Tell of the last live ticket of a dig that no plan has dates for."""
        live = [t for t in self.tickets if t.expires_on >= self.today]
        if not live:
            return
        ticket = max(live, key=lambda t: t.expires_on)
        if locate.warn_from(ticket.expires_on, self.counts) <= self.today:
            yield self._warning(
                WarningKind.RUNS_OUT,
                f"{ticket.number} runs out on {dated(ticket.expires_on)}, "
                "and the dig has no dates yet",
                None,
                ticket,
                dig_on=ticket.expires_on + timedelta(days=1),
            )

    def _resting(self) -> Iterator[TicketWarning]:
        limit = self.rule.idle_limit_days
        for phase in self.phases:
            worked = phase.share_at or phase.started_at
            if limit is None or phase.status != Phase.Status.UNDER_WAY or worked is None:
                continue
            until = timezone.localdate(worked) + timedelta(days=limit)
            if until < self.today or locate.warn_from(until, self.counts) <= self.today:
                yield TicketWarning(
                    job=self.job,
                    kind=WarningKind.IDLE,
                    words=f"no digging is reported since {dated(timezone.localdate(worked))}; a "
                    f"dig that rests longer than {limit} days loses its ticket, here after "
                    f"{dated(until)}",
                    ticket=self.tickets[-1] if self.tickets else None,
                )

    def _warning(
        self,
        kind: WarningKind,
        words: str,
        plan: Plan | None,
        ticket: LocateTicket | None,
        *,
        dig_on: date,
    ) -> TicketWarning:
        """Return a warning that a call in time would settle."""
        call_by = self._call_by(dig_on)
        if call_by >= self.today:
            told = f"{words}. Call by {dated(call_by)}."
        else:
            legal = locate.earliest_dig_date(self.today, self.rule, self.counts)
            told = (
                f"{words}. The day to call was {dated(call_by)}; called today, digging is legal "
                f"from {dated(legal)}."
            )
        return TicketWarning(
            job=self.job, kind=kind, words=told, plan=plan, ticket=ticket, call_by=call_by
        )

    def _call_by(self, dig_on: date) -> date:
        return locate.call_by_date(dig_on, self.rule, self.counts)

    def _booked(self, booking: Booking, first: date, last: date) -> str:
        days = dated(first) if first == last else f"{dated(first)} to {dated(last)}"
        return f"{booking.phase.get_code_display()} is booked for {days}"


def dated(day: date) -> str:
    """Return a day as tickets tell it, such as Mon Jun 1, 2026."""
    return f"{day:%a %b %-d, %Y}"
