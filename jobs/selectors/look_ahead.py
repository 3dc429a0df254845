"""Three weeks as the office prints them: crews by day, visits, deliveries, and each job."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE, Performer
from crews.models import DayOff
from inspections.models import Inspection, LocateTicket
from inspections.selectors import visits
from inspections.selectors.stopped_work import stopped_bookings
from jobs.drawing.look_ahead import Entry, JobBlock, Line, LookAhead, Row, Week
from jobs.models import Booking, Delivery, Job, LentPeople, Phase, Plan, SetAside
from jobs.selectors import plans
from jobs.selectors.booked import with_rows
from jobs.selectors.crew_load import CrewDays, active_crews, firm_days_off
from jobs.selectors.holds import holds, signed_jobs

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

WEEKS = 3
WORK_WEEK_DAYS = 5
# From this weekday on the sheet is the next week's: Friday.
NEXT_WEEK_FROM = 4
CAUTION = (
    "Dates help to plan and are no permission. Local code, the engineer's drawings and your "
    "inspector decide; no digging without a live locate ticket; whoever is on site may always "
    "stop the work."
)


def first_monday(today: date) -> date:
    """Return the Monday that a sheet begins with: this week's, from Friday on the next one."""
    ahead = 7 if today.weekday() >= NEXT_WEEK_FROM else 0
    return today - timedelta(days=today.weekday()) + timedelta(days=ahead)


def look_ahead(*, now: datetime, monday: date | None = None) -> LookAhead | None:
    """
    Return three weeks of the published plan from a Monday on; None where nothing is published.

    In a constant number of queries.
    """
    plan = plans.published_plan()
    if plan is None:
        return None
    first = monday or first_monday(timezone.localdate(now))
    first -= timedelta(days=first.weekday())
    return _Reader(plan, first, now).sheet()


@dataclass(frozen=True, slots=True)
class _Span:
    """A booking with its first and last day at the site."""

    booking: Booking
    starts_at: datetime
    ends_at: datetime

    @property
    def first(self) -> date:
        return self.starts_at.date()

    @property
    def last(self) -> date:
        return self.ends_at.date()


