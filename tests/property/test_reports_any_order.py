"""Reports in any order and any number of times end in the same record and the same state."""

from dataclasses import fields
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.progress import FROM_SITE, Kind, Standing, Status, Told, in_effect, standing
from crews.models import Crew
from jobs.models import FieldReport, Phase
from jobs.selectors.reports import OFFICE
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome, take_reports
from tests.factories import CrewFactory, PhaseFactory

START = datetime(2026, 6, 1, 11, tzinfo=UTC)
IDS = [UUID(int=number) for number in range(1, 9)]


@st.composite
def told(draw: st.DrawFn, number: int) -> Told:
    """One report of a few hours; corrections may name any report, itself and unknown ones too."""
    is_correction = draw(st.integers(0, 3)) == 0
    kind = draw(st.sampled_from(FROM_SITE))
    if is_correction:
        kind = draw(st.sampled_from((*FROM_SITE, Kind.VOID)))
    made_at = START + timedelta(hours=draw(st.integers(0, 6)))
    share = kind in (Kind.PROGRESS, Kind.STOPPED) and draw(st.booleans())
    hours = kind in (Kind.PROGRESS, Kind.DONE, Kind.STOPPED) and draw(st.booleans())
    if kind is Kind.PROGRESS and not share:
        hours = True
    stopped = kind is Kind.STOPPED
    return Told(
        id=str(IDS[number]),
        kind=Kind.CORRECTION if is_correction else kind,
        made_at=made_at,
        happened_at=draw(st.sampled_from((None, made_at - timedelta(hours=2)))),
        crew=draw(st.sampled_from((1, 2))),
        share_done=draw(st.sampled_from((0.0, 0.25, 0.5, 1.0))) if share else None,
        crew_hours=draw(st.sampled_from((1.0, 8.5, 30.0))) if hours else None,
        stopped_by=draw(st.sampled_from(TOLD_BY_PEOPLE)).value if stopped else "",
        stopped_until=made_at + timedelta(days=draw(st.integers(1, 3))) if stopped else None,
        corrects=str(draw(st.sampled_from(IDS))) if is_correction else None,
        corrected_kind=kind if is_correction else None,
        from_office=True,
    )


@st.composite
def reports(draw: st.DrawFn) -> list[Told]:
    count = draw(st.integers(1, 7))
    return [draw(told(number)) for number in range(count)]


def arrivals(draw: st.DrawFn, rows: list[Told]) -> list[Told]:
    """Every report at least once, some again, in any order."""
    again = draw(st.lists(st.sampled_from(rows), max_size=5))
    return draw(st.permutations([*rows, *again]))


@given(st.data())
def test_the_state_is_the_same_whatever_the_order_and_number(data: st.DataObject) -> None:
    rows = data.draw(reports())

    again = data.draw(st.composite(arrivals)(rows))

    assert standing(again) == standing(rows)
    assert in_effect(again) == in_effect(rows)


@given(reports())
def test_the_state_can_be_stored(rows: list[Told]) -> None:
    """The constraints of a phase hold for whatever was reported."""
    state = standing(rows)

    assert 0 <= state.share_done <= 1
    assert (state.status is Status.DONE) == (state.done_at is not None)
    if state.status is Status.UNDER_WAY:
        assert state.started_at is not None
    if state.started_at and state.done_at:
        assert state.started_at <= state.done_at
    assert (state.stopped_by == "") == (state.stopped_at is None)
    if state.reported_hours is not None and state.hours_at_share is not None:
        assert state.hours_at_share <= state.reported_hours


@given(reports())
def test_no_hours_are_lost_or_counted_twice(rows: list[Told]) -> None:
    counted = sum(row.crew_hours or 0 for row in in_effect(rows))

    assert (standing(rows).reported_hours or 0) == pytest.approx(counted)


@given(reports(), st.integers(0, 6))
def test_a_report_that_is_taken_back_leaves_no_trace(rows: list[Told], number: int) -> None:
    rows = [row for row in rows if row.kind is not Kind.CORRECTION]
    if not rows:
        assert standing(rows) == Standing()
        return
    wrong = rows[number % len(rows)]
    taken_back = Told(
        id="ffffffff-0000-0000-0000-000000000000",
        kind=Kind.CORRECTION,
        made_at=START + timedelta(days=9),
        corrects=wrong.id,
        corrected_kind=Kind.VOID,
        from_office=True,
    )

    assert standing([*rows, taken_back]) == standing([row for row in rows if row is not wrong])


STATE = (
    "status",
    "started_at",
    "done_at",
    "share_done",
    "share_at",
    "reported_hours",
    "hours_at_share",
    "crew_id",
    "stopped_by",
    "stopped_at",
    "stopped_until",
)


class Undo(Exception):  # noqa: N818 - a signal
    """Ends a try; nothing of it is stored."""


@pytest.mark.django_db
@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_the_record_is_the_same_whatever_the_order_and_number(data: st.DataObject) -> None:
    """The same through the service, in batches of any size: rows, state, and every answer."""
    rows = data.draw(reports())
    again = data.draw(st.composite(arrivals)(rows))
    size = data.draw(st.integers(1, 4))

    assert stored(rows, len(rows)) == stored(again, size)


def stored(arrived: list[Told], size: int) -> tuple[Any, Any]:
    """Return rows and state after reports have come in batches; all of it is undone."""
    kept: list[Any] = []
    try:
        with transaction.atomic():
            crews = {number: CrewFactory(name=f"Crew {number}") for number in (1, 2)}
            phase = PhaseFactory()
            received = 0
            for first in range(0, len(arrived), size):
                batch = [as_sent(row, phase, crews) for row in arrived[first : first + size]]
                answers = take_reports(
                    reports=batch, who=OFFICE, now=START + timedelta(days=4 + first)
                ).answers
                assert Outcome.REFUSED not in {answer.outcome for answer in answers}
                received += sum(answer.outcome is Outcome.RECEIVED for answer in answers)
            assert received == len({row.id for row in arrived})
            names = [f.name for f in fields(NewReport) if f.name not in ("phase_id", "crew_id")]
            found = FieldReport.objects.order_by("id").values(*names, "crew__name")
            state = Phase.objects.values(*STATE, "crew__name").get(pk=phase.pk)
            state["crew_id"] = None
            kept = [list(found), state]
            raise Undo
    except Undo:
        return tuple(kept)  # type: ignore[return-value]


def as_sent(row: Told, phase: Phase, crews: dict[int, Crew]) -> NewReport:
    assert row.crew is not None
    return NewReport(
        id=UUID(row.id),
        phase_id=phase.pk,
        kind=row.kind.value,
        made_at=row.made_at,
        crew_id=crews[row.crew].pk,
        happened_at=row.happened_at,
        share_done=row.share_done,
        crew_hours=row.crew_hours,
        stopped_by=row.stopped_by,
        stopped_until=row.stopped_until,
        corrects_id=None if row.corrects is None else UUID(row.corrects),
        corrected_kind=row.corrected_kind.value if row.corrected_kind else "",
    )
