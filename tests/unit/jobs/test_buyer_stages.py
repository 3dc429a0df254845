"""Stages in a buyer's words: every phase has one, and weeks are whole."""

from collections import Counter
from datetime import UTC, date, datetime

import pytest

from contractor.trade.phases import PHASE_TABLE
from jobs.models import Booking, JobForecast, Phase
from jobs.selectors.buyer_stages import STAGES, StageState, Weeks, finish_weeks, stages_of


def _phase(pk, code, **columns):
    return Phase(pk=pk, code=code, **columns)


def _booking(starts_at, ends_at):
    return Booking(starts_at=starts_at, ends_at=ends_at)


def _at(month, day, hour=16):
    return datetime(2026, month, day, hour, tzinfo=UTC)


def test_every_phase_is_in_one_stage():
    told = Counter(code for _, codes in STAGES.values() for code in codes)

    assert told == Counter(dict.fromkeys(PHASE_TABLE, 1))


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        (date(2026, 6, 8), date(2026, 6, 14), "the week of Jun 8, 2026"),
        (date(2026, 6, 8), date(2026, 6, 28), "Jun 8 to Jun 28, 2026"),
        (date(2026, 12, 21), date(2027, 1, 3), "Dec 21, 2026 to Jan 3, 2027"),
    ],
)
def test_weeks_are_told_in_words(first, last, words):
    assert Weeks(first, last).words == words


def test_a_stage_spans_whole_weeks_from_its_first_work_to_its_last():
    phases = [_phase(1, "FRAME"), _phase(2, "TRUSSES")]
    bookings = {1: _booking(_at(6, 3), _at(6, 5)), 2: _booking(_at(6, 8), _at(6, 9))}

    (stage,) = stages_of(phases, bookings)

    assert stage.weeks == Weeks(date(2026, 6, 1), date(2026, 6, 14))
    assert stage.state is StageState.TO_COME


def test_a_stage_is_done_when_all_of_it_is_and_under_way_when_some_is():
    done = {"status": Phase.Status.DONE, "started_at": _at(6, 1), "done_at": _at(6, 2)}
    ground = [_phase(1, "LAYOUT", **done), _phase(2, "DIG", **done)]
    steel = [_phase(3, "ROOF", **done), _phase(4, "WALLS")]

    first, second = stages_of([*ground, *steel], {})

    assert (first.state, first.done_on) == (StageState.DONE, date(2026, 6, 2))
    assert (second.state, second.done_on) == (StageState.UNDER_WAY, None)


def test_work_that_the_building_no_longer_has_is_in_no_stage():
    assert stages_of([_phase(1, "LINER", status=Phase.Status.DROPPED)], {}) == ()


def test_the_likely_finish_is_from_p10_to_p90_in_whole_weeks():
    forecast = JobForecast(finish_p10=_at(6, 17), finish_p90=_at(7, 1))

    weeks = finish_weeks([_booking(_at(6, 1), _at(6, 19))], forecast)

    assert weeks == Weeks(date(2026, 6, 15), date(2026, 7, 5))


def test_a_plan_newer_than_the_forecast_is_always_within():
    forecast = JobForecast(finish_p10=_at(6, 17), finish_p90=_at(7, 1))

    weeks = finish_weeks([_booking(_at(6, 1), _at(7, 8))], forecast)

    assert weeks == Weeks(date(2026, 6, 15), date(2026, 7, 12))


def test_nothing_planned_and_nothing_forecast_has_no_weeks():
    assert finish_weeks([], None) is None
    assert finish_weeks([], JobForecast()) is None


def test_a_forecast_whose_end_lies_beyond_what_was_simulated_ends_with_the_plan():
    forecast = JobForecast(finish_p10=_at(6, 17), finish_p90=None)

    weeks = finish_weeks([_booking(_at(6, 1), _at(6, 24))], forecast)

    assert weeks == Weeks(date(2026, 6, 15), date(2026, 6, 28))
