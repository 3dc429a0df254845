"""Measured before forecast before expected, and no further than a reading can speak for."""

import math

import numpy as np
import pytest

from contractor.trade.cure_temps import (
    BRIDGED_HOURS,
    CARRIED_HOURS,
    TempReading,
    first_known,
    forecast_degc,
    measured_degc,
)


def known_hours(series):
    return [hour for hour, degc in enumerate(series) if not math.isnan(degc)]


def test_between_two_readings_lies_a_straight_line():
    series = measured_degc([TempReading(0, 20), TempReading(10, 10)], hours=10)

    assert series.tolist() == pytest.approx([20 - (hour + 0.5) for hour in range(10)])


def test_the_order_of_entry_does_not_matter():
    readings = [TempReading(8, 4), TempReading(0, 12), TempReading(20, 9)]

    forward, backward = (measured_degc(rows, hours=40) for rows in (readings, readings[::-1]))

    assert np.array_equal(forward, backward, equal_nan=True)


def test_the_last_reading_is_carried_for_its_hours_and_no_longer():
    series = measured_degc([TempReading(3, 15)], hours=48)

    assert known_hours(series) == list(range(3, 3 + int(CARRIED_HOURS)))
    assert set(series[3:9]) == {15}


def test_readings_more_than_a_day_apart_are_not_joined():
    series = measured_degc([TempReading(0, 10), TempReading(BRIDGED_HOURS + 1, 30)], hours=48)

    assert known_hours(series) == [*range(6), *range(25, 31)]
    assert series[5] == 10


def test_nothing_is_known_without_readings_or_before_the_first():
    assert known_hours(measured_degc([], hours=5)) == []
    assert known_hours(measured_degc([TempReading(4, 1)], hours=5)) == [4]


@pytest.mark.parametrize("reading", [TempReading(math.nan, 1), TempReading(1, math.inf)])
def test_a_reading_is_a_number_at_a_moment(reading):
    with pytest.raises(ValueError, match="readings: enter a moment"):
        measured_degc([reading], hours=5)


def test_hours_are_never_negative():
    with pytest.raises(ValueError, match="hours -1"):
        measured_degc([], hours=-1)


@pytest.mark.parametrize(
    ("begins_after_hours", "expected"),
    [
        (0, [1, 2, 3, math.nan]),
        (2, [math.nan, math.nan, 1, 2]),
        (-1, [2, 3, math.nan, math.nan]),
        # Placed at 20 past: the middle of its first hour lies 50 minutes past, in the same hour.
        (-1 / 3, [1, 2, 3, math.nan]),
        (-2 / 3, [2, 3, math.nan, math.nan]),
    ],
)
def test_a_forecast_lies_on_the_clock_of_the_pour(begins_after_hours, expected):
    series = forecast_degc([1, 2, 3], begins_after_hours=begins_after_hours, hours=4)

    assert np.array_equal(series, expected, equal_nan=True)


def test_measured_comes_before_forecast_and_forecast_before_expected():
    nan = math.nan

    found = first_known(
        np.array([nan, 1.0, nan]), np.array([2.0, 2.0, nan]), np.array([3.0, 3.0, 3.0])
    )

    assert found.tolist() == [2, 1, 3]
