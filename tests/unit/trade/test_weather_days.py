import pytest

from contractor.trade.nws_forecast import ForecastError
from contractor.trade.weather_days import DaySummary


def summary(**changes: object) -> DaySummary:
    fields: dict[str, object] = {"low_degf": 30.0, "high_degf": 50.0, "wind_mph": 12.0}
    return DaySummary(**{**fields, **changes})


def test_a_day_swings_between_its_low_and_its_high():
    temps = [summary().hour(hour).temp_degf for hour in range(24)]

    assert min(temps) == temps[6] == 30
    assert max(temps) == temps[15] == 50


def test_all_of_its_rain_falls():
    hours = [summary(rain_in=0.6).hour(hour) for hour in range(24)]

    assert sum(hour.rain_in for hour in hours) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"low_degf": 60.0}, "below the low"),
        ({"gust_mph": 5.0}, "below the wind"),
        ({"rain_in": -1.0}, "rain_in -1"),
        ({"high_degf": 150.0}, "temp_degf 150"),
        ({"wind_mph": float("inf")}, "wind_mph inf"),
    ],
)
def test_a_day_that_cannot_be_is_refused(changes, says):
    with pytest.raises(ForecastError, match=says):
        summary(**changes)
