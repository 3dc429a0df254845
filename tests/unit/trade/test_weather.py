import pytest

from contractor.trade.weather import (
    CAUTIONS,
    STARTER_LIMITS,
    HourOfWeather,
    Level,
    WeatherGate,
    WeatherLimits,
    judge_day,
    mud_after,
)

CALM = HourOfWeather(temp_degf=60, wind_mph=5, gust_mph=8, rain_in=0, humidity_percent=50)


def day(**changed: HourOfWeather | None) -> list[HourOfWeather | None]:
    """Return a calm day; h7_17=... replaces the hours from 7 up to 17."""
    hours: list[HourOfWeather | None] = [CALM] * 24
    for span, hour in changed.items():
        first, last = (int(part) for part in span.removeprefix("h").split("_"))
        hours[first:last] = [hour] * (last - first)
    return hours


def windy(mph: float) -> HourOfWeather:
    return HourOfWeather(temp_degf=60, wind_mph=mph, rain_in=0)


def judged(gate: str, hours, mud: str = ""):
    verdict = judge_day(hours, STARTER_LIMITS[WeatherGate(gate)], mud=mud)
    assert verdict is not None
    return verdict


@pytest.mark.parametrize("gate", list(WeatherGate))
def test_every_gate_has_limits(gate):
    assert gate in STARTER_LIMITS


@pytest.mark.parametrize("gate", [gate for gate in WeatherGate if gate])
def test_every_gate_says_what_can_hurt(gate):
    assert CAUTIONS[gate]


def test_wind_stops_trusses_before_wall_steel():
    assert judged("TRUSS", day(h0_24=windy(22))).level is Level.STOP
    assert judged("WALL", day(h0_24=windy(22))).level is Level.CAUTION


def test_gusts_stop_trusses_in_a_wind_that_does_not():
    gusty = HourOfWeather(temp_degf=60, wind_mph=14, gust_mph=26)

    assert judged("TRUSS", day(h0_24=gusty)).reasons == ("gusts 26 mph, limit 25",)


def test_a_shower_stops_the_roof_but_not_the_auger():
    shower = HourOfWeather(temp_degf=60, wind_mph=5, rain_in=0.15)

    assert judged("ROOF", day(h7_8=shower)).reasons[-1].endswith("rain 0.15 in, limit 0.1")
    assert judged("GROUND", day(h7_8=shower)).level is Level.GO


def test_steel_dries_six_hours_after_the_rain():
    shower = HourOfWeather(temp_degf=60, wind_mph=5, rain_in=0.15)

    assert judged("ROOF", day(h1_2=shower)).level is Level.GO
    assert judged("ROOF", day(h4_5=shower)).stopped_hours == 3


def test_rain_since_midnight_counts_for_holes():
    rain = HourOfWeather(temp_degf=60, wind_mph=5, rain_in=0.3)

    assert judged("GROUND", day(h0_2=rain)).level is Level.STOP


@pytest.mark.parametrize(("hours", "level"), [(4, Level.CAUTION), (5, Level.STOP)])
def test_a_day_is_lost_when_half_of_its_hours_or_more_are(hours, level):
    """Source: ER 415-1-15, a delay of 50 % or more of the scheduled work day (from memory)."""
    verdict = judged("TRUSS", day(**{f"h7_{7 + hours}": windy(30)}))

    assert verdict.level is level
    assert verdict.stopped_hours == hours


def test_hours_outside_the_work_day_do_not_count():
    assert judged("TRUSS", day(h0_7=windy(40), h17_24=windy(40))).level is Level.GO


def test_below_40_degrees_concrete_needs_protection_and_below_20_it_stops():
    """Source: ACI 306R cold weather, below 40 °F (from memory); 20 °F is common practice."""
    assert judged("CONCRETE", day(h0_24=HourOfWeather(temp_degf=40))).level is Level.GO
    assert judged("CONCRETE", day(h0_24=HourOfWeather(temp_degf=39))).reasons == (
        "cold 39 °F, caution below 40",
    )
    assert judged("CONCRETE", day(h0_24=HourOfWeather(temp_degf=19))).level is Level.STOP


def test_thunder_stops_for_its_hour_and_half_of_the_next():
    """Source: the 30-30 rule, work resumes 30 minutes after the last thunder (from memory)."""
    thunder = HourOfWeather(temp_degf=80, thunder=True)

    verdict = judged("WALL", day(h10_11=thunder))

    assert verdict.stopped_hours == 1.5
    assert "thunder" in verdict.why


def test_thunder_before_the_work_day_is_told():
    assert "thunder" in judged("WALL", day(h6_7=HourOfWeather(temp_degf=70, thunder=True))).why


@pytest.mark.parametrize(("temp", "humidity", "told"), [(88, 50, True), (76, 40, False)])
def test_heat_is_a_caution_of_all_outdoor_work(temp, humidity, told):
    hot = HourOfWeather(temp_degf=temp, wind_mph=3, humidity_percent=humidity)

    verdict = judged("OUTDOORS", day(h0_24=hot))

    assert any("heat index" in reason for reason in verdict.reasons) is told
    assert verdict.level is (Level.CAUTION if told else Level.GO)


@pytest.mark.parametrize(("temp", "told"), [(86, False), (94, True)])
def test_high_heat_asks_for_breaks(temp, told):
    """Source: OSHA's proposed heat rule of August 2024, heat index 90 °F (from memory)."""
    hot = HourOfWeather(temp_degf=temp, wind_mph=3, humidity_percent=50)

    assert ("break every 2 hours" in judged("OUTDOORS", day(h0_24=hot)).why) is told


def test_wind_chill_is_a_caution_of_all_outdoor_work():
    assert "wind chill" in judged("OUTDOORS", day(h0_24=HourOfWeather(5, 20))).why


def test_work_under_cover_is_never_stopped():
    storm = HourOfWeather(temp_degf=-10, wind_mph=60, rain_in=1, thunder=True)

    assert judged("", day(h0_24=storm)).level is Level.GO


def test_a_day_of_which_little_is_known_is_not_judged():
    assert judge_day(day(h7_13=None), STARTER_LIMITS[WeatherGate.TRUSS]) is None


def test_rain_that_nobody_tells_stops_nothing():
    assert judged("ROOF", day(h0_24=HourOfWeather(temp_degf=60, wind_mph=5))).level is Level.GO


def test_a_day_of_23_hours_is_judged():
    assert judged("TRUSS", day(h0_24=windy(30))[:23]).level is Level.STOP


@pytest.mark.parametrize(
    ("rain", "mud_days", "told"),
    [
        ((0.6,), 1, "yesterday"),
        ((0.0, 0.6), 2, "2 days before"),
        ((0.0, 0.6), 1, ""),
        ((0.4, 0.4), 2, ""),
        ((0.6,), 0, ""),
    ],
)
def test_mud_follows_rain_for_the_days_of_the_soil(rain, mud_days, told):
    limits = STARTER_LIMITS[WeatherGate.GROUND]

    mud = mud_after(rain, limits, mud_days=mud_days)

    assert (told in mud) if told else mud == ""


def test_mud_takes_the_whole_day_of_a_hole_and_leaves_the_roof_alone():
    assert judged("GROUND", day(), mud="mud after 0.6 in of rain yesterday").level is Level.STOP
    assert judged("ROOF", day(), mud="mud after 0.6 in of rain yesterday").level is Level.GO


def test_no_limits_stop_nothing():
    storm = day(h0_24=windy(90))

    assert judge_day(storm, WeatherLimits(lightning=False)).level is Level.GO
