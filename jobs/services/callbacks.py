"""Things to put right: asked for with a promise, done, and a job that is completed."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from contractor.trade.errors import Fault, SpecError
from contractor.trade.rounds import MOST_STOPS, best_order, round_hours
from contractor.trade.warranty import under_warranty, workmanship_ends_on
from crews.models import Crew
from jobs.models import Callback, Job, Phase, SetAside
from jobs.selectors.callback_rounds import stop_of
from jobs.selectors.crew_load import days_of_crews
from jobs.services.changes import columns_of, record_change

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from django.contrib.auth.models import User

# What a buyer is told if nobody says otherwise; common practice, no source.
USUAL_PROMISE = timedelta(days=14)


@transaction.atomic
def ask_for(
    *,
    job: Job,
    kind: str,
    what: str,
    asked_on: date,
    now: datetime,
    promised_on: date | None = None,
    asked_by: str = "",
    labor_hours: float = 2.0,
    by: User | None = None,
) -> Callback:
    """
    Return the stored callback or line of a punch list; without a promise it is two weeks.

    Raises
    ------
    contractor.trade.errors.SpecError
        If it lies in the future, is under a warranty that has not begun or is over, or a field of
        it makes no sense.
    """
    faults = [*_day_faults("asked_on", asked_on, now)]
    if kind == Callback.Kind.WARRANTY and not faults:
        faults += warranty_faults(job, asked_on)
    row = Callback(
        job=job,
        kind=kind,
        what=" ".join(what.split()),
        asked_on=asked_on,
        asked_by=asked_by.strip(),
        promised_on=promised_on or asked_on + USUAL_PROMISE,
        labor_hours=labor_hours,
    )
    _store(row, faults)
    record_change(row=row, before=None, now=now, by=by)
    return row


@transaction.atomic
def finish(
    *, callback_id: int, done_on: date, now: datetime, note: str = "", by: User | None = None
) -> Callback:
    """
    Return a callback that is done; doing it twice changes nothing.

    Raises
    ------
    contractor.trade.errors.SpecError
        If that day is still to come or before it was asked for.
    """
    row = _locked(callback_id)
    if row.done_on is not None:
        return row
    before = columns_of(row)
    row.done_on, row.done_note = done_on, note.strip()
    _store(row, [*_day_faults("done_on", done_on, now)])
    record_change(row=row, before=before, now=now, by=by)
    return row


@transaction.atomic
def reopen(*, callback_id: int, now: datetime, by: User | None = None) -> Callback:
    """Return a callback that is open again, if it was done."""
    row = _locked(callback_id)
    before = columns_of(row)
    row.done_on, row.done_note = None, ""
    row.save()
    record_change(row=row, before=before, now=now, by=by)
    return row


@transaction.atomic
def complete(*, job: Job, completed_on: date, now: datetime, by: User | None = None) -> date:
    """
    Set a job done on a day, which starts its warranty, and return the warranty's last day.

    Raises
    ------
    contractor.trade.errors.SpecError
        If work on it is still open, or that day is to come, before the sale, or before its work
        was done.
    """
    job = Job.objects.select_for_update().get(pk=job.pk)
    faults = [*_day_faults("completed_on", completed_on, now)]
    phases = list(job.phases.exclude(status=Phase.Status.DROPPED).order_by("sequence", "id"))
    opened = [phase.get_code_display() for phase in phases if phase.status != Phase.Status.DONE]
    if opened:
        faults.append(
            Fault(
                "completed_on",
                completed_on,
                f"{', '.join(opened[:3])}{' and more' if len(opened) > 3 else ''} is not done",
                "Report it done first.",
            )
        )
    worked = [phase.done_at for phase in phases if phase.done_at is not None]
    last = timezone.localdate(max(worked)) if worked else job.sold_on
    if not opened and completed_on < max(last, job.sold_on):
        faults.append(
            Fault(
                "completed_on",
                completed_on,
                f"the last work was done on {last}",
                f"Enter {last} or later.",
            )
        )
    if faults:
        raise SpecError(faults)
    before = columns_of(job)
    job.status, job.completed_on = Job.Status.DONE, completed_on
    job.save(update_fields=["status", "completed_on"])
    record_change(row=job, before=before, now=now, by=by)
    return workmanship_ends_on(completed_on)


def _locked(callback_id: int) -> Callback:
    return Callback.objects.select_for_update().get(pk=callback_id)


def _day_faults(field: str, when: date, now: datetime) -> list[Fault]:
    today = timezone.localdate(now)
    if when <= today:
        return []
    return [Fault(field, when, "this is still to come", f"Enter {today} or earlier.")]


def warranty_faults(job: Job, asked_on: date) -> list[Fault]:
    """Return why a callback asked for on a day is not under a job's warranty, if it is not."""
    if job.status != Job.Status.DONE or job.completed_on is None:
        remedy = "Put it on the punch list, or complete the job first."
        told = "the warranty begins with completion"
        return [Fault("kind", "Under warranty", told, remedy)]
    if under_warranty(asked_on=asked_on, completed_on=job.completed_on):
        return []
    if asked_on < job.completed_on:
        told = f"this was asked for before the completion of {job.completed_on}"
        return [Fault("kind", "Under warranty", told, "Put it on the punch list.")]
    told = f"the warranty ended on {workmanship_ends_on(job.completed_on)}"
    return [Fault("kind", "Under warranty", told, "Choose Outside warranty.")]


