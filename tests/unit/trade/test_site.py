import pytest

from contractor.trade.site import floor_level_ft, footing_diameter_in


@pytest.mark.parametrize("shots", [[], [float("nan")], [1.0, float("inf")]])
def test_a_floor_level_needs_ground_levels(shots):
    with pytest.raises(ValueError, match="ground_shots_ft"):
        floor_level_ft(shots)


def test_ground_below_the_mark_may_be_negative():
    assert floor_level_ft([-2.0, -1.5]) == pytest.approx(-1.5 + 1 / 12)


@pytest.mark.parametrize(("load_lb", "soil_psf"), [(0, 2000), (4800, 0), (4800, -1)])
def test_a_footing_needs_a_load_and_a_soil(load_lb, soil_psf):
    with pytest.raises(ValueError, match="above 0"):
        footing_diameter_in(load_lb=load_lb, soil_psf=soil_psf)
