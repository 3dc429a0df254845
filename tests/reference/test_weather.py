"""Heat index and wind chill against the published tables of the US National Weather Service."""

import pytest

from contractor.trade.feels_like import heat_index_degf, wind_chill_degf


@pytest.mark.parametrize(
    ("temp_degf", "humidity", "told"),
    [
        (80, 40, 80),
        (84, 65, 88),
        (86, 90, 105),
        (90, 40, 91),
        (90, 70, 105),
        (92, 60, 105),
        (94, 80, 129),
        (96, 50, 108),
        (100, 40, 109),
        (100, 65, 136),
        (104, 55, 137),
        (110, 40, 136),
    ],
)
def test_heat_index_is_that_of_the_table(temp_degf, humidity, told):
    """
    Source: NWS heat index chart (from memory), in whole degrees.

    The chart leaves out the two adjustments, so nothing of it below 87 °F above 85 % is taken.
    """
    index = heat_index_degf(temp_degf=temp_degf, humidity_percent=humidity)

    assert index == pytest.approx(told, abs=1.01)


@pytest.mark.parametrize(
    ("temp_degf", "wind_mph", "told"),
    [
        (40, 5, 36),
        (40, 30, 28),
        (35, 15, 25),
        (30, 10, 21),
        (20, 20, 4),
        (10, 25, -11),
        (0, 15, -19),
        (-10, 40, -43),
        (-25, 10, -47),
        (-45, 60, -98),
    ],
)
def test_wind_chill_is_that_of_the_table(temp_degf, wind_mph, told):
    """Source: NWS wind chill chart of 2001 (from memory); the chart is in whole degrees."""
    chill = wind_chill_degf(temp_degf=temp_degf, wind_mph=wind_mph)

    assert chill == pytest.approx(told, abs=0.51)


@pytest.mark.parametrize(("temp_degf", "wind_mph"), [(51, 30), (20, 2)])
def test_no_wind_chill_in_warm_or_still_air(temp_degf, wind_mph):
    assert wind_chill_degf(temp_degf=temp_degf, wind_mph=wind_mph) == temp_degf


@pytest.mark.parametrize("humidity", [-1, 101, float("nan")])
def test_a_humidity_that_cannot_be_is_refused(humidity):
    with pytest.raises(ValueError, match="humidity_percent"):
        heat_index_degf(temp_degf=90, humidity_percent=humidity)


def test_very_dry_air_feels_cooler_and_very_damp_air_warmer_than_the_regression():
    """The two adjustments of the service: below 13 % and above 85 % (from memory)."""
    assert heat_index_degf(temp_degf=95, humidity_percent=5) < 90
    assert heat_index_degf(temp_degf=83, humidity_percent=95) > heat_index_degf(
        temp_degf=83, humidity_percent=85
    )
