"""
Concrete in changing weather against scipy's integrators, and ACI 306R's tables.

The standards' own figures are from memory; scipy is the reference for the arithmetic.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from contractor.trade.cold_weather import (
    COLD_WEATHER_DEGF,
    FREEZE_PROOF_PSI,
    ServiceCategory,
    cold_limits,
    mixed_degf,
    protection_days,
)
from contractor.trade.cure import (
    CureClock,
    age_hours_for_share,
    maturity_degc_hours,
    strength_share,
)
from contractor.trade.cure_temps import TempReading, measured_degc
from contractor.trade.units import degc_to_degf, degf_to_degc
from tests.curing import equivalent_age_hours, hours_to_strength

GAS_CONSTANT = 8.314
ACTIVATION_ENERGY = 41_500.0


def rate(degc):
    """Return the Arrhenius rate against 20 °C, nothing below 0 °C, written out anew."""
    if degc < 0:
        return 0.0
    kelvin = degc + 273.15
    return math.exp(ACTIVATION_ENERGY / GAS_CONSTANT * (1 / 293.15 - 1 / kelvin))


def cooling_week(hour):
    """A day's wave of 16 °C upon a mean that falls by a degree a day."""
    return 14 - hour / 24 + 8 * math.cos(2 * math.pi * (hour - 15) / 24)


def heated_collar(hour):
    """Placed warm, cooling toward the ground as a body does: Newton's law of cooling."""
    return 6 + 14 * math.exp(-hour / 30)


WEATHERS = [cooling_week, heated_collar, lambda hour: 11.0, lambda hour: 2 * math.sin(hour / 24)]


def hourly_means(weather, hours):
    return [quad(weather, hour, hour + 1)[0] for hour in range(hours)]


@pytest.mark.parametrize("weather", WEATHERS)
def test_equivalent_age_agrees_with_an_integral_over_changing_temperature(weather):
    """Source: the integral form of ASTM C1074's equivalent age (from memory), by scipy's quad."""
    hours = 240
    parts = [
        quad(lambda t: rate(weather(t)), hour, hour + 1, limit=200)[0] for hour in range(hours)
    ]

    age = equivalent_age_hours(hourly_means(weather, hours))

    # An hour that crosses 0 °C counts by its mean: half an hour of the rate there, 0.287, at most.
    crossings = sum(weather(hour) * weather(hour + 1) < 0 for hour in range(hours))
    assert age == pytest.approx(sum(parts), rel=0.003, abs=0.15 * crossings)


@pytest.mark.parametrize("weather", WEATHERS)
def test_maturity_agrees_with_an_integral_over_changing_temperature(weather):
    """Source: the Nurse-Saul integral of ASTM C1074 (from memory), datum 0 °C, by scipy's quad."""
    hours = 240
    parts = [quad(lambda t: max(weather(t), 0.0), hour, hour + 1)[0] for hour in range(hours)]

    maturity = maturity_degc_hours(temps_degc=hourly_means(weather, hours), step_hours=1)

    assert maturity == pytest.approx(sum(parts), rel=0.005, abs=1.0)


@pytest.mark.parametrize("weather", [cooling_week, heated_collar])
@pytest.mark.parametrize("share", [0.17, 0.40])
@pytest.mark.parametrize("cement", ["I", "III"])
def test_the_moment_of_a_share_agrees_with_a_solved_rate_equation(weather, share, cement):
    """
    ACI 209R-92's curve as a rate equation in equivalent age, solved by scipy's solve_ivp.

    d(share)/dt = a / (a + b τ)² × rate / 24 with τ in days at 20 °C, whose solution is the
    curve; the constants a and b are from memory.
    """
    a, b = {"I": (4.0, 0.85), "III": (2.3, 0.92)}[cement]

    def grow(hour, state):
        days, _ = state
        pace = rate(weather(hour)) / 24
        return [pace, a / (a + b * days) ** 2 * pace]

    solved = solve_ivp(grow, (0, 400), [0, 0], dense_output=True, rtol=1e-9, atol=1e-11)
    moment = brentq(lambda hour: solved.sol(hour)[1] - share, 1, 400)

    ready = CureClock(hourly_means(weather, 400)).ready_hour(0, share, cement)

    assert ready is not None
    assert moment - 0.1 <= ready <= moment + 1.1


def test_interpolated_readings_agree_with_a_fine_integral_between_them():
    """Readings each 8 hours of a collar that cools, against the curve they were taken from."""
    readings = [TempReading(hour, heated_collar(hour)) for hour in range(0, 241, 8)]

    age = equivalent_age_hours(measured_degc(readings, hours=240))

    fine = quad(lambda t: rate(heated_collar(t)), 0, 240, limit=400)[0]
    # A straight line lies above a cooling curve between its readings, so a little is gained.
    assert fine <= age <= fine * 1.005


def test_the_two_methods_agree_at_the_reference_and_part_in_the_cold():
    """
    At 20 °C maturity over 20 is the equivalent age; colder, the Nurse-Saul sum is the slower.

    Source: the comparison of both in ASTM C1074's commentary (from memory).
    """
    for degc in (20.0, 10.0, 5.0):
        age = equivalent_age_hours([degc] * 100)
        by_maturity = maturity_degc_hours(temps_degc=[degc] * 100, step_hours=1) / 20

        assert by_maturity <= age + 1e-9
        assert (by_maturity == pytest.approx(age)) == (degc == 20.0)


