"""What is never true of weather and sites, whatever they are."""

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contractor.engine.worktime import SLOTS_PER_DAY, Axis, weekly_calendar
from contractor.trade.feels_like import heat_index_degf, wind_chill_degf
from contractor.trade.nws_forecast import ForecastError, read_forecast
from contractor.trade.site import CORNERS, ShotKind, ShotPlace, site_grade
from contractor.trade.weather import (
    PHASE_GATES,
    STARTER_LIMITS,
    HourOfWeather,
    judge_day,
)
from contractor.trade.weather_allowance import MOST_SHARE, Normals, lost_shares
from contractor.trade.weather_days import DaySummary
from inspections.selectors.weather import SiteWeather, StoppedDay
from jobs.services.weather_days import LocalDays

ZONE = ZoneInfo("America/New_York")
GATES = st.sampled_from(PHASE_GATES)
HOURS = st.builds(
    HourOfWeather,
    temp_degf=st.floats(-20, 110),
    wind_mph=st.floats(0, 60),
    gust_mph=st.none() | st.floats(0, 90),
    rain_in=st.none() | st.floats(0, 1),
    humidity_percent=st.none() | st.floats(0, 100),
    thunder=st.booleans(),
)
DAYS = st.lists(st.none() | HOURS, min_size=23, max_size=25)
MONTH = st.lists(st.floats(0, 28), min_size=12, max_size=12).map(tuple)


def judged(hours, gate, mud=""):
    return judge_day(hours, STARTER_LIMITS[gate], mud=mud)


@given(DAYS, GATES, st.floats(0, 40), st.floats(0, 0.5))
def test_more_wind_and_rain_never_free_a_day(hours, gate, more_wind, more_rain):
    worse = [
        hour
        and replace(
            hour,
            wind_mph=hour.wind_mph + more_wind,
            rain_in=None if hour.rain_in is None else hour.rain_in + more_rain,
        )
        for hour in hours
    ]

    before, after = judged(hours, gate), judged(worse, gate)

    assert (before is None) == (after is None)
    if before is not None:
        assert after.level >= before.level
        assert after.stopped_hours >= before.stopped_hours


@given(DAYS, GATES)
def test_a_stop_or_caution_always_says_why(hours, gate):
    verdict = judged(hours, gate)

    if verdict is not None and verdict.level:
        assert verdict.why


@given(DAYS, GATES)
def test_mud_never_frees_a_day(hours, gate):
    dry, muddy = judged(hours, gate), judged(hours, gate, mud="mud after 1 in of rain yesterday")

    assert dry is None or muddy.level >= dry.level


@given(st.floats(40, 120), st.floats(0, 100), st.floats(0, 20))
def test_warmer_air_never_feels_cooler_by_much(temp, humidity, more):
    """The service's own steps between formulas fall by less than 2 °F."""
    before = heat_index_degf(temp_degf=temp, humidity_percent=humidity)

    assert heat_index_degf(temp_degf=temp + more, humidity_percent=humidity) > before - 2


@given(st.floats(-45, 50), st.floats(3, 60), st.floats(0, 20))
def test_more_wind_never_feels_warmer(temp, wind, more):
    before = wind_chill_degf(temp_degf=temp, wind_mph=wind)

    assert wind_chill_degf(temp_degf=temp, wind_mph=wind + more) <= before + 1e-9


@given(MONTH, MONTH, MONTH, MONTH, GATES, st.sampled_from(["GOOD", "HARD", "ROCK"]))
def test_an_allowance_leaves_something_of_every_month(tenth, quarter, half, windy, gate, soil):
    shares = lost_shares(Normals(tenth, quarter, half, windy, (1, 3, 0)), gate, soil=soil)

    assert all(0 <= share <= MOST_SHARE for share in shares)


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=12),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    [
                        "properties",
                        "periods",
                        "temperature",
                        "values",
                        "validTime",
                        "value",
                        "uom",
                        "updateTime",
                        "windSpeed",
                        "weather",
                        "startTime",
                        "endTime",
                    ]
                ),
                inner,
                max_size=5,
            )
        ),
        max_leaves=25,
    )
)
def test_no_document_does_more_than_be_refused(document):
    with pytest.raises(ForecastError):
        read_forecast(document, now=datetime(2026, 6, 1, 12, tzinfo=ZONE))


