"""
What a crew says from its phone: kept once however often it comes, and what follows from it.

Whatever is said is a field report, so that its id makes it one row and nothing said is lost. What
came of an inspection or a delivery, and grade shots, are a note of the crew that does something
more besides; where that cannot be done any more, the note stays and the answer says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from contractor.trade.errors import Fault, SpecError
from contractor.trade.site import ShotKind, ShotPlace, site_grade
from crews.selectors.phone_conflicts import changed_since, standing_words
from inspections.models import Inspection, InspectionEvent
from inspections.selectors.site import site_of
from inspections.selectors.visits import OPEN, last_event
from inspections.services import site, visits
from jobs.models import Delivery, DeliveryReport, FieldReport, Phase
from jobs.selectors.reports import Reporter, may_report
from jobs.services import deliveries
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome, take_report, wish_for_plan

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from uuid import UUID

    from crews.models import Phone
    from jobs.models import PlanRequest


@dataclass(frozen=True, slots=True)
class VisitResult:
    """What the inspector said; `released` says what is free, of a visit that passed in part."""

    visit_id: int
    outcome: str
    released: str = ""


@dataclass(frozen=True, slots=True)
class Arrival:
    """What came; `shortage` says what of it is missing or broken."""

    delivery_id: int
    shortage: str = ""


@dataclass(frozen=True, slots=True)
class GradeShots:
    """Shots of one set-up, in feet."""

    kind: ShotKind
    readings_ft: Mapping[ShotPlace, float]


@dataclass(frozen=True, slots=True)
class PhoneReport:
    """
    One thing said: the report, what it does besides, and what the page had shown.

    Its `crew_id` is set here, to the crew of the phone.
    """

    report: NewReport
    also: VisitResult | Arrival | GradeShots | None = None
    seen_starts_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class PhoneAnswer:
    """What became of it. `words` are what whoever said it should know; `stands` is the phase."""

    id: UUID
    outcome: Outcome
    words: tuple[str, ...] = ()
    stands: str = ""


@dataclass(frozen=True, slots=True)
class PhoneTaken:
    """The answers in the order sent, and the wishes for a plan that the door sends to a worker."""

    answers: list[PhoneAnswer]
    repair: PlanRequest | None
    better: list[PlanRequest]


def reporter_at(phone: Phone) -> Reporter:
    """Return whoever reports from a phone: for its crew only, by the name it was let in for."""
    return Reporter(phone.user, frozenset({phone.crew_id}), person_name=phone.person_name)


def take_phone_reports(
    *, phone: Phone, reports: Sequence[PhoneReport], now: datetime
) -> PhoneTaken:
    """
    Return what became of each; one that is refused keeps no other from being taken.

    Inspection results come last, each by itself: a draft is made of each at once.
    """
    answers: dict[int, PhoneAnswer] = {}
    better: list[PlanRequest] = []
    # Phases are locked in one order, as `take_reports` does; each report has a moment of its own,
    # by which an undo finds what was done besides.
    in_turn = sorted(enumerate(reports), key=lambda pair: (pair[1].report.phase_id, pair[0]))
    with transaction.atomic():
        is_moved = False
        for place, sent in in_turn:
            at = now + timedelta(microseconds=place)
            answers[place], moved = _take(phone, sent, at)
            is_moved = is_moved or moved
        repair = wish_for_plan(now=now, by=phone.user) if is_moved else None
    for place, sent in in_turn:
        if answers[place].outcome is not Outcome.REFUSED:
            words, wanted = _visit_after(phone, sent, now)
            better += [wanted] if wanted is not None else []
            answers[place] = _with(answers[place], words)
    return PhoneTaken([answers[place] for place in sorted(answers)], repair, better)


def fault_words(refusal: SpecError) -> list[str]:
    """Return what is wrong with a report as people read it, each fault with the way out."""
    return [
        f"{fault.message[0].upper()}{fault.message[1:]}. {fault.remedy}" for fault in refusal.faults
    ]


def _take(phone: Phone, sent: PhoneReport, now: datetime) -> tuple[PhoneAnswer, bool]:
    """Keep one report with what it does besides, or neither of them."""
    phase = Phase.objects.select_related("job").filter(pk=sent.report.phase_id).first()
    changed = (
        changed_since(phase, crew=phone.crew, seen_starts_at=sent.seen_starts_at) if phase else []
    )
    moved, words, who = False, tuple(changed), reporter_at(phone)
    try:
        with transaction.atomic():
            outcome, moved = take_report(report=sent.report, who=who, now=now)
            if outcome is Outcome.RECEIVED and phase is not None:
                follows, told = _also(phone, phase, sent, now)
                moved, words = moved or follows, (*words, *told)
    except SpecError as refusal:
        faults = fault_words(refusal)
        if phase is not None and not may_report(who, phase):
            changed = []  # whose work it is, and when, is told to its own crews alone
        return PhoneAnswer(sent.report.id, Outcome.REFUSED, (*faults, *changed)), False
    if phase is None:
        return PhoneAnswer(sent.report.id, outcome, words), moved
    phase.refresh_from_db()
    return PhoneAnswer(sent.report.id, outcome, words, standing_words(phase)), moved


def _also(
    phone: Phone, phase: Phase, sent: PhoneReport, now: datetime
) -> tuple[bool, tuple[str, ...]]:
    """Do what a new report does besides; return whether a plan should look at it, and words."""
    if isinstance(sent.also, Arrival):
        return _arrive(phone, phase, sent.also, sent.report, now)
    if isinstance(sent.also, GradeShots):
        return _shoot(phone, phase, sent.also, sent.report)
    if sent.report.corrects_id is not None and sent.report.corrected_kind == "VOID":
        return _take_back(phone, phase, sent.report.corrects_id, now)
    return False, ()


def _arrive(
    phone: Phone, phase: Phase, sent: Arrival, report: NewReport, now: datetime
) -> tuple[bool, tuple[str, ...]]:
    row = Delivery.objects.filter(pk=sent.delivery_id, job=phase.job_id).first()
    if row is None:
        return False, ("The office has taken this delivery off the job. Your note is kept.",)
    try:
        with transaction.atomic():
            deliveries.arrive(
                delivery_id=row.pk,
                arrived_on=timezone.localdate(report.made_at),
                shortage=sent.shortage,
                now=now,
                by=phone.user,
                told_by=phone.person_name,
            )
    except deliveries.DeliveryRefused as refused:
        return False, (f"{refused} Your note is kept.",)
    return True, ()


def _shoot(
    phone: Phone, phase: Phase, sent: GradeShots, report: NewReport
) -> tuple[bool, tuple[str, ...]]:
    job = phase.job
    try:
        site_grade(
            sent.readings_ft,
            kind=sent.kind,
            width_ft=job.width_ft,
            length_ft=job.length_ft,
            post_length_ft=job.eave_ft,
            slab_in=job.slab_in,
        )
        site.record_shots(
            job=job,
            taken_on=timezone.localdate(report.made_at),
            kind=sent.kind.value,
            readings_ft={place.value: reading for place, reading in sent.readings_ft.items()},
            taken_by=phone.person_name,
        )
    except (ValueError, ValidationError) as error:
        text = " ".join(getattr(error, "messages", [str(error)]))
        raise SpecError([Fault("shots", "", text.rstrip("."), "Shoot again.")]) from error
    state = site_of(type(job).objects.get(pk=job.pk))
    return True, (state.text[0].upper() + state.text[1:],) if state else ()


def _take_back(
    phone: Phone, phase: Phase, report_id: UUID, now: datetime
) -> tuple[bool, tuple[str, ...]]:
    """Take back what a report of this crew did besides, as far as nothing was entered since."""
    undone = FieldReport.objects.filter(pk=report_id, crew=phone.crew, phase=phase).first()
    if undone is None:
        return False, ()
    told = DeliveryReport.objects.filter(
        job=phase.job_id, told_at=undone.received_at, undone_at=None
    ).first()
    if told is None:
        return False, ()
    try:
        with transaction.atomic():
            deliveries.undo(report_id=told.pk, now=now)
    except deliveries.DeliveryRefused as refused:
        return False, (str(refused),)
    return True, ()


def _visit_after(
    phone: Phone, sent: PhoneReport, now: datetime
) -> tuple[tuple[str, ...], PlanRequest | None]:
    """
    Record what came of a visit, or take that back, unless it is done; return words and the wish.

    The report stands already. Where the service was stopped between the two, the report comes
    again and this is done then.
    """
    report = sent.report
    try:
        if isinstance(sent.also, VisitResult):
            done = _record(phone, sent.also, report, now)
        elif report.corrected_kind == "VOID" and report.corrects_id is not None:
            done = _undo_visit(phone, report, now)
        else:
            return (), None
    except visits.VisitRefused as refused:
        return (f"{refused} Your note is kept.",), None
    if done is None:
        return (), None
    fault = (f"No draft was made: {done.plan_fault}.",) if done.plan_fault else ()
    return fault, done.wanted


def _record(
    phone: Phone, sent: VisitResult, report: NewReport, now: datetime
) -> visits.Recorded | None:
    kept = FieldReport.objects.select_related("phase").get(pk=report.id)
    visit = Inspection.objects.filter(pk=sent.visit_id, phase__job=kept.phase.job_id).first()
    if visit is None:
        raise visits.VisitRefused("The office has taken this visit off the job.")
    if visit.events.filter(at=kept.received_at).exists():
        return None
    last = last_event(visit)
    return visits.record(
        inspection_id=visit.pk,
        seen=last.number if last else 0,
        outcome=sent.outcome,
        said=visits.Said(
            now=kept.received_at,
            by=phone.user,
            said_by=f"{phone.person_name}, by phone"[:60],
            note=report.note[:200],
        ),
        # A phone's clock may be a little fast; no visit was made after its result came in.
        happened_at=min(report.made_at, kept.received_at),
        released=sent.released,
    )


def _undo_visit(phone: Phone, report: NewReport, now: datetime) -> visits.Recorded | None:
    if report.corrects_id is None:
        return None
    undone = FieldReport.objects.filter(
        pk=report.corrects_id, crew=phone.crew, phase=report.phase_id
    ).first()
    if undone is None:
        return None
    event = (
        InspectionEvent.objects.filter(
            at=undone.received_at, inspection__phase__job__phases=undone.phase_id
        )
        .exclude(to_status__in=OPEN)
        .exclude(undone_by__isnull=False)
        .first()
    )
    if event is None:
        return None
    said = visits.Said(now=now, by=phone.user, said_by=f"{phone.person_name}, by phone"[:60])
    return visits.undo(event_id=event.pk, said=said)


def _with(answer: PhoneAnswer, words: Sequence[str]) -> PhoneAnswer:
    return PhoneAnswer(answer.id, answer.outcome, (*answer.words, *words), answer.stands)
