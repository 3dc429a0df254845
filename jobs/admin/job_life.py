"""The head of the job page: where the job stands in a few facts, and its life on a time axis."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from typing import TYPE_CHECKING

from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from inspections.models import Inspection
from jobs.admin.words import count, day, lateness_words, local_date, short_day
from jobs.drawing.job_line import ExtraRow, LineRow, Mark, job_line_svg
from jobs.models import Job
from jobs.selectors import job_progress, plans
from jobs.selectors.callbacks import job_callbacks, warranty_of
from jobs.selectors.job_line import JobLine, PhaseLine, Span, job_line
from jobs.selectors.job_notices import job_notices
from jobs.selectors.slips import slips

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import date

    from jobs.models import Callback, Notice

# A visit that is still to come, whatever is said of the day on which it was decided.
TO_COME = frozenset((Inspection.Status.REQUESTED, Inspection.Status.CONFIRMED))
# A visit that fell through leaves no trace on the axis; the record below has it.
FELL_THROUGH = frozenset(
    (
        *(Inspection.Status.CANCELLED_BY_US, Inspection.Status.CANCELLED_BY_THEM),
        *(Inspection.Status.CANCELLED_WEATHER, Inspection.Status.TAKEN_BACK),
    )
)

COMES_BY_ITSELF = "A new one follows some minutes after publishing; if it does not, look at Health."


@dataclass(frozen=True, slots=True)
class Dates:
    """A phase's dates in words: the drawing of the axis, for who reads a table."""

    first: str
    actual: str
    forecast: str


@dataclass(frozen=True, slots=True)
class Life:
    """What the head of the page shows, and the sections that stand on no other selector."""

    facts: list[tuple[str, str]]
    drawing: SafeString
    dates: dict[int, Dates]
    notices: list[Notice]
    callbacks: list[Callback]
    warranty: str
    to_put_right: str
    is_to_do: bool
    may_complete: bool
    completes_on: date


def life_of(job: Job, *, now: datetime) -> Life:
    """Return the head of a stored job's page; the number of queries does not grow with its rows."""
    shown = job_progress.with_plan_dates(Job.objects.filter(pk=job.pk), now=now).get()
    line = job_line(job, now=now)
    callbacks = list(job_callbacks(job))
    phases = [row.phase for row in line.phases]
    ended = [phase.done_at for phase in phases if phase.done_at is not None]
    opened = [row for row in callbacks if row.done_on is None]
    may_complete = job.status == Job.Status.SIGNED and bool(phases) and len(ended) == len(phases)
    return Life(
        facts=_facts(shown, line, opened, now),
        drawing=mark_safe(_drawing(job, line, now)),
        dates={row.phase.pk: _dates(row) for row in line.phases},
        notices=job_notices(job),
        callbacks=callbacks,
        warranty=_warranty_words(job, timezone.localdate(now)),
        to_put_right=_open_words(opened, timezone.localdate(now)),
        is_to_do=bool(opened) or may_complete,
        may_complete=may_complete,
        completes_on=timezone.localdate(max(ended, default=now)),
    )


def _facts(job: Job, line: JobLine, opened: list[Callback], now: datetime) -> list[tuple[str, str]]:
    """Return label and words of each fact; `job` carries what the published plan says of it."""
    not_earned = job_progress.value_not_earned_usd(job)
    planned = vars(job)["planned_finish_at"]
    is_done = job.status == Job.Status.DONE
    late = lateness_words(job.completed_on if is_done else local_date(planned), job.promised_on)
    slip = slips().filter(job=job).first()
    facts = [
        ("Stands", job_progress.stage_of(job)),
        ("Promised", f"{day(job.promised_on)}, {late}" if job.promised_on else "no promise"),
    ]
    if is_done:
        facts.append(("Completed", day(job.completed_on)))
    else:
        facts.append(("Published finish", day(planned)))
        facts.append(("Forecast", _forecast_words(job, line)))
    facts += [
        ("Contract", f"${job.contract_value_usd:,.0f}"),
        ("Earned", f"${job.contract_value_usd - not_earned:,.0f}, ${not_earned:,.0f} to go"),
        ("Last slip", slip.what if slip else "none"),
        ("Warranty", _warranty_words(job, timezone.localdate(now))),
        ("To put right", _open_words(opened, timezone.localdate(now))),
    ]
    return facts


