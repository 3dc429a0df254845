"""
What calendars show of the published plan: work, visits by authorities, deliveries.

Each is worked out once and written into every calendar that it belongs to, in the words for its
readers. No prices, no buyer's telephone and no gate code: calendars lie on other firms' servers.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from django.conf import settings
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE, Performer
from crews.models import FeedCalendar
from crews.selectors import calendars_with_readers
from crews.services import FeedEntry
from inspections.models import Inspection, Permit
from jobs.models import Booking, Delivery, Phase
from jobs.selectors import buyer_stages
from jobs.selectors.holds import told_to_crews
from jobs.services.board_entries import board_entries

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from crews.models import Crew
    from jobs.models import Job

DECIDES = "Local code, the engineer's drawings and your inspector decide."
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """One thing that calendars show; `who` does it, `crews` have it in their calendars."""

    source: str
    job: Job
    starts_at: datetime
    ends_at: datetime
    title: str
    who: str
    notes: tuple[str, ...] = ()
    crews: frozenset[int] = frozenset()
    authority_id: int | None = None
    whole_days: bool = False
    for_crews: tuple[str, ...] = field(default=())

    def entry(
        self,
        *,
        summary: str,
        notes: Iterable[str],
        crew_id: int | None = None,
        calendar_id: int | None = None,
    ) -> FeedEntry:
        """Return it as one calendar shows it."""
        job = self.job
        return FeedEntry(
            crew_id=crew_id,
            calendar_id=calendar_id,
            source=self.source,
            starts_at=self.starts_at,
            ends_at=self.ends_at,
            whole_days=self.whole_days,
            summary=summary,
            location=f"{job.site_address}, {job.site_town}, {job.site_state}",
            description="\n".join(note for note in notes if note),
        )


def feed_entries(rows: Sequence[Booking], now: datetime) -> list[FeedEntry]:
    """
    Return all that calendars show of these bookings, which are those of the published plan.

    `rows` have phase, job and crew loaded, and equipment prefetched. Of calendars beside the
    crews', those are filled that somebody reads. The number of queries does not grow with the
    rows.
    """
    shown = [*_work(rows, now), *_visits(rows), *_deliveries(rows, now)]
    entries = [
        one.entry(
            crew_id=crew_id,
            summary=f"{one.title} – Job {one.job.number}",
            notes=(*one.notes, *one.for_crews),
        )
        for one in shown
        for crew_id in sorted(one.crews)
    ]
    calendars = list(calendars_with_readers())
    buyers = {row.number: row for row in calendars if row.kind == FeedCalendar.Kind.BUYER}
    for calendar in calendars:
        entries += _of_calendar(calendar, shown)
    board = board_entries(now)
    return [*entries, *board, *(_of_buyers(buyers, rows) if buyers else ())]


def _of_calendar(calendar: FeedCalendar, shown: Iterable[_Shown]) -> Iterator[FeedEntry]:
    """Return what one calendar of the firm, a job or an authority shows."""
    for one in shown:
        number = f" – Job {one.job.number}"
        if calendar.kind == FeedCalendar.Kind.FIRM:
            by = f", {one.who}" if one.who else ""
            yield one.entry(
                calendar_id=calendar.pk, summary=f"{one.title}{number}{by}", notes=one.notes
            )
        elif calendar.kind == FeedCalendar.Kind.JOB and calendar.number == one.job.pk:
            by = f" – {one.who}" if one.who else ""
            yield one.entry(calendar_id=calendar.pk, summary=f"{one.title}{by}", notes=one.notes)
        elif calendar.kind == FeedCalendar.Kind.AUTHORITY and calendar.number == one.authority_id:
            yield one.entry(
                calendar_id=calendar.pk, summary=f"{one.title}{number}", notes=one.notes
            )


def _work(rows: Iterable[Booking], now: datetime) -> Iterator[_Shown]:
    """
    Return the work of crews and outside trades.

    Not what binds a start: a new plan may give another reason for the same days, and a calendar
    changes only when the work does, or what it waits for.
    """
    told = told_to_crews(now=now)
    page, rest = _around_the_phase()
    for row in rows:
        phase, kind = row.phase, PHASE_TABLE[row.phase.code]
        if kind.performer is Performer.AUTHORITY:
            continue
        machines = ", ".join(machine.name for machine in row.equipment.all())
        holds = told.get((phase.job_id, phase.code), ())
        begun = phase.started_at if phase.status == Phase.Status.UNDER_WAY else None
        yield _Shown(
            source=f"phase:{phase.pk}",
            job=phase.job,
            starts_at=min(begun, row.starts_at) if begun else row.starts_at,
            ends_at=row.ends_at,
            title=phase.get_code_display(),
            who=row.crew.name if row.crew else kind.performer.label,
            crews=frozenset({row.crew_id} if row.crew_id else ()),
            notes=(
                f"{row.work_hours:g} working hours for the crew." if row.crew else "",
                f"{row.crew.name}: {row.crew.size} people." if row.crew else "",
                f"Equipment: {machines}." if machines else "",
                *holds,
                kind.caution,
                DECIDES if kind.caution else "",
            ),
            for_crews=(_people(row.crew), f"Details: {page}{phase.pk}{rest}"),
        )


def _people(crew: Crew | None) -> str:
    """Return who works in a crew, for itself alone; "" where it is not told."""
    return f"With {crew.people_by_name}." if crew and crew.people_by_name else ""


def _around_the_phase() -> tuple[str, str]:
    """Return what stands before and behind a phase's number in the address of its phone page."""
    page = reverse("phone:phase", kwargs={"phase_id": 0})
    before, _, behind = page.rpartition("0")
    return f"{settings.PUBLIC_URL}{before}", behind


