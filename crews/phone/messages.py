"""What a report form of the phone says: one reading for the page's forms and for the outbox."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from uuid import UUID, uuid4

from django.utils import timezone

from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.errors import Fault, SpecError
from contractor.trade.progress import Kind
from contractor.trade.site import ShotKind, ShotPlace
from crews.models import Phone
from crews.services.phone_reports import Arrival, GradeShots, PhoneReport, VisitResult
from inspections.models import Inspection
from jobs.models.delivery import Item
from jobs.services.new_report import NewReport

Status = Inspection.Status
# What a crew is told by an inspector; a visit that was called off is the office's to enter.
RESULTS = (
    (Status.PASSED, "Passed"),
    (Status.PASSED_CORRECTIONS, "Passed with corrections"),
    (Status.FAILED, "Failed"),
    (Status.NOT_READY, "Not ready or no access"),
    (Status.ABSENT, "Inspector did not come"),
)
SHARES = ((0.1, "10 %"), (0.25, "25 %"), (0.5, "50 %"), (0.75, "75 %"), (0.9, "90 %"))
CHOICES: dict[str, object] = {
    "causes": [(cause.value, cause.label) for cause in TOLD_BY_PEOPLE],
    "shares": SHARES,
    "results": [(status.value, words) for status, words in RESULTS],
    "places": [(place.value, place.label) for place in ShotPlace],
    "shot_kinds": [(kind.value, kind.label) for kind in ShotKind],
    # Where the ground is looked at before it is dug.
    "shot_phases": ("LAYOUT", "DIG"),
    "new_id": uuid4,
}
"""What the report forms offer; `new_id` gives each its own."""
Form = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Sent:
    """A form with who sent it and when it was made."""

    form: Form
    phone: Phone
    made_at: datetime

    def text(self, name: str) -> str:
        """Return a field without its outer blanks, "" where there is none."""
        return self.form.get(name, "").strip()


def phone_report(sent: Sent) -> PhoneReport:
    """
    Return what a form says. `do` names the button and what it is about, like "STOPPED WEATHER".

    Raises
    ------
    contractor.trade.errors.SpecError
        If something of it cannot be read.
    """
    action, _, about = sent.text("do").partition(" ")
    if action not in _ACTIONS:
        remedy = "Load the page again; the service is newer than it."
        raise SpecError([Fault("do", sent.text("do"), "this button is not known", remedy)])
    return _ACTIONS[action](sent, about)


def _report(sent: Sent, kind: str, **more: object) -> NewReport:
    columns: dict[str, object] = {"note": sent.text("note"), **more}
    return NewReport(
        id=_uuid("id", sent.text("id")),
        phase_id=_whole("phase", sent.text("phase")),
        kind=kind,
        made_at=sent.made_at,
        crew_id=sent.phone.crew_id,
        **columns,  # type: ignore[arg-type]
    )


def _said(sent: Sent, kind: str, **more: object) -> PhoneReport:
    return PhoneReport(
        _report(sent, kind, **more), seen_starts_at=_moment("seen", sent.text("seen"))
    )


def _started(sent: Sent, about: str) -> PhoneReport:
    return _said(sent, Kind.STARTED)


def _share(sent: Sent, about: str) -> PhoneReport:
    return _said(sent, Kind.PROGRESS, share_done=_number("share", about), **_hours(sent))


def _hours_only(sent: Sent, about: str) -> PhoneReport:
    return _said(sent, Kind.PROGRESS, **_hours(sent))


def _done(sent: Sent, about: str) -> PhoneReport:
    return _said(sent, Kind.DONE, **_hours(sent))


def _stopped(sent: Sent, about: str) -> PhoneReport:
    until = _day("until", sent.text("until"))
    return _said(sent, Kind.STOPPED, stopped_by=about, stopped_until=until, **_hours(sent))


def _note(sent: Sent, about: str) -> PhoneReport:
    if not sent.text("note") and not sent.text("photos"):
        raise SpecError([Fault("note", "", "there is nothing in it", "Write a word or two.")])
    return _said(sent, Kind.NOTE)


def _visit(sent: Sent, about: str) -> PhoneReport:
    visit_id, _, outcome = about.partition(" ")
    words = dict(RESULTS).get(Status(outcome)) if outcome in Status.values else None
    if outcome == Status.PARTIAL:
        words = f"Passed in part: {sent.text('released')}"
    if words is None:
        remedy = "Choose one of the buttons."
        raise SpecError([Fault("result", outcome, "this is no result", remedy)])
    note = "Inspector: " + _joined(words, sent.text("note"))
    released = sent.text("released")[:200]
    if outcome == Status.PARTIAL and not released:
        remedy = "Say which holes or bays are free: nothing else may be covered."
        raise SpecError([Fault("released", "", "this is missing", remedy)])
    also = VisitResult(_whole("visit", visit_id), outcome, released)
    return PhoneReport(_report(sent, Kind.NOTE, note=note), also)


def _arrived(sent: Sent, about: str) -> PhoneReport:
    delivery_id, _, item = about.partition(" ")
    name = Item(item).label if item in Item.values else "Delivery"
    shortage = sent.text("shortage")
    words = f"{name} arrived, short or damaged: {shortage}" if shortage else f"{name} arrived"
    also = Arrival(_whole("delivery", delivery_id), shortage[:200])
    return PhoneReport(_report(sent, Kind.NOTE, note=_joined(words, sent.text("note"))), also)


def _short(sent: Sent, about: str) -> PhoneReport:
    if not sent.text("shortage"):
        remedy = "Say what is missing or broken."
        raise SpecError([Fault("shortage", "", "this is missing", remedy)])
    return _arrived(sent, about)


def _shots(sent: Sent, about: str) -> PhoneReport:
    kind = ShotKind.HEIGHT if sent.text("shot_kind") == ShotKind.HEIGHT else ShotKind.ROD
    readings = {
        place: _number(f"shot_{place.value}", sent.text(f"shot_{place.value}"))
        for place in ShotPlace
        if sent.text(f"shot_{place.value}")
    }
    told = ", ".join(f"{place.label.lower()} {reading:g}" for place, reading in readings.items())
    note = _joined(f"Grade shots, {kind.label.lower()} in ft: {told}", sent.text("note"))
    return PhoneReport(_report(sent, Kind.NOTE, note=note), GradeShots(kind, readings))


def _undo(sent: Sent, about: str) -> PhoneReport:
    corrects = _uuid("corrects", about)
    return PhoneReport(
        _report(sent, Kind.CORRECTION, corrects_id=corrects, corrected_kind=Kind.VOID.value)
    )


_ACTIONS = {
    "STARTED": _started,
    "SHARE": _share,
    "HOURS": _hours_only,
    "DONE": _done,
    "STOPPED": _stopped,
    "NOTE": _note,
    "VISIT": _visit,
    "ARRIVED": _arrived,
    "SHORT": _short,
    "SHOTS": _shots,
    "UNDO": _undo,
}


def _hours(sent: Sent) -> dict[str, object]:
    """Return people, and hours of all of them together from the hours of each."""
    people = _whole("people", sent.text("people")) if sent.text("people") else None
    if not sent.text("hours_each"):
        return {"people": people}
    each = _number("hours_each", sent.text("hours_each"))
    if people is None:
        remedy = "Say how many worked these hours."
        raise SpecError([Fault("people", "", "this is missing", remedy)])
    return {"people": people, "crew_hours": each * people}


def _joined(words: str, note: str) -> str:
    return f"{words}. {note}" if note else words


def _uuid(name: str, text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise _unread(name, text) from None


def _whole(name: str, text: str) -> int:
    if text.isascii() and text.isdigit() and len(text) < 16:
        return int(text)
    raise _unread(name, text)


def _number(name: str, text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise _unread(name, text) from None


def _moment(name: str, text: str) -> datetime | None:
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise _unread(name, text) from None
    if moment.tzinfo is None:
        raise _unread(name, text)
    return moment


def _day(name: str, text: str) -> datetime | None:
    """Return when a day begins at the sites; a crew's own hours say when it begins to work."""
    if not text:
        return None
    try:
        return timezone.make_aware(datetime.combine(date.fromisoformat(text), time()))
    except (ValueError, OverflowError):
        raise _unread(name, text) from None


def _unread(name: str, text: str) -> SpecError:
    words = name.replace("_", " ").lower()
    return SpecError([Fault(name, text, f"{words}: this cannot be read", "Enter it again.")])
