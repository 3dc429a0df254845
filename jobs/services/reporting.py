"""
A field report comes in: keep it, tell its phase anew from all its reports, ask for a plan.

A report is taken once however often it comes, and what it changes does not depend on when it
comes: whether it may be kept is told from the report and from what does not change, and the
phase's state from all its reports in the order in which they were made.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING
from uuid import NAMESPACE_OID, UUID, uuid4, uuid5

from django.db import IntegrityError, transaction

from contractor.trade.errors import Fault, SpecError
from contractor.trade.progress import standing
from jobs.models import FieldReport, Phase, Plan, PlanRequest
from jobs.selectors.reports import Reporter, may_report, told
from jobs.services import planning
from jobs.services.changes import columns_of, record_change
from jobs.services.new_report import NewReport
from jobs.services.report_checks import faults_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from django.contrib.auth.models import User

    from contractor.trade.progress import Standing

REASON = "field reports"
Kind = FieldReport.Kind


class Outcome(StrEnum):
    """What became of a report."""

    RECEIVED = "RECEIVED"
    ALREADY_RECEIVED = "ALREADY_RECEIVED"
    REFUSED = "REFUSED"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one report, and why if it was refused."""

    id: UUID
    outcome: Outcome
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of each report, and the one wish for a plan that they made, if any."""

    answers: list[Answer]
    plan_request: PlanRequest | None


def take_reports(*, reports: Sequence[NewReport], who: Reporter, now: datetime) -> Taken:
    """
    Return what became of each report; one that is refused keeps no other from being taken.

    All of them together make one wish for a plan; the door sends it to a worker.
    """
    answers: dict[int, Answer] = {}
    is_moved = False
    # Phases are locked one after the other: always in the same order, so that none waits in a ring.
    in_turn = sorted(enumerate(reports), key=lambda pair: (pair[1].phase_id, pair[0]))
    with transaction.atomic():
        for place, report in in_turn:
            try:
                outcome, moved = take_report(report=report, who=who, now=now)
            except SpecError as refusal:
                answers[place] = Answer(report.id, Outcome.REFUSED, refusal.faults)
            else:
                answers[place] = Answer(report.id, outcome)
                is_moved = is_moved or moved
        wanted = wish_for_plan(now=now, by=who.user) if is_moved else None
    return Taken([answers[place] for place in sorted(answers)], wanted)


def take_report(*, report: NewReport, who: Reporter, now: datetime) -> tuple[Outcome, bool]:
    """
    Keep one report, and return whether it is new and whether it changed where its phase stands.

    Raises
    ------
    contractor.trade.errors.SpecError
        With every reason why it cannot be kept; nothing is stored then.
    """
    try:
        with transaction.atomic():
            return _take(report, who, now)
    except IntegrityError:
        # The same id came at the same moment for another phase: now it is there to compare with.
        with transaction.atomic():
            return _take(report, who, now)


def _take(report: NewReport, who: Reporter, now: datetime) -> tuple[Outcome, bool]:
    phase = _locked(report.phase_id)
    _refuse_strangers(report, who, phase)
    known = FieldReport.objects.filter(pk=report.id).first()
    if known:
        _refuse_another(report, known)
        return Outcome.ALREADY_RECEIVED, False
    faults = faults_of(report, phase, now)
    if faults:
        raise SpecError(faults)
    _keep_what_was_before(phase, now)
    FieldReport.objects.create(
        **{name: getattr(report, name) for name in _COLUMNS},
        received_at=now,
        by=who.user,
        by_name=who.name[:80],
        from_office=who.is_office,
    )
    return Outcome.RECEIVED, tell_anew(phase=phase, now=now, by=who.user)


def wish_for_plan(*, now: datetime, by: User | None) -> PlanRequest | None:
    """
    Return a stored wish for a plan of what was reported; None before there is a first plan.

    A run answers every wish that was there before it read the work, so twenty make one plan.
    """
    if not Plan.objects.exclude(status=Plan.Status.REPLACED).exists():
        return None
    return planning.request_plan(reason=REASON, now=now, by=by)


def set_by_office(*, phase: Phase, now: datetime, by: User | None = None) -> None:
    """
    Keep what the office entered on a phase's page as a report, and tell the phase anew.

    `phase` carries the entered values and is not stored yet; its state is set as it will be.
    """
    with transaction.atomic():
        stored = _locked(phase.pk)
        _keep_what_was_before(stored, now)
        _keep_state(phase, id=uuid4(), made_at=now, now=now, by=by)
        tell_anew(phase=stored, now=now, by=by)
    for name in _STATE:
        setattr(phase, name, getattr(stored, name))


def tell_anew(*, phase: Phase, now: datetime, by: User | None = None) -> bool:
    """Set a phase's state to what all its reports tell, and return whether that changed it."""
    if phase.status == Phase.Status.DROPPED:
        return False
    state = standing(told(report) for report in FieldReport.objects.filter(phase=phase))
    before = columns_of(phase)
    _set_state(phase, state)
    if columns_of(phase) == before:
        return False
    phase.save(update_fields=_STATE)
    record_change(row=phase, before=before, now=now, by=by)
    return True


