"""What stays true of pours: cold never helps, frost adds nothing, later is never ready sooner."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from contractor.trade.cold_weather import ColdPour, Section, ServiceCategory, cold_cautions
from contractor.trade.cure import CureClock, maturity_degc_hours
from contractor.trade.cure_temps import TempReading, first_known, forecast_degc, measured_degc
from contractor.trade.phases import CureNeed
from inspections.models import Pour
from inspections.selectors.cure_temps import Climate, KnownAir
from inspections.selectors.pours import NeededStrength, PourClock
from jobs.models import Phase

FEW = settings(max_examples=60, deadline=None)
ZONE = ZoneInfo("America/New_York")
HOURS = 4000
SHARES = st.floats(0.05, 0.75)
CEMENTS = st.sampled_from(["I", "III"])
CURINGS = st.sampled_from(["moist", "steam"])
READINGS = st.lists(
    st.builds(TempReading, after_hours=st.floats(0, 200), degc=st.floats(-20, 40)), max_size=8
)
FORECASTS = st.lists(st.floats(-25, 35) | st.just(float("nan")), max_size=168)
MONTHS = st.lists(st.floats(5, 85), min_size=12, max_size=12).map(tuple)
MOMENTS = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)).map(
    lambda moment: moment.replace(tzinfo=UTC)
)
CODES = st.sampled_from(["POUR", "POSTS", "SLAB"])


def combined(readings, forecast, begins, expected, colder=0.0):
    """Return the series that counts, with every source so much colder."""
    cooled = [TempReading(row.after_hours, row.degc - colder) for row in readings]
    told = forecast_degc(np.array(forecast) - colder, begins_after_hours=begins, hours=HOURS)
    return first_known(measured_degc(cooled, hours=HOURS), told, expected - colder)


@FEW
@given(
    READINGS, FORECASTS, st.floats(-100, 100), st.floats(-5, 30), st.floats(0, 15), SHARES, CEMENTS
)
def test_colder_readings_forecasts_and_seasons_never_cure_faster(
    readings, forecast, begins, expected_degc, colder, share, cement
):
    expected = np.full(HOURS, expected_degc)

    warm, cold = (
        CureClock(combined(readings, forecast, begins, expected, by)).ready_hour(0, share, cement)
        for by in (0.0, colder)
    )

    assert cold is None or (warm is not None and cold >= warm)


@FEW
@given(
    st.lists(st.floats(1, 35), min_size=24, max_size=24),
    st.integers(0, 23),
    st.integers(1, 200),
    st.floats(-40, -0.01),
    SHARES,
    CEMENTS,
    CURINGS,
)
def test_hours_below_the_datum_only_put_off_what_they_come_before(
    day, at, frost_hours, frost_degc, share, cement, curing
):
    temps = np.resize(day, HOURS)
    frosty = np.insert(temps, at, [frost_degc] * frost_hours)

    mild = CureClock(temps).ready_hour(0, share, cement, curing=curing)
    ready = CureClock(frosty).ready_hour(0, share, cement, curing=curing)

    assert mild is not None
    assert ready == (mild if mild <= at else mild + frost_hours)


@FEW
@given(
    st.lists(st.floats(-30, 35), min_size=1, max_size=60), st.floats(-40, -0.01), st.integers(1, 99)
)
def test_hours_below_the_datum_add_nothing_by_either_method(temps, frost_degc, frost_hours):
    frosty = [*temps, *[frost_degc] * frost_hours]

    with_frost, without = (maturity_degc_hours(temps_degc=t, step_hours=1) for t in (frosty, temps))
    assert abs(with_frost - without) < 1e-9
    with_frost, without = (CureClock(t).age_hours(len(t)) for t in (frosty, temps))
    assert abs(with_frost - without) < 1e-9


@FEW
@given(READINGS, FORECASTS, st.floats(-100, 100))
def test_every_hour_has_a_temperature_and_it_is_one_that_somebody_gave(readings, forecast, begins):
    expected = np.full(HOURS, 7.0)

    found = combined(readings, forecast, begins, expected)

    known = [7.0, *(row.degc for row in readings), *(t for t in forecast if t == t)]
    assert not np.isnan(found).any()
    assert min(known) - 1e-9 <= found.min()
    assert found.max() <= max(known) + 1e-9


def clock_of(code, poured_at, climate, **columns):
    pour = Pour(phase=Phase(code=code), poured_at=poured_at, **columns)
    return PourClock(pour, climate=climate, zone=ZONE)


@settings(max_examples=40, deadline=None)
@given(CODES, MOMENTS, st.integers(1, 24 * 60 * 60), MONTHS, st.floats(0, 40), FORECASTS, SHARES)
def test_a_later_pour_is_never_ready_sooner(
    code, poured_at, later_minutes, means, swing, forecast, share
):
    known = KnownAir(poured_at, [None if t != t else t for t in forecast])
    climate = Climate(means, swing, known)
    needed = NeededStrength(CureNeed(share, "I", 24))

    first = clock_of(code, poured_at, climate).ready_at(needed)
    second = clock_of(code, poured_at + timedelta(minutes=later_minutes), climate).ready_at(needed)

    assert second is None or (first is not None and first <= second)


@settings(max_examples=40, deadline=None)
@given(CODES, MOMENTS, MONTHS, st.floats(0, 40), SHARES, SHARES)
def test_more_strength_is_never_there_sooner_nor_before_the_least_hours(
    code, poured_at, means, swing, one_share, other_share
):
    clock = clock_of(code, poured_at, Climate(means, swing))
    low, high = sorted((one_share, other_share))

    first, second = (
        clock.ready_hours(NeededStrength(CureNeed(share, "I", 24))) for share in (low, high)
    )

    assert second is None or (first is not None and 24 <= first <= second)


@settings(max_examples=40, deadline=None)
@given(MOMENTS, MONTHS, st.floats(0, 40), st.integers(1, 400), SHARES)
def test_protection_never_makes_a_slab_slower(poured_at, means, swing, hours, share):
    climate = Climate(means, swing)
    until = poured_at + timedelta(hours=hours)
    needed = NeededStrength(CureNeed(share, "I", 0))

    bare = clock_of("SLAB", poured_at, climate).ready_hours(needed)
    covered = clock_of("SLAB", poured_at, climate, protected_until=until).ready_hours(needed)

    assert bare is None or (covered is not None and covered <= bare)


@FEW
@given(st.floats(-30, 30), st.floats(0, 20), st.floats(1, 80), st.sampled_from(ServiceCategory))
def test_colder_weather_never_has_fewer_cautions(air_degc, colder, section_in, category):
    def told(degc):
        return cold_cautions(
            ColdPour(
                section=Section("Slab", section_in, category),
                accelerated=False,
                air_degc=np.full(240, degc),
                concrete_degc=np.full(240, degc),
                strength_psi=np.linspace(0, 2000, 240),
                placed_degf=52.0,
                ground_degf=degc * 9 / 5 + 32,
            )
        )

    assert len(told(air_degc)) <= len(told(air_degc - colder))