def _visits(rows: Sequence[Booking]) -> Iterator[_Shown]:
    """Return the visits by authorities: at their hours if told, else where the plan has them."""
    planned = [row for row in rows if PHASE_TABLE[row.phase.code].performer is Performer.AUTHORITY]
    open_ones = Inspection.objects.filter(
        phase__in=[row.phase_id for row in planned],
        status__in=(Inspection.Status.REQUESTED, Inspection.Status.CONFIRMED),
    )
    asked = {visit.phase_id: visit for visit in open_ones.order_by("requested_at", "id")}
    permits = {
        permit.job_id: permit
        for permit in Permit.objects.select_related("authority").filter(
            job__in={row.phase.job_id for row in planned}
        )
    }
    around = _CrewsOfJobs(rows)
    for row in planned:
        phase, visit = row.phase, asked.get(row.phase_id)
        permit, kind = permits.get(row.phase.job_id), PHASE_TABLE[row.phase.code]
        starts_at, ends_at = row.starts_at, row.ends_at
        if visit and visit.visit_from and visit.visit_until:
            starts_at, ends_at = visit.visit_from, visit.visit_until
        yield _Shown(
            source=f"phase:{phase.pk}",
            job=phase.job,
            starts_at=starts_at,
            ends_at=ends_at,
            title=kind.label,
            who=permit.authority.name if permit else "",
            crews=around.beside(phase.job_id, starts_at),
            authority_id=permit.authority_id if permit else None,
            notes=(
                _state_of(visit),
                f"Permit {permit.number}." if permit and permit.number else "",
                kind.caution,
            ),
            for_crews=(f"By {permit.authority.name}." if permit else "", DECIDES),
        )


def _state_of(visit: Inspection | None) -> str:
    if visit is None:
        return "Not asked for yet: the time is the plan's."
    if visit.status == Inspection.Status.CONFIRMED:
        return "Confirmed by the authority."
    return "Asked for, not confirmed."


