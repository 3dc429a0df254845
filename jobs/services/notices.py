"""
Write down what people are to be told, in the transaction of what happened.

Each event is told to each person once, whatever happens: (event, person, kind) is a key of the
table. Sending is the outbox's (`jobs.services.outbox`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from crews.selectors import NoFirm, firm
from jobs.models import Booking, Job, Notice, Phase, Slip
from jobs.selectors import people, plans
from jobs.selectors.slips import slip_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from crews.models import Firm
    from jobs.models import Plan
    from jobs.selectors.people import Person

LOOK_AHEAD = timedelta(weeks=3)
NO_ADDRESS = "No e-mail address is entered for {name}. Enter it under Users, then try again."
NO_BUYERS_ADDRESS = "No e-mail address is entered for {name}. Enter it on the job, then try again."


@dataclass(frozen=True, slots=True)
class Line:
    """What one person is told of one thing, and when that begins."""

    words: str
    begins_at: datetime


@dataclass(frozen=True, slots=True)
class _Stay:
    """A booking as far as anybody is told of it."""

    crew_id: int | None
    crew: str
    starts_at: datetime
    ends_at: datetime


def tell_of_plan(*, plan: Plan, before: Plan | None, now: datetime) -> int:
    """
    Write notices for exactly the people whom a published plan changes something for.

    Crew leads by what comes, moves or goes on their crews; office and owner by promises that
    change sides; a buyer, where the office wants it, by the first and last day. Returns how many
    notices were new.
    """
    subject = "Your plan" if before is None else "Your plan has changed"
    return write(
        event=f"plan:{plan.pk}",
        kind=Notice.Kind.PLAN,
        subject=subject,
        lines=lines_of_plan(plan=plan, before=before),
        now=now,
    )


def lines_of_plan(*, plan: Plan, before: Plan | None) -> dict[Person, list[Line]]:
    """Return what each person would be told if a plan took the place of the one before."""
    lines: dict[Person, list[Line]] = defaultdict(list)
    _add_leads(lines, plan, before)
    _add_promises(lines, plan, before)
    _add_buyers(lines, plan, before)
    return lines


def tell_of_slips(*, slips: Sequence[Slip], now: datetime) -> int:
    """Write a notice of each slip to the office, and to the owner where it breaks a promise."""
    if not slips:
        return 0
    office, owners = people.office_people(), people.owners()
    written = 0
    for slip in slips:
        told = {*office, *(owners if slip.promise == Slip.Promise.BROKEN else ())}
        begins = min(
            (datetime.fromisoformat(row["starts_at"]) for row in slip.pushed if row["starts_at"]),
            default=now + LOOK_AHEAD,
        )
        line = Line(slip_words(slip), begins)
        written += write(
            event=f"slip:{slip.pk}",
            kind=Notice.Kind.SLIP,
            subject=f"Job {slip.job.number} slips",
            lines={person: [line] for person in told},
            now=now,
        )
    return written


def write(
    *,
    event: str,
    kind: str,
    subject: str,
    lines: Mapping[Person, Sequence[Line]],
    now: datetime,
    at: datetime | None = None,
) -> int:
    """
    Write one notice for each person that has lines, and return how many were new.

    It goes out `at` that moment, else at the firm's hour, or at once where what it tells begins
    before that; never in the quiet hours.
    """
    house = _firm()
    rows = [
        Notice(
            event=event,
            person=person.key,
            kind=kind,
            user_id=person.user_id,
            name=person.name,
            email=person.email,
            subject=" ".join(subject.split())[:200],
            body=_body(told),
            made_at=now,
            next_try_at=at or when(house, now, min(line.begins_at for line in told)),
            **_state(person),
        )
        for person, told in sorted(lines.items(), key=lambda item: item[0].key)
        if told
    ]
    known = Notice.objects.filter(event=event, kind=kind).count()
    Notice.objects.bulk_create(rows, ignore_conflicts=True)
    return Notice.objects.filter(event=event, kind=kind).count() - known


def when(house: Firm | None, now: datetime, begins_at: datetime) -> datetime:
    """
    Return when something that begins then is told: at the firm's hour, sooner if that is late.

    All that is told at one hour is one message a person. Nothing is told in the quiet hours.
    """
    if house is None:
        return now
    hour = next_at(now, house.notice_hour)
    moment = hour if begins_at > hour else now
    return after_quiet(house, moment)


def not_in_quiet(moment: datetime) -> datetime:
    """Return the moment itself, or the end of the firm's quiet hours that it lies in."""
    house = _firm()
    return moment if house is None else after_quiet(house, moment)


