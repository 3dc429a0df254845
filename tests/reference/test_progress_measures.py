"""Percent plan complete and earned schedule against published formulas and examples."""

from datetime import date

import pytest

from contractor.trade.ppc import Promise, tally
from contractor.trade.progress import ScheduleIndex, earned_schedule, hours_left

MONDAY = date(2026, 6, 1)


def promise(*, done_on: date | None, cause: str = "") -> Promise:
    return Promise(monday=MONDAY, crew="A", due_on=date(2026, 6, 3), done_on=done_on, cause=cause)


def test_five_of_six_promises_are_83_percent() -> None:
    # Worked example of a trade publication on the Last Planner System: 5 of 6 = 83 %.
    kept = [promise(done_on=date(2026, 6, day)) for day in (1, 2, 3, 3, 3)]

    found = tally([*kept, promise(done_on=date(2026, 6, 4), cause="WEATHER")])

    assert (found.kept, found.made) == (5, 6)
    assert found.percent is not None
    assert round(found.percent) == 83
    assert found.causes == (("WEATHER", 1),)


def test_no_part_of_a_promise_counts() -> None:
    # Definition of the Lean Construction Institute's glossary: completed on the day as promised
    # ÷ all promised, without partial credit. A phase that is 99 % done is not done.
    assert tally([promise(done_on=None)]).percent == 0


# Cumulative planned value of a project of six months; our own figures, for the published formulas
# of Lipke, Schedule Is Different, 2003: ES = C + (EV − PV_C) ÷ (PV_C+1 − PV_C).
PLANNED = [100, 250, 450, 700, 900, 1000]


@pytest.mark.parametrize(
    ("earned", "expected"),
    [
        (100, 1.0),
        (175, 1 + (175 - 100) / (250 - 100)),
        (450, 3.0),
        (600, 3 + (600 - 450) / (700 - 450)),
        (1000, 6.0),
    ],
)
def test_earned_schedule_is_whole_periods_and_a_part(earned: float, expected: float) -> None:
    assert earned_schedule(planned=PLANNED, earned=earned) == pytest.approx(expected)


def test_the_index_and_forecast_of_a_late_project() -> None:
    # SV(t) = ES − AT, SPI(t) = ES ÷ AT, forecast = PD ÷ SPI(t); the same source. After four months
    # 450 are earned, which the plan had after three: a month behind, 0.75, and 8 months in all.
    index = ScheduleIndex(
        earned_periods=earned_schedule(planned=PLANNED, earned=450),
        actual_periods=4,
        planned_periods=6,
    )

    assert index.variance_periods == pytest.approx(-1)
    assert index.performance_index == pytest.approx(0.75)


def test_a_late_project_that_is_finished_still_tells_that_it_was_late() -> None:
    # What earned schedule mends: at completion the index of money is 1 however late (Lipke 2012).
    index = ScheduleIndex(
        earned_periods=earned_schedule(planned=PLANNED, earned=1000),
        actual_periods=8,
        planned_periods=6,
    )

    assert index.performance_index == pytest.approx(0.75)


@pytest.mark.parametrize("actual_hours", [10, 20, 35])
@pytest.mark.parametrize("share_done", [0.2, 0.5, 0.9])
def test_hours_at_completion_lie_between_the_two_estimates_of_earned_value(
    share_done: float, actual_hours: float
) -> None:
    # Earned value has two usual estimates at completion (PMI, Practice Standard for Earned Value
    # Management, from memory): AC + (BAC − EV) at the planned rate, BAC ÷ CPI at the rate so far.
    budget = 40.0
    earned = share_done * budget
    at_planned_rate = actual_hours + (budget - earned)
    at_rate_so_far = budget / (earned / actual_hours)

    whole = actual_hours + hours_left(
        planned_hours=budget,
        share_done=share_done,
        hours_at_share=actual_hours,
        reported_hours=actual_hours,
    )

    least, most = sorted((at_planned_rate, at_rate_so_far))
    assert least - 1e-9 <= whole <= most + 1e-9