def _forecast_words(job: Job, line: JobLine) -> str:
    """Return the forecast in words, or why there is none and what to do."""
    run, row, published = line.forecast_run, line.forecast, plans.published_plan()
    if job.status != Job.Status.SIGNED:
        return f"none: {job.get_status_display().lower()}"
    if all(entry.phase.done_at is not None for entry in line.phases):
        return "none: no work is left"
    if published is None:
        return "none before a plan is published"
    if run is None:
        return f"none yet. {COMES_BY_ITSELF}"
    is_old = run.plan_id != published.pk
    if row is None:
        seen = f"{timezone.localtime(run.as_of):%a %b %-d, %H:%M}"
        return f"none: this job was not in that of {seen}. {COMES_BY_ITSELF}"
    if row.finish_p80 is None:
        return f"none: {row.no_dates_because or 'its end lies beyond what was drawn'}"
    words = f"done by {day(row.finish_p80)}, four times in five"
    if row.keep_chance is not None:
        words += f"; promise kept {row.keep_chance:.0%}"
    return f"{words}. Of the plan before this one. {COMES_BY_ITSELF}" if is_old else words


def _open_words(opened: list[Callback], today: date) -> str:
    if not opened:
        return "nothing"
    first = min(row.promised_on for row in opened)
    overdue = ", overdue" if first < today else ""
    return f"{count(len(opened), 'thing')}, first by {day(first)}{overdue}"


def _warranty_words(job: Job, today: date) -> str:
    ends_on = warranty_of(job)
    if ends_on is None:
        return "begins with completion"
    return f"workmanship to {day(ends_on)}" + ("" if today <= ends_on else ", over")


def _dates(row: PhaseLine) -> Dates:
    actual = "–"
    if row.actual:
        start, end = row.actual
        is_over = row.phase.done_at is not None
        actual = f"{short_day(start)} – {short_day(end) if is_over else 'now'}"
    p10, p50, p90 = row.finish or (None, None, None)
    forecast = "–"
    if p50 is not None:
        forecast = f"{short_day(p10)} · {short_day(p50)} · {short_day(p90)}"
    return Dates(_days(row.first), actual, forecast)


def _days(span: Span | None) -> str:
    return "–" if span is None else f"{short_day(span[0])} – {short_day(span[1])}"


def _drawing(job: Job, line: JobLine, now: datetime) -> str:
    waits: dict[str, list[Span]] = {}
    plan = plans.published_plan() or plans.latest_draft()
    for wait in plans.job_waits(plan, job) if plan else ():
        waits.setdefault(wait.before_code, []).append((wait.starts_at, wait.ends_at))
    rows = [
        LineRow(
            label=row.phase.get_code_display(),
            words=_row_words(row),
            first=row.first,
            published=row.published,
            actual=row.actual,
            is_done=row.phase.done_at is not None,
            finish=row.finish,
            waits=waits.get(row.phase.code, []),
        )
        for row in line.phases
    ]
    return job_line_svg(
        name=f"job-{job.pk}-line",
        of=job.number,
        rows=rows,
        extras=list(_extras(job)),
        now=now,
        promised_on=job.promised_on,
        zone=timezone.get_default_timezone(),
    )


def _row_words(row: PhaseLine) -> str:
    dates = _dates(row)
    return (
        f"first published {dates.first}, published {_days(row.published)}, "
        f"was {dates.actual}, forecast {dates.forecast}"
    )


def _extras(job: Job) -> Iterator[ExtraRow]:
    """Yield the rows below the phases: visits, deliveries, tickets, and what was put right."""
    visits = Inspection.objects.filter(phase__job=job, visit_from__isnull=False)
    visits = visits.exclude(status__in=FELL_THROUGH)
    yield ExtraRow(
        "Inspector's visits",
        [
            Mark(moment, visit.get_status_display().lower(), visit.status not in TO_COME)
            for visit in visits
            if (moment := visit.visit_from) is not None
        ],
    )
    yield ExtraRow("Deliveries", list(_delivery_marks(job)))
    yield ExtraRow(
        "Locate tickets",
        spans=[
            (_noon(ticket.dig_from), _noon(ticket.expires_on))
            for ticket in job.locate_tickets.all()
        ],
    )


def _delivery_marks(job: Job) -> Iterable[Mark]:
    for row in job.deliveries.all():
        when = row.arrived_on or row.confirmed_on or row.promised_on
        if when is not None:
            yield Mark(_noon(when), row.get_item_display().lower(), row.arrived_on is not None)


def _noon(when: date) -> datetime:
    return datetime.combine(when, time(12), timezone.get_default_timezone())
