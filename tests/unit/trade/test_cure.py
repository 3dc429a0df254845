from datetime import datetime

import numpy as np
import pytest

from contractor.trade.cure import (
    CureClock,
    age_hours_for_share,
    expected_temps_degc,
    maturity_degc_hours,
    strength_share,
)
from tests.curing import equivalent_age_hours, hours_to_strength

YEAR_DEGF = (24, 27, 37, 49, 60, 69, 73, 71, 64, 52, 40, 29)


def test_age_and_strength_are_inverse():
    hours = age_hours_for_share(share=0.7, cement="III")

    assert strength_share(age_days_at_20c=hours / 24, cement="III") == pytest.approx(0.7)


def test_concrete_has_no_strength_when_placed():
    assert strength_share(age_days_at_20c=0, cement="I") == 0


@pytest.mark.parametrize("cement", ["II", "", "i"])
def test_an_unknown_cement_is_refused(cement):
    with pytest.raises(ValueError, match="Enter cement I or III"):
        strength_share(age_days_at_20c=1, cement=cement)


@pytest.mark.parametrize("age", [-1, float("nan"), float("inf")])
def test_an_age_is_never_negative(age):
    with pytest.raises(ValueError, match="age_days_at_20c"):
        strength_share(age_days_at_20c=age, cement="I")


@pytest.mark.parametrize("share", [0, -0.1, 1.01, float("nan")])
def test_a_share_lies_above_0_and_at_most_1(share):
    with pytest.raises(ValueError, match="share"):
        age_hours_for_share(share=share, cement="I")


def test_cold_adds_nothing_to_maturity_and_takes_nothing_away():
    assert maturity_degc_hours(temps_degc=[-10, 10], step_hours=1) == 10


def test_the_older_datum_counts_hours_just_below_freezing():
    assert maturity_degc_hours(temps_degc=[-5], step_hours=2, datum_degc=-10) == 10


def test_hours_below_freezing_add_no_age():
    assert equivalent_age_hours([-0.1] * 100) == 0
    assert equivalent_age_hours([0.0] * 10) == pytest.approx(2.87, abs=0.01)


@pytest.mark.parametrize("temps", [[float("nan")], [-300.0], [[1.0]]])
def test_temperatures_must_be_plain_numbers(temps):
    with pytest.raises(ValueError, match="temps_degc"):
        CureClock(temps)


@pytest.mark.parametrize("step_hours", [0, -1, float("inf")])
def test_a_step_must_be_positive(step_hours):
    with pytest.raises(ValueError, match="step_hours"):
        maturity_degc_hours(temps_degc=[20], step_hours=step_hours)


def test_the_least_hours_hold_even_in_heat():
    hours = hours_to_strength(
        share=0.17, cement="III", temps_degc_by_hour=[35] * 100, minimum_hours=24
    )

    assert hours == 24


def test_the_clock_is_silent_with_none_when_its_temperatures_end_too_soon():
    clock = CureClock([20.0] * 10)

    assert clock.ready_hour(0, 0.5, "I") is None
    assert clock.hours == 10


def test_a_pour_in_the_middle_of_an_hour_counts_the_rest_of_it():
    clock = CureClock([20.0] * 300)
    needed = age_hours_for_share(share=0.4, cement="I")

    assert clock.ready_hour(10.5, 0.4, "I") == np.ceil(10.5 + needed)
    assert clock.age_hours(10.5) == pytest.approx(10.5)
    assert clock.age_hours(300) == pytest.approx(300)


@pytest.mark.parametrize("pour_hour", [-1, 11, float("nan")])
def test_a_pour_outside_the_known_temperatures_is_refused(pour_hour):
    with pytest.raises(ValueError, match="pour_hour"):
        CureClock([20.0] * 10).ready_hour(pour_hour, 0.1, "I")


def test_a_negative_minimum_is_refused():
    with pytest.raises(ValueError, match="minimum_hours"):
        CureClock([20.0] * 10).ready_hour(0, 0.1, "I", minimum_hours=-1)


def test_expected_temperature_meets_the_monthly_mean_at_mid_month():
    temps = expected_temps_degc(
        monthly_mean_degf=YEAR_DEGF,
        daily_swing_degf=0,
        first_hour=datetime(2026, 7, 16, 0, 0),
        hours=24,
    )

    assert temps.shape == (24,)
    assert temps.mean() == pytest.approx((73 - 32) * 5 / 9, abs=0.1)


def test_the_day_is_warmest_in_the_afternoon_and_swings_as_told():
    temps = expected_temps_degc(
        monthly_mean_degf=[50] * 12,
        daily_swing_degf=18,
        first_hour=datetime(2026, 4, 1, 6, 0),
        hours=24,
    )

    assert (6 + int(np.argmax(temps))) % 24 in (14, 15)
    assert temps.max() - temps.min() == pytest.approx(10, abs=0.2)


def test_expected_temperature_runs_on_over_the_new_year_without_a_jump():
    temps = expected_temps_degc(
        monthly_mean_degf=YEAR_DEGF,
        daily_swing_degf=0,
        first_hour=datetime(2026, 12, 1, 0, 0),
        hours=24 * 62,
    )

    assert np.abs(np.diff(temps)).max() < 0.05


@pytest.mark.parametrize(
    ("means", "swing", "hours"),
    [
        ((50,) * 11, 10, 24),
        ((float("nan"),) * 12, 10, 24),
        ((50,) * 12, -1, 24),
        ((50,) * 12, 1, -1),
    ],
)
def test_bad_climate_is_refused(means, swing, hours):
    with pytest.raises(ValueError, match=r"monthly_mean_degf|daily_swing_degf"):
        expected_temps_degc(
            monthly_mean_degf=means,
            daily_swing_degf=swing,
            first_hour=datetime(2026, 1, 1, 0, 0),
            hours=hours,
        )


def test_the_table_of_all_pours_says_what_each_pour_is_told():
    clock = CureClock(np.linspace(-5, 25, 400))

    table = clock.ready_hours(0.4, "I", minimum_hours=48)

    each = [clock.ready_hour(hour, 0.4, "I", minimum_hours=48) for hour in range(401)]
    assert table.tolist() == [np.inf if hour is None else hour for hour in each]
    assert np.isinf(table[-1])
    assert np.isfinite(table[0])
