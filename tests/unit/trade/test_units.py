import math

import pytest

from contractor.trade.units import (
    degf_to_degc,
    feet_inches,
    number_text,
    slope_factor,
    spaces,
)


def test_a_flat_roof_is_as_long_as_its_run():
    assert slope_factor(0) == 1


@pytest.mark.parametrize("pitch", [-1, math.nan])
def test_slope_of_a_negative_pitch_is_refused(pitch):
    with pytest.raises(ValueError, match="pitch_in_12"):
        slope_factor(pitch)


@pytest.mark.parametrize(
    ("run_ft", "spacing_ft", "count"),
    [(40, 8, 5), (60, 8, 8), (8.4, 2.8, 3), (0.1, 8, 1), (40.01, 8, 6)],
)
def test_spaces_are_rounded_up_but_not_by_a_hair(run_ft, spacing_ft, count):
    assert spaces(run_ft, spacing_ft) == count


@pytest.mark.parametrize(("run_ft", "spacing_ft"), [(0, 8), (40, 0), (-1, 8), (math.nan, 8)])
def test_spaces_need_a_run_and_a_spacing(run_ft, spacing_ft):
    with pytest.raises(ValueError, match="above 0"):
        spaces(run_ft, spacing_ft)


@pytest.mark.parametrize(
    ("length_ft", "text"),
    [
        (16.865, "16' 10-3/8\""),
        (8, "8' 0\""),
        (7.9999, "8' 0\""),
        (0.5, "0' 6\""),
        (-2.25, "-2' 3\""),
    ],
)
def test_lengths_read_as_on_a_tape(length_ft, text):
    assert feet_inches(length_ft) == text


def test_lengths_round_to_whole_inches_when_asked():
    assert feet_inches(16.865, eighths=False) == "16' 10\""


@pytest.mark.parametrize(
    ("value", "text"),
    [(1612, "1,612"), (1.5, "1.5"), (0.5236, "0.52"), (-0.001, "0"), (100, "100")],
)
def test_numbers_are_shown_without_trailing_zeros(value, text):
    assert number_text(value) == text


@pytest.mark.parametrize(("degf", "degc"), [(32, 0), (212, 100), (-40, -40)])
def test_fahrenheit_turns_into_celsius(degf, degc):
    assert degf_to_degc(degf) == degc
