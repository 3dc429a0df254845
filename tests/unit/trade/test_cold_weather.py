"""What the cold asks of a pour, and that a mild day asks nothing."""

from dataclasses import replace

import numpy as np
import pytest

from contractor.trade.building import Foundation
from contractor.trade.cold_weather import (
    ColdPour,
    Section,
    ServiceCategory,
    cold_cautions,
    cold_limits,
    is_cold_weather,
    protection_days,
    section_of,
)
from tests.unit.trade.buildings import shop

SLAB = Section("Slab", 4, ServiceCategory.NO_LOAD_EXPOSED)


def pour(air_degc=15.0, *, concrete_degc=15.0, hours=240, **changes):
    made = ColdPour(
        section=SLAB,
        accelerated=False,
        air_degc=np.full(hours, air_degc),
        concrete_degc=np.full(hours, concrete_degc),
        strength_psi=np.linspace(0, 2000, hours),
    )
    return replace(made, **changes)


def test_a_mild_day_asks_nothing():
    assert cold_cautions(pour(placed_degf=50, ground_degf=45)) == ()


def test_air_below_40_while_it_should_be_protected_is_cold_weather():
    assert is_cold_weather(pour(4.0))
    assert not is_cold_weather(pour(4.5))
    later = np.full(240, 10.0)
    later[72:] = -10.0
    assert not is_cold_weather(pour(air_degc=later))
    assert is_cold_weather(pour(air_degc=np.roll(later, -1)))


def test_cold_weather_says_how_warm_and_for_how_long():
    (caution,) = cold_cautions(pour(0.0, concrete_degc=10.0))

    assert "air down to 32 °F, below 40" in caution
    assert "Order it at 60 °F or more, and keep it at 55 °F or more for 3 days." in caution


@pytest.mark.parametrize(("protected_hours", "count"), [(71, 1), (72, 0), (200, 0)])
def test_enough_protection_asks_no_more(protected_hours, count):
    found = cold_cautions(pour(2.0, concrete_degc=10.0, protected_hours=protected_hours))

    assert len(found) == count


def test_an_accelerated_mix_is_protected_for_fewer_days():
    (caution,) = cold_cautions(pour(0.0, concrete_degc=10.0, accelerated=True))

    assert "for 2 days" in caution


def test_where_it_carries_full_load_strength_decides():
    full = Section("Slab", 4, ServiceCategory.FULL_LOAD)

    (caution,) = cold_cautions(pour(0.0, concrete_degc=10.0, section=full))

    assert "until it has its strength" in caution


def test_frozen_ground_is_told_planned_or_made():
    (planned,) = cold_cautions(pour(ground_degf=32.0, is_planned=True))
    (made,) = cold_cautions(pour(ground_degf=31.0))

    assert "is expected to be at 32 °F. Never place concrete on frozen ground" in planned
    assert "was at 31 °F. Never place concrete on frozen ground" in made
    assert cold_cautions(pour(ground_degf=33.0)) == ()


def test_a_freeze_before_500_psi_is_told_and_a_later_one_is_not():
    cold = np.full(240, 10.0)
    cold[10:] = -1.0

    (early,) = cold_cautions(pour(concrete_degc=cold))
    late = cold_cautions(pour(concrete_degc=cold, strength_psi=np.linspace(490, 2000, 240)))

    assert "It freezes 10 hours after placing, before it has 500 psi" in early
    assert late == ()


def test_concrete_placed_too_cold_in_the_cold_is_told():
    told = cold_cautions(pour(2.0, concrete_degc=10.0, placed_degf=50, protected_hours=200))

    assert told == ("Placed at 50 °F; 4 in thick, it should be placed and kept at 55 °F or more.",)


def test_protection_that_ends_into_deep_cold_is_told():
    (caution,) = cold_cautions(pour(-20.0, concrete_degc=15.0, protected_hours=100))

    assert "Protection ends at 59 °F with air 63 °F colder within a day" in caution
    assert "by 50 °F at most" in caution


@pytest.mark.parametrize("section_in", [0, -1, float("nan")])
def test_a_section_has_a_thickness(section_in):
    with pytest.raises(ValueError, match="section_in"):
        cold_limits(section_in)


def test_full_load_has_no_days():
    assert protection_days(ServiceCategory.FULL_LOAD, accelerated=False) is None


def test_what_a_phase_pours_follows_the_building():
    poured = shop(foundation=Foundation.POURED_PIER, slab_in=5, collar_in=24)
    precast = shop(foundation=Foundation.PRECAST_PIER)

    assert section_of("POUR", poured).thinnest_in == 6
    assert section_of("POSTS", poured).thinnest_in == 18
    assert section_of("SLAB", poured).thinnest_in == 5
    assert [section_of(code, precast) for code in ("POUR", "POSTS", "SLAB", "ROOF")] == [None] * 4


def test_posts_in_tamped_fill_pour_nothing():
    assert section_of("POSTS", shop(foundation=Foundation.POURED_PIER, collar_in=0)) is None
