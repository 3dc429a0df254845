import pytest

from contractor.trade.weather_allowance import MEAN_MONTH_DAYS, MOST_SHARE, Normals, lost_shares

APRIL = 3


def normals(**changes: object) -> Normals:
    fields: dict[str, object] = {
        "rain_days_010": (9.0,) * 12,
        "rain_days_025": (5.0,) * 12,
        "rain_days_050": (2.5,) * 12,
        "windy_days": (0.0,) * 12,
    }
    return Normals(**{**fields, **changes})


def test_nine_rainy_days_of_thirty_cost_a_roofer_five_of_21_work_days():
    """Nine days of 0.10 in × 21/30 work days × 0.8 = 5.0 lost days; our own arithmetic."""
    assert lost_shares(normals(), "ROOF")[APRIL] * 21 == pytest.approx(5.04)


def test_digging_loses_the_day_and_a_mud_day_behind_it():
    """2.5 days of 0.50 in × 21/30 × (1 + 1) = 3.5 lost days; our own arithmetic."""
    assert lost_shares(normals(), "GROUND", soil="GOOD")[APRIL] * 21 == pytest.approx(3.5)


def test_clay_loses_more_than_rock():
    shares = [lost_shares(normals(), "GROUND", soil=soil)[0] for soil in ("HARD", "GOOD", "ROCK")]

    assert shares == sorted(shares, reverse=True)
    assert shares[0] > shares[2]


def test_wind_and_rain_on_the_same_day_are_one_day():
    both = lost_shares(normals(windy_days=(15.0,) * 12), "ROOF")[APRIL]

    assert both == pytest.approx(1 - (1 - 0.24) * (1 - 0.4))


def test_wind_takes_nothing_from_walls_or_holes():
    windy = normals(windy_days=(15.0,) * 12)

    assert lost_shares(windy, "WALL") == lost_shares(normals(), "WALL")
    assert lost_shares(windy, "GROUND") == lost_shares(normals(), "GROUND")


def test_work_under_cover_loses_nothing():
    assert lost_shares(normals(), "") == (0.0,) * 12


def test_something_is_left_of_the_wettest_month():
    wettest = normals(rain_days_050=MEAN_MONTH_DAYS, mud_days=(9, 9, 9))

    assert max(lost_shares(wettest, "GROUND")) == MOST_SHARE