@given(st.floats(-40, 60), st.floats(0, 40), st.floats(0, 60), st.floats(0, 5))
def test_a_day_by_hand_stays_between_its_low_and_high(low, more, wind, rain):
    summary = DaySummary(low_degf=low, high_degf=low + more, wind_mph=wind, rain_in=rain)
    hours = [summary.hour(hour) for hour in range(24)]

    assert all(low - 1e-9 <= hour.temp_degf <= low + more + 1e-9 for hour in hours)
    assert sum(hour.rain_in for hour in hours) == pytest.approx(rain)


READINGS = st.fixed_dictionaries(
    dict.fromkeys(CORNERS, st.floats(0.5, 12)), optional={ShotPlace.CENTER: st.floats(0.5, 12)}
)


@given(READINGS, st.floats(0, 6), st.floats(-0.4, 5))
def test_a_site_is_the_same_from_any_set_up_and_kind_of_reading(readings, slab_in, up):
    def grade(shots, kind):
        return site_grade(
            shots, kind=kind, width_ft=30, length_ft=40, post_length_ft=13, slab_in=slab_in
        )

    rod = grade(readings, ShotKind.ROD)
    moved = grade({place: reading + up for place, reading in readings.items()}, ShotKind.ROD)
    heights = grade({p: 100 - reading for p, reading in readings.items()}, ShotKind.HEIGHT)

    for other in (moved, heights):
        assert other.fall_in == pytest.approx(rod.fall_in, abs=1e-6)
        assert other.fill_cy == pytest.approx(rod.fill_cy, abs=1e-6)
    assert all(min(corner.cut_ft, corner.fill_ft) == 0 for corner in rod.corners)
    assert all(corner.post_ft >= 13 + 1 / 12 - 1e-9 for corner in rod.corners)
    assert all(corner.height_ft + 1 / 12 <= rod.floor_ft + 1e-9 for corner in rod.corners)


AXIS = Axis(origin=datetime(2026, 2, 27, 5, tzinfo=ZoneInfo("UTC")), slots=30 * SLOTS_PER_DAY)
CLEAR = weekly_calendar(
    key="week",
    axis=AXIS,
    zone=ZONE,
    weekly={},
    special={
        date(2026, 2, 27) + timedelta(days=n): ((time(7), time(15)),)
        for n in range(30)
        if n % 7 < 5
    },
)
SITE = st.builds(
    lambda stops, known, share: SiteWeather(
        gate=PHASE_GATES[0],
        area="plain",
        stopped=tuple(StoppedDay(date(2026, 2, 25) + timedelta(days=n), "mud") for n in stops),
        unknown_from=None if known is None else date(2026, 2, 27) + timedelta(days=known),
        lost_share=(share,) * 12,
    ),
    st.sets(st.integers(0, 40), max_size=8),
    st.none() | st.integers(0, 35),
    st.floats(0, MOST_SHARE),
)


@settings(max_examples=60)
@given(SITE)
def test_weather_only_takes_from_a_calendar_and_leaves_no_work_on_stopped_days(weather):
    days = LocalDays(AXIS, ZONE)
    left = days.without_weather(CLEAR, weather)

    assert not np.any(left.working & ~CLEAR.working)
    for n in range(30):
        day = date(2026, 2, 27) + timedelta(days=n)
        first, last = days.span_of(day)
        was, now = CLEAR.work_between(first, last), left.work_between(first, last)
        if weather.why_on(day):
            assert now == 0
        else:
            wanted = min(round(weather.share_on(day) * was), max(was - 1, 0))
            assert was - now == wanted
            assert not was or left.is_working(CLEAR.next_working(first))