def tell_all_anew(
    *, phases: Iterable[Phase], reported_before: Collection[int], now: datetime
) -> None:
    """
    Set the state of phases whose reports were loaded; each in its own step.

    One that had no report before, by primary key, may have a state all the same, from its history.
    Where its reports do not tell that, it is kept as one of them, so that they go on from there.
    """
    for phase in phases:
        with transaction.atomic():
            stored = _locked(phase.pk)
            if phase.pk not in reported_before and not _is_told(stored):
                _keep_as_first(stored, now)
            tell_anew(phase=stored, now=now)


def _is_told(phase: Phase) -> bool:
    """Return whether a phase's reports tell all that a history may hold of it."""
    if phase.status == Phase.Status.OPEN:
        return True
    state = standing(told(report) for report in phase.reports.all())
    from_reports = Phase()
    _set_state(from_reports, state)
    return all(getattr(from_reports, name) == getattr(phase, name) for name in _OF_HISTORY)


_COLUMNS = tuple(column.name for column in fields(NewReport))
_STATE = [
    "status",
    "started_at",
    "done_at",
    "share_done",
    "share_at",
    "reported_hours",
    "hours_at_share",
    "crew",
    "stopped_by",
    "stopped_at",
    "stopped_until",
]
_OF_HISTORY = ("status", "started_at", "done_at", "share_done", "reported_hours", "crew_id")


def _locked(phase_id: int) -> Phase:
    """Return a phase that nobody else reports on until the transaction ends."""
    phase = (
        Phase.objects.select_for_update(of=("self",))
        .select_related("job")
        .filter(pk=phase_id)
        .first()
    )
    if phase is None:
        remedy = "Load the list of work again; the building may have changed."
        raise SpecError([Fault("phase", phase_id, "there is no such phase", remedy)])
    return phase


def _refuse_strangers(report: NewReport, who: Reporter, phase: Phase) -> None:
    if who.is_office:
        return
    if report.crew_id is None or report.crew_id not in who.crews:
        fault = Fault(
            "crew",
            "" if report.crew_id is None else report.crew_id,
            "you do not lead this crew",
            "Report for your own crew, or call the office.",
        )
    elif not may_report(who, phase):
        fault = Fault(
            "phase",
            str(phase),
            "this work was never published for your crew",
            "Call the office: it can report for every crew.",
        )
    else:
        return
    raise SpecError([fault])


def _refuse_another(report: NewReport, known: FieldReport) -> None:
    """Refuse a different report under an id that is taken: one of the two would be lost."""
    if any(getattr(report, name) != getattr(known, name) for name in _COLUMNS):
        message = "another report was received under this id"
        raise SpecError([Fault("id", str(report.id), message, "Give each report its own id.")])


def _keep_what_was_before(phase: Phase, now: datetime) -> None:
    """Keep the state of a phase without reports as the first of them: it was loaded or entered."""
    if phase.status in (Phase.Status.OPEN, Phase.Status.DROPPED) or phase.reports.exists():
        return
    _keep_as_first(phase, now)


def _keep_as_first(phase: Phase, now: datetime) -> None:
    known_at = phase.done_at or phase.share_known_at or phase.started_at
    before = uuid5(NAMESPACE_OID, f"phase {phase.pk} before its first report")
    _keep_state(phase, id=before, made_at=known_at or now, now=now, by=None)


def _keep_state(
    phase: Phase, *, id: UUID, made_at: datetime, now: datetime, by: User | None
) -> None:
    FieldReport.objects.create(
        id=id,
        phase=phase,
        kind=Kind.OFFICE,
        made_at=made_at,
        received_at=now,
        crew=phase.crew,
        by=by,
        by_name=Reporter(by).name[:80],
        from_office=True,
        share_done=phase.share_done,
        crew_hours=phase.reported_hours,
        stopped_by=phase.stopped_by,
        stopped_until=phase.stopped_until,
        set_status=phase.status,
        set_started_at=phase.started_at,
        set_done_at=phase.done_at,
    )


def _set_state(phase: Phase, state: Standing) -> None:
    phase.status = Phase.Status(state.status.value)
    phase.started_at = state.started_at
    phase.done_at = state.done_at
    phase.share_done = state.share_done
    phase.share_at = state.share_at
    phase.reported_hours = state.reported_hours
    phase.hours_at_share = state.hours_at_share
    phase.crew_id = state.crew
    phase.stopped_by = state.stopped_by
    phase.stopped_at = state.stopped_at
    phase.stopped_until = state.stopped_until