@pytest.mark.parametrize(("share", "days_at_50_degf"), [(0.50, 6), (0.65, 11), (0.85, 21)])
def test_strength_in_the_cold_agrees_with_the_cold_weather_guide(share, days_at_50_degf):
    """
    Source: ACI 306R-88 Table 6.8, type I at 50 °F (from memory).

    Its column for 70 °F is slower than ours above half strength (65 % in 8 days, ours 5.4), and
    so is its 95 % at 50 °F faster (29 days, ours 36): a planning curve is not a test of the mix.
    """
    days = hours_to_strength(share=share, cement="I", temps_degc_by_hour=[10.0] * 2000) / 24

    assert days == pytest.approx(days_at_50_degf, abs=1.5)


def test_a_collar_frosty_at_night_waits_for_its_warm_hours_only():
    """Twelve hours at 10 °C and twelve at −5 °C a day take twice the days of a steady 10 °C."""
    steady = hours_to_strength(share=0.4, cement="I", temps_degc_by_hour=[10.0] * 2000)
    nights = np.resize([10.0] * 12 + [-5.0] * 12, 2000)

    frosty = hours_to_strength(share=0.4, cement="I", temps_degc_by_hour=nights)

    assert frosty == pytest.approx(2 * steady, abs=12)


# Thinnest side in inches, then °F: placed and kept; mixed in air above 30, 0 to 30, below 0;
# the most it may fall in the first 24 hours after protection.
ACI_306_TABLE_5_1 = [
    (4, (55, 60, 65, 70, 50)),
    (11.9, (55, 60, 65, 70, 50)),
    (12, (50, 55, 60, 65, 40)),
    (35.9, (50, 55, 60, 65, 40)),
    (36, (45, 50, 55, 60, 30)),
    (72, (40, 45, 50, 55, 20)),
    (200, (40, 45, 50, 55, 20)),
]


@pytest.mark.parametrize(("section_in", "degf"), ACI_306_TABLE_5_1)
def test_temperatures_by_thickness_agree_with_aci_306(section_in, degf):
    """Source: ACI 306R-16 Table 5.1 (from memory)."""
    limits = cold_limits(section_in)

    found = (
        limits.placed_degf,
        mixed_degf(section_in, 31),
        mixed_degf(section_in, 15),
        mixed_degf(section_in, -1),
        limits.most_drop_degf,
    )
    assert found == degf


@pytest.mark.parametrize(("air_degf", "mixed"), [(30.1, 60), (30, 65), (0, 65), (-0.1, 70)])
def test_air_decides_how_warm_it_is_mixed_at_the_edges(air_degf, mixed):
    """Source: ACI 306R-16 Table 5.1 (from memory): above 30, 0 to 30, below 0 °F."""
    assert mixed_degf(6, air_degf) == mixed


@pytest.mark.parametrize(("category", "normal", "accelerated"), [(1, 2, 1), (2, 3, 2), (3, 6, 4)])
def test_days_of_protection_agree_with_aci_306(category, normal, accelerated):
    """Source: ACI 306R-16 Table 7.1 (from memory)."""
    days = [protection_days(ServiceCategory(category), accelerated=fast) for fast in (False, True)]

    assert days == [normal, accelerated]


def test_cold_weather_begins_below_40_and_one_freeze_is_survived_at_500_psi():
    """
    Source: ACI 306R-16's definition of cold weather and its 500 psi (from memory).

    500 of 3,000 psi takes 0.78 days at 68 °F and about 34 hours at 50 °F: our own arithmetic.
    """
    share = FREEZE_PROOF_PSI / 3000

    assert COLD_WEATHER_DEGF == 40
    assert age_hours_for_share(share=share, cement="I") / 24 == pytest.approx(0.78, abs=0.005)
    assert hours_to_strength(
        share=share, cement="I", temps_degc_by_hour=[10.0] * 100
    ) == pytest.approx(34, abs=1)


def test_share_and_its_hours_are_each_others_inverse_by_root_finding():
    """Source: scipy's brentq on ACI 209R-92's curve (from memory)."""
    for cement in ("I", "III"):
        for curing in ("moist", "steam"):
            root = brentq(
                lambda days, c=cement, k=curing: (
                    strength_share(age_days_at_20c=days, cement=c, curing=k) - 0.7
                ),
                0.01,
                60,
            )
            hours = age_hours_for_share(share=0.7, cement=cement, curing=curing)

            assert hours / 24 == pytest.approx(root, rel=1e-9)


@pytest.mark.parametrize(("degf", "degc"), [(32, 0), (50, 10), (212, 100), (-40, -40)])
def test_fahrenheit_and_celsius_meet_where_everyone_knows(degf, degc):
    """Source: the definitions of both scales."""
    assert degf_to_degc(float(degf)) == pytest.approx(degc)
    assert degc_to_degf(float(degc)) == pytest.approx(degf)