def _store(row: Callback, faults: list[Fault]) -> None:
    """Store a row, or refuse it with all that is wrong with it."""
    known: dict[str, Any] = {fault.field: fault for fault in faults}
    try:
        row.full_clean()
    except ValidationError as error:
        for name, messages in error.message_dict.items():
            if name not in known:
                value = getattr(row, name, "")
                faults.append(Fault(name, value, messages[0].rstrip("."), "Enter it again."))
    if faults:
        raise SpecError(faults)
    row.save()


@transaction.atomic
def book_round(
    *,
    callback_ids: Sequence[int],
    crew_id: int,
    day: date,
    now: datetime,
    by: User | None = None,
) -> SetAside:
    """
    Return a crew's time that is set aside for a round of callbacks, driven in the best order.

    It begins with the crew's day. Open work is planned around it the next time a plan is made.

    Raises
    ------
    contractor.trade.errors.SpecError
        If one of them is done or booked, the day is past or no working day of the crew, the round
        does not fit in it, or something else is set aside then.
    """
    crew = Crew.objects.select_related("work_hours").prefetch_related("days_off").get(pk=crew_id)
    rows = list(
        Callback.objects.select_for_update(of=("self",))
        .select_related("job", "round")
        .filter(pk__in=callback_ids)
        .order_by("id")
    )
    taken = [row for row in rows if row.done_on or (row.round and row.round.ends_at > now)]
    if taken or len(rows) < len(set(callback_ids)) or not 0 < len(rows) <= MOST_STOPS:
        remedy = "Look at the proposed rounds again."
        told = "it is done or booked by now" if taken else "this is no round that can be driven"
        raise SpecError([Fault("callbacks", taken[0].what if taken else len(rows), told, remedy)])
    begins_at, ends_at = _hours_of_round(rows, crew, day, now)
    if SetAside.objects.filter(crew=crew, starts_at__lt=ends_at, ends_at__gt=begins_at).exists():
        told = f"{crew.name} has other time set aside then"
        raise SpecError([Fault("day", day, told, "Choose another day.")])
    numbers = list(dict.fromkeys(row.job.number for row in rows))
    aside = SetAside.objects.create(
        crew=crew,
        kind=SetAside.Kind.CALLBACK,
        starts_at=begins_at,
        ends_at=ends_at,
        job=rows[0].job if len(numbers) == 1 else None,
        note=", ".join(numbers)[:120],
    )
    for row in rows:
        before = columns_of(row)
        row.round = aside
        row.save(update_fields=["round"])
        record_change(row=row, before=before, now=now, by=by)
    return aside


@transaction.atomic
def free_round(*, round_id: int, now: datetime, by: User | None = None) -> int:
    """Take back the time set aside for a round, and return how many callbacks are unbooked."""
    # By the row's own key, which takes a number of any length; a foreign key's column does not.
    rows = list(Callback.objects.select_for_update(of=("self",)).filter(round__id=round_id))
    for row in rows:
        before = columns_of(row)
        row.round = None
        row.save(update_fields=["round"])
        record_change(row=row, before=before, now=now, by=by)
    SetAside.objects.filter(pk=round_id, kind=SetAside.Kind.CALLBACK).delete()
    return len(rows)


def _hours_of_round(
    rows: Sequence[Callback], crew: Crew, day: date, now: datetime
) -> tuple[datetime, datetime]:
    """Return from when to when a round takes, breaks between shifts included."""
    (calendar,) = days_of_crews([crew], since=day)
    if day <= timezone.localdate(now) or calendar.hours_on(day) <= 0:
        told = f"this is no working day of {crew.name} that is still to come"
        raise SpecError([Fault("day", day, told, "Choose a later working day.")])
    stops = best_order([stop_of(row) for row in rows])
    needed = timedelta(hours=round_hours(stops, calendar.people_between(day, day)))
    zone = timezone.get_default_timezone()
    shifts = calendar.week[day.weekday()]
    begins_at = datetime.combine(day, shifts[0][0], zone)
    for start, end in shifts:
        opens, closes = datetime.combine(day, start, zone), datetime.combine(day, end, zone)
        if needed <= closes - opens:
            return begins_at, opens + _quarters(needed)
        needed -= closes - opens
    told = f"the round takes longer than the day of {crew.name}"
    raise SpecError([Fault("day", day, told, "Put fewer into it.")])


def _quarters(span: timedelta) -> timedelta:
    """Return a span in whole quarter hours, at least one: the plan counts in them."""
    quarter = timedelta(minutes=15)
    return max(1, -(-span // quarter)) * quarter
