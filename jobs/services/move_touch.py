"""The rows that a move touches, kept as they were before and after, so that it can be undone."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

from django.apps import apps
from django.core.exceptions import ValidationError

from contractor.trade.causes import Cause
from contractor.trade.progress import Kind
from crews.models import Crew, DayOff
from jobs.models import FieldReport, LentPeople, Phase, SetAside
from jobs.selectors.reports import Reporter
from jobs.services.changes import columns_of, record_change
from jobs.services.move_answer import MoveRefused
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_report

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.contrib.auth.models import User

    from jobs.selectors.open_work import Pinned

Row = Phase | LentPeople | SetAside | DayOff
REPORT = "report"


class Touch:
    """Writes what a move changes, each row with its record of change."""

    def __init__(self, *, now: datetime, by: User | None) -> None:
        self.now = now
        self.by = by
        self.rows: list[dict[str, Any]] = []

    def change(self, row: Row, **columns: object) -> None:
        """Set columns of a stored row."""
        before = columns_of(row)
        for name, value in columns.items():
            setattr(row, name, value)
        self._save(row, list(columns))
        record_change(row=row, before=before, now=self.now, by=self.by)
        self._note(row, _plain(before, columns), _plain(columns_of(row), columns))

    def pins(self) -> dict[int, Pinned | None]:
        """Return the pins that were set, by phase; None where one was taken off."""
        pins: dict[int, Pinned | None] = {}
        for entry in self.rows:
            if entry["kind"] == Phase._meta.label:
                crew_id, at = entry["after"]["pinned_crew_id"], entry["after"]["pinned_start_at"]
                pins[entry["key"]] = None if at is None else (crew_id, datetime.fromisoformat(at))
        return pins

    def add(self, row: Row) -> None:
        """Store a new row."""
        self._save(row, None)
        record_change(row=row, before=None, now=self.now, by=self.by)
        self._note(row, None, _plain(columns_of(row)))

    def stop(self, phase: Phase, until: datetime) -> None:
        """Report work under way as stopped now, to go on at a moment."""
        report = NewReport(
            id=uuid4(),
            phase_id=phase.pk,
            kind=FieldReport.Kind.STOPPED,
            made_at=self.now,
            crew_id=phase.crew_id,
            stopped_by=Cause.CREW,
            stopped_until=until,
            note="Split on the board: the crew is needed elsewhere meanwhile",
        )
        take_report(report=report, who=Reporter(self.by, is_office=True), now=self.now)
        self.rows.append({"kind": REPORT, "key": str(report.id), "phase": phase.pk})

    def take_back(self, touched: Iterable[dict[str, Any]]) -> None:
        """
        Put rows back as they were before a move.

        Raises
        ------
        MoveRefused
            If one of them was changed since.
        """
        for entry in reversed(list(touched)):
            if entry["kind"] == REPORT:
                self._void(entry)
            else:
                self._restore(entry)

    def _restore(self, entry: dict[str, Any]) -> None:
        model = apps.get_model(entry["kind"])
        row = model._default_manager.select_for_update().filter(pk=entry["key"]).first()
        after = entry["after"]
        if row is None:
            raise MoveRefused(f"{entry['name']} is no longer there", remedy="Nothing is to undo.")
        if _plain(columns_of(row), after) != after:
            raise MoveRefused(
                f"{entry['name']} was changed since",
                remedy="Undo the later move first, or move it back by hand.",
            )
        if entry["before"] is None:
            record_change(
                row=row, before=columns_of(row), now=self.now, by=self.by, is_removed=True
            )
            row.delete()
            return
        fields = {field.attname: field for field in model._meta.concrete_fields}
        self.change(
            row, **{name: fields[name].to_python(old) for name, old in entry["before"].items()}
        )

    def _void(self, entry: dict[str, Any]) -> None:
        phase = Phase.objects.get(pk=entry["phase"])
        if phase.status != Phase.Status.UNDER_WAY or phase.stopped_at is None:
            raise MoveRefused(
                f"{label(phase)} has gone on or is done since",
                remedy="Correct its reports instead.",
            )
        report = NewReport(
            id=uuid4(),
            phase_id=phase.pk,
            kind=FieldReport.Kind.CORRECTION,
            made_at=self.now,
            corrects_id=UUID(entry["key"]),
            corrected_kind=Kind.VOID.value,
            note="The split was undone",
        )
        take_report(report=report, who=Reporter(self.by, is_office=True), now=self.now)

    def _save(self, row: Row, columns: list[str] | None) -> None:
        try:
            row.full_clean()
        except ValidationError as error:
            raise MoveRefused(" ".join(error.messages).rstrip(".")) from error
        row.save(update_fields=columns)

    def _note(self, row: Row, before: dict[str, Any] | None, after: dict[str, Any]) -> None:
        self.rows.append(
            {
                "kind": row._meta.label,
                "key": row.pk,
                "name": label(row) if isinstance(row, Phase) else str(row),
                "before": before,
                "after": after,
            }
        )


def crew_of(pk: int) -> Crew:
    """Return an active crew; MoveRefused where there is none."""
    crew = Crew.objects.filter(pk=pk, is_active=True).select_related("work_hours").first()
    if crew is None:
        raise MoveRefused(f"crew {pk} is no active crew", remedy="Choose another one.")
    return crew


def label(phase: Phase) -> str:
    """Return a phase as people call it in the middle of a sentence."""
    return f"{phase.get_code_display().lower()} of {phase.job.number}"


def _plain(columns: dict[str, Any], only: Iterable[str] | None = None) -> dict[str, Any]:
    """Return columns as JSON keeps them."""
    names = columns if only is None else only
    return {name: _value(columns[name]) for name in names if name != "id"}


def _value(value: Any) -> Any:
    """Return one value as JSON keeps it; a moment in UTC, so that equal ones read the same."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return value.isoformat() if isinstance(value, date) else value