def _deliveries(rows: Sequence[Booking], now: datetime) -> Iterator[_Shown]:
    """
    Return the deliveries whose day a supplier has promised, as whole days: no hour is told.

    A day that is over stays as the calendars have it.
    """
    jobs = {row.phase.job_id: row.phase.job for row in rows}
    missing = Q(arrived_on=None) | ~Q(shortage="")
    due = Delivery.objects.filter(
        missing, job__in=jobs, promised_on__gte=timezone.localdate(now)
    ).order_by("pk")
    around = _CrewsOfJobs(rows)
    for delivery in due:
        assert delivery.promised_on is not None  # the filter asks for it
        midnight = datetime.combine(delivery.promised_on, time(), timezone.get_default_timezone())
        day_after = datetime.combine(
            delivery.promised_on + _DAY, time(), timezone.get_default_timezone()
        )
        yield _Shown(
            source=f"delivery:{delivery.pk}",
            job=jobs[delivery.job_id],
            starts_at=midnight,
            ends_at=day_after,
            whole_days=True,
            title=f"Delivery: {delivery.get_item_display().lower()}",
            who=delivery.supplier,
            crews=around.at_hand(delivery.job_id, day_after),
            notes=(
                f"{delivery.quantity}." if delivery.quantity else "",
                f"From {delivery.supplier}." if delivery.supplier else "",
                f"The rest, after: {delivery.shortage}." if delivery.shortage else "",
                "Promised for the day; the hour is not known.",
            ),
        )


class _CrewsOfJobs:
    """Which crews are at a site around a moment, by the bookings of a plan."""

    def __init__(self, rows: Iterable[Booking]) -> None:
        self._of_job: defaultdict[int, list[Booking]] = defaultdict(list)
        for row in sorted(rows, key=lambda row: (row.starts_at, row.pk)):
            if row.crew_id is not None:
                self._of_job[row.phase.job_id].append(row)

    def beside(self, job_id: int, moment: datetime) -> frozenset[int]:
        """Return the crew whose work was last begun before a moment, and the next to begin."""
        mine = self._of_job[job_id]
        before = [row.crew_id for row in mine if row.starts_at < moment][-1:]
        after = [row.crew_id for row in mine if row.starts_at >= moment][:1]
        return frozenset(crew_id for crew_id in (*before, *after) if crew_id is not None)

    def at_hand(self, job_id: int, moment: datetime) -> frozenset[int]:
        """Return the crew that is at the site then, or comes next; else the last one there."""
        mine = self._of_job[job_id]
        next_ones = [row.crew_id for row in mine if row.ends_at > moment - _DAY][:1]
        found = next_ones or [row.crew_id for row in mine][-1:]
        return frozenset(crew_id for crew_id in found if crew_id is not None)


def _of_buyers(
    calendars: Mapping[int, FeedCalendar], rows: Iterable[Booking]
) -> Iterator[FeedEntry]:
    """Return what buyers' calendars show: stages to come in whole weeks, and the likely finish."""
    bookings: defaultdict[int, dict[int, Booking]] = defaultdict(dict)
    jobs: dict[int, Job] = {}
    for row in rows:
        if row.phase.job_id in calendars:
            bookings[row.phase.job_id][row.phase_id] = row
            jobs[row.phase.job_id] = row.phase.job
    forecasts = buyer_stages.newest_forecasts(jobs.values())
    phases: defaultdict[int, list[Phase]] = defaultdict(list)
    for phase in Phase.objects.filter(job__in=jobs).order_by("sequence", "id"):
        phases[phase.job_id].append(phase)
    for job_id, job in jobs.items():
        mine = bookings[job_id]
        weeks_of = {
            f"stage:{stage.code}": (stage.label, stage.weeks)
            for stage in buyer_stages.stages_of(phases[job_id], mine)
            if stage.state is not buyer_stages.StageState.DONE
        }
        finish = buyer_stages.finish_weeks(mine.values(), forecasts.get(job_id))
        for source, (label, weeks) in (weeks_of | {"finish": ("Finished, likely", finish)}).items():
            if weeks is not None:
                yield _weeks_entry(calendars[job_id], job, source, label, weeks)


def _weeks_entry(
    calendar: FeedCalendar, job: Job, source: str, label: str, weeks: buyer_stages.Weeks
) -> FeedEntry:
    zone = timezone.get_default_timezone()
    return FeedEntry(
        calendar_id=calendar.pk,
        source=source,
        starts_at=datetime.combine(weeks.first_monday, time(), zone),
        ends_at=datetime.combine(weeks.last_sunday + _DAY, time(), zone),
        whole_days=True,
        summary=label,
        location=f"{job.site_address}, {job.site_town}, {job.site_state}",
        description="Whole weeks, as planned now. Weather, inspections and material can move them.",
    )