def after_quiet(house: Firm, moment: datetime) -> datetime:
    """Return the moment itself, or the end of the quiet hours that it lies in."""
    local = timezone.localtime(moment).time()
    begins, ends = house.quiet_from, house.quiet_until
    over_midnight = begins > ends
    quiet = (local >= begins or local < ends) if over_midnight else begins <= local < ends
    return next_at(moment, ends) if quiet else moment


def next_at(now: datetime, clock: time) -> datetime:
    """Return the next moment at which the site's clock shows that time; now, if it does."""
    local = timezone.localtime(now)
    today = local.replace(hour=clock.hour, minute=clock.minute, second=clock.second, microsecond=0)
    if today >= local:
        return today
    tomorrow = datetime.combine(local.date() + timedelta(days=1), clock)
    return tomorrow.replace(tzinfo=timezone.get_default_timezone())


def retry(*, notice_id: int, now: datetime) -> bool:
    """Let a parked notice wait for sending again, to the address that is entered now."""
    notice = Notice.objects.filter(pk=notice_id, state=Notice.State.PARKED).first()
    if notice is None:
        return False
    email = _address_now(notice)
    if not email:
        return False
    again = Notice.objects.filter(pk=notice_id, state=Notice.State.PARKED).update(
        state=Notice.State.WAITING,
        email=email,
        tries=0,
        error="",
        next_try_at=now,
        claimed_at=None,
        # The address is part of a message, and a message never changes under its name.
        message_id=notice.message_id if email == notice.email else None,
    )
    return again == 1


def _address_now(notice: Notice) -> str:
    if notice.user is not None:
        return notice.user.email
    kind, _, key = notice.person.partition(":")
    if kind == "buyer":
        return Job.objects.filter(pk=key).values_list("buyer_email", flat=True).first() or ""
    if kind == "crew":
        person = people.leads([int(key)]).get(int(key))
        return person.email if person else ""
    return notice.email


def _state(person: Person) -> dict[str, str]:
    if person.email:
        return {}
    words = NO_BUYERS_ADDRESS if person.key.startswith("buyer:") else NO_ADDRESS
    return {"state": Notice.State.PARKED, "error": words.format(name=person.name)}


def _body(lines: Sequence[Line]) -> str:
    return "\n".join(line.words for line in sorted(lines, key=lambda row: row.begins_at))


def _firm() -> Firm | None:
    try:
        return firm()
    except NoFirm:
        return None


def _add_leads(lines: dict[Person, list[Line]], plan: Plan, before: Plan | None) -> None:
    old = _stays(before) if before else {}
    new = _stays(plan)
    changed = [
        (phase, old.get(phase), new.get(phase))
        for phase in sorted({*old, *new})
        if old.get(phase) != new.get(phase)
    ]
    phases = Phase.objects.filter(pk__in=[phase for phase, _, _ in changed]).select_related("job")
    by_id = {phase.pk: phase for phase in phases}
    told = people.leads(
        stay.crew_id for _, a, b in changed for stay in (a, b) if stay and stay.crew_id
    )
    for key, was, now in changed:
        phase = by_id[key]
        if now is None and phase.status in (Phase.Status.DONE, Phase.Status.UNDER_WAY):
            continue
        if was and now and _goes_on_as_told(phase, was, now):
            continue
        for stay in {s.crew_id: s for s in (was, now) if s and s.crew_id}.values():
            words = _move_words(phase, was, now, for_crew=stay.crew_id)
            begins = min(s.starts_at for s in (was, now) if s)
            lines[told[stay.crew_id or 0]].append(Line(words, begins))