class _Reader:
    """Reads three weeks of one plan."""

    def __init__(self, plan: Plan, first: date, now: datetime) -> None:
        self.plan = plan
        self.now = now
        self.first = first
        self.last = first + timedelta(days=7 * WEEKS - 1)
        self.spans = self._spans()
        self.of_crew: dict[int | None, list[_Span]] = defaultdict(list)
        for span in self.spans:
            self.of_crew[span.booking.crew_id].append(span)
        self.stops = {(s.booking.pk, s.day): s.why for s in stopped_bookings(now=now)}
        self.held = self._held()
        self.visits = self._visits()
        self.deliveries = list(self._deliveries())
        self.lent = list(
            LentPeople.objects.filter(first_day__lte=self.last, last_day__gte=first)
            .select_related("from_crew", "to_crew")
            .order_by("first_day", "id")
        )
        self.aside = list(
            SetAside.objects.filter(
                starts_at__lt=_midnight(self.last + timedelta(days=1)),
                ends_at__gt=_midnight(first),
            )
            .select_related("job")
            .order_by("starts_at", "id")
        )
        firm_off = firm_days_off()
        self.crews = [CrewDays(crew, firm_off=firm_off) for crew in active_crews()]
        self.off = self._reasons_off()

    def sheet(self) -> LookAhead:
        """Return all that the page and the paper show."""
        made = timezone.localtime(self.now)
        published = timezone.localtime(self.plan.published_at or self.plan.made_at)
        return LookAhead(
            title=f"Look-ahead, {_day(self.first)} to {_day(self.last)}, {self.last.year}",
            plan=f"{self.plan}, published {_day(published)}",
            made=f"Made {_day(made)}, {made:%H:%M}",
            weeks=tuple(self._week(self.first + timedelta(weeks=n)) for n in range(WEEKS)),
            jobs=tuple(self._jobs()),
            caution=CAUTION,
        )

    def _spans(self) -> list[_Span]:
        begins, ends = _midnight(self.first), _midnight(self.last + timedelta(days=1))
        rows = Booking.objects.filter(plan=self.plan, ends_at__gt=begins, starts_at__lt=ends)
        found = with_rows(rows.prefetch_related("equipment").order_by("starts_at", "id"))
        return [
            _Span(row, timezone.localtime(row.starts_at), timezone.localtime(row.ends_at))
            for row in found
            if row.phase.status in (Phase.Status.OPEN, Phase.Status.UNDER_WAY)
        ]

    def _held(self) -> dict[tuple[int, str], list[str]]:
        found: dict[tuple[int, str], list[str]] = defaultdict(list)
        shown = {span.booking.phase.job_id for span in self.spans}
        jobs = list(signed_jobs().filter(pk__in=shown))
        for row in holds(now=self.now, jobs=jobs):
            fact = row.fact
            found[fact.job_id, fact.phase_code].append(f"{fact.kind.label}: {fact.what}")
        return found

    def _visits(self) -> dict[int, Inspection]:
        rows = Inspection.objects.filter(
            status__in=visits.OPEN, phase__in=[span.booking.phase_id for span in self.spans]
        )
        return {row.phase_id: row for row in rows.order_by("requested_at", "id")}

    def _deliveries(self) -> Iterable[Delivery]:
        return (
            Delivery.objects.filter(
                arrived_on=None,
                promised_on__range=(self.first, self.last),
                job__status=Job.Status.SIGNED,
            )
            .select_related("job")
            .order_by("promised_on", "job__number", "item")
        )

    def _reasons_off(self) -> dict[tuple[int | None, date], str]:
        found: dict[tuple[int | None, date], str] = {}
        rows = DayOff.objects.filter(
            equipment=None, first_day__lte=self.last, last_day__gte=self.first
        )
        for row in rows.order_by("id"):
            for n in range((row.last_day - row.first_day).days + 1):
                found[row.crew_id, row.first_day + timedelta(days=n)] = row.reason
        return found

    def _week(self, monday: date) -> Week:
        every = [monday + timedelta(days=n) for n in range(7)]
        rows = [self._crew(crew, every) for crew in self.crews]
        others = (
            self._others("Inspections", Performer.AUTHORITY, every),
            self._others("Outside trades", Performer.SUB, every),
            self._arrivals(every),
        )
        rows += [row for row in others if any(row.cells)]
        kept = [
            n
            for n in range(7)
            if n < WORK_WEEK_DAYS or any(e.what != "Off" for row in rows for e in row.cells[n])
        ]
        return Week(
            days=tuple(every[n] for n in kept),
            rows=tuple(Row(row.name, row.about, tuple(row.cells[n] for n in kept)) for row in rows),
        )

    def _crew(self, crew: CrewDays, days: Sequence[date]) -> Row:
        mine = self.of_crew[crew.crew.pk]
        about = ", ".join(filter(None, (crew.crew.lead_name, crew.crew.lead_phone)))
        return Row(crew.crew.name, about, tuple(self._crew_day(crew, mine, day) for day in days))

    def _crew_day(self, crew: CrewDays, mine: list[_Span], day: date) -> tuple[Entry, ...]:
        reason = self.off.get((crew.crew.pk, day)) or self.off.get((None, day))
        if crew.hours_on(day) == 0:
            return (Entry("Off", reason),) if reason else ()
        shifts = crew.week.get(day.weekday(), ())
        opens = shifts[0][0] if shifts else time()
        work = tuple(
            self._entry(span, day, opens) for span in mine if span.first <= day <= span.last
        )
        return (*self._set_by_hand(crew.crew.pk, day), *work)

    def _set_by_hand(self, crew: int, day: date) -> Iterable[Entry]:
        """Yield who comes or goes as lent, and the time that is set aside."""
        for lent in self.lent:
            if lent.first_day <= day <= lent.last_day:
                if lent.to_crew_id == crew:
                    yield Entry(f"+{lent.people} from {lent.from_crew}", lent.note)
                if lent.from_crew_id == crew:
                    yield Entry(f"-{lent.people} to {lent.to_crew}", lent.note)
        for aside in self.aside:
            begins, ends = timezone.localtime(aside.starts_at), timezone.localtime(aside.ends_at)
            if aside.crew_id == crew and begins.date() <= day <= ends.date():
                where = _where(aside.job) if aside.job else aside.note
                when = f"{_clock(begins)} to {_clock(ends)}" if begins.date() == ends.date() else ""
                yield Entry(aside.get_kind_display(), where, when)

    def _entry(self, span: _Span, day: date, opens: time) -> Entry:
        phase = span.booking.phase
        notes = []
        if why := self.stops.get((span.booking.pk, day)):
            notes.append(f"weather stops it: {why}")
        begins = day == span.first and phase.status == Phase.Status.OPEN
        if begins and self.held.get((phase.job_id, phase.code)):
            notes.append("HELD, see the job")
        if begins and day == span.last:
            notes.append(f"{_clock(span.starts_at)} to {_clock(span.ends_at)}")
        elif begins:
            late = span.starts_at.time() > opens
            notes.append(f"begins {_clock(span.starts_at)}" if late else "begins")
        elif day == span.last:
            notes.append(f"done by {_clock(span.ends_at)}")
        return Entry(phase.get_code_display(), _where(phase.job), ", ".join(notes))

    def _others(self, name: str, performer: Performer, days: Sequence[date]) -> Row:
        mine = [
            span
            for span in self.spans
            if PHASE_TABLE[span.booking.phase.code].performer is performer
        ]
        cells = tuple(
            tuple(self._visit(span) for span in mine if span.first <= day <= span.last)
            for day in days
        )
        return Row(name, "", cells)

    def _visit(self, span: _Span) -> Entry:
        phase = span.booking.phase
        when = f"{_clock(span.starts_at)} to {_clock(span.ends_at)}"
        notes = [when] if span.first == span.last else []
        if PHASE_TABLE[phase.code].performer is Performer.AUTHORITY:
            notes.append(self._asked(phase))
        return Entry(phase.get_code_display(), _where(phase.job), ", ".join(notes))

    def _asked(self, phase: Phase) -> str:
        visit = self.visits.get(phase.pk)
        return visit.get_status_display().lower() if visit else "not asked for yet"

    def _arrivals(self, days: Sequence[date]) -> Row:
        return Row(
            "Deliveries",
            "",
            tuple(
                tuple(
                    Entry(row.get_item_display(), row.job.number, _to_confirm(row))
                    for row in self.deliveries
                    if row.promised_on == day
                )
                for day in days
            ),
        )

    def _jobs(self) -> Iterable[JobBlock]:
        by_job: dict[int, list[_Span]] = defaultdict(list)
        for span in self.spans:
            by_job[span.booking.phase.job_id].append(span)
        finishes = {row.job.pk: row.planned_finish_on for row in plans.promises(self.plan)}
        tickets = self._tickets(list(by_job))
        for pk, spans in by_job.items():
            job = spans[0].booking.phase.job
            yield JobBlock(
                number=job.number,
                title=job.buyer_name,
                about=_about(job, finishes.get(pk)),
                lines=tuple(
                    line
                    for _, line in sorted(
                        [
                            *((span.first, self._line(span)) for span in spans),
                            *self._delivery_lines(pk),
                            *tickets[pk],
                        ],
                        key=lambda row: row[0],
                    )
                ),
            )

    def _line(self, span: _Span) -> Line:
        phase, booking = span.booking.phase, span.booking
        performer = PHASE_TABLE[phase.code].performer
        if performer is Performer.AUTHORITY:
            who, note = "Inspector", self._asked(phase)
        else:
            who = booking.crew.name if booking.crew else "Outside trade"
            note = "; ".join(self.held.get((phase.job_id, phase.code), ()))
            machines = ", ".join(machine.name for machine in booking.equipment.all())
            who = f"{who}, {machines}" if machines else who
        if phase.status == Phase.Status.UNDER_WAY:
            note = "; ".join(filter(None, (f"under way, {phase.share_done:.0%} done", note)))
        return Line(phase.get_code_display(), who, _span_words(span), note)

    def _delivery_lines(self, job: int) -> Iterable[tuple[date, Line]]:
        for row in self.deliveries:
            if row.job_id == job and row.promised_on:
                what = f"Delivery: {row.get_item_display().lower()}"
                yield row.promised_on, Line(what, row.supplier, _day(row.promised_on), _stand(row))

    def _tickets(self, jobs: list[int]) -> dict[int, list[tuple[date, Line]]]:
        """Return the locate tickets that are live in these weeks, of jobs that dig in them."""
        digging = {
            span.booking.phase.job_id for span in self.spans if span.booking.phase.code == "DIG"
        }
        rows = LocateTicket.objects.filter(
            job__in=digging, dig_from__lte=self.last, expires_on__gte=self.first
        )
        found: dict[int, list[tuple[date, Line]]] = defaultdict(list)
        for row in rows.order_by("dig_from", "id"):
            when = f"dig from {_day(row.dig_from)}, runs out {_day(row.expires_on)}"
            found[row.job_id].append((row.dig_from, Line(f"Locate ticket {row.number}", "", when)))
        return found


def _where(job: Job) -> str:
    return f"{job.number} {job.site_town}"


def _about(job: Job, finish: date | None) -> str:
    promise = job.promised_on
    told = f"Promised {_day(promise)}, {promise.year}" if promise else "No promise"
    planned = f"; planned finish {_day(finish)}, {finish.year}" if finish else ""
    return f"{job.site_address}, {job.site_town}. {told}{planned}."


def _to_confirm(row: Delivery) -> str:
    return "" if row.confirmed_on else "to confirm"


def _stand(row: Delivery) -> str:
    return "confirmed" if row.confirmed_on else "not confirmed yet"


def _span_words(span: _Span) -> str:
    if span.first == span.last:
        return f"{_day(span.first)}, {_clock(span.starts_at)} to {_clock(span.ends_at)}"
    return (
        f"{_day(span.first)} {_clock(span.starts_at)} to {_day(span.last)} {_clock(span.ends_at)}"
    )


def _day(day: date) -> str:
    return f"{day:%a %b} {day.day}"


def _clock(moment: datetime) -> str:
    return f"{moment.hour}:{moment:%M}"


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
