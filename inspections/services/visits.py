"""
An authority's visits: ask, confirm, record what came of one, and take a click back.

Each is one event of the visit's record. What was said is stored first and by itself; the draft
that shows what it moves is made behind it, so that no result is lost whatever becomes of the plan.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.utils import timezone

from contractor.trade.phases import INSPECTIONS, REWORK_OF
from crews.selectors import NoFirm
from inspections.models import Inspection, InspectionEvent
from inspections.selectors.visits import CLOSED, OPEN, PASSED, last_event, open_visit
from inspections.services.visit_state import VisitRefused as VisitRefused
from inspections.services.visit_state import restore, save, state_of
from jobs.models import Job, Phase, Plan
from jobs.services import planning
from jobs.services.intake import refresh_phases

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from django.contrib.auth.models import User

    from jobs.models import PlanRequest

logger = logging.getLogger(__name__)

Status = Inspection.Status


@dataclass(frozen=True, slots=True)
class Recorded:
    """
    An event of a visit's record, whether it is new, and the draft that was made of it.

    `is_new` is False for the second click of a double click. `wanted` is the wish for a better
    plan than the draft; without one, `plan_fault` says why no draft was made, if one was due.
    """

    event: InspectionEvent
    is_new: bool
    wanted: PlanRequest | None = None
    plan_fault: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """Who enters what somebody said, and when."""

    now: datetime
    by: User | None = None
    said_by: str = ""
    note: str = ""


def ask(
    *,
    phase_id: int,
    visit_from: datetime | None,
    visit_until: datetime | None,
    said: Said,
) -> Recorded:
    """
    Record that a visit was asked for, in a window or in any.

    A visit that is asked for already is returned as it is: a second click asks nobody twice.

    Raises
    ------
    VisitRefused
        If the phase is no open inspection, or the window makes no sense.
    """
    with transaction.atomic():
        phase = _open_inspection(phase_id)
        standing = open_visit(phase)
        if standing is not None:
            return Recorded(last_event(standing) or begin_record(standing), is_new=False)
        visit = Inspection(
            phase=phase,
            requested_at=said.now,
            visit_from=visit_from,
            visit_until=visit_until,
            note=said.note,
        )
        save(visit)
        event = _add_event(visit, said, from_status="", before={}, after=state_of(visit))
    return Recorded(event, is_new=True)


def confirm(
    *,
    inspection_id: int,
    seen: int,
    visit_from: datetime,
    visit_until: datetime,
    said: Said,
) -> Recorded:
    """
    Record when the authority said that it comes, and plan again if that is another time.

    `seen` is the number of the visit's last event that whoever enters it has seen.
    Raises VisitRefused as `record`.
    """

    def change(visit: Inspection) -> None:
        if visit.status not in OPEN:
            raise VisitRefused(f"This visit is {_words(visit)}. Ask for a new one.")
        visit.status = Status.CONFIRMED
        visit.visit_from, visit.visit_until = visit_from, visit_until

    return _change(inspection_id, seen, Status.CONFIRMED, said, change)


def record(
    *,
    inspection_id: int,
    seen: int,
    outcome: str,
    said: Said,
    happened_at: datetime | None = None,
    released: str = "",
    released_share: float | None = None,
) -> Recorded:
    """
    Record what came of a visit, with what follows for the job's phases, and plan again.

    Passed: the inspection is done. Failed: its rework is open, and a new visit must be asked for.
    Passed in part: the phase it holds may begin on what was `released`. All else: a new visit must
    be asked for.

    Raises
    ------
    VisitRefused
        If the visit has an outcome already, if somebody else has entered something since `seen`,
        or if the outcome lacks what it needs.
    """
    if outcome not in CLOSED:
        raise VisitRefused(f"{outcome or 'Nothing'} is no outcome of a visit. Choose one.")
    at = happened_at or said.now
    if at > said.now:
        raise VisitRefused(f"{_clock(at)} is still to come. Enter when it was.")

    def change(visit: Inspection) -> None:
        if visit.status not in OPEN:
            raise VisitRefused(f"This visit is {_words(visit)} already. Undo that first.")
        visit.status = outcome
        visit.decided_at = at
        visit.note = said.note or visit.note
        if outcome == Status.PARTIAL:
            if not released:
                raise VisitRefused("Say which holes or bays are free: nothing else may be covered.")
            visit.released, visit.released_share = released, released_share
        _follow(visit, at)

    return _change(inspection_id, seen, outcome, said, change)


def begin_record(visit: Inspection, *, by: User | None = None) -> InspectionEvent:
    """Begin the record of a visit that was loaded from a file or typed on its own page."""
    return InspectionEvent.objects.create(
        inspection=visit,
        number=1,
        at=visit.requested_at,
        by=by,
        to_status=visit.status,
        note="as it stood when its record began",
        after=state_of(visit),
    )


def undo(*, event_id: int, said: Said) -> Recorded:
    """
    Take the last event of a visit back by a new event that restores what was before it.

    Raises
    ------
    VisitRefused
        If it is not the last one, or if the phases have moved on since.
    """
    with transaction.atomic():
        undone = InspectionEvent.objects.select_related("inspection").get(pk=event_id)
        visit = _locked(undone.inspection_id)
        again = InspectionEvent.objects.filter(undoes=undone).first()
        if again is not None:
            return Recorded(again, is_new=False)
        last = last_event(visit)
        if last is None or last.pk != undone.pk:
            raise VisitRefused("Something else was entered since. Undo that first.")
        before = state_of(visit)
        if not undone.after:
            raise VisitRefused("This line came from a file. Enter what is true as a new one.")
        if before != undone.after:
            raise VisitRefused(
                "What it changed has been changed again since, so it cannot be taken back by a "
                "click. Correct the phases on their own pages."
            )
        from_status = visit.status
        restore(visit, undone.before)
        event = _add_event(
            visit,
            said,
            from_status=from_status,
            before=before,
            after=state_of(visit),
            undoes=undone,
        )
    return _planned(event, said, before)


def _change(
    inspection_id: int, seen: int, status: str, said: Said, change: Callable[[Inspection], None]
) -> Recorded:
    """Change a visit as one event, unless it is the second click of the same."""
    with transaction.atomic():
        visit = _locked(inspection_id)
        last = last_event(visit) or begin_record(visit)
        seen = max(seen, 1)  # a visit that has no record yet gets its first line just above
        if last.number != seen:
            if last.number == seen + 1 and last.to_status == status and last.by == said.by:
                return Recorded(last, is_new=False)
            raise VisitRefused(
                f"Meanwhile somebody entered: {_words(visit)}. Look at it, then enter yours."
            )
        before, from_status = state_of(visit), visit.status
        change(visit)
        save(visit)
        event = _add_event(
            visit, said, from_status=from_status, before=before, after=state_of(visit)
        )
    return _planned(event, said, before)


def _planned(event: InspectionEvent, said: Said, before: Mapping[str, Any]) -> Recorded:
    """Make a draft of what has just been stored, if it changes what the plan waits for."""
    same_window = _window(before) == _window(event.after)
    if same_window and event.to_status in OPEN and event.from_status in OPEN:
        return Recorded(event, is_new=True)
    if not Plan.objects.exclude(status=Plan.Status.REPLACED).exists():
        return Recorded(event, is_new=True)
    visit = event.inspection
    reason = f"{visit.phase.get_code_display()} of {visit.phase.job.number}: {_words(visit)}"
    try:
        wanted = planning.repair_now(reason=reason, now=said.now, by=said.by)
    except (planning.TooFarAheadError, NoFirm) as fault:
        return Recorded(event, is_new=True, plan_fault=str(fault))
    except planning.PlanUnsoundError:
        logger.exception("No draft after %s", reason)
        return Recorded(event, is_new=True, plan_fault="ask for a new plan")
    return Recorded(event, is_new=True, wanted=wanted)


def _follow(visit: Inspection, at: datetime) -> None:
    """Bring the job's phases in step with a visit's outcome."""
    phase = visit.phase
    rework = _rework_of(phase)
    if visit.status in PASSED:
        _finish(phase, min(visit.visit_from or at, at), at)
        if rework is not None and rework.status == Phase.Status.UNDER_WAY:
            _finish(rework, rework.started_at or at, at)
        elif rework is not None and rework.status == Phase.Status.OPEN:
            rework.status = Phase.Status.DROPPED
            rework.save(update_fields=["status"])
        return
    if phase.status != Phase.Status.OPEN or visit.status == Status.PARTIAL:
        _reopen(phase)
    if visit.status == Status.PARTIAL:
        phase.partly_passed = True
        phase.save(update_fields=["partly_passed"])
    if visit.status == Status.FAILED:
        rework = rework or Phase(job=phase.job, code=REWORK_OF[phase.code], sequence=phase.sequence)
        _reopen(rework)
        refresh_phases(job=Job.objects.get(pk=phase.job_id))


def _rework_of(phase: Phase) -> Phase | None:
    return Phase.objects.filter(job_id=phase.job_id, code=REWORK_OF[phase.code]).first()


def _finish(phase: Phase, started_at: datetime, at: datetime) -> None:
    phase.status = Phase.Status.DONE
    phase.started_at = min(phase.started_at or started_at, at)
    phase.done_at, phase.share_done, phase.partly_passed = at, 1.0, False
    save(phase)


def _reopen(phase: Phase) -> None:
    """Let a phase be done anew; what was told of it stays in the visit's record."""
    phase.status = Phase.Status.OPEN
    phase.started_at = phase.done_at = phase.share_at = phase.reported_hours = None
    phase.crew_id, phase.share_done = None, 0.0
    save(phase)