def _stays(plan: Plan) -> dict[int, _Stay]:
    rows = Booking.objects.filter(plan=plan).values_list(
        "phase", "crew", "crew__name", "starts_at", "ends_at", "phase__started_at"
    )
    return {
        phase: _Stay(crew, name or "", min(starts, began or starts), ends)
        for phase, crew, name, starts, ends, began in rows
    }


def _goes_on_as_told(phase: Phase, was: _Stay, now: _Stay) -> bool:
    """Return whether work under way goes on with its crew to the same day: they know it best."""
    same_day = timezone.localdate(was.ends_at) == timezone.localdate(now.ends_at)
    return phase.status == Phase.Status.UNDER_WAY and was.crew_id == now.crew_id and same_day


def _move_words(phase: Phase, was: _Stay | None, now: _Stay | None, *, for_crew: int | None) -> str:
    job = phase.job
    what = f"{phase.get_code_display()}, job {job.number}, {job.site_town}"
    if now is None:
        assert was is not None
        return f"{what}: no longer planned (was {_span(was)})."
    if was is None:
        return f"{what}: new, {_span(now)}."
    if was.crew_id != now.crew_id:
        if now.crew_id == for_crew:
            return f"{what}: new to you from {was.crew or 'nobody of ours'}, {_span(now)}."
        return f"{what}: goes to {now.crew or 'nobody of ours'} (was {_span(was)})."
    return f"{what}: {_span(was)} becomes {_span(now)}."


def _span(stay: _Stay) -> str:
    first, last = timezone.localtime(stay.starts_at), timezone.localtime(stay.ends_at)
    if first.date() == last.date():
        return f"{first:%a %b %-d %H:%M}–{last:%H:%M}"
    return f"{first:%a %b %-d %H:%M} – {last:%a %b %-d %H:%M}"


def _add_promises(lines: dict[Person, list[Line]], plan: Plan, before: Plan | None) -> None:
    changes = plans.promise_changes(plan, before) if before else []
    if not changes:
        return
    told = {*people.office_people(), *people.owners()}
    for change in changes:
        kept = "kept again" if change.is_kept else "no longer kept"
        words = (
            f"Job {change.job.number}: the promise of {change.promised_on:%b %-d} is {kept}; "
            f"the finish moves from {change.old_finish_on:%b %-d} to {change.new_finish_on:%b %-d}."
        )
        begins = _midnight(min(change.old_finish_on, change.new_finish_on))
        for person in told:
            lines[person].append(Line(words, begins))


def _add_buyers(lines: dict[Person, list[Line]], plan: Plan, before: Plan | None) -> None:
    rows = (
        Booking.objects.filter(plan=plan, phase__job__tells_buyer=True)
        .select_related("phase__job")
        .order_by("starts_at", "id")
    )
    jobs: dict[int, Job] = {row.phase.job_id: row.phase.job for row in rows}
    if not jobs:
        return
    new, old = _days(plan, jobs), _days(before, jobs) if before else {}
    for key, job in jobs.items():
        person = people.buyer(job)
        if person is None or new[key] == old.get(key):
            continue
        first, last = new[key]
        words = (
            f"Your building at {job.site_address}, {job.site_town}: work is now planned from "
            f"{first:%a %b %-d} to {last:%a %b %-d, %Y}."
        )
        lines[person].append(Line(words, _midnight(first)))


def _days(plan: Plan, jobs: Iterable[int]) -> dict[int, tuple[date, date]]:
    """Return the first and last day of each job in a plan, begun work from the day it began."""
    found: dict[int, tuple[datetime, datetime]] = {}
    rows = Booking.objects.filter(plan=plan, phase__job__in=list(jobs)).values_list(
        "phase__job", "starts_at", "ends_at"
    )
    began = dict(
        Phase.objects.filter(job__in=list(jobs), started_at__isnull=False)
        .order_by("-started_at")
        .values_list("job", "started_at")
    )
    for job, starts, ends in rows:
        first, last = found.get(job, (began.get(job) or starts, ends))
        found[job] = (min(first, starts), max(last, ends))
    return {
        job: (timezone.localdate(first), timezone.localdate(last))
        for job, (first, last) in found.items()
    }


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
