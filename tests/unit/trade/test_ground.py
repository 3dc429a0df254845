from datetime import datetime

import numpy as np
import pytest

from contractor.trade.ground import FOOTING_DEPTH_FT, ground_temps_degc

# A year whose air follows one cosine: 50 °F mean, 20 °F either way, coldest in mid-January.
WAVE_DEGF = tuple(50 - 20 * np.cos(2 * np.pi * np.arange(12) / 12))
YEAR_HOURS = 8766


def year_at(depth_ft: float) -> np.ndarray:
    return ground_temps_degc(
        monthly_mean_degf=WAVE_DEGF,
        depth_ft=depth_ft,
        first_hour=datetime(2026, 1, 1, 0, 0),
        hours=YEAR_HOURS,
    )


def test_the_surface_follows_the_air():
    temps = year_at(0)

    assert temps.min() == pytest.approx((30 - 32) * 5 / 9, abs=0.05)
    assert temps.max() == pytest.approx((70 - 32) * 5 / 9, abs=0.05)


def test_the_wave_is_damped_to_37_percent_and_58_days_late_at_7_9_ft():
    """
    Damping depth sqrt(2 a / w) = sqrt(2 × 0.05 × 365.25 / 2π) = 2.41 m for 0.05 m² a day.

    Source: conduction in a half-space (from memory); one damping depth leaves 1/e
    of the wave and delays it by a year / 2π = 58 days. Our own arithmetic.
    """
    surface, deep = year_at(0), year_at(2.411 / 0.3048)

    swing = (deep.max() - deep.min()) / (surface.max() - surface.min())
    late_days = (int(deep.argmin()) - int(surface.argmin())) / 24

    assert swing == pytest.approx(1 / np.e, abs=0.002)
    assert late_days == pytest.approx(58.1, abs=0.2)


def test_far_down_the_ground_keeps_the_yearly_mean():
    assert year_at(60) == pytest.approx((50 - 32) * 5 / 9, abs=0.02)


def test_a_footing_is_warmer_than_the_air_in_january_and_cooler_in_july():
    air, footing = year_at(0), year_at(FOOTING_DEPTH_FT)

    january, july = 15 * 24, 196 * 24
    assert footing[january] > air[january]
    assert footing[july] < air[july]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"monthly_mean_degf": (50,) * 11}, "monthly_mean_degf"),
        ({"depth_ft": -1}, "depth_ft"),
        ({"hours": -1}, "hours"),
    ],
)
def test_senseless_ground_is_refused(changes, field):
    fields = {
        "monthly_mean_degf": WAVE_DEGF,
        "depth_ft": 3,
        "first_hour": datetime(2026, 1, 1, 0, 0),
        "hours": 24,
    }

    with pytest.raises(ValueError, match=field):
        ground_temps_degc(**{**fields, **changes})
