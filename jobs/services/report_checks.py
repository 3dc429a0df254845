"""What a report may say: every fault with its field, its value and the way out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from django.core.exceptions import ValidationError
from django.utils import timezone

from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.errors import Fault
from contractor.trade.phases import PHASE_TABLE, Performer
from contractor.trade.progress import FROM_SITE, Kind
from jobs.models import FieldReport, Phase

if TYPE_CHECKING:
    from collections.abc import Iterator

    from jobs.services.new_report import NewReport

# A phone's clock is a little off; further ahead, what it says has not happened.
CLOCK_TOLERANCE = timedelta(minutes=15)
LONGEST_STOP = timedelta(days=366)
SITE_KINDS = tuple(kind.value for kind in FROM_SITE)
WITH_SHARE = frozenset({Kind.PROGRESS, Kind.STOPPED, Kind.DONE})
WITH_HOURS = frozenset({Kind.PROGRESS, Kind.STOPPED, Kind.DONE})
BY_A_CREW = frozenset({Kind.STARTED, Kind.PROGRESS, Kind.DONE})
NUMBERS = ("share_done", "crew_hours", "people")
LONGEST_NOTE = 2000


def faults_of(report: NewReport, phase: Phase, now: datetime) -> list[Fault]:
    """
    Return everything that keeps a report from being kept.

    Only the report itself, its phase's kind and its job's sale are looked at, never another
    report, so that reports may come in any order; and `now`, against a clock that is wrong.
    """
    kind, faults = _kind(report)
    if kind is not None:
        faults += [*_of_kind(report, kind, phase)]
    return [*faults, *_times(report, phase, now), *_limits(report)]


def _kind(report: NewReport) -> tuple[Kind | None, list[Fault]]:
    """Return what the report, or the report it corrects, says; None where that cannot be told."""
    choices = ", ".join((*SITE_KINDS, Kind.CORRECTION.value))
    if report.kind == Kind.CORRECTION:
        corrected = (*SITE_KINDS, Kind.VOID.value)
        faults = []
        if report.corrects_id is None:
            remedy = "Enter the id of the report that was wrong."
            faults.append(Fault("corrects", None, "this is missing", remedy))
        if report.corrected_kind not in corrected:
            message = "this is not what a report can have said"
            remedy = f"Enter one of {', '.join(corrected)}."
            faults.append(Fault("corrected_kind", report.corrected_kind, message, remedy))
            return None, faults
        return Kind(report.corrected_kind), faults
    if report.kind not in SITE_KINDS:
        message = "this is not one of the choices"
        return None, [Fault("kind", report.kind, message, f"Enter one of {choices}.")]
    faults = [
        Fault(name, value, "only a correction has this", "Leave it out, or make a correction.")
        for name, value in (
            ("corrects", report.corrects_id),
            ("corrected_kind", report.corrected_kind),
        )
        if value
    ]
    return Kind(report.kind), faults


def _of_kind(report: NewReport, kind: Kind, phase: Phase) -> Iterator[Fault]:
    performer = PHASE_TABLE[phase.code].performer
    if performer is Performer.AUTHORITY:
        yield Fault(
            "phase",
            str(phase),
            "an inspection is not reported by a crew",
            "Enter its result as a visit, or call the office.",
        )
    if performer is Performer.CREW and kind in BY_A_CREW and report.crew_id is None:
        yield Fault("crew", None, "this is missing", "Say which crew did it.")
    if report.share_done is not None:
        yield from _share(report.share_done, kind)
    if report.crew_hours is not None and kind not in WITH_HOURS:
        remedy = f"Leave it out, or report one of {', '.join(sorted(WITH_HOURS))}."
        yield Fault("crew_hours", report.crew_hours, f"{kind} has no hours", remedy)
    if kind is Kind.PROGRESS and report.share_done is None and report.crew_hours is None:
        remedy = "Enter the share done, the hours, or both."
        yield Fault("share_done", None, "progress without share or hours says nothing", remedy)
    yield from _stop(report, kind)


def _share(share: float, kind: Kind) -> Iterator[Fault]:
    if kind not in WITH_SHARE:
        remedy = f"Leave it out, or report one of {', '.join(sorted(WITH_SHARE))}."
        yield Fault("share_done", share, f"{kind} has no share", remedy)
    elif kind is Kind.DONE and share != 1:
        remedy = "Leave it out, or report PROGRESS."
        yield Fault("share_done", share, "what is done is done in full", remedy)


def _stop(report: NewReport, kind: Kind) -> Iterator[Fault]:
    causes = ", ".join(TOLD_BY_PEOPLE)
    if kind is Kind.STOPPED and not report.stopped_by:
        yield Fault("stopped_by", "", "this is missing", f"Enter one of {causes}.")
    elif report.stopped_by and report.stopped_by not in TOLD_BY_PEOPLE:
        message = "this is not one of the choices"
        yield Fault("stopped_by", report.stopped_by, message, f"Enter one of {causes}.")
    elif report.stopped_by and kind not in (Kind.STOPPED, Kind.NOTE):
        remedy = "Leave it out, or report STOPPED, or a NOTE with the cause."
        yield Fault("stopped_by", report.stopped_by, f"{kind} has no cause", remedy)
    if report.stopped_until is None:
        return
    stopped_at = report.happened_at or report.made_at
    if kind is not Kind.STOPPED:
        remedy = "Leave it out, or report STOPPED."
        yield Fault("stopped_until", report.stopped_until, f"{kind} has no end", remedy)
    elif not stopped_at < report.stopped_until <= stopped_at + LONGEST_STOP:
        remedy = "Enter a moment after the stop, within a year, or nothing if it is not known."
        message = "this is not a moment to go on"
        yield Fault("stopped_until", report.stopped_until, message, remedy)


def _times(report: NewReport, phase: Phase, now: datetime) -> Iterator[Fault]:
    # A day of grace: work may begin on the morning on which the contract is signed.
    sold_on = phase.job.sold_on
    earliest = datetime(sold_on.year, sold_on.month, sold_on.day, tzinfo=UTC) - timedelta(days=1)
    for name, moment in (("made_at", report.made_at), ("happened_at", report.happened_at)):
        if moment is None:
            continue
        is_clock = name == "made_at"
        if moment > now + CLOCK_TOLERANCE or moment > report.made_at + CLOCK_TOLERANCE:
            remedy = (
                f"Set the clock: it is {timezone.localtime(now):%Y-%m-%d %H:%M} at the sites. "
                "The report can be sent again."
                if is_clock
                else "Enter a time that has passed."
            )
            yield Fault(name, moment, "this is still to come", remedy)
        elif moment < earliest:
            remedy = "Set the clock." if is_clock else "Enter the day again."
            yield Fault(name, moment, f"this is before the job was sold, {sold_on}", remedy)


def _limits(report: NewReport) -> Iterator[Fault]:
    """Check numbers and the note against the limits of their columns."""
    for name in NUMBERS:
        value = getattr(report, name)
        if value is None:
            continue
        if value != value:
            yield Fault(name, value, "this is not a number", _REMEDIES[name])
            continue
        try:
            _COLUMNS[name].clean(value, None)
        except ValidationError as error:
            yield Fault(name, value, " ".join(error.messages).rstrip("."), _REMEDIES[name])
    if len(report.note) > LONGEST_NOTE:
        message = f"these are {len(report.note)} characters"
        yield Fault("note", report.note[:40], message, _REMEDIES["note"])
    elif "\x00" in report.note:
        yield Fault("note", report.note[:40], "a character of this is no text", "Write it again.")


_COLUMNS = {column.name: column for column in FieldReport._meta.concrete_fields}
_REMEDIES = {
    "share_done": "Enter 0 to 1, like 0.5 for one half.",
    "crew_hours": "Enter hours of all people together, 0 to 5000.",
    "people": "Enter how many were on the site, 1 to 40.",
    "note": "Enter at most 2000 characters.",
}
