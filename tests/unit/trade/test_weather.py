import pytest

from contractor.trade.weather import WEATHER_LIMITS, WeatherGate, stopped_by


@pytest.mark.parametrize("gate", list(WeatherGate))
def test_every_gate_has_limits(gate):
    assert gate in WEATHER_LIMITS


def test_wind_stops_trusses_before_wall_steel():
    assert stopped_by("TRUSS", wind_mph=22)
    assert not stopped_by("WALL", wind_mph=22)


def test_a_shower_stops_the_roof_but_not_the_auger():
    assert stopped_by("ROOF", rain_in=0.15) == ("rain 0.15 in, limit 0.1",)
    assert stopped_by("GROUND", rain_in=0.15) == ()


def test_cold_stops_a_pour_below_40_degrees():
    """Source: ACI 306R cold weather, below 40 °F (from memory)."""
    assert stopped_by("CONCRETE", low_degf=39)
    assert not stopped_by("CONCRETE", low_degf=40)


def test_every_reason_is_told():
    assert len(stopped_by("ROOF", wind_mph=30, rain_in=1)) == 2


def test_work_under_cover_is_never_stopped():
    assert stopped_by("", wind_mph=60, rain_in=4, low_degf=-10) == ()


def test_an_unknown_gate_is_refused():
    with pytest.raises(ValueError, match="HAIL"):
        stopped_by("HAIL")