def _open_inspection(phase_id: int) -> Phase:
    phase = Phase.objects.select_for_update().select_related("job").get(pk=phase_id)
    if phase.code not in INSPECTIONS:
        raise VisitRefused(f"{phase.get_code_display()} is no inspection.")
    if phase.status in (Phase.Status.DONE, Phase.Status.DROPPED):
        raise VisitRefused(f"{phase.get_code_display()} is {phase.get_status_display().lower()}.")
    if phase.job.status != Job.Status.SIGNED:
        raise VisitRefused(f"Job {phase.job.number} is not open.")
    return phase


def _locked(inspection_id: int) -> Inspection:
    return (
        Inspection.objects.select_for_update(of=("self",))
        .select_related("phase__job")
        .get(pk=inspection_id)
    )


def _add_event(
    visit: Inspection,
    said: Said,
    *,
    from_status: str,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    undoes: InspectionEvent | None = None,
) -> InspectionEvent:
    last = last_event(visit)
    event = InspectionEvent(
        inspection=visit,
        number=1 if last is None else last.number + 1,
        at=said.now,
        by=said.by,
        said_by=said.said_by,
        from_status=from_status,
        to_status=visit.status,
        note=said.note,
        before=dict(before),
        after=dict(after),
        undoes=undoes,
    )
    save(event)
    return event


def _window(seen: Mapping[str, Any]) -> tuple[Any, Any]:
    visit = seen.get("visit", {})
    return visit.get("visit_from"), visit.get("visit_until")


def _words(visit: Inspection) -> str:
    return visit.get_status_display().lower()


def _clock(moment: datetime) -> str:
    return f"{timezone.localtime(moment):%a %b %-d, %H:%M}"
